"""The receiver's response, learnt from the shot itself, and its poles taken out.

What is recorded is power: backscatter ⊛ pulse ⊛ receiver, then the maker's smoothing. The receiver
is described by up to two poles, the smoothing by the width of a running mean, of power or of dB.

Poles show behind everything that light falls off at: reflections, the front panel, the end of the
fibre. Behind such an edge the record y obeys the receiver's own equation,

    y + c₁·y′ + c₂·y″ = fibre

Once c₁ and c₂ are known, the left side *is* the record of an instrument without poles. That inverse
is taken point by point, in linear power, and smoothed over as many points as keep the noise of a
point what it was. All that follows (search, dead zones, location, fit) needs to know one shape
only: a pulse seen through running means.

References
----------
.. [1] The inverse of a chain of poles is a finite sum of differences (elementary theory of linear
   differential equations); the discrete form used here is exact for an input that is constant
   between points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from otdravg.errors import BadSetting
from otdravg.findings import plain
from otdravg.shot.settings import ResponseSource

FloatArray = npt.NDArray[np.float64]

#: A rise like this within a pulse is a reflection's, dB; no splice gains as much (derived: a mode
#: field ratio of 1.4).
RISE_DB = 1.5
#: The top of a reflection reaches down to so much below its highest point, dB (chosen, not
#: derived).
TOP_DB = 0.3
#: Behind an end that does not reflect, the pulse has passed once the level fell by this, dB
#: (derived: 10·log10 of what a pole of 0.1 pulses still shows then).
PASSED_DB = 5.5
#: Edges that are looked at, the highest first (chosen, not derived: more would not make it surer).
MOST_EDGES = 8
#: Reflections of less than so many sigmas of the receiver tell nothing (chosen, not derived).
CLEAR_SIGMAS = 200.0
#: Pulses behind an edge that are looked at, and points there; more are averaged first (chosen, not
#: derived: three times the longest pole of a sensible receiver).
TAIL_PULSES, TAIL_POINTS = 12.0, 90
#: Lengths of poles that are tried, in pulses (chosen, not derived).
SHORTEST, LONGEST, TRIED = 0.05, 4.0, 36
#: Pulses and clocks are not perfect: a tail is believed to this share of its crest and of itself
#: (chosen, not derived).
CREST_SHARE, OWN_SHARE = 0.001, 0.005
#: Share of the crest that a pole holds behind it; less is a slow remainder, not the main response
#: (derived: a pole of 0.2 pulses, two points late, at ten points in a pulse: e⁻¹; half of it).
LEAST_SHARE = 0.15
#: Rise and fall of a mirror image differ by no more than this share (chosen, not derived).
MIRRORED = 0.25
#: Reflections lower than this do not show the shape of their flanks, dB (chosen, not derived).
LEAST_HEIGHT_DB = 2.5
#: A reflection's foot is this high above the fibre, dB (chosen, not derived).
FOOT_DB = 0.5
#: A flank as long as the pulse within this share is the pulse's (chosen, not derived).
SAME_LENGTH = 0.2
#: Half-way up a flank that is straight in dB stands at 0.5 of the height; one that is straight in
#: power at 0.63 (5 dB high) to 0.78 (20 dB). Derived: 5·log10 of the mean power between 0.15 and
#: 0.85 of the height; half-way between 0.5 and 0.63.
STRAIGHT = 0.57
#: Chi-squared per point that a length off by half a step of the first trials adds. Derived: trials
#: stand a factor of 1.11 apart; a tail off by half of that adds 3 a point at a pole of 0.3 pulses,
#: 23 at 3 and 26 at 4 against the shares above, and as much again is room for two poles taken as
#: one.
COARSE_MISFIT = 40.0
#: Points at the highest level that make a flat top (chosen, not derived).
LEAST_FLAT = 2
#: A model of a tail is believed up to this chi-squared per point (chosen, not derived).
MOST_MISFIT = 6.0
#: Poles below this share of the pulse are left alone: the ramp hardly shows them. Benchmark:
#: receivers, poles by length: no loss of accuracy up to here.
SHORT = 0.22
#: Below this share they are not told from none. Derived: twice the shortest that is tried.
LEAST_SHORT = 0.1
#: Second poles that are tried, as shares of the first. Chosen, not derived: steps of a third, as
#: wide as two poles so near to each other can be told apart; finer ones would only take time.
SECOND = (0.1, 0.2, 0.3, 0.4, 0.55, 0.75, 1.0)
#: A second pole must improve chi-squared by this factor (chosen, not derived).
SECOND_GAIN = 0.5
#: One pole that leaves less than this chi-squared per point needs no second (chosen, not derived).
SECOND_MISFIT = 0.3
#: Smoothing over more pulses than this would leave nothing to measure (chosen, not derived).
WIDEST_PULSES = 5.0
#: A running mean's own noise is uncorrelated at three times the lag of half correlation (derived:
#: a triangle ends at twice that lag, a pole's exponential still has an eighth).
UNCORRELATED = 0.06


#: Where a pole is taken out, the noise of the points at both ends of a line stands out: it is
#: averaged over so many that a line of so many pulses has no more of it than this, dB; but over so
#: small a part of a pulse at least. Chosen, not derived: a usual section; as much as a splice's
#: uncertainty is where there is hardly noise; less than a cell of the search.
LINE_PULSES, LITTLE_DB, SHARP = 10.0, 0.0005, 8.0
#: A slow tail that falls as 1/t is looked for out to so many pulses, and so many over which it may
#: die out (chosen, not derived: what lies beyond is as good as straight).
SLOW_PULSES, SLOW_REACH = 1000.0, (60.0, 120.0, 250.0, 1000.0)
#: Share of the response for each e-fold of time. Chosen, not derived: less than 0.01 % does not
#: show, more than 0.3 % would be 1.7 % of all over 300 pulses, a broken receiver.
LEAST_SLOW, MOST_SLOW = 1e-4, 3e-3
#: Pulses of such a tail behind the end of the fibre that show it, and how well its share is then
#: known: other shares of light that was clipped shine there, too. Chosen, not derived.
LEAST_BLOCKS, U_SLOW = 6, 0.4
#: What is brighter than a tail of the share that was found by this factor is fibre, and no tail.
#: Chosen, not derived: a tail of the shape that is taken for it is right to a few per cent.
SURELY_BRIGHT = 1.3
#: A model of such a tail is believed to this share of it. Chosen, not derived: nobody knows how it
#: dies out.
SLOW_SHARE = 0.03
#: It must leave less than this share of what a level floor would. Benchmark: receivers, tails of
#: 1/t leave up to 0.11, other ends 0.25 and more.
SLOW_GAIN = 0.15
#: It must be seen to fall, against a level floor by so much in χ², and to bend: a straight line
#: may not fit better by more than this factor. Benchmark: receivers, tails of 1/t have 22 and more,
#: and 4 at most; cords behind a lossy connector that were taken for one 2, and 12 and more.
SLOW_SHOWN, SLOW_BENT = 9.0, 6.0
#: Share of the fibre's power that the remains of a tail may have where the fibre is used again: 2
#: mdB (chosen, not derived: they die out within the first part of a section).
REMAINS = 1e-3
#: Poles are not known better than this, from one edge and from several. Benchmark: receivers, the
#: largest errors of poles seen.
LEAST_U_ONE, LEAST_U = 0.012, 0.002
#: Every so many points of the fibre say what its usual level is. Chosen, not derived: only speed
#: depends on it.
FEW = 16
#: Points of noise that are needed and that are enough (chosen, not derived).
LEAST_NOISE_POINTS, MOST_NOISE_POINTS = 200, 8000


@dataclass(frozen=True, slots=True)
class Response:
    """How an instrument answers, as far as a shot shows it.

    Parameters
    ----------
    poles : tuple of float
        Lengths of the receiver's poles on the trace, in pulse lengths; empty where the receiver is
        as good as immediate, or nothing could be learnt.
    smoothing : int
        Points of the maker's running mean; 1 = none.
    in_db : bool
        Whether the mean was taken of dB, not of power.
    u_poles : float
        Relative standard uncertainty of the poles' sum.
    short : float
        Length of a pole that is left in, in pulses: too short for a ramp to show it, long enough
        for what it leaves behind a step to matter; 0 if none is known.
    at_most : float
        Length that no pole which is left in exceeds, in pulses, by how fast reflections fall.
    misfit : float
        Chi-squared per point of the tails that the poles were learnt from.
    edges : int
        Edges that they were learnt from; 0: nothing clean was there.
    slow : float
        Share of the response, for each e-fold of time, in a tail that falls as 1/t.
    u_slow : float
        Its standard uncertainty.
    reach : float
        Pulses over which that tail dies out.
    source : ResponseSource

    Raises
    ------
    BadSetting
        When a length is not above 0, or the uncertainty below.
    """

    poles: tuple[float, ...] = ()
    smoothing: int = 1
    in_db: bool = False
    u_poles: float = 0.0
    short: float = 0.0
    at_most: float = 0.0
    misfit: float = 0.0
    edges: int = 0
    slow: float = 0.0
    u_slow: float = 0.0
    reach: float = 120.0
    source: ResponseSource = ResponseSource.STATED

    def __post_init__(self) -> None:
        if not all(0 < pole < math.inf for pole in self.poles):
            raise BadSetting("poles", self.poles, plain("give lengths above 0, in pulses"))
        if self.smoothing < 1:
            raise BadSetting("smoothing", self.smoothing, plain("give 1 point (none) or more"))
        if not 0 <= self.u_poles < math.inf:
            raise BadSetting(
                "u_poles", self.u_poles, plain("give 0 or more, as a share of the poles")
            )

    def width_pulses(self, pulse_points: float) -> tuple[float, float]:
        """How far an edge is spread beyond the pulse, and its standard uncertainty, in pulses.

        The sum of the poles and the points of the running mean, one at least.
        """
        poles = sum(self.poles)
        return poles + self.smoothing / pulse_points, self.u_poles * poles


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """What a shot recorded, before anything is known of its events.

    ``level_db`` and ``power`` have shape (n,); ``start`` and ``end`` are the first point behind the
    front panel and the last one with signal, ``fall`` the beginning of the last fall, if there is
    one; ``dark`` and ``sigma`` are mean and standard deviation of the power without light.
    """

    level_db: FloatArray
    power: FloatArray
    pulse_points: float
    slope_db_per_point: float
    start: int
    end: int
    fall: int | None
    dark: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Edge:
    """Something that light falls off at, in points of the record."""

    foot: int  # first point that rises; the edge itself where nothing does
    top: int  # last point of the top
    stop: int  # where the next thing begins
    crest: float  # linear power of the top
    bare: bool  # no fibre behind it
    clipped: bool  # the top is flat: its height is not known


def learnt(record: Record, noise_width: int) -> Response:
    """Learn the response from the edges of a shot.

    Parameters
    ----------
    record : Record
    noise_width : int
        Points over which the noise behind the fibre is correlated as a running mean correlates it.
    """
    # The highest edges tell most: more would not make it surer.
    edges = sorted(
        sorted(edges_of(record), key=lambda e: -e.crest)[:MOST_EDGES], key=lambda e: e.top
    )
    flanks = [f for f in (_flanks(record, edge) for edge in edges) if f is not None]
    mirrored = [f for f in flanks if abs(f.up - f.down) <= MIRRORED * max(f.up, f.down) + 2]
    if 2 * len(mirrored) <= len(flanks) or not flanks:
        found = _poles(record, edges)
        if found is not None and found.poles:
            return _with_smoothing(record, edges, found, noise_width)
        if found is not None:
            return replace(found, smoothing=noise_width)
    at_most = min((_pole_at_most(record, e) for e in edges), default=math.inf)
    clean = 2 * len(mirrored) > len(flanks) or at_most < SHORT
    source = ResponseSource.LEARNT if clean else ResponseSource.NONE
    wide = [f for f in mirrored if f.up >= 3]
    if 2 * len(wide) > len(mirrored):
        in_db = 2 * sum(f.straight for f in wide) > len(wide)
        width = round(float(np.median([f.smoothing(record.pulse_points) for f in wide])))
        if width >= 3:
            width = min(width, int(WIDEST_PULSES * record.pulse_points))
            return Response((), width, in_db, edges=len(wide), source=ResponseSource.LEARNT)
    known = len(edges) if clean else 0
    return Response((), noise_width, at_most=at_most, edges=known, source=source)


def noise_width(power: FloatArray, sigma: float, pulse_points: float) -> int:
    """Number of points over which the noise behind the fibre shows a running mean.

    Parameters
    ----------
    power : array
        Linear power where no light comes back.
    sigma : float
        Its standard deviation before clipping; 0 if unknown.
    pulse_points : float

    Returns
    -------
    int
        1 where there is too little noise to read, or where it is correlated in another way: noise
        in front of a receiver's pole dies out slowly, a running mean's ends at its width.
    """
    if power.size < LEAST_NOISE_POINTS:
        return 1
    power = power[:MOST_NOISE_POINTS]
    power = np.minimum(power, 4 * sigma) if sigma else power
    centred = power - power.mean()
    scale = float(np.einsum("i,i", centred, centred))
    if scale <= 0:
        return 1
    most = min(max(int(WIDEST_PULSES * pulse_points), 9), power.size // 4)
    spectrum = np.fft.rfft(centred, 1 << (power.size + most).bit_length())
    shared = np.fft.irfft(np.abs(spectrum) ** 2)[: most + 1] / scale
    least = max(0.08, 4 / math.sqrt(power.size))
    below = np.flatnonzero(shared < least)
    width = int(below[0]) if below.size else most
    half = int(np.argmax(shared < 0.5))
    late = shared[min(3 * half, most) : min(3 * half + max(half // 2, 1), most + 1)]
    if width > 3 and half and float(np.mean(late)) > UNCORRELATED + least / 4:
        return 1
    return width


def equalised(
    power: FloatArray, response: Response, pulse_points: float, noise: float = 1.0
) -> tuple[FloatArray, tuple[int, ...], float]:
    """Take the poles out of a record.

    Parameters
    ----------
    power : array, shape (n,)
        Linear power as it was recorded.
    response : Response
    pulse_points : float
    noise : float
        Standard deviation of a point where the fibre is weakest, as a share of its power: the
        cleaner a record, the less of what takes a pole out has to be averaged.

    Returns
    -------
    power : array, shape (n,)
        Linear power as an instrument without poles would have shown it; may be negative in noise.
    widths : tuple of int
        Points of the running means that keep the noise in bounds, one for each pole.
    white : float
        Long-run variance of what was white noise, as a share of a point's variance: taking a pole
        out leaves the mean of many points as it was.
    """
    widths, white = [], 1.0
    for pole in response.poles:
        a = math.exp(-1 / (pole * pulse_points))
        gain = a / (1 - a)
        # The difference of two points of white noise, over this many points, is that of one.
        longest = math.sqrt(2) * gain
        # What it leaves in the level that a line reaches at either end may be too little to matter.
        line = LINE_PULSES * pulse_points
        little = 20 * (gain / line) ** 2 * (5 / math.log(10) * noise / LITTLE_DB) ** 2
        width = math.ceil(min(max(little, pulse_points / SHARP, 1.0), longest))
        widths.append(width)
        white *= min(width / longest, 1.0) ** 2
        sums = np.zeros(power.size + 1)
        np.cumsum(power, out=sums[1:])
        # The mean of y + gain·(y[i] − y[i−1]) over a window telescopes to its two ends.
        lo = np.arange(power.size) - width // 2
        hi = np.minimum(lo + width, power.size)
        lo = np.maximum(lo, 0)
        mean = (sums[hi] - sums[lo]) / (hi - lo)
        power = mean + gain * (power[hi - 1] - power[np.maximum(lo - 1, 0)]) / (hi - lo)
    return power, tuple(widths), white


def slow_tail(power: FloatArray, pulse_points: float, reach: float) -> FloatArray:
    """What a receiver's tail that falls as 1/t adds, for a share of 1 in each e-fold of time.

    Such a tail has no length, so that no pole takes it out: it follows from all the ``power``
    (shape (n,)) before a point. It dies out over ``reach`` pulses, as exp(−t/reach).
    """
    count = min(int(SLOW_PULSES * pulse_points), power.size)
    behind = np.arange(count) / pulse_points
    kernel = np.exp(-behind / reach) / np.maximum(behind, 1) / pulse_points
    kernel[behind < 1] = 0.0
    size = 1 << (power.size + count).bit_length()
    spectrum = np.fft.rfft(power, size) * np.fft.rfft(kernel, size)
    return np.asarray(np.fft.irfft(spectrum, size)[: power.size])


def without_slow_tail(
    power: FloatArray, response: Response, start: int, end: int, pulse_points: float
) -> tuple[FloatArray, Response]:
    """Take the slow tail of a response out of a record; its share is no larger than light is left.

    Parameters
    ----------
    power : array, shape (n,)
        Linear power as it was recorded.
    response : Response
    start, end : int
        First point behind the front panel and last one with signal.
    pulse_points : float
    """
    lit = np.concatenate([np.zeros(start), power[start:]])
    tail = slow_tail(lit, pulse_points, response.reach)
    block = max(round(pulse_points), 1)
    count = (end + 1 - start) // block
    both = np.stack([power, tail])[:, start : start + count * block]
    light, dark = both.reshape(2, count, block).mean(axis=2)[:, LEAST_BLOCKS:]
    share = min(response.slow, float((light / np.maximum(dark, 1e-30)).min(initial=np.inf)))
    left = np.maximum(power - share * tail, power.min())
    return left, replace(response, slow=share, u_slow=max(response.u_slow, response.slow - share))


def slow_behind_end(
    power: FloatArray, dark: float, sure: float, start: int, end: int, pulse_points: float
) -> Response | None:
    """Share, its uncertainty and reach of a slow tail that shows behind the fibre.

    No fibre is as dark as such a tail, by what has shone before: where less is left, the tail alone
    is. None where no such stretch ends the signal of a record.

    Parameters
    ----------
    power : array, shape (n,)
        Linear power as it was recorded.
    dark, sure : float
        Mean of the power without light, and what a mean over a pulse must exceed it by to be light.
    start, end : int
        First point behind the front panel and last one with signal.
    pulse_points : float
    """
    block = max(round(pulse_points), 1)
    count = (end + 1 - start) // block
    light = power[start : start + count * block].reshape(count, block).mean(axis=1) - dark
    if count < 2 * LEAST_BLOCKS or light[-LEAST_BLOCKS:].max() > MOST_SLOW * 10 * light.max():
        return None
    tails = np.stack([slow_tail(light, pulse_points / block, reach) for reach in SLOW_REACH])
    share, best = MOST_SLOW, len(SLOW_REACH) - 1
    for _ in range(3):  # the fibre's own end is among the tail until its share is known
        first = int(np.flatnonzero(light > share * tails[best])[-1]) + 3
        dark_from = np.flatnonzero(light[first:] < sure)
        behind = slice(first, first + int(dark_from[0]) if dark_from.size else count - 1)
        dim = light[behind]
        if dim.size < LEAST_BLOCKS:
            return None
        weight = 1 / ((sure / 6) ** 2 + (SLOW_SHARE * dim) ** 2)
        here = tails[:, behind]
        shares = np.einsum("i,ri,i->r", weight, here, dim) / np.einsum("i,ri->r", weight, here**2)
        left = np.einsum("i,ri->r", weight, (dim - shares[:, None] * here) ** 2)
        best = int(np.argmin(left))
        share = SURELY_BRIGHT * float(shares[best])
    level = float(np.einsum("i,i", weight, dim) / weight.sum())
    share, flat = float(shares[best]), float(np.einsum("i,i", weight, (dim - level) ** 2))
    # What dies out as fast as the shortest does is an exponential; what a straight line fits far
    # better, or what hardly falls, is fibre: a cord behind a lossy connector is as dark.
    line = np.polynomial.Polynomial.fit(np.arange(dim.size), dim, 1, w=np.sqrt(weight))
    straight = float(np.einsum("i,i", weight, (dim - line(np.arange(dim.size))) ** 2))
    if not LEAST_SLOW < share < MOST_SLOW or best == 0:
        return None
    if left[best] > min(SLOW_GAIN * flat, flat - SLOW_SHOWN, SLOW_BENT * straight):
        return None
    return Response(slow=share, u_slow=U_SLOW * share, reach=SLOW_REACH[best])


def edges_of(record: Record) -> list[Edge]:
    """Reflections, the front panel and the end of the fibre, in order along the record."""
    level, n = record.level_db, record.level_db.size
    pulse, end = record.pulse_points, min(record.end + 1, record.level_db.size)
    step = max(int(pulse / 2), 2)
    rising = np.flatnonzero(level[step:end] - level[: max(end - step, 0)] > RISE_DB)
    tops: list[tuple[int, int, int]] = []  # foot, crest, last point of the top
    groups = np.split(rising, np.flatnonzero(np.diff(rising) > 1) + 1) if rising.size else []
    least = CLEAR_SIGMAS * record.sigma
    panel = record.start + int(np.argmax(level[record.start : record.start + int(3 * pulse) + 3]))
    usual = float(np.median(level[panel:end:FEW])) if panel < end else np.inf
    starts = [(record.start, panel)] if level[panel] - usual > RISE_DB else []
    for group in groups:
        first, last = int(group[0]), int(group[-1]) + step
        crest = first + int(np.argmax(level[first : min(last + int(pulse) + step, end)]))
        if record.power[crest] > least and level[crest] - level[first] > RISE_DB:
            starts.append((first, crest))
    for first, crest in starts:
        if tops and crest <= tops[-1][2]:
            continue
        window = level[crest : crest + int(40 * pulse)]
        below = np.flatnonzero(window < level[crest] - TOP_DB)
        top = crest + (int(below[0]) - 1 if below.size else window.size - 1)
        foot = first + int(np.argmax(level[first : crest + 1] > level[first] + 0.5))
        tops.append((foot, crest, top))
    edges = []
    ceiling = float(level.max()) - 1e-9
    fall = record.fall
    for k, (foot, crest, top) in enumerate(tops):
        bare = fall is not None and top >= fall - 2 * pulse
        ahead = tops[k + 1][0] - int(pulse) if k + 1 < len(tops) else end
        stop = n if bare else min(ahead, end if fall is None else fall - 2)
        clipped = np.count_nonzero(level[crest : top + 1] >= ceiling) >= LEAST_FLAT
        edges.append(Edge(foot, top, stop, float(record.power[crest]), bare, bool(clipped)))
    if fall is not None and not any(edge.bare for edge in edges):
        before = level[max(fall - int(4 * pulse) - 8, 0) : max(fall - int(pulse), 1)]
        reach = level[fall : fall + int(8 * pulse) + 4]
        passed = np.flatnonzero(reach < float(np.median(before)) - PASSED_DB)
        if passed.size:
            top = fall + int(passed[0])
            height = float(10 ** ((np.median(before) - PASSED_DB) / 5))
            edges.append(Edge(top, top, n, height, True, False))
    return edges


def blind_zones(record: Record, response: Response) -> tuple[tuple[int, int], ...]:
    """Stretches, in points, in which what is left of a reflection's tail hides the fibre.

    A pole known to a share u leaves u·(x/λ)·e^(−x/λ) of the tail behind when it is taken out: the
    zone ends where that is below ``REMAINS`` of the fibre. Empty without poles.
    """
    if not response.poles:
        return ()
    pulse = record.pulse_points
    longest = max(response.poles) * pulse
    zones = []
    for edge in edges_of(record):
        if edge.bare or edge.stop - edge.top < 2:
            continue
        reach = min(edge.stop, edge.top + int(TAIL_PULSES * 3 * pulse))
        fibre = float(np.median(record.power[edge.top + (reach - edge.top) // 2 : reach]))
        over = max(edge.crest / max(fibre, 1e-30) * response.u_poles / REMAINS, 1.0)
        decays = math.log(over)
        for _ in range(3):
            decays = max(math.log(over * max(decays, 1.0)), 0.0)
        zones.append((edge.foot, min(edge.top + 2 + math.ceil(decays * longest), edge.stop)))
    return tuple(zones)


@dataclass(frozen=True, slots=True)
class _Flanks:
    """How a reflection rises and falls, in points.

    A pulse seen through a running mean is a trapezoid, of power or of dB: its flanks are as long as
    the shorter of both, from the foot to the end of its top it is as long as the longer.
    """

    up: int  # between 15 and 85 % of its height in dB
    down: int
    ramp: float  # the whole rising flank
    to_top: float  # from the foot to the end of the top
    straight: bool  # the rise is a straight line in dB

    def smoothing(self, pulse_points: float) -> float:
        """Width of the running mean: which of both lengths is not the pulse's."""
        if abs(self.ramp - pulse_points) < SAME_LENGTH * pulse_points:
            return self.to_top
        return self.ramp


def _flanks(record: Record, edge: Edge) -> _Flanks | None:
    """Measure the flanks of a reflection; None where it is too low or has no fibre on both sides.

    Smoothing is symmetric: it shows in front of a reflection as behind it, and a reflection's
    footprint is the pulse plus the smoothing. A receiver rises at once and falls slowly.
    """
    level, pulse = record.level_db, record.pulse_points
    before = level[max(edge.foot - 9, 0) : max(edge.foot - 1, 0)]
    behind = level[edge.top : min(edge.stop, edge.top + int(10 * pulse) + 8)]
    if edge.bare or before.size < 4 or behind.size < 8:
        return None
    near, far = float(np.median(before)), float(np.median(behind[-max(behind.size // 4, 4) :]))
    height, drop = level[edge.top] - near, level[edge.top] - far
    if min(height, drop) < LEAST_HEIGHT_DB:
        return None
    rise = level[edge.foot - 1 : edge.top + 1] - near
    low, high = int(np.argmax(rise > 0.15 * height)), int(np.argmax(rise > 0.85 * height))
    fallen = behind - far
    upper, lower = int(np.argmax(fallen < 0.85 * drop)), int(np.argmax(fallen < 0.15 * drop))
    half = float(rise[(low + high) // 2] + rise[(low + high + 1) // 2]) / 2
    straight = bool(half < STRAIGHT * height)
    if straight:
        ramp = (high - low) / 0.7
        missed = (FOOT_DB - TOP_DB) * ramp / height
    else:  # a straight line of power from the fibre's to the crest's
        over = 10 ** (height / 5) - 1
        ramp = (high - low) * over / (10 ** (0.85 * height / 5) - 10 ** (0.15 * height / 5))
        missed = -(1 - 10 ** (-TOP_DB / 5)) * ramp
    return _Flanks(high - low, lower - upper, ramp, edge.top + 1 - edge.foot + missed, straight)


def _pole_at_most(record: Record, edge: Edge) -> float:
    """Length of the longest pole, in pulses, that lets the level fall as fast as it does.

    The level of a pole's tail falls by 5·log10(e) dB in its length, behind a clipped top too.
    Infinite where the fall is too low to tell.
    """
    within = max(math.ceil(SHORT * record.pulse_points), 2)
    fall = record.level_db[edge.top : min(edge.top + within + 1, edge.stop)]
    if fall.size <= within:
        return math.inf
    fallen = fall[0] - fall[1:]
    if fallen.max() < LEAST_HEIGHT_DB:
        return math.inf
    steepest = float((fallen / np.arange(1, within + 1)).max())
    return 5 / math.log(10) / (steepest * record.pulse_points)


def _with_smoothing(
    record: Record, edges: list[Edge], found: Response, noise_width: int
) -> Response:
    """Add the maker's smoothing to a receiver with poles.

    Without its poles a reflection rises as the running mean does, in a straight line of power.
    """
    power, *_ = equalised(record.power, found, record.pulse_points, 0.0)
    ceiling = float(record.power.max()) * 0.999
    widths = []
    for edge in edges:
        if edge.bare or edge.crest >= ceiling or edge.foot < record.start + 2:
            continue
        first = max(edge.foot - 2, 0)
        rise = power[first : edge.top + 1]
        high = float(np.median(rise[rise.size // 2 :]))
        near = float(np.median(power[max(first - 8, 0) : first + 1]))
        share = (rise - near) / max(high - near, 1e-30)
        low, full = int(np.argmax(share > 0.15)), int(np.argmax(share > 0.85))
        widths.append((full - low) / 0.7)
    width = float(np.median(widths)) if widths else 0.0
    alike = [w for w in widths if abs(w - width) <= MIRRORED * width + 1]
    if 2 * len(alike) <= len(widths) or width > WIDEST_PULSES * record.pulse_points:
        width = noise_width
    return replace(found, smoothing=round(width) if width >= 3 else 1)


def _poles(record: Record, edges: list[Edge]) -> Response | None:
    """Fit one pole, or two, to the tails behind all edges; None where no pole explains them.

    Each tail is fibre plus an exponential, both heights free: linear for each length of the pole
    that is tried, which is the same for all edges.
    """
    pulse = record.pulse_points
    points = int(TAIL_PULSES * pulse) + 8
    bunch = max(math.ceil(points / TAIL_POINTS), 1)
    x = bunch * np.arange(points // bunch, dtype=float)
    fibre = 10 ** (record.slope_db_per_point * x / 5)
    kept = [t for edge in edges if (t := _tail(record, edge, bunch, x.size)) is not None]
    lengths = np.geomspace(SHORTEST, LONGEST, TRIED) * pulse
    length = u = 0.0
    for _ in range(2):  # roughly and finely
        tails = np.exp(-x / lengths[:, None])[:, None]
        fits = [_cost(y, w, fibre[: y.size] * has, tails[:, :, : y.size]) for y, w, has, *_ in kept]
        # How far off the length may be within the grid is no misfit.
        slack = 0.0 if length else COARSE_MISFIT
        chosen = [
            k
            for k, (left, height) in enumerate(fits)
            if left.min() < (MOST_MISFIT + slack) * max(kept[k][0].size - 3, 1)
            and height[int(np.argmin(left)), 0] > LEAST_SHARE * kept[k][3]
        ]
        # Behind a clipped top a small slow share of the response looks like the whole of it.
        if all(kept[k][4] for k in chosen):
            return None
        kept, fits = [kept[k] for k in chosen], [fits[k] for k in chosen]
        misfits = [
            float(left.min()) / max(t[0].size - 3, 1)
            for t, (left, _) in zip(kept, fits, strict=True)
        ]
        cost = np.sum(
            [left / max(1.0, m) for (left, _), m in zip(fits, misfits, strict=True)], axis=0
        )
        length, u = _vertex(lengths, cost)
        lengths = length * np.geomspace(0.9, 1.1, 11)
    poles: tuple[float, ...] = (length,)
    u_least = LEAST_U_ONE if len(kept) == 1 else LEAST_U
    first, share = length * np.geomspace(0.55, 1.05, 12), np.array(SECOND)
    # One pole that fits is all there is.
    for narrower in (1.06, 1.02, 1.0) if np.median(misfits) > SECOND_MISFIT else ():
        long = first.repeat(share.size)
        short = (first[:, None] * np.minimum(share, 1.0)).ravel()
        tails = _two_tails(x, long, short)
        left = np.zeros(long.size)
        for (y, w, has, *_), misfit in zip(kept, misfits, strict=True):
            left += _cost(y, w, fibre[: y.size] * has, tails[:, :, : y.size])[0] / max(1.0, misfit)
        best = int(np.argmin(left))
        if left[best] > SECOND_GAIN * cost.min() - 10:
            break
        poles, u_least = (float(long[best]), float(short[best])), LEAST_U_ONE
        first = poles[0] * np.geomspace(1 / narrower, narrower, 7)
        share = poles[1] / poles[0] * np.geomspace(1 / narrower**4, narrower**4, 7)
    known = Response(
        u_poles=max(u / length, u_least),
        misfit=float(np.median(misfits)),
        edges=len(kept),
        source=ResponseSource.LEARNT,
    )
    total = float(sum(poles) / pulse)
    if total < SHORT:
        return replace(known, short=total if total > LEAST_SHORT else 0.0)
    return replace(known, poles=tuple(float(p / pulse) for p in poles))


def _tail(
    record: Record, edge: Edge, bunch: int, most: int
) -> tuple[FloatArray, FloatArray, bool, float, bool] | None:
    """Power behind an edge in bunches of points, its weights, whether fibre follows, its crest,
    and whether that is clipped.

    None where too little is there.
    """
    first = edge.top + 2
    count = min((edge.stop - first) // bunch, most)
    if count < 5:
        return None
    y = record.power[first : first + count * bunch].reshape(count, bunch).mean(axis=1)
    variance = (
        record.sigma**2 / bunch + (OWN_SHARE * y) ** 2 + (CREST_SHARE * edge.crest) ** 2 + 1e-30
    )
    if edge.bare:
        y = y - record.dark
        low = np.flatnonzero(y < 10 * record.sigma)
        count = int(low[0]) if low.size else count
        if count < 5:
            return None
    return y[:count], 1 / variance[:count], not edge.bare, edge.crest, edge.clipped


def _cost(
    y: FloatArray, weight: FloatArray, base: FloatArray, tails: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Weighted squares left over by the best heights of base and tails, and the tails' heights.

    ``tails`` has shape (G, T, W): T tails for each of G trials.
    """
    columns = np.concatenate(
        [np.broadcast_to(base, (tails.shape[0], 1, y.size)), tails], axis=1
    ) if base.any() else tails  # fmt: skip
    root = np.sqrt(weight)
    columns = columns * root
    target = y * root
    normal = np.einsum("gaw,gbw->gab", columns, columns)
    right = np.einsum("gaw,w->ga", columns, target)
    ridge = 1e-12 * np.einsum("gaa->ga", normal).max(axis=1)[:, None, None]
    solved = np.linalg.solve(normal + ridge * np.eye(normal.shape[1]), right[:, :, None])[:, :, 0]
    left = float(target @ target) - np.einsum("ga,ga->g", right, solved)
    return np.maximum(left, 0.0), solved[:, -tails.shape[1] :]


def _two_tails(x: FloatArray, first: FloatArray, second: FloatArray) -> FloatArray:
    """Both shapes that two poles may leave behind an edge, shape (G, 2, W)."""
    slow, along = np.exp(-x / first[:, None]), x / first[:, None]
    alike = second[:, None] > 0.97 * first[:, None]
    return np.stack([slow, np.where(alike, along * slow, np.exp(-x / second[:, None]))], axis=1)


def _vertex(lengths: FloatArray, cost: FloatArray) -> tuple[float, float]:
    """Length of lowest cost by the parabola through three trials, and its standard uncertainty."""
    best = int(np.clip(np.argmin(cost), 1, cost.size - 2))
    log_step = math.log(lengths[1] / lengths[0])
    low, middle, high = (float(c) for c in cost[best - 1 : best + 2])
    curve = max(low - 2 * middle + high, 1e-9)
    beyond = min(max(0.5 * (low - high) / curve, -0.5), 0.5)
    length = float(lengths[best]) * math.exp(beyond * log_step)
    return length, length * log_step * math.sqrt(2 / curve)

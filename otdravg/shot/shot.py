"""One shot, ready for search and measurement: its signal, its noise and its dead zones.

Works on the record's own points. Searches use *cells*, means over a sixth of a pulse, which
keep all that the pulse can resolve.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from otdravg.errors import Refusal, ShotsDoNotPair
from otdravg.findings import says
from otdravg.shot.lines import LineSums, SlopePrior
from otdravg.shot.noise import (
    DB_PER_RELATIVE_POWER,
    Lines,
    NoiseModel,
    Rounding,
    linear_power,
    median,
    noise_about,
    quantile,
    rough_noise,
)
from otdravg.shot.reflections import (
    Contour,
    Floor,
    Peak,
    RunningSums,
    fall_by_and_by,
    fall_into_tail,
    final_fall,
    find_end,
    find_reflections,
    first_blank,
    noise_floor,
    panel_clear,
)
from otdravg.shot.response import (
    Record,
    Response,
    blind_zones,
    equalised,
    learnt,
    noise_width,
    slow_behind_end,
    without_slow_tail,
)
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.intp]

#: How far the attenuation of a piece may be from the typical one of the shot, dB/km. Chosen, not
#: derived: two makes of fibre in one span differ by a few hundredths (common practice, no source);
#: wider costs short pieces their borrowed slope.
SLOPE_SPREAD_DB_PER_KM = 0.06
#: How far the slope may be off without a peak or a dip being seen in it, dB/km. Chosen, not
#: derived: over twice the spread of pieces, and above the 0.13 dB/km between a typical 1550 and
#: 1310 nm fibre (0.20 and 0.33, from memory).
SLOPE_SLACK_DB_PER_KM = 0.15
#: Standard uncertainty with which the typical slope should be known, dB/km. Derived: half the
#: spread of pieces, which it widens by √(1 + ¼) only, 12 %.
SLOPE_PRECISION_DB_PER_KM = 0.03
#: Stretches whose fall is looked at for the typical slope. Derived: six for each of the 640
#: stretches that do not overlap; more would repeat what these hold.
SLOPE_SAMPLES = 4000
#: How much two neighbouring sections of a cable may differ in attenuation, dB/km. Chosen, not
#: derived: a third of the whole spread, as neighbours are mostly of one make.
SLOPE_CHANGE_DB_PER_KM = 0.02
#: Attenuation assumed before any is measured, dB/km; only tells fibre from a flat floor. Chosen,
#: not derived: within a factor of 1.6 of cabled fibre from 1310 to 1625 nm, where three are asked
#: for.
FIRST_GUESS_DB_PER_KM = 0.25
#: Behind a step the receiver needs a little longer than the pulse, as a share of the pulse.
#: Chosen, not derived: a pole of 0.1 pulses then leaves 0.3 % of the step (λ·(1 −
#: e^(−1/λ))·e^(−0.35/λ)), one of 0.2 pulses 3 %.
STEP_RECOVERY = 0.35
#: The same where poles were taken out; what their uncertainty leaves of a usual step comes on top.
#: Chosen, not derived: no tail is left, only the flanks of a real pulse; 1 mdB of 0.3 dB, a large
#: step, is what a splice's uncertainty hides.
EQUALISED_RECOVERY, USUAL_STEP_DB, STEP_REMAINS_DB = 0.15, 0.3, 0.001
#: No splice that is measured is larger, dB (chosen, not derived: what falls more is a break).
LARGE_STEP_DB = 5.0
#: Half a pulse averages out too little of noise that is correlated over a pulse. Chosen, not
#: derived: a triangle as long as the pulse would ask for 1 / (½·(1 − ½/3)) = 2.4, white noise for
#: 1.
ROUGH_RIPPLE = 1.5
#: Kept free in front of an event for the uncertainty of its location, share of a pulse. Chosen,
#: not derived: smaller lets a ramp that starts early into the line before it, larger takes points
#: from that.
GUARD_SHARE = 0.1
#: Of what smoothing shows ahead of a step, so much counts as fibre, share of a pulse. Derived: a
#: mean over w pulses shows x²/(2·w) of the step x pulses behind its first trace, 1 % for w = 2.
FOOT_SHARE = 0.2
#: Levels are stored as 16 bits of 0.001 dB, 65.5 dB; nobody stores twice as much. Derived:
#: 2·65.535 dB = 131 dB, rounded up.
LARGEST_SPAN_DB = 140.0
#: Cells whose power is less than so many sigmas of its noise are not used. Derived: the
#: logarithm's low reading is put right to first order, ½·(σ/P)²; the next term, ¾·(σ/P)⁴, is 6 mdB
#: here.
LEAST_CELL_SIGMAS = 4.0
#: Points whose noise-free power is below this many receiver sigmas are not used: clipping and
#: rectification at zero power would bias them. Derived: clipping adds σ·(φ(3) − 3·Φ(−3)) = 0.0004
#: σ, 0.3 mdB at this power; at two sigmas it would be 9 mdB.
LEAST_SIGNAL_SIGMAS = 3.0
#: Points that are averaged column by column. Chosen, not derived: only speed depends on it.
FEW_POINTS = 16
#: Steps of levels that instruments usually write, dB. Standard: SR-4731, levels in thousandths of
#: a dB at a scale factor of one.
USUAL_QUANTUM_DB = 0.001
#: Neighbours that must differ before anything is said of the steps of the levels. Derived: the
#: quantile of 0.02 that is taken of them needs 1/0.02.
LEAST_STEPS = 50
#: Points whose steps are counted first. Chosen, not derived: only speed depends on it.
FEW_STEPS = 6000
#: Cells per pulse in the search. Chosen, not derived: a step is at most half a cell from an edge,
#: 1/12 of a pulse, less than GUARD_SHARE; more cells only take time.
CELLS_PER_PULSE = 6


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Means over a few points each: position, level, weight (1/variance of the mean)."""

    width: int
    cell_m: float  # from cell to cell
    x_m: FloatArray
    power: FloatArray  # linear
    inverse_square: FloatArray  # 1/P² of the power, smoothed
    level_db: FloatArray
    weight: FloatArray
    sums: LineSums  # of the cells, so that lines through them are cheap

    def index(self, x_m: FloatArray) -> IndexArray:
        """First cell at or behind positions; cells are equally spaced."""
        first_m = self.x_m[0] if self.x_m.size else 0.0
        place = (x_m - first_m) / self.cell_m
        place = np.ceil(np.minimum(np.maximum(place, 0.0), self.x_m.size) - 1e-6)
        return np.asarray(place, dtype=np.intp)

    @classmethod
    def none(cls, width: int, cell_m: float) -> Cells:
        """No cells yet, but their width."""
        empty = np.zeros(0)
        sums = LineSums.of(empty, empty, empty)
        return cls(width, cell_m, empty, empty, empty, empty, empty, sums)


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One shot, ready for search and measurement; index arrays refer to its points."""

    trace: Trace
    group_index: float
    x_m: FloatArray  # shape (n,), from the front panel
    power: (
        FloatArray  # shape (n,), linear, relative to the 0 dB level, without the receiver's poles
    )
    level_db: FloatArray  # shape (n,), the same in dB
    response: Response
    means: tuple[int, ...]  # points of the running means that a sharp edge went through
    blind: tuple[tuple[int, int], ...]  # where remains of tails hide the fibre, in points
    blank: int  # first point from which on noise may have been blanked
    quantum_db: float  # steps of the levels
    rounding: Rounding
    pulse_m: float
    spacing_m: float
    floor: Floor
    start: int  # first point at or behind the front panel
    end: int  # last point with signal
    contour: Contour
    fall: int | None  # where the level falls for good, at the end of the fibre
    front_clear: int  # first point behind the front panel's reflection
    peaks: tuple[Peak, ...]
    in_peak: BoolArray  # shape (n,)
    noise: NoiseModel  # of single points
    slope_db_per_m: float  # typical of the fibre
    u_slope_db_per_m: float
    cells: Cells
    white: float = 1.0  # long-run variance of white noise by a point's, poles taken out

    @property
    def smoothing(self) -> int:
        """Points that a sharp edge is spread over."""
        return sum(self.means) - len(self.means) + 1

    @property
    def loud_ends(self) -> float:
        """Points of a line whose ends add as much variance as it has, where poles were taken out.

        Of white noise e, gain·(e[i] − e[i−w])/w is added, which at both ends of a line is left
        over: 20·gain²/(w·N²) of its variance, against 4/N, in the level that the line reaches.
        """
        return 2.5 * self.smoothing * (1 / self.white - 1)

    @property
    def recovery_m(self) -> float:
        """Length behind the start of a step that is left out of fits."""
        share = EQUALISED_RECOVERY if self.response.poles else STEP_RECOVERY
        pole, left = self._remains
        tail = pole * math.log(max(USUAL_STEP_DB * left, 1.0))
        share = share + tail if self.response.poles else max(share, tail)
        return self.pulse_m * (1 + share) + (1.5 + self.smoothing / 2) * self.spacing_m

    @property
    def _remains(self) -> tuple[float, float]:
        """The longest pole, in pulses, and 1/dB of a step at which its remains begin to matter."""
        response = self.response
        if response.poles:
            return response.longest, response.u_poles / STEP_REMAINS_DB
        return response.short, response.short / STEP_REMAINS_DB

    def clear_m(self, start_m: FloatArray, stop_m: FloatArray | None = None) -> FloatArray:
        """Where the ramps of steps have died out that start (and the last starts) there.

        What a pole leaves of a large step matters for longer than what it leaves of a usual one.
        """
        start = np.asarray(start_m, dtype=float)
        clear = np.asarray((start if stop_m is None else stop_m) + self.recovery_m)
        pole, left = self._remains
        if not pole or not start.size:
            return clear
        sums, n = self.contour.sums_db.sums, self.level_db.size
        width = max(int(self.pulse_m / self.spacing_m / 4), 3)
        near = np.clip(np.searchsorted(self.x_m, start - self.guard_m), width, n)
        far = np.clip(np.searchsorted(self.x_m, clear), 0, n - width)
        size = (sums[near - width] - sums[near] - sums[far] + sums[far + width]) / width
        size = np.clip(np.abs(size), USUAL_STEP_DB, LARGE_STEP_DB)
        tail = np.log(np.maximum(size * left, 1.0) / max(USUAL_STEP_DB * left, 1.0))
        return np.asarray(clear + self.pulse_m * pole * tail)

    @property
    def ahead_m(self) -> float:
        """Length in front of a step in which smoothing shows it already, but for its first foot.

        Where poles were taken out, what is left of the response stands behind the step.
        """
        if self.response.poles:
            return 0.0
        spread_m = (self.smoothing - 1) / 2 * self.spacing_m
        return max(spread_m - FOOT_SHARE * self.pulse_m, 0.0)

    @property
    def guard_m(self) -> float:
        """Length in front of an event that is left out of fits: smoothing looks ahead."""
        return GUARD_SHARE * self.pulse_m + (0.5 + self.smoothing / 2) * self.spacing_m

    @property
    def placing_m(self) -> float:
        """How far the location of an event in this shot may be off."""
        return 0.35 * self.pulse_m + (1.5 + self.smoothing / 2) * self.spacing_m

    @property
    def tail_db2(self) -> float | None:
        """Receiver variance at level 0 dB as the noise behind the fibre shows it."""
        if not self.floor.is_noise or self.floor.noise_power <= 0 or self.response.poles:
            return None  # without poles it is not the noise that was recorded
        return float((DB_PER_RELATIVE_POWER * self.floor.noise_power) ** 2)

    @property
    def faintest_db(self) -> float:
        """Level of fibre below which points are not used."""
        least = LEAST_SIGNAL_SIGMAS * self.noise.receiver_sigma_power
        return DB_PER_RELATIVE_POWER * math.log(least) if least > 0 else -math.inf

    @property
    def correlation_windows(self) -> tuple[int, ...]:
        """Lags over which neighbouring points may share noise: smoothing, half and whole pulse."""
        pulse_points = self.pulse_m / self.spacing_m
        return (
            self.smoothing,
            self.smoothing + int(np.ceil(pulse_points / 2)),
            self.smoothing + int(np.ceil(pulse_points)),
        )

    def noise_about(self, lines: Lines) -> NoiseModel:
        """The noise about lines that were fitted to this shot."""
        return noise_about(
            lines.above(max(self.faintest_db, float(self.level_db.min()))),
            self.power,
            ~self.in_peak,
            windows=self.correlation_windows,
            rounding=self.rounding,
            start=self.noise,
            tail_db2=self.tail_db2,
            smoothing=self.means[0],
            least_white=self.white if self.response.poles else 0.0,
        )

    @property
    def slope_prior(self) -> SlopePrior:
        """What a piece of this fibre may be expected to fall by per metre."""
        spread = float(np.hypot(SLOPE_SPREAD_DB_PER_KM / 1000, self.u_slope_db_per_m))
        return SlopePrior(self.slope_db_per_m, spread, SLOPE_CHANGE_DB_PER_KM / 1000)

    @property
    def rounding_db(self) -> float:
        """What rounding may feign as a step: little noise does not average it out.

        Steps wider than usual are in the noise itself (:class:`~otdravg.shot.noise.Rounding`).
        """
        return min(self.quantum_db, USUAL_QUANTUM_DB) / float(np.sqrt(12))

    def at_m(self, point: float) -> float:
        """Position of a place between points."""
        return float(self.x_m[0]) + point * self.spacing_m

    @property
    def user_offset_m(self) -> float:
        """Where the operator says the span starts; 0 = not set."""
        return self.trace.user_offset_m(self.group_index)

    @property
    def lit_m(self) -> float:
        """Length in which fibre shows, behind the front panel's dead zone."""
        return self.signal_end_m - float(self.x_m[self.front_clear])

    @property
    def signal_end_m(self) -> float:
        """Position of the last point with signal."""
        return float(self.x_m[self.end])


def prepare(
    trace: Trace, group_index: float | None = None, response: Response | None = None
) -> Shot:
    """Find the fibre signal of a shot, its reflections and its noise.

    A response that is given is not learnt.
    """
    index = group_index or trace.settings.group_index
    level = trace.level_db
    n = level.size
    spacing = trace.spacing_m(index)
    x = trace.with_index(index).distance_m
    pulse = max(trace.pulse_m(index), spacing)
    pulse_points = pulse / spacing
    span_db = float(np.ptp(level))
    if span_db > LARGEST_SPAN_DB:
        raise ShotsDoNotPair(
            Refusal.NO_SIGNAL,
            says("levels-too-far", file=trace.identity.path, span_db=float(span_db)),
            says("export-again"),
        )
    guess = -FIRST_GUESS_DB_PER_KM * spacing / 1000
    power = linear_power(level)
    start = int(np.clip(np.ceil(-x[0] / spacing), 0, n - 1))
    floor = noise_floor(level, guess)
    end = find_end(power, floor, pulse_points)
    slow = response
    if not response and not floor.masked and end > start:
        sure = floor.surely_above(max(round(pulse_points), 1))
        slow = slow_behind_end(power, floor.dark_power, sure, start, end, pulse_points)
    if slow and slow.slow:
        power, slow = without_slow_tail(power, slow, start, end, pulse_points)
        level = DB_PER_RELATIVE_POWER * np.log(power)
        end = find_end(power, floor, pulse_points)
    behind = power[end + int(20 * pulse_points) + 20 :] if floor.is_noise else power[:0]
    shared = 1 if floor.masked else noise_width(behind, floor.noise_power, pulse_points)
    fall = final_fall(power, floor, end, pulse_points)
    for behind_end in (fall_into_tail, fall_by_and_by):
        late = behind_end(power, floor, start, end, pulse_points, guess)
        if late is not None and (fall is None or late < fall):
            fall, end = late, min(end, late + int(np.ceil(pulse_points)))
    if end - start < max(4 * pulse_points, 24):
        seen_m = float(max(end - start, 0) * spacing)
        raise ShotsDoNotPair(
            Refusal.NO_SIGNAL,
            says("too-little-signal", file=trace.identity.path, seen_m=seen_m),
            says("shorter-pulse-or-clean"),
        )
    record = Record(
        level, power, pulse_points, guess, start, end, fall, floor.mean_power, floor.noise_power
    )
    response = response or learnt(record, shared)
    if slow and slow.slow:
        response = replace(response, slow=slow.slow, u_slow=slow.u_slow, reach=slow.reach)
    means: tuple[int, ...] = (response.smoothing,)
    white = 1.0
    blind = blind_zones(record, response)
    blank = first_blank(level, start) if floor.masked else n
    if response.poles:
        last = end if fall is None else fall
        faint = median(power[max(last - math.ceil(4 * pulse_points), start) : last + 1])
        relative = floor.noise_power / max(faint - floor.mean_power, 1e-13)
        power, more, white = equalised(power, response, pulse_points, relative)
        means += more
        if fall is not None:  # without its tail the end falls where it is
            fall = final_fall(power, floor, end, pulse_points) or fall
        level = DB_PER_RELATIVE_POWER * np.log(np.maximum(power, 0.1 * floor.sigma_power + 1e-13))
    smoothing = sum(means) - len(means) + 1
    lag = int(np.ceil(pulse_points)) + smoothing
    lag = min(lag, max((end - start) // 8, 1))
    width = max(int(pulse_points // CELLS_PER_PULSE), 1)
    # The first and last pulses hold the panel's tail and the fall at the end, which are no noise.
    edge = int(1.5 * pulse_points)
    within = slice(start + edge, max(end - edge, start))
    known = floor.noise_power > 0 and not response.poles
    tail_db2 = (DB_PER_RELATIVE_POWER * floor.noise_power) ** 2 if known else None
    slope = _typical_slope(level, start, end, pulse_points, spacing)
    quantum = level_step(trace)
    typical = median(power[start : end + 1 : 16])
    dither = DB_PER_RELATIVE_POWER * floor.noise_power / max(typical, 1e-13)
    rounding = Rounding.of(quantum, slope[0] * spacing, dither)
    slack = SLOPE_SLACK_DB_PER_KM / 1000 * spacing
    sums = RunningSums.of(level)
    contour = Contour.of(level, power, pulse_points, slope[0] * spacing, smoothing, slack, sums)
    point_noise = rough_noise(level, within, contour.clipped, lag, rounding, tail_db2)
    coarse = max(int(pulse_points / 2), smoothing, 4)
    mean_tail = None if tail_db2 is None else tail_db2 * min(smoothing, coarse) / coarse
    averaged = Rounding(rounding.long_run_db2 / coarse, rounding.long_run_db2 / coarse)
    mean_noise = rough_noise(
        sums.means(0, coarse), within, contour.clipped, lag + coarse, averaged, mean_tail
    )
    noise = NoiseModel(
        point_noise.constant_db2,
        point_noise.receiver_db2,
        max(ROUGH_RIPPLE * mean_noise.constant_db2 * coarse, white * point_noise.constant_db2),
        max(mean_noise.receiver_db2 * coarse, white * point_noise.receiver_db2),
    )
    shot = Shot(
        trace, index, x, power, level, response, means, blind, blank, quantum, rounding, pulse,
        spacing, floor, start, end, contour, fall, start, (), np.zeros(n, dtype=bool), noise,
        *slope, Cells.none(width, width * spacing), white,
    )  # fmt: skip
    return with_reflections(shot)


def level_step(trace: Trace) -> float:
    """Steps of a shot's levels in dB: those of the file, or wider ones that the levels keep to.

    Neighbours that differ at all differ by one step at least.
    """
    quantum = trace.settings.quantum_db
    share = 0.02
    first = np.abs(np.diff(trace.level_db[:FEW_STEPS]))
    small = np.count_nonzero((first > 0.5 * quantum) & (first < 2.5 * quantum))
    if small > share * trace.level_db.size + 1:  # enough of them, whatever the other steps are
        return quantum
    steps = np.abs(np.diff(np.rint(trace.level_db / quantum)))
    steps = steps[steps > 0]
    if steps.size < LEAST_STEPS:
        return quantum
    least = quantile(steps, share)
    return quantum * least if least >= 3 else quantum


def with_reflections(shot: Shot) -> Shot:
    """Return the shot with reflections, dips and dead zones found at its present noise."""
    pulse_points = shot.pulse_m / shot.spacing_m
    front = panel_clear(shot.contour, shot.noise, shot.start, shot.end)
    peaks, dips = find_reflections(shot.contour, shot.noise, front, shot.end)
    # Fibre between a loss and a reflection behind it is lower than both and yet no dip.
    before = int(3 * pulse_points) + 12
    dips = tuple(d for d in dips if not any(p.first - before <= d.first <= p.clear for p in peaks))
    peaks = _with_blind_zones(shot, peaks, dips)
    if shot.blind and shot.blind[0][0] <= front:
        front = min(max(front, shot.blind[0][1] + shot.smoothing // 2), shot.end)
        # What rose within the remains of the panel's tail was the tail, or is hidden by it.
        hidden = [p.clear for p in peaks if p.first < front]
        front = min(max([front, *hidden]), shot.end)
        peaks = tuple(p for p in peaks if p.first >= front)
    return with_dead_zones(shot, front, peaks)


def with_dead_zones(shot: Shot, front_clear: int, peaks: tuple[Peak, ...]) -> Shot:
    """Return the shot with these dead zones, and cells of what is left at its present noise."""
    in_peak = shot.in_peak
    if not shot.cells.x_m.size or (front_clear, peaks) != (shot.front_clear, shot.peaks):
        shot = replace(shot, front_clear=front_clear, peaks=peaks)
        in_peak = _blocked(shot, shot.x_m.size, 1)
    return replace(shot, in_peak=in_peak, cells=make_cells(shot, shot.cells.width))


def _with_blind_zones(
    shot: Shot, peaks: tuple[Peak, ...], dips: tuple[Peak, ...]
) -> tuple[Peak, ...]:
    """Reflections with dead zones as long as the remains of their tails, and dips outside them.

    Where the receiver seems to recover much later than that, something else stands behind.
    """
    half = shot.smoothing // 2 + 1
    for foot, clear in shot.blind:
        inside = [p for p in peaks if foot - half <= p.lead < clear]
        dips = tuple(p for p in dips if not foot - half <= p.lead < clear + half)
        if inside:
            # What rises within the remains of a tail is the tail.
            late = inside[0].clear if inside[0].clear < clear + (clear - foot) // 2 else 0
            last = min(max(clear + half, late), shot.end)
            peaks = tuple(
                replace(p, clear=last) if p is inside[0] else p
                for p in peaks
                if p is inside[0] or p not in inside
            )
    return tuple(sorted(peaks + dips, key=lambda p: p.first))


def _blocked(shot: Shot, count: int, width: int) -> BoolArray:
    """Cells of ``width`` points that hold any that is no clean fibre, shape (count,).

    That is the front panel, dead zones, clipped stretches, what may be blanked.
    """
    blocked = np.zeros(count, dtype=bool)
    clipped = shot.contour.clipped
    blocked[clipped[: np.searchsorted(clipped, count * width)] // width] = True
    before = 1 + shot.smoothing // 2
    zones = [(max(peak.first - before, 0), peak.clear) for peak in shot.peaks]
    for first, stop in [(0, shot.front_clear), *zones, (shot.blank, shot.x_m.size)]:
        if first < stop:
            blocked[first // width : -(-stop // width)] = True
    return blocked


def _typical_slope(
    level: FloatArray, start: int, end: int, pulse_points: float, spacing_m: float
) -> tuple[float, float]:
    """Median fall per metre over many stretches, and its uncertainty.

    Splices and peaks do not move the median.

    The shortest stretches that are precise enough are best: fewest of them hold a splice.
    """
    shortest = max(int(3 * pulse_points), 8)
    slope = u_slope = 0.0
    for parts in (640, 320, 160, 80, 40):
        span = (end - start) // parts
        if span < shortest and parts > 40:
            continue
        span = max(span, 2)
        last = max(end - span, start + 1)
        stride = max((last - start) // SLOPE_SAMPLES, 1)
        behind = level[start + span : last + span : stride]
        slopes = (behind - level[start:last:stride][: behind.size]) * (1 / (span * spacing_m))
        slope = median(slopes)
        spread = 1.4826 * median(np.abs(slopes - slope))
        u_slope = 1.25 * spread / float(np.sqrt(parts))
        if u_slope < SLOPE_PRECISION_DB_PER_KM / 1000:
            break
    return float(np.clip(slope, -2e-3, 1e-5)), u_slope


def _means(values: FloatArray, width: int) -> FloatArray:
    """Means over ``width`` neighbours each; the whole of ``values`` is used."""
    if width > FEW_POINTS:
        return np.asarray(values.reshape(-1, width).mean(axis=1))
    total = values[::width].copy()  # adding few columns is much faster than averaging short rows
    for k in range(1, width):
        total += values[k::width]
    return np.asarray(total / width)


def make_cells(shot: Shot, width: int) -> Cells:
    """Average the signal of a shot in linear power over cells of ``width`` points.

    What does not depend on noise and dead zones is taken from the cells that the shot has.
    """
    count = (shot.end + 1) // width
    used = count * width
    x, power, inverse_square = shot.cells.x_m, shot.cells.power, shot.cells.inverse_square
    if x.size != count:
        x = shot.x_m[:used:width] + 0.5 * (width - 1) * shot.spacing_m
        power = _means(shot.power[:used], width)
        inverse_square = _means(shot.contour.inverse_square[:used], width)
    usable = ~_blocked(shot, count, width)
    # Next to a blocked cell the smoothed power holds some of what is blocked.
    usable[1:-1] &= usable[:-2] & usable[2:]
    sigma2 = shot.noise.receiver_long_run_db2 / width / DB_PER_RELATIVE_POWER**2
    usable &= (power > 0) & (inverse_square * sigma2 < 1 / LEAST_CELL_SIGMAS**2)
    level = DB_PER_RELATIVE_POWER * np.log(np.where(usable, power, 1.0))
    # The logarithm of noisy power reads low by this much to first order.
    level += (DB_PER_RELATIVE_POWER * 0.5 * sigma2) * inverse_square
    weight = usable * (width / shot.noise.long_run_at(inverse_square))
    sums = LineSums.of(x, level, weight, shot.loud_ends / width)
    return Cells(width, shot.cells.cell_m, x, power, inverse_square, level, weight, sums)

"""Events in one shot: a likelihood-ratio search for steps between straight pieces of fibre.

The search runs on *cells*, means over a sixth of a pulse, which keep all that the pulse
can resolve. Order of work: noise floor and end of fibre, reflections and their dead
zones, steps at growing scales (so that neighbours of opposite sign cannot hide each
other), steps between whole sections, removal of what is not significant with all
events in, location of what is left, ghosts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt
from scipy import stats

from otdravg.errors import Refusal, ShotsDoNotPair
from otdravg.fibre_signal import (
    Floor,
    Peak,
    centred_mean,
    clear_after,
    find_dips,
    find_end,
    find_peaks,
    noise_floor,
    running_mean,
    smoothing_width,
)
from otdravg.findings import Finding, Severity
from otdravg.lines import LineSums, SlopePrior, StepEstimate, step_between
from otdravg.noise import (
    DB_PER_RELATIVE_POWER,
    NoiseModel,
    linear_power,
    noise_from_residuals,
    rough_noise,
)
from otdravg.trace import Trace

__all__ = [
    "Cells",
    "Detection",
    "Event",
    "EventKind",
    "Shot",
    "compound_ramp",
    "detect",
    "location_cost",
    "make_cells",
    "one_ramp",
    "threshold_for",
]

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

#: How far the attenuation of a piece may be from the typical one of the shot, dB/km.
SLOPE_SPREAD_DB_PER_KM = 0.06
#: How far the slope may be off without a peak or a dip being seen in it, dB/km.
SLOPE_SLACK_DB_PER_KM = 0.15
#: Standard uncertainty with which the typical slope should be known, dB/km.
SLOPE_PRECISION_DB_PER_KM = 0.03
#: How much two neighbouring sections of a cable may differ in attenuation, dB/km.
SLOPE_CHANGE_DB_PER_KM = 0.02
#: Attenuation assumed before any is measured, dB/km; only tells fibre from a flat floor.
FIRST_GUESS_DB_PER_KM = 0.25
#: Behind a step the receiver needs a little longer than the pulse, as a share of the pulse.
STEP_RECOVERY = 0.35
#: Behind the end of the fibre the level falls faster than any fibre does.
TAIL_FALL_DB_PER_M = 0.005
#: The same for long pulses, whose tails are long too, dB per pulse length.
TAIL_FALL_DB_PER_PULSE = 0.8
#: Points that a pulse must cover before the shape of its ramp is judged.
POINTS_IN_RAMP = 10
#: Two ramps must leave less than this share of what one ramp leaves to be believed.
COMPOUND_GAIN = 0.4
#: Half a pulse averages out too little of noise that is correlated over a pulse.
ROUGH_RIPPLE = 1.5
#: The first search, with rough noise, asks for this much more than the final threshold.
FIRST_PASS = 3.0
#: A real ramp is rounded by the receiver: RMS departure from a straight one, share of its loss.
RAMP_IMPERFECTION = 0.055
#: Kept free in front of an event for the uncertainty of its location, share of a pulse.
GUARD_SHARE = 0.1
#: Cells per pulse in the search.
CELLS_PER_PULSE = 6


class EventKind(Enum):
    """What an event in one shot looks like."""

    STEP = "step"  # no reflection
    GROUP = "group"  # a dip: two steps of opposite sign closer than the pulse parts
    REFLECTION = "reflection"
    ECHO = "ghost"
    END = "end of fibre"


@dataclass(frozen=True, slots=True)
class Event:
    """One event of one shot; distances in metres from the front panel.

    ``loss_db`` is the one-way reading (positive = loss), ``u_loss_db`` its standard
    uncertainty; ``None`` where a loss has no meaning (end of fibre).
    """

    kind: EventKind
    distance_m: float
    u_distance_m: float
    clear_m: float  # where its dead zone ends
    loss_db: float | None
    u_loss_db: float | None
    reflectance_db: float | None
    peak_height_db: float | None
    saturated: bool


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Means over a few points each: position, level, weight (1/variance of the mean)."""

    width: int
    x_m: FloatArray
    level_db: FloatArray
    weight: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One shot, ready for search and measurement; index arrays refer to its points."""

    trace: Trace
    group_index: float
    x_m: FloatArray  # shape (n,), from the front panel
    pulse_m: float
    spacing_m: float
    smoothing: int  # points that a sharp edge is spread over
    floor: Floor
    start: int  # first point at or behind the front panel
    end: int  # last point with signal
    end_drops: bool
    front_clear: int  # first point behind the front panel's reflection
    peaks: tuple[Peak, ...]
    in_peak: BoolArray  # shape (n,)
    noise: NoiseModel  # of single points
    slope_db_per_m: float
    cells: Cells

    @property
    def recovery_m(self) -> float:
        """Length behind the start of a step that is left out of fits."""
        return self.pulse_m * (1 + STEP_RECOVERY) + (1.5 + self.smoothing / 2) * self.spacing_m

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
        if not self.floor.is_noise or self.floor.sigma_power <= 0:
            return None
        return float((DB_PER_RELATIVE_POWER * self.floor.sigma_power) ** 2)

    @property
    def correlation_windows(self) -> tuple[int, ...]:
        """Lags over which neighbouring points may share noise: smoothing, half and whole pulse."""
        pulse_points = self.pulse_m / self.spacing_m
        return (
            self.smoothing,
            self.smoothing + int(np.ceil(pulse_points / 2)),
            self.smoothing + int(np.ceil(pulse_points)),
        )

    @property
    def slope_prior(self) -> SlopePrior:
        """What a piece of this fibre may be expected to fall by per metre."""
        return SlopePrior(
            self.slope_db_per_m, SLOPE_SPREAD_DB_PER_KM / 1000, SLOPE_CHANGE_DB_PER_KM / 1000
        )

    @property
    def signal_end_m(self) -> float:
        """Position of the last point with signal."""
        return float(self.x_m[self.end])


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What was found in one shot."""

    events: tuple[Event, ...]
    end_m: float  # end of the fibre, or of the usable signal
    end_seen: bool  # False: the shot sinks into the noise before the end
    false_alarm_rate: float  # per trace
    findings: tuple[Finding, ...]
    shot: Shot


def threshold_for(false_alarm_rate: float, length_m: float, pulse_m: float, freedom: int) -> float:
    """Likelihood-ratio threshold for a stated chance of any false step in a whole trace.

    Parameters
    ----------
    false_alarm_rate : float
        Chance that a spliceless trace of this length shows at least one step.
    length_m, pulse_m : float
        Length searched and pulse length: their ratio bounds the independent positions.
    freedom : int
        1 for one direction, 2 for both directions together.

    Returns
    -------
    float
        Threshold for the statistic, which is χ² with ``freedom`` degrees of freedom at
        any one position without a step.
    """
    independent = max(4.0 * length_m / max(pulse_m, 1e-9), 1.0)
    return float(stats.chi2.isf(false_alarm_rate / independent, freedom))


def prepare(trace: Trace, group_index: float | None = None) -> Shot:
    """Find the fibre signal of a shot, its reflections and its noise."""
    index = group_index or trace.settings.group_index
    level = trace.level_db
    n = level.size
    spacing = trace.spacing_m(index)
    x = trace.distance_m(index)
    pulse = max(trace.pulse_m(index), spacing)
    pulse_points = pulse / spacing
    guess = -FIRST_GUESS_DB_PER_KM * spacing / 1000
    floor = noise_floor(level, guess)
    end, drops = find_end(level, floor, pulse_points)
    start = int(np.clip(np.ceil(-x[0] / spacing), 0, n - 1))
    if end - start < max(4 * pulse_points, 24):
        raise ShotsDoNotPair(
            Refusal.NO_SIGNAL,
            f"{trace.identity.path}: only {max(end - start, 0) * spacing:.0f} m of signal above "
            f"the noise, less than four pulse lengths or 24 points",
            "shoot again with a shorter pulse or finer point spacing, or clean the connector",
        )
    smoothing = smoothing_width(level, floor, end, pulse_points)
    lag = int(np.ceil(pulse_points)) + smoothing
    lag = min(lag, max((end - start) // 8, 1))
    width = max(int(pulse_points // CELLS_PER_PULSE), 1)
    inside = ~_at_ceiling(level)
    # The first and last pulses hold the panel's tail and the fall at the end, which are no noise.
    edge = int(1.5 * pulse_points)
    inside[: start + edge] = False
    inside[max(end - edge, start) :] = False
    tail = (DB_PER_RELATIVE_POWER * floor.sigma_power) ** 2 if floor.sigma_power > 0 else None
    quantum = trace.settings.quantum_db
    point_noise = rough_noise(level, inside, lag, quantum, tail)
    coarse = max(int(pulse_points / 2), smoothing, 4)
    means = running_mean(level, coarse)
    mean_tail = None if tail is None else tail * min(smoothing, coarse) / coarse
    mean_noise = rough_noise(means, inside, lag + coarse, quantum / coarse**0.5, mean_tail)
    noise = NoiseModel(
        point_noise.constant_db2,
        point_noise.receiver_db2,
        max(ROUGH_RIPPLE * mean_noise.constant_db2 * coarse, point_noise.constant_db2),
        max(mean_noise.receiver_db2 * coarse, point_noise.receiver_db2),
    )
    slope = _typical_slope(x, level, start, end, pulse_points)
    nothing = np.zeros(n, dtype=bool)
    cells = Cells(width, x[:0], x[:0], x[:0])
    shot = Shot(
        trace, index, x, pulse, spacing, smoothing, floor, start, end, drops, start, (),
        nothing, noise, slope, cells,
    )  # fmt: skip
    return _with_reflections(shot)


def _with_reflections(shot: Shot) -> Shot:
    """Return the shot with reflections, dips and dead zones found at its present noise."""
    level = shot.trace.level_db
    pulse_points = shot.pulse_m / shot.spacing_m
    power = centred_mean(linear_power(level), max(int(pulse_points / 3), 3))
    smooth = DB_PER_RELATIVE_POWER * np.log(np.maximum(power, 1e-13))
    long_run = shot.noise.long_run_db2(smooth)
    variance = shot.noise.variance_db2(smooth)
    slope = shot.slope_db_per_m * shot.spacing_m
    front = clear_after(level, long_run, shot.start, pulse_points, shot.end, slope)
    slack = SLOPE_SLACK_DB_PER_KM / 1000 * shot.spacing_m
    common = (variance, long_run, pulse_points, front, shot.end, slope, shot.smoothing, slack)
    peaks = find_peaks(level, *common)
    # Fibre between a loss and a reflection behind it is lower than both and yet no dip.
    before = int(3 * pulse_points) + 12
    dips = tuple(
        d
        for d in find_dips(level, *common)
        if not any(p.first - before <= d.first <= p.clear for p in peaks)
    )
    peaks = tuple(sorted(peaks + dips, key=lambda p: p.first))
    in_peak = _blocked(level, front, peaks, shot.smoothing)
    shot = replace(shot, front_clear=front, peaks=peaks, in_peak=in_peak)
    return replace(shot, cells=make_cells(shot, shot.cells.width))


def _blocked(
    level: FloatArray, front_clear: int, peaks: tuple[Peak, ...], smoothing: int
) -> BoolArray:
    """Points that are no clean fibre: front panel, dead zones, clipped stretches."""
    blocked = np.zeros(level.size, dtype=bool)
    blocked[:front_clear] = True
    for peak in peaks:
        blocked[max(peak.first - 1 - smoothing // 2, 0) : peak.clear] = True
    return blocked | _at_ceiling(level)


def _at_ceiling(level: FloatArray) -> BoolArray:
    """Points in a stretch that is clipped at the highest level, noise dips included."""
    top = (level >= level.max() - 1e-9).astype(float)
    if top.sum() < 3:
        return np.zeros(level.size, dtype=bool)
    return np.asarray(centred_mean(top, 15) > 0.1)


def _typical_slope(
    x: FloatArray, level: FloatArray, start: int, end: int, pulse_points: float
) -> float:
    """Median fall per metre over many stretches: splices and peaks do not move it.

    The shortest stretches that are precise enough are best: fewest of them hold a splice.
    """
    shortest = max(int(3 * pulse_points), 8)
    slope = 0.0
    for parts in (640, 320, 160, 80, 40):
        span = (end - start) // parts
        if span < shortest and parts > 40:
            continue
        span = max(span, 2)
        i = np.arange(start, max(end - span, start + 1))
        to = np.minimum(i + span, end)
        slopes = (level[to] - level[i]) / (x[to] - x[i])
        slope = float(np.median(slopes))
        spread = 1.4826 * float(np.median(np.abs(slopes - slope)))
        if 1.25 * spread / np.sqrt(parts) < SLOPE_PRECISION_DB_PER_KM / 1000:
            break
    return float(np.clip(slope, -2e-3, 1e-5))


def make_cells(shot: Shot, width: int) -> Cells:
    """Average the signal of a shot in linear power over cells of ``width`` points."""
    level = shot.trace.level_db
    count = (shot.end + 1) // width
    used = count * width
    power = linear_power(level[:used]).reshape(count, width).mean(axis=1)
    x = shot.x_m[:used].reshape(count, width).mean(axis=1)
    blocked = shot.in_peak[:used].reshape(count, width).any(axis=1)
    clear = (~blocked).astype(float)
    smooth = centred_mean(power * clear, 5) / np.maximum(centred_mean(clear, 5), 0.1)
    sigma_cell = np.sqrt(shot.noise.receiver_long_run_db2 / width) / DB_PER_RELATIVE_POWER
    usable = (power > 0) & (smooth > 4 * sigma_cell) & ~blocked
    safe = np.where(usable, power, 1.0)
    safe_smooth = np.where(usable, smooth, 1.0)
    cell_level = DB_PER_RELATIVE_POWER * np.log(safe)
    # The logarithm of noisy power reads low by this much to first order.
    cell_level += DB_PER_RELATIVE_POWER * 0.5 * (sigma_cell / safe_smooth) ** 2
    variance = shot.noise.long_run_db2(DB_PER_RELATIVE_POWER * np.log(safe_smooth)) / width
    return Cells(width, x, cell_level, np.where(usable, 1.0 / variance, 0.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    """Working state of the step search: cells, their sums and the bounds of known events."""

    shot: Shot
    sums: LineSums

    @classmethod
    def of(cls, shot: Shot) -> _Search:
        """Build the search on the cells of a shot."""
        cells = shot.cells
        sums = LineSums.of(cells.x_m, cells.level_db, cells.weight)
        return cls(shot, sums)

    def index(self, x_m: FloatArray | float) -> IndexArray:
        """First cell at or behind a position; cells are equally spaced."""
        x = self.shot.cells.x_m
        place = (np.atleast_1d(x_m) - x[0]) / (self.shot.cells.width * self.shot.spacing_m)
        return np.asarray(np.ceil(np.clip(place, 0.0, x.size) - 1e-6), dtype=np.intp)

    def step(
        self, lo: IndexArray, start_m: FloatArray, clear_m: FloatArray, hi: IndexArray
    ) -> StepEstimate:
        """Step between cells [lo, start) and [clear, hi)."""
        a = np.maximum(self.index(start_m), lo)
        b = np.minimum(self.index(clear_m), hi)
        return step_between(self.sums, (lo, a), (b, hi), start_m, self.shot.slope_prior)


def detect(
    trace: Trace, group_index: float | None = None, *, false_alarm_rate: float = 0.01
) -> Detection:
    """Find the events of one shot.

    Parameters
    ----------
    trace : Trace
        The shot.
    group_index : float, optional
        Index for the distance axis; the file's own by default.
    false_alarm_rate : float
        Chance of any false step in a trace that has none.

    Returns
    -------
    Detection
        Events in order of distance from the front panel.

    Raises
    ------
    ShotsDoNotPair
        With reason ``NO_SIGNAL`` when there is no usable fibre signal.
    """
    shot = prepare(trace, group_index)
    length = shot.signal_end_m - float(shot.x_m[shot.front_clear])
    threshold = threshold_for(false_alarm_rate, length, shot.pulse_m, 1)
    shot = _renoised(shot, *_first_look(shot, threshold))
    end_m, end_peak = _end_position(shot)
    stop_m = end_m if shot.end_drops or end_peak else shot.signal_end_m
    known = _reflections(shot, end_m, end_peak)
    fixed = [(a, b) for a, b, _ in known]
    search = _Search.of(shot)
    steps = _search_steps(search, fixed, stop_m, threshold)
    steps, groups = _merged(search, fixed, steps, stop_m)
    steps, more = _compounds(search, fixed + groups, steps, stop_m)
    fixed += groups + more
    if more:  # what one ramp left over beside a compound one may be gone now
        steps = _prune(search, fixed, steps, stop_m, threshold)
    groups += more
    events = (
        [_measured(search, fixed, steps, at, stop_m, None) for at in steps]
        + [_measured(search, fixed, steps, lead, stop_m, peak) for lead, _, peak in known]
        + [_measured_group(search, fixed, steps, group, stop_m) for group in groups]
    )
    events.sort(key=lambda e: e.distance_m)
    events = _mark_echoes(events, shot)
    if shot.end_drops or end_peak:
        height = end_peak.height_db if end_peak else None
        events.append(
            Event(
                EventKind.END, end_m, shot.spacing_m, end_m, None, None,
                _reflectance(shot, height), height, bool(end_peak and end_peak.saturated),
            )
        )  # fmt: skip
    findings = []
    if not (shot.end_drops or end_peak):
        findings.append(
            Finding(
                Severity.CAUTION, "end-not-seen", trace.identity.direction.value,
                f"the signal reaches the noise or the end of the record at {stop_m:.0f} m "
                "without an end of fibre",
                "nothing beyond was measured from this side",
            )
        )  # fmt: skip
    return Detection(
        tuple(events), end_m, bool(shot.end_drops or end_peak), false_alarm_rate,
        tuple(findings), shot,
    )  # fmt: skip


def _reflections(
    shot: Shot, end_m: float, end_peak: Peak | None
) -> list[tuple[float, float, Peak]]:
    """Start, end of the dead zone and peak of every reflection or dip before the fibre's end."""
    index = np.arange(shot.x_m.size)
    return [
        (float(np.interp(p.lead, index, shot.x_m)), float(shot.x_m[p.clear]), p)
        for p in shot.peaks
        if p is not end_peak and shot.x_m[p.first] < end_m
    ]


def _first_look(
    shot: Shot, threshold: float
) -> tuple[list[tuple[float, float]], list[float], float]:
    """Reflections, clear steps and end of a shot whose noise is known only roughly.

    The first noise estimate knows no events and little of correlation: only clear steps
    count, so that ripple taken for steps cannot make itself look significant.
    """
    end_m, end_peak = _end_position(shot)
    stop_m = end_m if shot.end_drops or end_peak else shot.signal_end_m
    fixed = [(a, b) for a, b, _ in _reflections(shot, end_m, end_peak)]
    steps = _search_steps(_Search.of(shot), fixed, stop_m, FIRST_PASS * threshold)
    return fixed, steps, stop_m


def _renoised(
    shot: Shot, fixed: list[tuple[float, float]], steps: list[float], stop_m: float
) -> Shot:
    """Return the shot with noise from the residuals of straight lines between its events."""
    x = shot.x_m
    edges = sorted(fixed + [(s, s + shot.recovery_m) for s in steps])
    guard = shot.guard_m
    begin = np.searchsorted(x, [x[shot.front_clear], *(e[1] for e in edges)])
    stop = np.searchsorted(
        x, [*(e[0] - guard for e in edges), min(stop_m, shot.signal_end_m) - guard]
    )
    model = shot.trace.level_db.copy()
    used = np.zeros(x.size, dtype=bool)
    sections = 0
    for lo, hi in zip(begin, stop, strict=True):
        inside = np.arange(lo, hi)
        inside = inside[~shot.in_peak[lo:hi]]
        if inside.size < 8:
            continue
        centre = x[inside] - x[inside].mean()
        y = shot.trace.level_db[inside]
        model[inside] = y.mean() + centre * (centre @ (y - y.mean()) / (centre @ centre))
        used[inside] = True
        sections += 1
    if sections == 0:
        return shot
    first, last = int(np.flatnonzero(used)[0]), int(np.flatnonzero(used)[-1]) + 1
    noise = noise_from_residuals(
        (shot.trace.level_db - model)[first:last],
        model[first:last],
        used[first:last],
        windows=shot.correlation_windows,
        quantum_db=shot.trace.settings.quantum_db,
        parameters=2 * sections,
        start=shot.noise,
        tail_db2=shot.tail_db2,
        smoothing=shot.smoothing,
    )
    return _with_reflections(replace(shot, noise=noise))


def _end_position(shot: Shot) -> tuple[float, Peak | None]:
    """Where the fibre ends: leading edge of the last reflection, or start of the last fall."""
    if not shot.end_drops:
        return shot.signal_end_m, None
    reflections = [p for p in shot.peaks if p.height_db > 0]
    if reflections and _only_tail_behind(shot, reflections[-1]):
        peak = reflections[-1]
        return float(np.interp(peak.lead, np.arange(shot.x_m.size), shot.x_m)), peak
    pulse_points = max(round(shot.pulse_m / shot.spacing_m), 1)
    power = linear_power(shot.trace.level_db)
    stop = max(shot.end - 2 * pulse_points - 2, 1)
    before = power[max(stop - 4 * pulse_points - 8, 0) : stop]
    half = 0.5 * float(np.median(before))
    smooth = running_mean(power, max(pulse_points // 4, 1))
    above = np.flatnonzero(smooth[: shot.end + 1] > half)
    last = int(above[-1]) if above.size else shot.end
    centre = (max(pulse_points // 4, 1) - 1) / 2
    return float(shot.x_m[last] + centre * shot.spacing_m - shot.pulse_m / 2), None


def _only_tail_behind(shot: Shot, peak: Peak) -> bool:
    """Whether what follows a reflection is the receiver's tail and not more fibre.

    Fibre falls by tenths of a dB per kilometre, a tail by several dB per pulse length.
    """
    behind = peak.first + int(np.ceil(1.2 * shot.pulse_m / shot.spacing_m)) + 1
    if behind >= shot.end - 2:
        return True
    level = shot.trace.level_db[behind : shot.end + 1]
    block = max(level.size // 8, 1)
    means = running_mean(level, block)[::block]
    if means.size < 2:
        return True
    fall = float(np.median(-np.diff(means))) / (block * shot.spacing_m)
    return fall > min(TAIL_FALL_DB_PER_M, TAIL_FALL_DB_PER_PULSE / shot.pulse_m)


def _bounds(
    search: _Search, events: list[tuple[float, float]], stop_m: float, at: IndexArray
) -> tuple[IndexArray, IndexArray]:
    """For the cells ``at`` the first and one-past-last cell of the section they lie in.

    ``events`` are in order. A cell inside a dead zone gets a first cell behind itself, so that
    nothing is left in front of it.
    """
    zones = np.array([*events, (stop_m, np.inf)])
    starts = search.index(zones[:, 0])
    clears = np.maximum.accumulate(np.concatenate(([0], search.index(zones[:-1, 1]))))
    k = np.minimum(np.searchsorted(starts, at, side="right"), len(events))
    return clears[k].astype(np.intp), starts[k]


def _search_steps(
    search: _Search, fixed: list[tuple[float, float]], stop_m: float, threshold: float
) -> list[float]:
    """Positions of significant steps that are not reflections."""
    shot = search.shot
    x = shot.cells.x_m
    recovery = shot.recovery_m

    def zones(steps: list[float]) -> list[tuple[float, float]]:
        return sorted(fixed + [(s, s + recovery) for s in steps])

    steps: list[float] = []
    scale = recovery
    reach = float(x[-1] - x[0])
    while scale < reach:  # growing windows: a near neighbour of opposite sign cannot hide a step
        stride = max(int(scale / 6 / (shot.spacing_m * shot.cells.width)), 1)
        at = np.arange(0, x.size, stride)
        events = zones(steps)
        coarse = _scores_at(search, events, stop_m, at, scale)
        for place in _local_maxima(x[at], coarse, threshold, scale + recovery):
            # The stride may be longer than the pulse: look at every cell around.
            middle = int(search.index(place)[0])
            near = np.arange(max(middle - stride, 0), min(middle + stride + 1, x.size))
            fine = _scores_at(search, events, stop_m, near, scale)
            steps.append(float(x[near[np.argmax(fine)]]))
        scale *= 2
    for _ in range(12):
        lo, hi = _bounds(search, zones(steps), stop_m, np.arange(x.size))
        found = search.step(lo, x, x + recovery, hi)
        more = _section_maxima(x, found.score, lo, threshold)
        if not more:
            break
        steps += more
    steps = _located(search, sorted(steps), fixed, stop_m)
    return _prune(search, fixed, steps, stop_m, threshold)


def _scores_at(
    search: _Search,
    events: list[tuple[float, float]],
    stop_m: float,
    at: IndexArray,
    scale_m: float,
) -> FloatArray:
    """Statistic of a step at the cells ``at``, from windows ``scale_m`` long on both sides."""
    x = search.shot.cells.x_m
    recovery = search.shot.recovery_m
    lo, hi = _bounds(search, events, stop_m, at)
    left = np.maximum(lo, search.index(x[at] - scale_m))
    right = np.minimum(hi, search.index(x[at] + recovery + scale_m))
    return search.step(left, x[at], x[at] + recovery, right).score


def _local_maxima(
    x: FloatArray, score: FloatArray, threshold: float, separation_m: float
) -> list[float]:
    """Strongest positions above the threshold, none closer than ``separation_m``."""
    found: list[float] = []
    candidates = np.flatnonzero(score > threshold)
    for i in candidates[np.argsort(-score[candidates])]:
        if all(abs(x[i] - other) > separation_m for other in found):
            found.append(float(x[i]))
    return found


def _section_maxima(
    x: FloatArray, score: FloatArray, section: IndexArray, threshold: float
) -> list[float]:
    """Strongest position of each section if it is above the threshold."""
    found: list[float] = []
    for start in np.unique(section[score > threshold]):
        inside = np.flatnonzero(section == start)
        best = inside[np.argmax(score[inside])]
        found.append(float(x[best]))
    return found


def _neighbours(
    search: _Search,
    fixed: list[tuple[float, float]],
    steps: list[float],
    at: float,
    stop_m: float,
) -> tuple[IndexArray, IndexArray]:
    """Cells between which the event at ``at`` is alone."""
    recovery = search.shot.recovery_m
    clears = [b for a, b in fixed if a < at] + [s + recovery for s in steps if s < at]
    starts = [a for a, b in fixed if a > at] + [s for s in steps if s > at]
    lo = search.index(max(clears, default=-np.inf))
    hi = search.index(min([*starts, stop_m]))
    return lo, hi


def _prune(
    search: _Search,
    fixed: list[tuple[float, float]],
    steps: list[float],
    stop_m: float,
    threshold: float,
) -> list[float]:
    """Drop the least significant step until all are significant with the others in."""
    recovery = search.shot.recovery_m
    steps = list(steps)
    while steps:
        scores = []
        for at in steps:
            lo, hi = _neighbours(search, fixed, [s for s in steps if s != at], at, stop_m)
            one = search.step(lo, np.array([at]), np.array([at + recovery]), hi)
            scores.append(float(one.score[0]))
        worst = int(np.argmin(scores))
        if scores[worst] > threshold:
            break
        del steps[worst]
    return steps


def _merged(
    search: _Search, fixed: list[tuple[float, float]], steps: list[float], stop_m: float
) -> tuple[list[float], list[tuple[float, float]]]:
    """Settle steps closer than the pulse can part: one where one ramp explains both, else a group.

    Returns
    -------
    steps : list of float
    groups : list of (start, clear)
    """
    shot = search.shot
    near = shot.recovery_m + 4 * shot.cells.width * shot.spacing_m
    steps = sorted(steps)
    groups: list[tuple[float, float]] = []
    k = 0
    while k + 1 < len(steps):
        first, second = steps[k], steps[k + 1]
        if second - first < near:
            others = [s for s in steps if s not in (first, second)]
            lo, hi = _neighbours(search, fixed, others, first, stop_m)
            place = one_ramp(shot, search.sums, first, second, lo, hi)
            if place is not None:
                steps[k : k + 2] = [place]
                continue
            middle = (first + second) / 2
            found = compound_ramp(shot, search.sums, middle, lo, hi) or (first, second)
            groups.append((found[0], max(found[1], second - shot.recovery_m) + shot.recovery_m))
            del steps[k : k + 2]
            continue
        k += 1
    return steps, groups


def _compounds(
    search: _Search, fixed: list[tuple[float, float]], steps: list[float], stop_m: float
) -> tuple[list[float], list[tuple[float, float]]]:
    """Take out of the steps those whose ramp is really two; return both kinds."""
    shot = search.shot
    groups: list[tuple[float, float]] = []
    single: list[float] = []
    for at in steps:
        others = [s for s in steps if s != at]
        lo, hi = _neighbours(search, fixed, others, at, stop_m)
        two = compound_ramp(shot, search.sums, at, lo, hi)
        if two is None:
            single.append(at)
        else:
            groups.append((two[0], two[1] + shot.recovery_m))
    return single, groups


def one_ramp(
    shot: Shot,
    sums: LineSums,
    first_m: float,
    second_m: float,
    lo: IndexArray,
    hi: IndexArray,
) -> float | None:
    """Start of a single ramp that explains what looks like two steps, or None.

    One ramp explains them if it leaves no larger residuals inside the dead zone than beside
    it, within three sigma and what the receiver's own rounding of a ramp leaves.
    """
    grid_step = max(shot.cells.width * shot.spacing_m / 4, shot.pulse_m / 60)
    starts = np.arange(first_m - shot.pulse_m, second_m + shot.pulse_m / 2, grid_step)
    cost = location_cost(shot, sums, starts, lo, hi)
    if cost is None:
        return None
    place = float(starts[np.argmin(cost)])
    if _ramp_excess(shot, sums, place, lo, hi) is not None:
        return None
    return place


def _ramp_excess(
    shot: Shot, sums: LineSums, place: float, lo: IndexArray, hi: IndexArray
) -> RampWindow | None:
    """The surroundings of a step if one ramp does *not* explain them, else None."""
    window = ramp_window(shot, sums, place, shot.pulse_m, lo, hi)
    if window is None:
        return None
    # Where this shot alone would put the ramp: its receiver's delay is not the other's.
    starts = place + np.linspace(-0.6, 0.6, 25) * shot.placing_m
    residuals = window.residual(starts)
    best = int(np.argmin((residuals**2).sum(axis=1)))
    place, residual = float(starts[best]), residuals[best]
    inside = (window.x_m >= place - shot.guard_m) & (window.x_m <= place + shot.recovery_m)
    if not inside.any() or inside.all():
        return None
    beside = float(np.mean(residual[~inside] ** 2))
    imperfect = (RAMP_IMPERFECTION * window.loss_db) ** 2 * float(np.mean(window.weight[inside]))
    excess = float(np.mean(residual[inside] ** 2))
    return window if excess > 9 * beside + imperfect else None


def compound_ramp(
    shot: Shot, sums: LineSums, place: float, lo: IndexArray, hi: IndexArray
) -> tuple[float, float] | None:
    """Starts of two ramps that together explain what one cannot, or None.

    For every pair of starts the share of the first step is a linear parameter with a closed
    form; the pair with the smallest residual wins if it explains most of the excess.
    """
    if shot.pulse_m < POINTS_IN_RAMP * shot.spacing_m:
        return None  # too few points to see a shape in
    window = _ramp_excess(shot, sums, place, lo, hi)
    if window is None:
        return None
    starts = np.linspace(place - 1.2 * shot.pulse_m, place + 1.2 * shot.pulse_m, 25)
    share = window.share(starts)
    one = window.residual(starts)
    # e = y − (everything steps at the later start); the earlier step adds −s·(r₁ − r₂).
    first, second = np.triu_indices(starts.size, 3)  # at least 0.3 pulses apart
    d = (share[first] - share[second]) * np.sqrt(window.weight)
    e = one[second]
    fit = (e * d).sum(axis=1)
    norm = (d * d).sum(axis=1)
    cost = (e * e).sum(axis=1) - fit**2 / np.maximum(norm, 1e-30)
    best = int(np.argmin(cost))
    if cost[best] > COMPOUND_GAIN * float((one**2).sum(axis=1).min()):
        return None
    return float(starts[first[best]]), float(starts[second[best]])


def _located(
    search: _Search, steps: list[float], fixed: list[tuple[float, float]], stop_m: float
) -> list[float]:
    """Place each step where the pulse-long ramp fits the points best; merge what coincides."""
    shot = search.shot
    refined: list[float] = []
    for at in steps:
        others = [s for s in steps if s != at]
        lo, hi = _neighbours(search, fixed, others, at, stop_m)
        lo_m = float(shot.cells.x_m[min(lo[0], shot.cells.x_m.size - 1)])
        hi_m = float(shot.cells.x_m[max(min(hi[0], shot.cells.x_m.size) - 1, 0)])
        place, _ = locate_step(shot, search.sums, at, lo, hi)
        place = float(np.clip(place, lo_m, hi_m))
        if all(abs(place - r) > 0.5 * shot.pulse_m for r in refined):
            refined.append(place)
    return refined


def locate_step(
    shot: Shot, sums: LineSums, at: float, lo: IndexArray, hi: IndexArray
) -> tuple[float, float]:
    """Return the start of the ramp near ``at`` that fits best, and its standard uncertainty.

    The uncertainty is half the width over which the weighted residual rises by one.
    """
    margin = shot.pulse_m + 2 * shot.cells.width * shot.spacing_m
    step = max(shot.cells.width * shot.spacing_m / 4, shot.pulse_m / 60)
    starts = np.arange(at - margin, at + margin, step)
    cost = location_cost(shot, sums, starts, lo, hi)
    if cost is None:
        return at, shot.pulse_m
    near = cost < cost.min() + 1
    width = max(int(np.count_nonzero(near)), 1)
    return float(starts[np.argmin(cost)]), 0.5 * step * width


def location_cost(
    shot: Shot,
    sums: LineSums,
    starts_m: FloatArray,
    lo: IndexArray,
    hi: IndexArray,
) -> FloatArray | None:
    """Weighted squared residual of the ramp model for each of the starts (one neighbourhood).

    The ramp mixes the linear powers of the two sides (the pulse lies partly on each).
    ``None`` where a side has no points.
    """
    middle = float(starts_m[0] + starts_m[-1]) / 2
    window = ramp_window(shot, sums, middle, float(np.ptp(starts_m)) / 2, lo, hi)
    return None if window is None else np.asarray((window.residual(starts_m) ** 2).sum(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class RampWindow:
    """Cells around a step and the two lines that its ramp joins."""

    x_m: FloatArray
    level_db: FloatArray
    weight: FloatArray
    before_db: FloatArray  # line before the step, continued
    drop_db: FloatArray  # line before minus line after
    loss_db: float
    pulse_m: float
    smoothing_m: float  # width of the moving average that the shot went through

    def share(self, starts_m: FloatArray) -> FloatArray:
        """Share of the pulse that is behind a step at each start, shape (starts, cells).

        A straight ramp one pulse long, averaged over the width of the smoothing: the mean of
        a function is the difference of its integral, here t²/2 up to one pulse and t − ½ on.
        """
        behind = (self.x_m[None, :] - starts_m[:, None]) / self.pulse_m
        half = self.smoothing_m / self.pulse_m / 2
        return np.asarray(
            (_ramp_integral(behind + half) - _ramp_integral(behind - half)) / (2 * half)
        )

    def residual(self, starts_m: FloatArray) -> FloatArray:
        """Weighted residuals of one ramp from each start, shape (starts, cells).

        The ramp mixes the linear powers of both sides: the pulse lies partly on each.
        """
        ratio = np.exp(-self.drop_db / DB_PER_RELATIVE_POWER)
        mixed = DB_PER_RELATIVE_POWER * np.log1p(self.share(starts_m) * (ratio - 1))
        return np.asarray((self.level_db - self.before_db - mixed) * np.sqrt(self.weight))


def _ramp_integral(t: FloatArray) -> FloatArray:
    """Integral of a unit ramp clipped to 0…1."""
    inside = np.clip(t, 0.0, 1.0)
    return np.asarray(inside**2 / 2 + np.maximum(t - 1.0, 0.0))


def ramp_window(
    shot: Shot, sums: LineSums, at: float, margin_m: float, lo: IndexArray, hi: IndexArray
) -> RampWindow | None:
    """Lines beside a step that starts within ``margin_m`` of ``at``, and the cells around it."""
    cells = shot.cells

    def index(x_m: float) -> IndexArray:
        return np.searchsorted(cells.x_m, np.array([x_m])).astype(np.intp)

    left_hi = np.maximum(index(at - 0.6 * margin_m), lo)
    right_lo = np.minimum(index(at + shot.recovery_m + 0.6 * margin_m), hi)
    sides = step_between(sums, (lo, left_hi), (right_lo, hi), np.array([at]), shot.slope_prior)
    if not np.isfinite(sides.loss_db[0]):
        return None
    i0 = max(int(index(at - margin_m - shot.pulse_m)[0]), int(lo[0]))
    i1 = min(int(index(at + margin_m + shot.recovery_m + shot.pulse_m)[0]), int(hi[0]))
    x = cells.x_m[i0:i1]
    return RampWindow(
        x,
        cells.level_db[i0:i1],
        cells.weight[i0:i1],
        sides.before_db + sides.slope_before * (x - at),
        sides.loss_db + (sides.slope_before - sides.slope_after) * (x - at),
        float(sides.loss_db[0]),
        shot.pulse_m,
        max(shot.smoothing, cells.width) * shot.spacing_m,
    )


def _measured(
    search: _Search,
    fixed: list[tuple[float, float]],
    steps: list[float],
    at: float,
    stop_m: float,
    peak: Peak | None,
) -> Event:
    """Measure the one-way loss of an event between its neighbours."""
    shot = search.shot
    clear = float(shot.x_m[peak.clear]) if peak else at + shot.recovery_m
    others_fixed = [f for f in fixed if f[0] != at]
    others = [s for s in steps if s != at]
    lo, hi = _neighbours(search, others_fixed, others, at, stop_m)
    before = at - shot.guard_m
    one = search.step(lo, np.array([before]), np.array([clear]), hi)
    loss, u = float(one.loss_db[0]), float(one.u_db[0])
    known = np.isfinite(loss)
    u_distance = shot.spacing_m / np.sqrt(12)
    if peak is None:
        _, u_distance = locate_step(shot, search.sums, at, lo, hi)
    reflects = peak is not None and peak.height_db > 0
    kind = EventKind.STEP if peak is None else EventKind.GROUP
    return Event(
        EventKind.REFLECTION if reflects else kind,
        at,
        u_distance,
        clear,
        loss if known else None,
        u if known else None,
        _reflectance(shot, peak.height_db) if peak and reflects else None,
        peak.height_db if peak and reflects else None,
        bool(peak and peak.saturated),
    )


def _measured_group(
    search: _Search,
    fixed: list[tuple[float, float]],
    steps: list[float],
    group: tuple[float, float],
    stop_m: float,
) -> Event:
    """Measure the summed one-way loss of steps that the pulse cannot part."""
    start, clear = group
    lo, hi = _neighbours(search, [f for f in fixed if f != group], steps, start, stop_m)
    before = np.array([start - search.shot.guard_m])
    one = search.step(lo, before, np.array([clear]), hi)
    known = bool(np.isfinite(one.loss_db[0]))
    return Event(
        EventKind.GROUP,
        start,
        search.shot.placing_m,
        clear,
        float(one.loss_db[0]) if known else None,
        float(one.u_db[0]) if known else None,
        None,
        None,
        False,
    )


def _reflectance(shot: Shot, height_db: float | None) -> float | None:
    """Reflectance in dB from the height of a peak above the backscatter.

    R = B + 10·log10(W) + 10·log10(10^(H/5) − 1), with B for a pulse of 1 ns (formula from
    memory; a saturated peak makes this a lower bound).
    """
    settings = shot.trace.settings
    if height_db is None or height_db <= 0 or settings.backscatter_coefficient_db >= 0:
        return None
    rise = 10 ** (height_db / 5) - 1
    return float(
        settings.backscatter_coefficient_db + 10 * np.log10(settings.pulse_ns) + 10 * np.log10(rise)
    )


def _mark_echoes(events: list[Event], shot: Shot) -> list[Event]:
    """Label reflections that stand where light turned around at stronger ones arrives.

    Out to one reflector, back to a nearer one and out to a third: x₁ + x₃ − x₂.
    """
    tolerance = shot.placing_m
    marked: list[Event] = []
    strong = [
        (e.distance_m, e.peak_height_db or 0.0) for e in events if e.kind is EventKind.REFLECTION
    ]
    front = (0.0, float("inf"))
    for event in events:
        if event.kind is EventKind.REFLECTION:
            height = event.peak_height_db or 0.0
            parents = [front] + [s for s in strong if s[0] < event.distance_m - tolerance]
            no_loss = event.loss_db is None or abs(event.loss_db) < max(
                3 * (event.u_loss_db or 0.0), 0.02
            )
            echo = no_loss and any(
                abs(out + back - near - event.distance_m) < tolerance
                and min(out_height, back_height) > height
                for near, _ in parents
                for out, out_height in parents
                for back, back_height in parents
                if near < out <= back
            )
            if echo:
                event = replace(event, kind=EventKind.ECHO)
        marked.append(event)
    return marked

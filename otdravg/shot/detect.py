"""Events in one shot, found on its waveform.

Order of work: noise floor, end of fibre, reflections and dead zones (:mod:`otdravg.shot.shot`);
clear steps, for a noise estimate that knows of them; all steps (:mod:`otdravg.shot.steps`);
groups; ghosts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, caution, note
from otdravg.shot.noise import (
    DB_PER_RELATIVE_POWER,
    Lines,
    NoiseModel,
    linear_power,
    median,
)
from otdravg.shot.reflections import Peak, running_mean
from otdravg.shot.response import LEAST_SHORT, U_SLOW, Response
from otdravg.shot.settings import ResponseSource
from otdravg.shot.shape import BEFORE, BEHIND, shown_by_ramps
from otdravg.shot.shot import Shot, prepare, with_dead_zones, with_reflections
from otdravg.shot.steps import (
    Search,
    Zone,
    alone_between,
    clear_steps,
    prune,
    search_steps,
    settle_close,
    take_out_compounds,
    threshold_for,
    zones,
)
from otdravg.shot.tails import Lifted, tails
from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]

#: The first search, with rough noise, asks for this much more than the final threshold. Chosen,
#: not derived: rough noise may be small by this factor, where it missed how far ripple reaches.
FIRST_PASS = 3.0
#: And its windows grow faster: what is clear shows in windows of half its best length too.
#: Derived: between scales a factor of 4 apart the nearest is within a factor of √4 = 2 of the
#: best.
FIRST_GROWTH = 4.0
#: And they begin longer. Chosen, not derived: short ones show what the noise estimate hardly feels.
FIRST_SCALE = 3.0
#: Steps taken for ripple make the noise look so much larger. Chosen, not derived: well beyond the
#: scatter of a variance, and far below what a row of splices does.
SUSPECT_RATIO = 4.0
#: Ripple makes no more points alike than in so many lengths of an edge. Derived: a triangle as long
#: as a pulse on either side has an area of one pulse; its estimate scatters by a quarter. On a
#: fibre of so few pulses hidden steps look no more alike, and a second look costs little (chosen,
#: not derived).
MOST_RIPPLE, LONG_PULSES = 1.25, 50.0
#: Differences of neighbours that count, the smallest, and their share of the variance. Chosen, not
#: derived: splices of a smoothed shot may fill a third of it; their ramps must not count. Of a
#: normal distribution the smallest 60 % have 1 − 2·0.842·φ(0.842)/0.6 = 0.214 of the variance.
QUIET_PART, QUIET_VARIANCE = 0.6, 0.214
#: They are so many to a running mean: over fewer points its rounding is more than its noise, over
#: more there are ramps everywhere. Chosen, not derived.
QUIET_LAGS = 8
#: A running mean of fewer points than this is none, points (chosen, not derived: as where it is
#: learnt).
LEAST_MEAN = 3
#: Strongest reflections whose echoes are looked for; those of weaker ones sink in the noise.
#: Chosen, not derived: the pairs grow as its square, and few links have as many connectors.
MOST_PARENTS = 40
#: A reflection has a loss of its own from so many of its uncertainties, and so many dB, on. Chosen,
#: not derived: what rounding and the tail in front of it feign is less.
LOSS_SIGMAS, LEAST_LOSS_DB = 3.0, 0.02
#: More steps than one in so many pulses would explain any ripple. Chosen, not derived: ripple has
#: about one free reading a pulse, and a step takes two (place and size) and its slope a third.
LEAST_PULSES_PER_STEP = 8.0
#: Tails that fit worse than this, chi-squared per point, are not quite the model's. Chosen, not
#: derived: half of what is believed at all.
LARGE_MISFIT = 3.0
#: Looks at a shot until its response is settled: reflections, ramps, and what a slow tail bends
#: (chosen, not derived: a second look at bends finds little).
MOST_LOOKS = 3
#: Noise that is tried, times what neighbouring points show, and how far a step has to exceed the
#: threshold (chosen, not derived: each takes a search).
TRIED = ((1.0, FIRST_PASS), (1.0, 1.0), (4.0, 1.0), (16.0, 1.0))
#: Points, and cells, that a section must have to say anything of the noise. Chosen, not derived:
#: the line takes two, six and one are left.
LEAST_POINTS, LEAST_CELLS = 8, 3


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

    @property
    def has_loss(self) -> bool:
        """Whether it clearly has a loss of its own, as echoes have none."""
        return self.loss_db is not None and abs(self.loss_db) >= max(
            LOSS_SIGMAS * (self.u_loss_db or 0.0), LEAST_LOSS_DB
        )


@dataclass(frozen=True, slots=True, eq=False)
class Detection:
    """What was found in one shot."""

    events: tuple[Event, ...]
    end_m: float  # end of the fibre, or of the usable signal
    end_seen: bool  # False: the shot sinks into the noise before the end
    false_alarm_rate: float  # per trace
    findings: tuple[Finding, ...]
    shot: Shot

    @property
    def before_end(self) -> list[Event]:
        """All events but the end of the fibre, in order of distance."""
        return [event for event in self.events if event.kind is not EventKind.END]

    @property
    def marks(self) -> list[Event]:
        """Events that the other shot of the fibre should show too: no ends, no ghosts."""
        kinds = (EventKind.STEP, EventKind.GROUP, EventKind.REFLECTION)
        return [event for event in self.events if event.kind in kinds]


def detect(
    trace: Trace,
    group_index: float | None = None,
    *,
    false_alarm_rate: float = 0.01,
    response: Response | None = None,
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
    response : Response, optional
        How the instrument answers; learnt from the shot by default.

    Returns
    -------
    Detection
        Events in order of distance from the front panel.

    Raises
    ------
    ShotsDoNotPair
        With reason ``NO_SIGNAL`` when there is no usable fibre signal.
    """
    shot = _learnt(trace, group_index, false_alarm_rate, response)
    threshold = threshold_of(shot, false_alarm_rate)
    end_m, end_peak = _end_position(shot)
    stop_m = _stop_m(shot, end_m, end_peak)
    while True:
        known = _reflections(shot, end_m, end_peak)
        fixed = [(a, b) for a, b, _ in known]
        search = Search.of(shot)
        placed = search_steps(search, fixed, stop_m, threshold)
        over = tails(search, fixed, list(placed), stop_m)
        if not over:
            break
        shot = _longer(shot, over)
    steps, groups = settle_close(search, fixed, list(placed), stop_m)
    steps, more = take_out_compounds(search, fixed + groups, steps, stop_m)
    fixed += groups + more
    if more:  # what one ramp left over beside a compound one may be gone now
        steps = prune(search, fixed, steps, stop_m, threshold)
    groups += more
    events = _mark_echoes(_measured(search, known, groups, steps, placed, stop_m), shot)
    if shot.fall is not None:
        height = end_peak.height_db if end_peak else None
        events.append(
            Event(
                EventKind.END, end_m, shot.spacing_m, end_m, None, None,
                _reflectance(shot, height), height, bool(end_peak and end_peak.saturated),
            )
        )  # fmt: skip
    findings = []
    if shot.fall is None:
        findings.append(caution("end-not-seen", trace.identity.direction, reach_m=stop_m))
    findings += _response_findings(shot, events)
    return Detection(
        tuple(events), end_m, shot.fall is not None, false_alarm_rate,
        tuple(findings), shot,
    )  # fmt: skip


def threshold_of(shot: Shot, false_alarm_rate: float) -> float:
    """What the likelihood ratio of a step in this shot has to exceed."""
    return threshold_for(false_alarm_rate, shot.lit_m, shot.pulse_m, 1)


def _learnt(
    trace: Trace, group_index: float | None, false_alarm_rate: float, stated: Response | None
) -> Shot:
    """Prepare a shot with what reflections, ramps and bent fibre say of its receiver."""
    shot = prepare(trace, group_index, stated)
    for look in range(MOST_LOOKS):
        threshold = threshold_of(shot, false_alarm_rate)
        looked = _first_look(shot, threshold)
        told = stated or look or _sharp(shot.response) or shot.response.damping < 1
        shown = None if told else _shown_by_ramps(shot, *looked)
        if not shown:
            known = shot.response
            shot = _with_noise_of_its_own(shot, threshold, looked)
            if stated or not known.slow or look == MOST_LOOKS - 1:
                break
            lo, hi = (shot.cells.index(at) for at in _pieces(shot, *looked))
            lifted = Lifted.of(shot, lo, np.maximum(lo, hi))
            if not lifted.share:
                break
            # Half of what bent fibre says: what shows behind the end is as sure.
            slow = known.slow + lifted.share / 2
            shown = replace(known, slow=slow, u_slow=max(lifted.u_share, U_SLOW * slow))
        shot = prepare(trace, group_index, shown)
    return shot


def _sharp(response: Response) -> bool:
    """Whether reflections say that there is nothing for ramps to show: no pole, no running mean."""
    return (
        response.edges > 1
        and not response.poles
        and not response.short
        and response.at_most < LEAST_SHORT
        and response.smoothing < LEAST_MEAN
    )


def _response_findings(shot: Shot, events: list[Event]) -> list[Finding]:
    """Say where a receiver may be slow and nothing tells, and where its tails are odd."""
    where, response = shot.trace.identity.direction, shot.response
    clipped = [event.saturated for event in events if event.peak_height_db is not None]
    if response.source is ResponseSource.NONE and clipped and all(clipped):
        return [note("response-unknown", where, reflections=len(clipped))]
    if response.misfit > LARGE_MISFIT:
        return [note("response-misfit", where, misfit=float(response.misfit))]
    return []


def _reflections(
    shot: Shot, end_m: float, end_peak: Peak | None
) -> list[tuple[float, float, Peak]]:
    """Start, end of the dead zone and peak of every reflection or dip before the fibre's end."""
    return [
        (shot.at_m(p.lead), float(shot.x_m[p.clear]), p)
        for p in shot.peaks
        if p is not end_peak and shot.x_m[p.first] < end_m
    ]


def _longer(shot: Shot, over: dict[float, float]) -> Shot:
    """Return the shot with longer dead zones: from where they ended to where their tails do."""

    def later(point: int) -> int:
        at_m = over.get(float(shot.x_m[point]))
        return point if at_m is None else min(int(np.searchsorted(shot.x_m, at_m)), shot.end)

    peaks = tuple(replace(peak, clear=later(peak.clear)) for peak in shot.peaks)
    return with_dead_zones(shot, later(shot.front_clear), peaks)


def _shown_by_ramps(
    shot: Shot, fixed: list[Zone], steps: list[float], stop_m: float
) -> Response | None:
    """Another response that the ramps of clear steps away from reflections show, if they do."""
    pulse, x = shot.pulse_m, shot.x_m
    first_m = float(x[shot.front_clear])
    zones = [(-np.inf, first_m), *fixed, (stop_m, np.inf)]
    at = [
        step
        for step in sorted(steps)
        if not any(a - BEHIND * pulse < step < b + BEFORE * pulse for a, b in zones)
    ]
    power = linear_power(shot.trace.level_db - shot.slope_db_per_m * (x - first_m))
    return shown_by_ramps(
        power, (np.array(at) - float(x[0])) / shot.spacing_m, pulse / shot.spacing_m, shot.response
    )


def _with_noise_of_its_own(
    shot: Shot, threshold: float, looked: tuple[list[Zone], list[float], float]
) -> Shot:
    """Return the shot with the noise that is left when clear steps are taken out.

    The first noise estimate knows no events and little of correlation: only clear steps
    count, so that ripple taken for steps cannot make itself look significant. But on a short
    fibre steps may have been taken for ripple: if few of them explain most of it, they are steps.
    """
    noise = _noise_between(shot, *looked)
    pulses = shot.lit_m / shot.pulse_m
    edge = shot.pulse_m / shot.spacing_m if pulses > LONG_PULSES else SUSPECT_RATIO
    if noise.correlation_points > MOST_RIPPLE * (shot.smoothing + edge):
        white = _share_of_white(shot) * shot.smoothing
        plain = with_reflections(replace(shot, noise=shot.noise.alike_over(white)))
        same = (plain.front_clear, plain.peaks) == (shot.front_clear, shot.peaks)
        more = _first_look(plain, threshold, looked[1] if same else ())
        few = 0 < len(more[1]) < pulses / LEAST_PULSES_PER_STEP
        if few and more != looked:  # the same explains no more than it did
            second = _noise_between(plain, *more)
            left, before = (_usual_long_run_db2(shot, n) for n in (second, noise))
            noise = second if left < before / SUSPECT_RATIO else noise
        if noise.correlation_points > MOST_RIPPLE * (shot.smoothing + edge):
            noise = _least_noise(shot, threshold, noise, white)
    return with_reflections(replace(shot, noise=noise))


def _usual_long_run_db2(shot: Shot, noise: NoiseModel) -> float:
    """Long-run variance of a noise at the middle one of a shot's levels."""
    middle = np.array([median(shot.level_db[shot.front_clear : shot.end + 1])])
    return float(noise.long_run_db2(middle)[0])


def _least_noise(shot: Shot, threshold: float, most: NoiseModel, white: float) -> NoiseModel:
    """What steps leave that are found with little noise, or ``most``.

    Where steps hide each other they pass for noise, in which they stay hidden. What neighbouring
    points show (they are alike over ``white`` points) is too little where there is ripple, so that
    there are several tries.
    """
    least = _usual_long_run_db2(shot, most) / SUSPECT_RATIO
    for times, asked in TRIED:
        tried = shot.noise.alike_over(white * times)
        if _usual_long_run_db2(shot, tried) > least:
            break
        plain = with_reflections(replace(shot, noise=tried))
        fixed, _, stop_m = _first_look(plain, threshold)
        steps = list(search_steps(Search.of(plain), fixed, stop_m, asked * threshold))
        left = _noise_between(plain, fixed, steps, stop_m)
        variance = _usual_long_run_db2(shot, left)
        if len(steps) < shot.lit_m / shot.pulse_m / LEAST_PULSES_PER_STEP and variance < least:
            most, least = left, variance
    return most


def _share_of_white(shot: Shot) -> float:
    """Share of the rough noise's variance that neighbouring points show; 1 without smoothing.

    A running mean over w points of white noise differs over k < w points by 2·k/w of its variance,
    whatever splices there are. The rough noise compares points further apart than that, between
    which there may be splices everywhere. Where poles were taken out, a mean over many points is
    as sure as it was before: there it is the recorded points that tell.
    """
    poles = bool(shot.response.poles)
    if not poles and (shot.means[0] < LEAST_MEAN or len(shot.means) > 1):
        return 1.0
    clean = ~shot.in_peak
    clean[shot.end + 1 :] = False
    level = shot.trace.level_db if poles else shot.level_db
    lag = max(shot.means[0] // QUIET_LAGS, 1)
    change = (level[lag:] - level[:-lag])[clean[lag:] & clean[:-lag]]
    if change.size < LEAST_POINTS:
        return 1.0
    square = np.sort((change - np.median(change)) ** 2)
    quiet = square[: int(QUIET_PART * square.size)]  # ramps are steeper than noise
    expected = shot.noise.variance_at(shot.contour.inverse_square)[clean]
    # Rounding comes behind the smoothing; taking out poles makes it louder as it does noise.
    rounding = 0.0 if poles else 2 * shot.rounding.point_db2
    changed = max(float(quiet.mean()) / QUIET_VARIANCE - rounding, 0.0)
    shown = shot.means[0] / (2 * lag) * changed
    usual = median(expected) if poles else float(expected.mean())
    share = min(max(shown, shot.rounding.point_db2) / usual, 1.0)
    return share * shot.means[0] / shot.smoothing


def _first_look(
    shot: Shot, threshold: float, known: Sequence[float] = ()
) -> tuple[list[Zone], list[float], float]:
    """Reflections, clear steps and end of a shot whose noise is known only roughly."""
    end_m, end_peak = _end_position(shot)
    stop_m = _stop_m(shot, end_m, end_peak)
    fixed = [(a, b) for a, b, _ in _reflections(shot, end_m, end_peak)]
    steps = clear_steps(
        Search.of(shot), fixed, stop_m, FIRST_PASS * threshold, known, FIRST_GROWTH, FIRST_SCALE
    )
    return fixed, steps, stop_m


def _pieces(
    shot: Shot, fixed: list[Zone], steps: list[float], stop_m: float
) -> tuple[FloatArray, FloatArray]:
    """Where the straight pieces between the events of a shot begin and stop."""
    edges = zones(shot, fixed, steps)
    begin = np.array([shot.x_m[shot.front_clear], *(clear for _, clear in edges)])
    return begin, np.array([*(start - shot.guard_m for start, _ in edges), stop_m])


def _noise_between(shot: Shot, fixed: list[Zone], steps: list[float], stop_m: float) -> NoiseModel:
    """Noise of a shot about the straight lines between its events."""
    stop_m = min(stop_m, shot.signal_end_m) - shot.guard_m
    begin, stop = (np.searchsorted(shot.x_m, at) for at in _pieces(shot, fixed, steps, stop_m))
    stop = np.maximum(stop, begin)
    middle = (begin + stop) // 2
    hi = np.minimum(stop // shot.cells.width, shot.cells.x_m.size)
    lo = np.minimum(-(-begin // shot.cells.width), hi)
    level, slope = shot.cells.sums.lines(lo, hi, shot.x_m[middle])
    known = np.isfinite(level) & (hi - lo >= LEAST_CELLS) & (stop - begin >= LEAST_POINTS)
    if not known.any():
        return shot.noise
    begin, stop, slope = begin[known], stop[known], slope[known] * shot.spacing_m
    return shot.noise_about(
        Lines(begin, stop, level[known] + slope * (begin - middle[known]), slope)
    )


def _stop_m(shot: Shot, end_m: float, end_peak: Peak | None) -> float:
    """Where clean fibre stops: cells and smoothing must not reach into the end of the fibre."""
    if shot.fall is None:
        return end_m
    guard = shot.guard_m if end_peak else max(shot.guard_m, shot.placing_m)
    return end_m - guard - 0.5 * shot.cells.cell_m


def _end_position(shot: Shot) -> tuple[float, Peak | None]:
    """Where the fibre ends: leading edge of the last reflection, or start of the last fall."""
    if shot.fall is None:
        return shot.signal_end_m, None
    pulse_points = max(round(shot.pulse_m / shot.spacing_m), 5)
    reach = 2 * pulse_points + shot.smoothing // 2
    near = [
        p
        for p in shot.peaks
        if p.height_db > 0
        # A flat top may be longer, but not than its dead zone.
        and p.first - reach <= shot.fall <= (p.clear if p.saturated else p.first + reach)
    ]
    if near:
        peak = max(near, key=lambda p: p.height_db)
        return shot.at_m(peak.lead), peak
    first = max(shot.fall - 5 * pulse_points - 8, 0)
    power = linear_power(shot.level_db[first : shot.fall + 4 * pulse_points])
    half = 0.5 * float(np.median(power[: max(shot.fall - first - pulse_points, 1)]))
    width = max(pulse_points // 4, 1)
    above = np.flatnonzero(running_mean(power, width) > half)
    last = first + int(above[-1]) if above.size else shot.fall
    return float(shot.x_m[last] + 0.5 * (width - 1) * shot.spacing_m - shot.pulse_m / 2), None


def _measured(
    search: Search,
    known: list[tuple[float, float, Peak]],
    groups: list[Zone],
    steps: list[float],
    placed: dict[float, float],
    stop_m: float,
) -> list[Event]:
    """Measure the one-way loss of all events, each between its neighbours, in order.

    ``placed`` holds the uncertainties of those steps whose place is known.
    """
    shot = search.shot
    all_zones = zones(shot, [], steps) + [(lead, clear) for lead, clear, _ in known] + groups
    if not all_zones:
        return []
    at, clear = np.array(all_zones).T
    lo, hi = alone_between(search, all_zones, at, stop_m)
    found = search.step(lo, at - shot.guard_m + shot.ahead_m, clear, hi)
    loss = [float(v) if np.isfinite(v) else None for v in found.loss_db]
    u_loss = [float(v) if np.isfinite(v) else None for v in found.u_db]
    u_at = np.full(at.size, shot.spacing_m / np.sqrt(12))
    u_at[: len(steps)] = [placed.get(step, shot.placing_m) for step in steps]
    u_at[len(all_zones) - len(groups) :] = shot.placing_m
    events = []
    for i, (start, end) in enumerate(all_zones):
        peak = known[i - len(steps)][2] if 0 <= i - len(steps) < len(known) else None
        kind = EventKind.STEP if i < len(steps) else EventKind.GROUP
        height = peak.height_db if peak and peak.height_db > 0 else None
        events.append(
            Event(
                EventKind.REFLECTION if height is not None else kind,
                start, float(u_at[i]), end, loss[i], u_loss[i],
                _reflectance(shot, height), height, bool(peak and peak.saturated),
            )
        )  # fmt: skip
    return sorted(events, key=lambda e: e.distance_m)


def _reflectance(shot: Shot, height_db: float | None) -> float | None:
    """Reflectance in dB from the height of a peak above the backscatter.

    R = B + 10·log10(W) + 10·log10(10^(H/5) − 1), with B for a pulse of 1 ns (formula from
    memory; a saturated peak makes this a lower bound).
    """
    settings = shot.trace.settings
    if height_db is None or height_db <= 0 or settings.pulse_ns <= 0:
        return None
    if settings.backscatter_coefficient_db >= 0:
        return None
    rise = np.expm1(height_db / DB_PER_RELATIVE_POWER)
    return float(
        settings.backscatter_coefficient_db + 10 * np.log10(settings.pulse_ns) + 10 * np.log10(rise)
    )


def _mark_echoes(events: list[Event], shot: Shot) -> list[Event]:
    """Label reflections that stand where light turned around at stronger ones arrives.

    Out to one reflector, back to a nearer one and out to a third: x₁ + x₃ − x₂.
    """
    tolerance = shot.placing_m
    reflections = [e for e in events if e.kind is EventKind.REFLECTION]
    # The front panel turns everything around.
    at = np.array([0.0, *(e.distance_m for e in reflections)])
    height = np.array([np.inf, *(e.peak_height_db or 0.0 for e in reflections)])
    marked: list[Event] = []
    for event in events:
        if event.kind is EventKind.REFLECTION and not event.has_loss:
            before = at < event.distance_m - tolerance
            stronger = np.flatnonzero(before & (height > (event.peak_height_db or 0.0)))
            strong = at[stronger[np.argsort(-height[stronger])[:MOST_PARENTS]]]
            out, back = np.meshgrid(strong, strong, indexing="ij")
            out, back = out[out <= back], back[out <= back]
            # Somewhere in front of the first turn, something must have turned the light back.
            turn = out + back - event.distance_m
            turners = np.sort(at[before])
            k = np.searchsorted(turners, turn - tolerance, side="right")
            found = turners[np.minimum(k, max(turners.size - 1, 0))] if turners.size else turn
            inside = (k < turners.size) & (found < np.minimum(turn + tolerance, out))
            if inside.any():
                event = replace(event, kind=EventKind.ECHO)
        marked.append(event)
    return marked

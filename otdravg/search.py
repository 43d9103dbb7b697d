"""The search for steps in one shot: a likelihood-ratio test at growing scales.

Windows grow from the pulse to whole sections, so that neighbours of opposite sign cannot hide
each other. What is not significant with all others in is dropped again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from otdravg.lines import LineSums, StepEstimate, step_between
from otdravg.ramp import compound_ramp, locate_step, one_ramp
from otdravg.shot import Shot

__all__ = [
    "Search",
    "neighbours",
    "prune",
    "search_steps",
    "settle_close",
    "take_out_compounds",
    "threshold_for",
]

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]


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
    return float(special.chdtri(freedom, false_alarm_rate / independent))


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """Working state of the step search: cells, their sums and the bounds of known events."""

    shot: Shot
    sums: LineSums

    @classmethod
    def of(cls, shot: Shot) -> Search:
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


def search_steps(
    search: Search, fixed: list[tuple[float, float]], stop_m: float, threshold: float
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
    return prune(search, fixed, steps, stop_m, threshold)


def _bounds(
    search: Search, events: list[tuple[float, float]], stop_m: float, at: IndexArray
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


def _scores_at(
    search: Search,
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


def neighbours(
    search: Search,
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


def _located(
    search: Search, steps: list[float], fixed: list[tuple[float, float]], stop_m: float
) -> list[float]:
    """Place each step where the pulse-long ramp fits the points best; merge what coincides."""
    shot = search.shot
    refined: list[float] = []
    for at in steps:
        others = [s for s in steps if s != at]
        lo, hi = neighbours(search, fixed, others, at, stop_m)
        lo_m = float(shot.cells.x_m[min(lo[0], shot.cells.x_m.size - 1)])
        hi_m = float(shot.cells.x_m[max(min(hi[0], shot.cells.x_m.size) - 1, 0)])
        place, _ = locate_step(shot, search.sums, at, lo, hi)
        place = float(np.clip(place, lo_m, hi_m))
        if all(abs(place - r) > 0.5 * shot.pulse_m for r in refined):
            refined.append(place)
    return refined


def prune(
    search: Search,
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
            lo, hi = neighbours(search, fixed, [s for s in steps if s != at], at, stop_m)
            one = search.step(lo, np.array([at]), np.array([at + recovery]), hi)
            scores.append(float(one.score[0]))
        worst = int(np.argmin(scores))
        if scores[worst] > threshold:
            break
        del steps[worst]
    return steps


def settle_close(
    search: Search, fixed: list[tuple[float, float]], steps: list[float], stop_m: float
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
            lo, hi = neighbours(search, fixed, others, first, stop_m)
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


def take_out_compounds(
    search: Search, fixed: list[tuple[float, float]], steps: list[float], stop_m: float
) -> tuple[list[float], list[tuple[float, float]]]:
    """Take out of the steps those whose ramp is really two; return both kinds."""
    shot = search.shot
    groups: list[tuple[float, float]] = []
    single: list[float] = []
    for at in steps:
        others = [s for s in steps if s != at]
        lo, hi = neighbours(search, fixed, others, at, stop_m)
        two = compound_ramp(shot, search.sums, at, lo, hi)
        if two is None:
            single.append(at)
        else:
            groups.append((two[0], two[1] + shot.recovery_m))
    return single, groups

"""The search for steps in one shot: a likelihood-ratio test at growing scales.

Windows grow from the pulse to whole sections, so that neighbours of opposite sign cannot hide
each other. What is not significant with all others in is dropped again.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from otdravg.shot.lines import SlopePrior, StepEstimate, step_between
from otdravg.shot.ramp import compound_ramps, locate_steps, one_ramp
from otdravg.shot.shot import CELLS_PER_PULSE, Shot

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Independent tests of one shot per pulse length; it is searched with windows of all lengths.
#: Benchmark: false_alarms, single shots by pulse.
TESTS_PER_PULSE = 3.0
#: Independent tests of both shots together for every e-fold of length over pulse: whole sections
#: only, whose statistic changes as slowly as the logarithm of the distance from their ends.
#: Benchmark: false_alarms, pairs by pulse.
TESTS_PER_SCALE = 0.3
#: So soon behind a dead zone, so small an apparent step is the receiver's tail, pulses and dB.
#: Chosen, not derived: a splice behind a connector is missed if it is smaller; double would hide
#: one of 0.02 dB.
REMAINS_PULSES = 1.5
REMAINS_DB = 0.012
#: Positions within a pulse at which whole sections are tested for a step. Chosen, not derived: at
#: most a sixth of a pulse off; what is found is placed finely afterwards.
PLACES_PER_PULSE = 3

#: Windows that are looked at in one go although some may be looked at again. Chosen, not derived:
#: only speed depends on it.
FEW_PLACES = 2000

#: A step that moves by so many pulses when it is placed is placed again, so often at most. Chosen,
#: not derived: starts are tried a pulse either way; small steps are found up to two pulses off.
FAR_PULSES, MOST_MOVES = 0.9, 3
#: Start of an event and end of its dead zone, metres from the front panel.
Zone = tuple[float, float]


def threshold_for(false_alarm_rate: float, length_m: float, pulse_m: float, freedom: int) -> float:
    """Likelihood-ratio threshold for a stated chance of any false step in a whole trace.

    Parameters
    ----------
    false_alarm_rate : float
        Chance that a spliceless trace of this length shows at least one step.
    length_m, pulse_m : float
        Length searched and pulse length: their ratio says how many independent tests there are,
        which was set so that spliceless simulated fibres are said to have splices as often as
        stated (``tests/benchmarks/false_alarms.py``).
    freedom : int
        1 for one direction, 2 for both directions together.

    Returns
    -------
    float
        Threshold for the statistic, which is χ² with ``freedom`` degrees of freedom at
        any one position without a step.
    """
    pulses = max(length_m / max(pulse_m, 1e-9), 1.0)
    if freedom == 1:
        independent = TESTS_PER_PULSE * pulses if length_m > pulse_m else 1.0
        # χ² with one degree of freedom is the square of a normal deviate, either sign.
        return NormalDist().inv_cdf(false_alarm_rate / independent / 2) ** 2
    independent = 1.0 + TESTS_PER_SCALE * math.log(pulses)
    # With two it is exponential: exceeded with a chance of exp(-χ²/2).
    return -2 * math.log(false_alarm_rate / independent)


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """Working state of the step search: a shot and what its dead zones may feign."""

    shot: Shot
    recovery_m: float  # of the shot
    prior: SlopePrior  # of the shot
    remains_db: FloatArray  # per cell, what a dead zone's remains may feign as a step

    @classmethod
    def of(cls, shot: Shot) -> Search:
        """Build the search on the cells of a shot."""
        cells = shot.cells
        remains = np.zeros(cells.x_m.size)
        for clear in (shot.front_clear, *(p.clear for p in shot.peaks)):
            first = clear // cells.width
            remains[first : first + round(REMAINS_PULSES * CELLS_PER_PULSE) + 1] = REMAINS_DB
        return cls(shot, shot.recovery_m, shot.slope_prior, remains)

    def index(self, x_m: FloatArray | float) -> IndexArray:
        """First cell at or behind a position; cells are equally spaced."""
        return self.shot.cells.index(np.atleast_1d(x_m))

    def cells_in(self, length_m: float) -> int:
        """Number of cells that cover a length, rounded up."""
        return int(np.ceil(length_m / self.shot.cells.cell_m - 1e-6))

    def step(
        self, lo: IndexArray, start_m: FloatArray, clear_m: FloatArray, hi: IndexArray
    ) -> StepEstimate:
        """Step between cells [lo, start) and [clear, hi), and the lines through them."""
        a = np.maximum(self.index(start_m - self.shot.ahead_m), lo)
        b = np.minimum(self.index(clear_m), hi)
        return step_between(self.shot.cells.sums, (lo, a), (b, hi), start_m, self.prior)


def search_steps(
    search: Search, fixed: list[Zone], stop_m: float, threshold: float
) -> dict[float, float]:
    """Positions of significant steps that are not reflections, and how uncertain they are, m."""
    steps = clear_steps(search, fixed, stop_m, threshold)
    if search.shot.ahead_m > 0:  # beside a long ramp that stands wrong there is more to be seen
        steps = list(_located(search, sorted(steps), fixed, stop_m))
    x = search.shot.cells.x_m
    # A few places per pulse are enough: what is found is placed finely afterwards.
    at = np.arange(0, x.size, max(search.cells_in(search.shot.pulse_m) // PLACES_PER_PULSE, 1))
    scores, seen = np.zeros(at.size), np.full((2, at.size), -1)
    for _ in range(12):
        sections = _sections(search, fixed, steps, stop_m)[:, at]
        # Only what lies in other sections than before scores otherwise.
        changed = np.flatnonzero((sections != seen).any(axis=0))
        scores[changed] = _scores_at(search, at[changed], sections[:, changed])
        seen = sections
        more = _section_maxima(x[at], scores, sections[0], threshold)
        if not more:
            break
        steps += more
    while True:
        placed = _located(search, sorted(steps), fixed, stop_m)
        kept = prune(search, fixed, list(placed), stop_m, threshold)
        if len(kept) == len(steps):
            return {at: placed[at] for at in kept}
        steps = kept  # what stays may stand better once its rivals are gone


def clear_steps(
    search: Search,
    fixed: list[Zone],
    stop_m: float,
    threshold: float,
    known: Sequence[float] = (),
    growth: float = 2.0,
    shortest: float = 1.0,
) -> list[float]:
    """Known steps and those that windows of growing length show, neither placed finely nor pruned.

    Each scale is ``growth`` times the one before it, the first ``shortest`` times as long as what a
    step takes.
    """
    x = search.shot.cells.x_m
    gap = search.cells_in(search.recovery_m)
    scale, scales = shortest * search.recovery_m, []
    while scale < float(x[-1] - x[0]):
        stride = max(int(scale / 6 / search.shot.cells.cell_m), 1)
        scales.append((search.cells_in(scale), stride, -(-x.size // stride)))
        scale *= growth
    if not scales:
        return list(known)
    at = np.concatenate([np.arange(0, x.size, stride) for _, stride, _ in scales])
    sizes = [size for *_, size in scales]
    windows = np.repeat([window for window, *_ in scales], sizes)
    ends = np.cumsum(sizes).tolist()
    steps = list(known)
    # Growing windows: a near neighbour of opposite sign cannot hide a step. What one scale finds
    # changes the sections of those that follow: only where one finds nothing, all are looked at.
    begin, stop = 0, ends[-1 if at.size < FEW_PLACES else 0]
    while begin < ends[-1]:
        sections, here = _sections(search, fixed, steps, stop_m), at[begin:stop]
        scores = _scores_at(search, here, sections[:, here], windows[begin:stop])
        above = np.flatnonzero(scores > threshold)
        if not above.size:
            begin, stop = stop, ends[-1]
            continue
        k = bisect_right(ends, begin + int(above[0]))
        (window, stride, _), last = scales[k], ends[k]
        strongest = _local_maxima(
            here[: last - begin], scores[: last - begin], threshold, window + gap
        )
        best = here[strongest]
        # The stride may be longer than the pulse: look at every cell around.
        around = best[:, None] + np.arange(-stride, stride + 1)
        around = np.minimum(np.maximum(around, 0), x.size - 1)
        fine = _scores_at(search, around, sections[:, around], window)
        steps += x[around[np.arange(best.size), np.argmax(fine, axis=1)]].tolist()
        begin, stop = last, ends[-1 if ends[-1] - last < FEW_PLACES else k + 1]
    return steps


def zones(shot: Shot, fixed: list[Zone], steps: list[float]) -> list[Zone]:
    """Start and end of the dead zones of all events, in order."""
    clear = shot.clear_m(np.array(steps)).tolist()
    return sorted(fixed + list(zip(steps, clear, strict=True)))


def _sections(search: Search, fixed: list[Zone], steps: list[float], stop_m: float) -> IndexArray:
    """First cell of the section that each cell lies in, and the one behind its last; shape (2, n).

    A cell inside a dead zone gets a first cell behind itself, so that nothing is left before it.
    """
    edges = np.array([*zones(search.shot, fixed, steps), (stop_m, stop_m)])
    edges[:, 0] -= search.shot.ahead_m
    starts, clears = search.index(edges.T.ravel()).reshape(2, -1)
    starts = np.minimum(starts, starts[-1])
    clears = np.maximum.accumulate(np.concatenate(([0], clears[:-1])))
    size = search.remains_db.size
    edge = np.concatenate(([0], starts[:-1], [size]))
    lengths = edge[1:] - edge[:-1]
    sections = np.empty((2, size), dtype=np.intp)
    sections[0], sections[1] = clears.repeat(lengths), starts.repeat(lengths)
    return sections


def _scores_at(
    search: Search, at: IndexArray, sections: IndexArray, window: IndexArray | int | None = None
) -> FloatArray:
    """Statistic of a step at the cells ``at``, which lie in ``sections``.

    From windows of so many cells on both sides, or as long as the sections.
    """
    first, last = sections
    ahead = search.cells_in(search.shot.ahead_m)
    right = at + search.cells_in(search.recovery_m)
    if window is not None:
        first, last = np.maximum(first, at - ahead - window), np.minimum(last, right + window)
    cells = search.shot.cells
    near, far = np.maximum(at - ahead, first), np.minimum(right, last)
    found = step_between(cells.sums, (first, near), (far, last), cells.x_m[at], search.prior)
    return found.score(search.remains_db[at], search.shot.rounding_db)


def _local_maxima(
    at: IndexArray, score: FloatArray, threshold: float, separation: int
) -> IndexArray:
    """Strongest of places ``at`` above the threshold, none closer than ``separation``; indices."""
    found: list[int] = []
    candidates = np.flatnonzero(score > threshold)
    candidates = candidates[np.argsort(-score[candidates])]
    while candidates.size:
        found.append(int(candidates[0]))
        candidates = candidates[np.abs(at[candidates] - at[candidates[0]]) > separation]
    return np.array(found, dtype=np.intp)


def _section_maxima(
    x: FloatArray, score: FloatArray, section: IndexArray, threshold: float
) -> list[float]:
    """Strongest position of each section if it is above the threshold."""
    above = np.flatnonzero(score > threshold)
    strongest_first = above[np.argsort(-score[above], kind="stable")]
    _, first = np.unique(section[strongest_first], return_index=True)
    return [float(v) for v in x[strongest_first[first]]]


def alone_between(
    search: Search, events: list[Zone] | FloatArray, at: FloatArray, stop_m: float
) -> tuple[IndexArray, IndexArray]:
    """Cells between which events that start at ``at`` are alone, shape as ``at``.

    ``events`` are the dead zones of all events, those at ``at`` among them or not.
    """
    starts, clears = np.asarray(events).reshape(-1, 2).T
    order = np.argsort(starts, kind="stable")
    starts, clears = starts[order], np.maximum.accumulate(clears[order])
    before = np.searchsorted(starts, at, side="left")
    behind = np.searchsorted(starts, at, side="right")
    clears = np.concatenate(([-np.inf], clears))
    starts = np.concatenate((np.minimum(starts - search.shot.ahead_m, stop_m), [stop_m]))
    return search.index(clears[before]), search.index(starts[behind])


def _located(
    search: Search, steps: list[float], fixed: list[Zone], stop_m: float
) -> dict[float, float]:
    """Place each step where the pulse-long ramp fits the points best; merge what coincides."""
    if not steps:
        return {}
    shot = search.shot
    x = shot.cells.x_m
    place = np.array(steps)
    for _ in range(MOST_MOVES):
        at = place
        lo, hi = alone_between(search, zones(search.shot, fixed, at.tolist()), at, stop_m)
        place, u_m = locate_steps(shot, at, lo, hi)
        place = np.maximum(place, x[np.minimum(lo, x.size - 1)])
        place = np.minimum(place, x[np.maximum(np.minimum(hi, x.size) - 1, 0)])
        # Where a ramp fits best at the end of what was tried, it may fit better beyond.
        if (np.abs(place - at) < FAR_PULSES * shot.pulse_m).all():
            break
    refined: dict[float, float] = {}
    for here, u in zip(place.tolist(), u_m.tolist(), strict=True):
        if all(abs(here - r) > 0.5 * shot.pulse_m for r in refined):
            refined[here] = u
    return refined


def prune(
    search: Search, fixed: list[Zone], steps: list[float], stop_m: float, threshold: float
) -> list[float]:
    """Drop the least significant step until all are significant with the others in."""
    steps = list(steps)
    while steps:
        at = np.array(steps)
        found = search.step(*beside(search, fixed, steps, stop_m))
        cell = np.minimum(search.index(at), search.remains_db.size - 1)
        scores = found.score(search.remains_db[cell], search.shot.rounding_db)
        worst = int(np.argmin(scores))
        if scores[worst] > threshold:
            break
        del steps[worst]
    return steps


def beside(
    search: Search, fixed: list[Zone], steps: list[float], stop_m: float
) -> tuple[IndexArray, FloatArray, FloatArray, IndexArray]:
    """What :meth:`Search.step` takes for steps alone between their neighbours."""
    at = np.array(steps)
    lo, hi = alone_between(search, zones(search.shot, fixed, steps), at, stop_m)
    return lo, at, search.shot.clear_m(at), hi


def settle_close(
    search: Search, fixed: list[Zone], steps: list[float], stop_m: float
) -> tuple[list[float], list[Zone]]:
    """Settle steps closer than the pulse can part: one where one ramp explains both, else a group.

    Returns
    -------
    steps : list of float
    groups : list of (start, clear)
    """
    shot = search.shot
    near = shot.recovery_m + 4 * shot.cells.cell_m
    steps = sorted(steps)
    groups: list[Zone] = []
    k = 0
    while k + 1 < len(steps):
        first, second = steps[k], steps[k + 1]
        if second - first < near:
            others = zones(search.shot, fixed, [s for s in steps if s not in (first, second)])
            lo, hi = alone_between(search, others, np.array([first]), stop_m)
            place = one_ramp(shot, first, second, lo, hi)
            if place is not None:
                steps[k : k + 2] = [place]
                continue
            middle = np.array([(first + second) / 2])
            found = compound_ramps(shot, middle, lo, hi).get(0, (first, second))
            groups.append((found[0], max(found[1], second - shot.recovery_m) + shot.recovery_m))
            del steps[k : k + 2]
            continue
        k += 1
    return steps, groups


def take_out_compounds(
    search: Search, fixed: list[Zone], steps: list[float], stop_m: float
) -> tuple[list[float], list[Zone]]:
    """Take out of the steps those whose ramp is really two; return both kinds."""
    at = np.array(steps)
    lo, hi = alone_between(search, zones(search.shot, fixed, steps), at, stop_m)
    double = compound_ramps(search.shot, at, lo, hi)
    groups = [(first, second + search.recovery_m) for first, second in double.values()]
    return [step for k, step in enumerate(steps) if k not in double], groups

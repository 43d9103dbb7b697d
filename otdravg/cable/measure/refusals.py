"""Why two shots did not pair, told by what the rest of the cable looks like."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Outcome, count_near
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.errors import Refusal
from otdravg.findings import Scope, Statement, defect, says
from otdravg.grouping import grouped
from otdravg.shot.detect import EventKind

FloatArray = npt.NDArray[np.float64]

_CODES = {
    Refusal.SAME_CONTENT: "same-points-both-ways",
    Refusal.WAVELENGTH: "wavelength-differs",
    Refusal.LENGTH: "length-differs",
    Refusal.SAME_END: "shot-from-same-end",
    Refusal.PATTERN: "pattern-differs",
    Refusal.NO_SIGNAL: "no-signal",
    Refusal.DAMAGED: "points-damaged",
}
#: A broken fibre is refused for one of these reasons.
_MAY_BE_BROKEN = (Refusal.LENGTH, Refusal.PATTERN, Refusal.SAME_END)
#: Places of two fibres' splices differ by this share of the length, and a few metres.
_PLACE_SHARE = 5e-4
_PLACE_LEAST_M = 5.0
#: Splices that must lie as seen from one end before that end is named.
_LEAST_TOLD = 3


@dataclass(frozen=True, slots=True, eq=False)
class _Usual:
    """A fibre of the cable as its measured ones are: length, cords, and where splices lie."""

    length_m: float
    start_a_m: float
    start_b_m: float
    places_m: FloatArray  # of one fibre's splices, from A
    fibre: int  # that one
    own_map: CableMap | None


class Reasons:
    """Tells what is wrong with pairs that were refused, from those that were measured."""

    def __init__(
        self, measured: Iterable[tuple[FibreKey, Outcome]], maps: Mapping[str, CableMap]
    ) -> None:
        self._maps = maps
        paired = ((key, own, own.axis) for key, own in measured if own.axis is not None)
        self._by_cable = grouped(paired, lambda one: one[0].cable)

    def refused(
        self, key: FibreKey, outcome: Outcome, standing: Sequence[ShotRecord]
    ) -> CableFinding:
        """Word the finding about two shots that were refused, the shot from A first."""
        code = _CODES[outcome.refusal] if outcome.refusal else "not-measurable"
        case = "" if outcome.refusal else "stated"
        more: list[Statement] = []
        advice = outcome.advice
        usual = self._usual(key)
        if usual is not None:
            pieces = _pieces(outcome, usual) if outcome.refusal in _MAY_BE_BROKEN else None
            if pieces is not None:
                return _broken_fibre(standing, pieces, usual)
            if outcome.refusal is Refusal.LENGTH:
                more.append(says("most-as-long", length_m=usual.length_m))
                odd = _odd_one(outcome, usual)
                if odd is not None:
                    more.append(says("odd-one", file=standing[odd].path))
                    advice = says("of-another-cable")
                    standing = standing[odd], standing[1 - odd]
            elif outcome.refusal is Refusal.SAME_END:
                missing = _end_that_is_missing(outcome, usual)
                if missing is not None:
                    end, other = "AB"[missing], "BA"[missing]
                    file = standing[missing].path
                    more.append(says("not-from-there", other=other, end=end, file=file))
                    advice = says("find-shot-from", end=end)
        problem = outcome.problem or says("unknown")
        said = defect(
            code, Scope.CABLE, case, problem=(problem, *more), advice=advice or says("unknown")
        )
        finding = about_shot(standing[0], said, standing[1])
        return finding if outcome.refusal is Refusal.LENGTH else replace(finding, direction="")

    def _usual(self, key: FibreKey) -> _Usual | None:
        """Typical length and cords of the cable, and the splices of the nearest fibre."""
        own = self._by_cable.get(key.cable)
        if not own:
            return None
        nearby, nearest, _ = min(own, key=lambda one: (abs(one[0].fibre - key.fibre), one[0]))
        return _Usual(
            median(axis.length_m for *_, axis in own),
            median(axis.start_a_m for *_, axis in own),
            median(axis.start_b_m for *_, axis in own),
            np.array([reading.distance_m for reading in nearest.readings]),
            nearby.fibre,
            self._maps.get(key.cable),
        )


def _odd_one(outcome: Outcome, usual: _Usual) -> int | None:
    """Which of both shots, 0 from A or 1 from B, does not end where the cable's others do."""
    far = usual.start_b_m, usual.start_a_m
    near = usual.start_a_m, usual.start_b_m
    off = []
    for side, sketch in enumerate((outcome.sketch_ab, outcome.sketch_ba)):
        if sketch is None:
            return None
        seen_m = sketch.end_m - near[side] - usual.length_m
        off.append(min(abs(seen_m), abs(seen_m - far[side])))
    slack_m = 0.01 * usual.length_m
    if (off[0] > slack_m) == (off[1] > slack_m):
        return None
    return int(off[1] > off[0])


def _end_that_is_missing(outcome: Outcome, usual: _Usual) -> int | None:
    """Which shot, 0 from A or 1 from B, was taken from the other end; None if it cannot be told."""
    sketch = outcome.sketch_ab or outcome.sketch_ba
    if sketch is None:
        return None
    along = np.array([e.distance_m for e in sketch.events if e.kind is EventKind.STEP])
    slack_m = _PLACE_LEAST_M + 3 * sketch.placing_m + _PLACE_SHARE * usual.length_m
    from_a = count_near(along - usual.start_a_m, usual.places_m, slack_m)
    from_b = count_near(usual.length_m - (along - usual.start_b_m), usual.places_m, slack_m)
    if max(from_a, from_b) < _LEAST_TOLD or not (from_a > 2 * from_b or from_b > 2 * from_a):
        return None
    return 1 if from_a > from_b else 0


def _pieces(outcome: Outcome, usual: _Usual) -> tuple[float, float] | None:
    """How far the fibre is seen from each end, if both lengths make up one fibre of the cable."""
    a, b = outcome.sketch_ab, outcome.sketch_ba
    if a is None or b is None or not (a.end_seen and b.end_seen):
        return None
    from_a_m, from_b_m = a.end_m - usual.start_a_m, b.end_m - usual.start_b_m
    if min(from_a_m, from_b_m) <= 0:
        return None
    slack_m = 0.002 * usual.length_m + a.placing_m + b.placing_m
    if abs(from_a_m + from_b_m - usual.length_m) > slack_m:
        return None
    return from_a_m, from_b_m


def _broken_fibre(
    standing: Sequence[ShotRecord], pieces_m: tuple[float, float], usual: _Usual
) -> CableFinding:
    from_a_m, from_b_m = pieces_m
    closure, where, case = None, None, ""
    if usual.own_map is not None and usual.fibre in usual.own_map.passes:
        closure = usual.own_map.closure_at(usual.fibre, from_a_m)
        if closure is None:
            where, case = usual.own_map.stretch(usual.fibre, from_a_m), "between"
        else:
            where, case = says("closure-named", name=closure.name), "at-closure"
    said = defect(
        "fibre-broken", Scope.CABLE, case, from_a_m=from_a_m, from_b_m=from_b_m,
        together_m=from_a_m + from_b_m, usual_m=usual.length_m, where=where,
    )  # fmt: skip
    finding = about_shot(standing[0], said, standing[1])
    name = "" if closure is None else closure.name
    return replace(finding, direction="", closure=name, distance_m=from_a_m)

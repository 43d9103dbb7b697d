"""A cable under construction: how far each fibre is spliced, by where its shot from A ends.

Closures are spliced one after the other. Until the last is done the far end sees nothing, and the
shot from A ends one reel farther on each day: where the next closure will be.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

from otdravg.cable.files.attempts import Stand
from otdravg.cable.measure.closures import KnownClosure, table_slack_m
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import FibreKey, ReelEnd


def reel_ends(measured: Iterable[Measured], known: Sequence[KnownClosure]) -> tuple[ReelEnd, ...]:
    """Tell where each fibre ends by its newest shot from A.

    A pair that was measured is whole. Else the end lies at a stated closure, which is not spliced
    yet; behind the last of them, and the fibre is whole; or somewhere between. Without closures
    nothing is told.
    """
    ends: dict[FibreKey, ReelEnd] = {}
    last_m = max((one.distance_m for one in known), default=None)
    for one in measured:
        if one.outcome.axis is not None:
            ends[one.key] = ReelEnd(one.key, one.outcome.axis.length_m, "", True)
            continue
        sketch = one.outcome.sketch_ab
        if last_m is None or sketch is None or not sketch.end_seen:
            continue
        end_m = sketch.end_m - sketch.user_offset_m
        at = [c for c in known if abs(c.distance_m - end_m) <= table_slack_m(c.distance_m)]
        nearest = min(at, key=lambda c: abs(c.distance_m - end_m), default=None)
        found = ReelEnd(
            one.key, end_m, "" if nearest is None else nearest.name,
            nearest is None and end_m > last_m,
        )  # fmt: skip
        if one.key not in ends or not ends[one.key].is_whole:
            ends[one.key] = found
    return tuple(ends[key] for key in sorted(ends))


def without_far_end(measured: Sequence[Measured], ends: Sequence[ReelEnd]) -> list[Measured]:
    """Leave the shots from B out of fibres that end at a closure: they show another piece."""
    at_closure = {end.key for end in ends if end.closure}
    return [
        replace(
            one,
            stand=Stand(one.key, one.wavelength_nm, one.stand.ab, ()),
            attempt=len(one.stand.ab),
            outcome=replace(one.outcome, sketch_ba=None, refusal=None, problem=None, advice=None),
            earlier=(),
        )
        if one.key in at_closure and one.outcome.axis is None and one.stand.ba and one.stand.ab
        else one
        for one in measured
    ]


def far_end_open(ends: Sequence[ReelEnd]) -> frozenset[FibreKey]:
    """Fibres that B does not see yet: they end at a closure, or no fibre of the cable is whole."""
    whole = {end.key.cable for end in ends if end.is_whole}
    return frozenset(
        end.key for end in ends if not end.is_whole and (end.closure or end.key.cable not in whole)
    )


def usual_end(ends: Sequence[ReelEnd]) -> str:
    """Closure at which most of some fibres end; empty: behind the last."""
    counts = Counter(end.closure for end in ends if end.closure or end.is_whole)
    return counts.most_common(1)[0][0] if counts else ""

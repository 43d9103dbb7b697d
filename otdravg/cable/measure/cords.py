"""Launch and receive fibres of a whole cable: measured where nobody stated them.

One pair of shots tells a launch fibre by its connector. Where that sends nothing back, or shows in
some shots only, all shots of a cable together tell: the launch fibre is one piece of glass, and its
end stands at one place in front of every fibre.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from math import sqrt
from statistics import median

import numpy as np

from otdravg.cable.identity.fingerprint import FloatArray, features_of
from otdravg.cable.measure.jobs import Outcome, measure_job, spread
from otdravg.cable.measure.standing import Measured, MeasuringSetup
from otdravg.cable.model import CableFinding
from otdravg.errors import BadSetting
from otdravg.findings import Scope, caution, says
from otdravg.fit.reading import Kind
from otdravg.grouping import grouped
from otdravg.shot.detect import EventKind

#: So many fibres at least, and such a share of them, show a place. Chosen, not derived: the end of
#: a launch fibre is in front of every fibre; one connector in ten may be too good to be seen.
_LEAST_FIBRES, _NEARLY_ALL = 3, 0.9
#: And such a share shows a splice, which may be too good to be seen. Chosen, not derived.
_MANY = 0.5
#: Kinds of event that may be a connector or a splice.
_SHOWN = (EventKind.STEP, EventKind.REFLECTION)
#: The same launch fibre, or the same make, in front of both ends is as long within this, m; and its
#: end stands so still from fibre to fibre. Chosen, not derived: what a shot places a step to.
_ONE_LENGTH_M, _STILL_M = 3.0, 1.5
#: Launch fibres are this long, m (common practice, no source).
_SHORTEST_M, _LONGEST_M = 100.0, 2100.0
#: Attenuation of what is one piece of glass in all shots scatters, and from both ends not alike;
#: it is several if it does by so many standard deviations (Fisher's z of the correlation, over
#: both ends). Chosen, not derived: one in a thousand looks so by chance.
_DIFFERENT = 3.0


@dataclass(frozen=True, slots=True)
class _Cords:
    """Lengths at A and at B in metres; None where they are as each pair of shots says."""

    launch_m: float | None
    receive_m: float | None


def with_measured_cords(
    measured: Sequence[Measured], setup: MeasuringSetup, executor: Executor | None
) -> tuple[list[Measured], list[CableFinding]]:
    """Measure again, with the cable's launch fibres, what was measured as if it had none.

    Raises
    ------
    BadSetting
        If a launch or receive fibre was stated, and nearly all shots show another.
    """
    paired = (
        n
        for n, one in enumerate(measured)
        if one.outcome.axis is not None and one.stand.loop_m is None
    )
    result, findings = list(measured), []
    for cable, numbers in grouped(paired, lambda n: measured[n].key.cable).items():
        members = [measured[n] for n in numbers]
        _refuse_wrong(members, setup)
        usual = _usual(members, setup)
        both = _at_both_ends(members, setup) if usual == _Cords(None, None) else None
        if both is not None:
            usual = both
            said = caution(
                "launch-unstated", Scope.CABLE, launch_m=both.launch_m, receive_m=both.receive_m,
                fibres=len({one.key.fibre for one in members}),
            )  # fmt: skip
            findings.append(CableFinding(said, cable=cable))
        again = [n for n in numbers if _lacks(measured[n].outcome, usual)]
        for n, one in zip(
            again, _again([measured[n] for n in again], usual, executor), strict=True
        ):
            result[n] = one
    return result, findings


def _starts(members: Iterable[Measured]) -> tuple[list[float], list[float]]:
    axes = [one.outcome.axis for one in members if one.outcome.axis is not None]
    return [axis.start_a_m for axis in axes], [axis.start_b_m for axis in axes]


def _usual(members: Sequence[Measured], setup: MeasuringSetup) -> _Cords:
    """Launch fibres that most fibres of a cable were measured with."""
    lengths: list[float | None] = []
    for starts, stated in zip(_starts(members), (setup.launch_m, setup.receive_m), strict=True):
        known = [start_m for start_m in starts if start_m > 0]
        enough = 2 * len(known) > len(starts) and len(known) < len(starts)
        lengths.append(median(known) if enough and stated is None else None)
    return _Cords(*lengths)


def _at_both_ends(members: Sequence[Measured], setup: MeasuringSetup) -> _Cords | None:
    """A place on nearly all fibres, equally far from both instruments, that was not stated."""
    if setup.launch_m is not None or setup.receive_m is not None or any(map(any, _starts(members))):
        return None
    first, last, slopes = [], [], []
    for one in members:
        assert one.outcome.axis is not None
        places = [r.distance_m for r in one.outcome.readings if r.kind is not Kind.ASKED]
        if len(places) > 1:
            first.append(min(places))
            last.append(one.outcome.axis.length_m - max(places))
            slopes.append(_outer_slopes(one.outcome, np.array([min(places), max(places)])))
    if len(first) < max(_LEAST_FIBRES, _NEARLY_ALL * len(members)):
        return None
    launch_m, receive_m = median(first), median(last)
    if not _SHORTEST_M <= launch_m <= _LONGEST_M or abs(launch_m - receive_m) > _ONE_LENGTH_M:
        return None
    still = [
        sum(abs(x - middle) <= 2 * _STILL_M for x in places) >= _NEARLY_ALL * len(members)
        for places, middle in ((first, launch_m), (last, receive_m))
    ]
    return _Cords(launch_m, receive_m) if all(still) and _is_one_glass(np.array(slopes)) else None


def _outer_slopes(outcome: Outcome, at_m: FloatArray) -> FloatArray:
    """Attenuation before the first of two places and behind the other: from A, and from B."""
    axis, ab, ba = outcome.axis, outcome.sketch_ab, outcome.sketch_ba
    assert axis is not None
    assert ab is not None
    assert ba is not None
    length_m = axis.length_m
    from_a = features_of(ab, 0.0, at_m, length_m, from_a=True)
    from_b = features_of(ba, 0.0, length_m - at_m[::-1], length_m, from_a=False)
    return np.array([from_a[[2, 4]], from_b[[2, 4]]])


def _is_one_glass(slopes: FloatArray) -> bool:
    """Whether the outer fibre is the same in all shots: :func:`_outer_slopes` of each pair.

    Else its attenuation differs from fibre to fibre, and both ends see that alike.
    """
    told = 0.0
    for from_a, from_b in slopes.transpose(2, 1, 0):
        known = np.isfinite(from_a + from_b)
        if np.count_nonzero(known) > _LEAST_FIBRES:
            alike = np.corrcoef(from_a[known], from_b[known])[0, 1]
            told += float(np.arctanh(alike)) * sqrt(np.count_nonzero(known) - 3)
    return told <= _DIFFERENT * sqrt(2)


def _lacks(outcome: Outcome, usual: _Cords) -> bool:
    """Whether a fibre was measured without a launch fibre whose end it shows."""
    axis = outcome.axis
    if axis is None:
        return False
    places = [r.distance_m for r in outcome.readings]
    for cord_m, start_m, seen in (
        (usual.launch_m, axis.start_a_m, places),
        (usual.receive_m, axis.start_b_m, [axis.length_m - z for z in places]),
    ):
        if cord_m is not None and start_m == 0:
            return any(abs(z - cord_m) <= 2 * _ONE_LENGTH_M for z in seen)
    return False


def _again(members: Sequence[Measured], cords: _Cords, executor: Executor | None) -> list[Measured]:
    jobs = [
        replace(outcome.job, launch_m=cords.launch_m, receive_m=cords.receive_m)
        for one in members
        for outcome in one.outcomes
    ]
    again = iter(spread(measure_job, jobs, executor))

    def better(before: Outcome) -> Outcome:
        """A pair that fits the cable's launch fibre no more than it did is left as it was."""
        found = next(again)
        return before if found.axis is None else found

    return [one.with_each(better) for one in members]


def _refuse_wrong(members: Sequence[Measured], setup: MeasuringSetup) -> None:
    """Refuse a stated length that no shot shows, where they show something else in its place.

    A connector elsewhere, on nearly all fibres; or a splice of many inside of what was stated.
    """
    for side, (name, stated_m) in enumerate(
        (("launch fibre", setup.launch_m), ("receive fibre", setup.receive_m))
    ):
        sketches = [
            sketch
            for one in members
            if (sketch := (one.outcome.sketch_ab, one.outcome.sketch_ba)[side]) is not None
        ]
        if not stated_m or len(sketches) < _LEAST_FIBRES:
            continue
        shown = [
            [e for e in sketch.events if e.kind in _SHOWN and e.distance_m > sketch.recovery_m]
            for sketch in sketches
        ]
        confirmed = sum(
            any(abs(e.distance_m - stated_m) <= 2 * sketch.placing_m for e in events)
            for sketch, events in zip(sketches, shown, strict=True)
        )
        if confirmed > (1 - _NEARLY_ALL) * len(sketches):
            continue
        connectors = [
            first.distance_m for events in shown if (first := next(iter(events), None)) is not None
            and first.kind is EventKind.REFLECTION and first.distance_m <= _LONGEST_M
        ]  # fmt: skip
        inside = [
            events[0].distance_m
            for events in shown
            if events and events[0].distance_m < stated_m - _SHORTEST_M / 10
        ]
        for places, share, what in (
            (connectors, _NEARLY_ALL, "cord-connector"), (inside, _MANY, "cord-splice"),
        ):  # fmt: skip
            at_m = median(places) if places else 0.0
            same = sum(abs(x - at_m) <= 2 * _ONE_LENGTH_M for x in places)
            if same >= max(_LEAST_FIBRES, share * len(sketches)):
                elsewhere = says(
                    "cord-elsewhere", end="AB"[side], count=same, what=says(what), at_m=at_m
                )
                raise BadSetting(name, f"{stated_m:g} m", elsewhere)

"""Which end each shot was taken from, where headers, names and folders leave it open.

A crew that types the ends once and never turns them round, and lets the instrument number the
files, brings home shots that all claim one end. The shots themselves tell: from one end a fibre
shows the same events with the same one-way losses again, from the other end their mirror image;
and the cords and closures of a cable stand at the same places in all shots from one end.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.files.attempts import number_attempts, when
from otdravg.cable.files.names import same_text
from otdravg.cable.measure.jobs import Sketch, count_near, placed_at, sketches_of
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse, Source
from otdravg.findings import Scope, caution
from otdravg.fit.reading import Kind
from otdravg.grouping import grouped
from otdravg.shot.detect import EventKind
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

FloatArray = npt.NDArray[np.float64]

#: One-way losses this far apart in dB, and beyond four standard uncertainties, are not the same.
_SAME_LOSS_DB = 0.015
#: Two shots of a fibre are from one end if so large a share of their events is the same.
_SAME_END_SHARE = 0.5
#: Fibres of a cable are not equally long: places of one closure differ by this share.
_LENGTH_SPREAD = 0.004
#: So many more events must stand where those of one end do than where those of the other do, or
#: lie mirrored than as they are. Chosen, not derived.
_DECISIVE = 2

#: Uses of shots whose end may still be open.
_OPEN = (ShotUse.USED, ShotUse.EARLIER, ShotUse.UNPLACED)

_Slot = tuple[FibreKey, int]


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A shot with its events: places, losses and their uncertainties, NaN where unknown."""

    record: ShotRecord
    at_m: FloatArray
    loss_db: FloatArray
    u_db: FloatArray
    placing_m: float

    @classmethod
    def of(cls, record: ShotRecord, sketch: Sketch) -> _Seen:
        events = [e for e in sketch.events if e.kind not in (EventKind.END, EventKind.ECHO)]
        figures = np.array(
            [(e.distance_m, e.loss_db, e.u_loss_db) for e in events], dtype=float
        ).reshape(-1, 3)
        at_m, loss_db, u_db = figures.T
        return cls(record, at_m, loss_db, u_db, sketch.placing_m)

    def same_events(self, other: _Seen) -> float:
        """Share of events that both show at the same place with the same one-way loss."""
        fewer = min(self.at_m.size, other.at_m.size)
        if not fewer:
            return 1.0  # nothing tells the ends apart
        gap = np.abs(self.at_m[:, None] - other.at_m)
        nearest = gap.argmin(axis=1)
        here = gap.min(axis=1) <= self.placing_m + other.placing_m
        apart = np.abs(self.loss_db - other.loss_db[nearest])
        allowed = np.fmax(_SAME_LOSS_DB, 4 * np.hypot(self.u_db, other.u_db[nearest]))
        return float(np.count_nonzero(here & ~(apart > allowed)) / fewer)

    def same_places(self, other: _Seen) -> int:
        """Number of events that stand where the other shot, of any fibre, has one too."""
        allowed = self.placing_m + other.placing_m + _LENGTH_SPREAD * self.at_m
        return count_near(self.at_m, other.at_m, allowed)


#: Shots of one fibre at one wavelength from one end and from the other, oldest first.
_Ends = tuple[list[_Seen], list[_Seen]]


def ends_by_shots(
    records: Sequence[ShotRecord],
    end_a: str | None,
    executor: Executor | None,
    done: Callable[[int], None] = lambda count: None,
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Let the shots say which end they are from, in cables where nothing else does.

    Parameters
    ----------
    records : sequence of ShotRecord
        As taken by mapping, pattern, header, name and folder.
    end_a : str, optional
        Name of the A end as the user states it.
    executor : concurrent.futures.Executor, optional
        Where the shots are looked at.
    done : callable
        Called with the number of shots looked at since the last call.

    Returns
    -------
    list of ShotRecord
        In the order given; only directions, uses and attempts may differ.
    list of CableFinding
        One for each cable whose shots were told apart so.
    """
    result = list(records)
    findings: list[CableFinding] = []
    for cable, numbers in cables_with_open_ends(records).items():
        own = [records[n] for n in numbers]
        told, by_time = _told(_looked_at(own, executor, done))
        if len(set(told.values())) < 2:
            continue  # one end only, or nothing to tell two apart by
        first = min((r for r in own if r.path in told), key=when)
        of_first = Direction.A_TO_B if _begun_at_a(first, end_a) else Direction.B_TO_A
        turned = told[first.path] is not of_first
        changed = [_told_so(r, told.get(r.path), turned) for r in own]
        numbered = number_attempts(changed)
        for n, record in zip(numbers, numbered, strict=True):
            result[n] = record
        findings.append(_finding(cable, numbered, first, of_first, by_time))
    return result, findings


def cables_with_open_ends(records: Sequence[ShotRecord]) -> dict[str, list[int]]:
    """Indices of the shots of each cable for which nothing but alike headers names an end."""
    may_be_open = [
        n
        for n, record in enumerate(records)
        if record.use in _OPEN
        and record.taken_for.key is not None
        and record.taken_for.wavelength_nm is not None
    ]
    groups = grouped(may_be_open, lambda n: records[n].taken_for.cable)
    return {
        cable: numbers
        for cable, numbers in sorted(groups.items())
        if _is_open([records[n] for n in numbers])
    }


def _is_open(members: Sequence[ShotRecord]) -> bool:
    said = {r.taken_for.direction_by for r in members}
    ways = {r.taken_for.direction for r in members}
    fibres = {(r.taken_for.key, r.taken_for.wavelength_nm) for r in members}
    return said <= {Source.HEADER, Source.NOTHING} and len(ways) == 1 and len(fibres) < len(members)


def _begun_at_a(first: ShotRecord, end_a: str | None) -> bool:
    """Whether the first shot is from A: crews type the ends right for the first one at least."""
    if end_a is None or first.identity is None:
        return True
    return same_text(first.identity.location_b) != same_text(end_a)


def _looked_at(
    members: Sequence[ShotRecord], executor: Executor | None, done: Callable[[int], None]
) -> dict[_Slot, list[_Seen]]:
    """The shots of every fibre at every wavelength, oldest first."""
    shots = sorted(members, key=when)
    sketches = zip(shots, sketches_of(shots, executor, done), strict=True)
    seen = [_Seen.of(record, sketch) for record, sketch in sketches if sketch is not None]
    return dict(sorted(grouped(seen, lambda one: placed_at(one.record)).items()))


def _told(seen: dict[_Slot, list[_Seen]]) -> tuple[dict[str, Direction], int]:
    """Direction of every shot by its path, one of both ends called A, and how many by time."""
    ends = {slot: _two_ends(shots) for slot, shots in seen.items()}
    both = [pair for pair in ends.values() if all(pair)]
    if not both:
        return {}, 0
    # The fibre that shows most is what all others are held against.
    model = max(both, key=lambda pair: min(side[-1].at_m.size for side in pair))
    told: dict[str, Direction] = {}
    by_time = 0
    for sides in ends.values():
        ways = [_way_by_places(side, model) for side in sides]
        if ways == [None, None] and all(sides):
            # A crew shoots from one end for hours: what was shot first here was so there too.
            alike = _first_is_older(sides) == _first_is_older(model)
            ways[0] = Direction.A_TO_B if alike else Direction.B_TO_A
            by_time += sum(map(len, sides))
        for side, way, other in zip(sides, ways, ways[::-1], strict=True):
            if way is not None or other is not None:
                told.update((shot.record.path, way or _opposite(other)) for shot in side)
    return told, by_time


def _two_ends(shots: Sequence[_Seen]) -> _Ends:
    """Part the shots of one fibre into those from where the first was taken, and the others."""
    sides = grouped(shots, lambda shot: shot.same_events(shots[0]) >= _SAME_END_SHARE)
    return sides.get(True, []), sides.get(False, [])


def _way_by_places(side: Sequence[_Seen], model: _Ends) -> Direction | None:
    """Direction of shots whose events clearly stand where those of one of the model's ends do."""
    if not side:
        return None
    like_a, like_b = (side[-1].same_places(end[-1]) for end in model)
    if abs(like_a - like_b) < _DECISIVE:
        return None
    return Direction.A_TO_B if like_a > like_b else Direction.B_TO_A


def _first_is_older(ends: _Ends) -> bool:
    return when(ends[0][0].record) < when(ends[1][0].record)


def _opposite(way: Direction | None) -> Direction:
    return Direction.B_TO_A if way is Direction.A_TO_B else Direction.A_TO_B


def _told_so(record: ShotRecord, told: Direction | None, turned: bool) -> ShotRecord:
    """Return the record with the direction that the shots tell, open for numbering."""
    if told is None:
        return record
    if turned:
        told = _opposite(told)
    taken = replace(record.taken_for, direction=told, direction_by=Source.SHOTS)
    return replace(record, taken_for=taken, use=ShotUse.USED, remark=None, attempt=0)


def _finding(
    cable: str, records: Sequence[ShotRecord], first: ShotRecord, of_first: Direction, by_time: int
) -> CableFinding:
    told = [r for r in records if r.taken_for.direction_by is Source.SHOTS]
    from_a = sum(r.taken_for.direction is Direction.A_TO_B for r in told)
    near = first.identity.location_a if first.identity else ""
    case = "typed" if near else ""
    if by_time:
        case = "typed-by-time" if near else "by-time"
    said = caution(
        "ends-told-by-shots", Scope.CABLE, case, near_end=near, from_a=from_a,
        from_b=len(told) - from_a, by_time=by_time, file=first.path, end=of_first.value[0],
    )  # fmt: skip
    return CableFinding(said, cable=cable, files=tuple(sorted(r.path for r in told)))


#: Fibres of a cable are not equally long: places of one closure differ by this share of the length,
#: and a few metres. Chosen, not derived.
_PLACE_SHARE, _PLACE_LEAST_M = 0.003, 6.0
#: So large a share of a fibre's splices must lie mirrored; a fibre of another length has another
#: route. Chosen, not derived.
_SHARE, _LENGTH_SHARE = 0.6, 0.02
#: And so many more in all, where single fibres show fewer than that. Chosen, not derived: a few
#: fibres with one each.
_TOGETHER = 4


def turned_round(
    measured: Sequence[Measured], records: Sequence[ShotRecord]
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Exchange the directions of shots whose fibre shows the cable's splices mirrored.

    Losses do not change with that, but their places do: they are judged where they are.

    Parameters
    ----------
    measured : sequence of Measured
        All cables.
    records : sequence of ShotRecord
        The shots that they were measured from.

    Returns
    -------
    list of ShotRecord
        In the order given; only directions may differ.
    list of CableFinding
        One for each cable in which shots are exchanged.
    """
    paired = (one for one in measured if one.outcome.axis is not None)
    findings = []
    turned: set[_Slot] = set()
    for members in grouped(paired, lambda one: one.key.cable).values():
        own = _mirrored(members)
        if own:
            turned |= {(one.key, one.wavelength_nm) for one in own}
            findings.append(_exchanged(own))
    return [_turned(record, turned) for record in records], findings


def _mirrored(members: Sequence[Measured]) -> list[Measured]:
    """Measurements whose splices lie mirrored to those of most others of the cable."""
    places = [_places(one) for one in members]
    model_m, length_m = max(places, key=lambda own: own[0].size)
    slack_m = _PLACE_SHARE * length_m + _PLACE_LEAST_M
    sides: dict[bool, list[tuple[int, Measured]]] = {True: [], False: []}
    for one, (at_m, own_m) in zip(members, places, strict=True):
        if abs(own_m - length_m) > _LENGTH_SHARE * length_m or not at_m.size:
            continue
        straight, mirrored = (count_near(x, model_m, slack_m) for x in (at_m, own_m - at_m))
        apart, most = abs(straight - mirrored), max(straight, mirrored)
        # Where the route nearly mirrors, one place more is told by several fibres together.
        if apart and most >= (_SHARE if apart >= _DECISIVE else 1) * at_m.size:
            sides[straight > mirrored].append((apart, one))
    along, against = (
        [one for apart, one in own if apart >= _DECISIVE or sum(n for n, _ in own) >= _TOGETHER]
        for own in sides.values()
    )
    # What most are is right; of two halves that of the first fibre.
    fewer, more = sorted((along, against), key=len)
    if len(fewer) == len(more) and fewer and fewer[0].key < more[0].key:
        return more
    return fewer


def _places(one: Measured) -> tuple[FloatArray, float]:
    axis = one.outcome.axis
    assert axis is not None
    at_m = [r.distance_m for r in one.outcome.readings if r.kind is not Kind.ASKED]
    return np.array(at_m, dtype=float), axis.length_m


def _turned(record: ShotRecord, turned: set[_Slot]) -> ShotRecord:
    taken = record.taken_for
    if taken.key is None or (taken.key, taken.wavelength_nm or 0) not in turned:
        return record
    if taken.direction is Direction.UNKNOWN or record.use not in (ShotUse.USED, ShotUse.EARLIER):
        return record
    other = replace(taken, direction=_opposite(taken.direction), direction_by=Source.SHOTS)
    return replace(record, taken_for=other)


def _exchanged(own: Sequence[Measured]) -> CableFinding:
    fibres = sorted({one.key.fibre for one in own})
    wavelengths = {one.wavelength_nm for one in own}
    return about_fibre(
        FibreKey(own[0].key.cable, fibres[0]),
        caution("ends-exchanged", Scope.CABLE, fibres=numbers_text(fibres)),
        wavelength_nm=wavelengths.pop() if len(wavelengths) == 1 else None,
        files=tuple(path for one in own for path in one.paths),
        other_fibres=tuple(fibres[1:]),
    )

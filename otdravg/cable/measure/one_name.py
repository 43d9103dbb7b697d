"""Shots of one name that are not of one fibre: two cables, or several fibres, told by the glass.

Two shots of one fibre from one end read alike at every splice but those that were made again; of
two fibres they read alike nowhere, whatever their names say. So before shots of one name become
attempts, each is held against the next. Where folders, typed ends or lengths part them the same
way for many fibres, they are of two cables.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from pathlib import PurePosixPath
from statistics import median

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre, about_shot
from otdravg.cable.files.attempts import Slot, is_one_attempt, number_attempts, slot_of, when
from otdravg.cable.files.names import direction_of, numbers_by_place, same_text
from otdravg.cable.identity.fingerprint import features_of
from otdravg.cable.measure.closures import table_slack_m
from otdravg.cable.measure.jobs import Sketch, sketches_of
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.findings import Scope, caution, defect, says
from otdravg.grouping import grouped
from otdravg.shot.detect import EventKind
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

FloatArray = npt.NDArray[np.float64]

#: A reading taken again differs by so much, one of a splice made again by so much, and one of
#: another fibre by so much, dB; shares of splices made again. Chosen, not derived: block means of
#: a sketch; mass fusion's losses with their repairs; losses and steps of ordinary glass.
_AGAIN_DB, _WORK_DB, _OTHER_DB = 0.006, 0.2, 0.09
_WORK_SHARE = 0.15
#: The same for steps in the glass, of which hardly any is misread.
_STEP_DB, _ODD_SHARE = 0.06, 0.03
#: Logarithm of the odds that a length tells. Chosen, not derived: a broken fibre is shorter, too,
#: so that one fibre's length proves nothing, and many do.
_LENGTH_ODDS = 1.5
#: Shots of one fibre end within this share and length. Chosen, not derived: a repair adds some
#: metres; fibres of one cable differ by less than two cables do.
_LENGTH_SHARE, _LENGTH_M = 0.003, 25.0
#: A place is read at if a shot shows so much there, dB. Chosen, not derived: smaller steps lie
#: anywhere; of a splice that loses this, one end at least shows it.
_CLEAR_DB = 0.025
#: Shots are of two fibres from so large odds on, and of two cables from this sum and mean over
#: their fibres on. Chosen, not derived: twenty to one for a single fibre, as for any doubt of a
#: pair; a cable adds up many fibres, none of which has to be as clear.
_APART = 3.0
_TWO_CABLES, _TWO_CABLES_EACH = 8.0, 1.0
#: A reading surely changed from so much on, dB. Chosen, not derived: five times its usual spread.
_SURELY_DB = 0.03
#: So many fibres, at least, tell two cables apart. Chosen, not derived: one may be a typing slip.
_LEAST_FIBRES = 2


@dataclass(frozen=True, slots=True, eq=False)
class _Shot:
    number: int  # in the records
    record: ShotRecord
    sketch: Sketch

    @property
    def length_m(self) -> float:
        return self.sketch.end_m - self.sketch.user_offset_m

    @property
    def noise_db(self) -> float:
        """Uncertainty of a reading of this shot, as of its events."""
        known = [e.u_loss_db for e in self.sketch.events if e.u_loss_db is not None]
        return median(known) if known else 0.0

    @property
    def near_m(self) -> float:
        return 4 * self.sketch.placing_m


_How = Callable[[_Shot], Hashable]


def tell_names_apart(
    records: Sequence[ShotRecord],
    executor: Executor | None,
    done: Callable[[int], None] = lambda count: None,
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Part shots of one name that are of two cables, and set aside those of several fibres.

    Returns
    -------
    list of ShotRecord
        In the order given: of another cable, or not placed.
    list of CableFinding
    """
    slots = _slots_with_several(records)
    if not slots:
        return list(records), []
    shots = _looked_at(records, sorted({n for own in slots.values() for n in own}), executor, done)
    result = list(records)
    findings: list[CableFinding] = []
    by_cable: dict[str, dict[Slot, list[_Shot]]] = defaultdict(dict)
    for slot, numbers in slots.items():
        own = [shots[n] for n in numbers if n in shots]
        if len(own) > 1:
            by_cable[slot[0].cable][slot] = own
    for cable, own_slots in by_cable.items():
        groups = _two_cables(own_slots)
        if groups is not None:
            how, names = groups
            findings.append(_renamed(result, cable, how, names, own_slots))
            own_slots = _within(own_slots, how, names)
        findings += _several_fibres(result, own_slots)
    if not findings:
        return result, findings
    opened = [
        replace(r, use=ShotUse.USED, remark=None, attempt=0) if r.use is ShotUse.EARLIER else r
        for r in result
    ]
    return number_attempts(opened), findings


def _within(
    slots: Mapping[Slot, Sequence[_Shot]], how: _How, names: Mapping[Hashable, int]
) -> dict[Slot, list[_Shot]]:
    """Shots of one name in each cable, where there are still several."""
    result = {}
    for (key, nm, direction), members in slots.items():
        for group, own in grouped(members, lambda shot: names.get(how(shot), 1)).items():
            if len(own) > 1:
                result[FibreKey(_name(key.cable, group), key.fibre), nm, direction] = own
    return result


def _slots_with_several(records: Sequence[ShotRecord]) -> dict[Slot, list[int]]:
    stand = (n for n, r in enumerate(records) if r.use in (ShotUse.USED, ShotUse.EARLIER))
    slots = grouped(stand, lambda n: slot_of(records[n]))
    return {
        slot: sorted(own, key=lambda n: when(records[n]))
        for slot, own in slots.items()
        if slot is not None and len(own) > 1
    }


def _looked_at(
    records: Sequence[ShotRecord],
    numbers: Sequence[int],
    executor: Executor | None,
    done: Callable[[int], None],
) -> dict[int, _Shot]:
    sketches = sketches_of([records[number] for number in numbers], executor, done)
    return {
        number: _Shot(number, records[number], sketch)
        for number, sketch in zip(numbers, sketches, strict=True)
        if sketch is not None
    }


# -- one fibre or two ------------------------------------------------------------------


def _log_odds(pairs: Sequence[tuple[_Shot, _Shot]]) -> float:
    """Logarithm of the odds that pairs of shots, each from one end, are of one fibre.

    Where both ends are there, work does not matter: it changes both readings of a splice alike,
    and the step in the glass stays what it was.
    """
    places = _mirrored(pairs)
    changes_db = [_changes(*pair, own) for pair, own in zip(pairs, places, strict=True)]
    again_db = [max(_AGAIN_DB, one.noise_db + two.noise_db) for one, two in pairs]
    odds = 0.0
    for (one, two), change_db, spread_db in zip(pairs, changes_db, again_db, strict=True):
        # Within minutes no splice is made again: what changed is another fibre.
        share = _ODD_SHARE if is_one_attempt(one.record, two.record) else _WORK_SHARE
        odds += _told_by(change_db, (spread_db, _WORK_DB, _OTHER_DB), share)
    if len(pairs) == 2 and _mirror(*places):
        step_db = (changes_db[0] - changes_db[1]) / 2
        told = _told_by(step_db, (max(again_db), _STEP_DB, _STEP_DB), _ODD_SHARE)
        odds = max(odds, told)
    both_seen = all(shot.sketch.end_seen for pair in pairs for shot in pair)
    if both_seen and not all(_equally_long(*pair) or _has_grown(*pair) for pair in pairs):
        odds -= _LENGTH_ODDS
    return odds


def _told_by(
    change_db: FloatArray, spreads_db: tuple[float, float, float], work_share: float
) -> float:
    """Log odds of one fibre by changes of readings; spreads if taken again, remade, and other."""
    again_db, work_db, other_db = spreads_db
    change_db = change_db[np.isfinite(change_db)]
    one = (1 - work_share) * _density(change_db, again_db)
    one += work_share * _density(change_db, work_db)
    odds = np.log(one / _density(change_db, other_db))
    # That a reading changed speaks for nobody, however much.
    return float(np.where(np.abs(change_db) > 3 * again_db, np.minimum(odds, 0.0), odds).sum())


def _equally_long(one: _Shot, two: _Shot) -> bool:
    allowed_m = max(_LENGTH_M, _LENGTH_SHARE * max(one.length_m, two.length_m))
    return abs(one.length_m - two.length_m) <= allowed_m


def _has_grown(one: _Shot, two: _Shot) -> bool:
    """Whether the later shot shows a splice about where the earlier one ended: a reel was added."""
    sooner, later = sorted((one, two), key=lambda shot: when(shot.record))
    at_m = sooner.length_m + later.sketch.user_offset_m
    return later.length_m > sooner.length_m and any(
        abs(event.distance_m - at_m) <= table_slack_m(sooner.length_m)
        for event in later.sketch.events
        if event.kind in _KINDS
    )


def _density(x: FloatArray, spread: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (x / spread) ** 2) / spread)


def _places(one: _Shot, two: _Shot) -> list[float]:
    """Places that either of two shots from one end shows clearly, from the first one's panel."""
    shift_m = two.sketch.user_offset_m - one.sketch.user_offset_m
    marks = []
    for shot, offset_m in ((one, 0.0), (two, shift_m)):
        for event in shot.sketch.events:
            least_db = max(_CLEAR_DB, 4 * (event.u_loss_db or 0.0))
            if event.kind in _KINDS and abs(event.loss_db or 0.0) >= least_db:
                marks.append(event.distance_m - offset_m)
    reach_m = min(one.sketch.end_m, two.sketch.end_m - shift_m) - 3 * one.near_m
    return [mark for mark in marks if mark < reach_m]


def _mirrored(pairs: Sequence[tuple[_Shot, _Shot]]) -> list[FloatArray]:
    """Places to read at: of two ends, those that either shows, in the order of the first end."""
    near_m = pairs[0][0].near_m
    places = [_merged(_places(*pair), near_m) for pair in pairs]
    if len(places) < 2 or not all(own.size for own in places):
        return places
    sums = (places[0][:, None] + places[1]).ravel()
    # From panel to panel: where the fibre ends, unless more places mirror elsewhere.
    totals = np.append([pair[0].sketch.end_m for pair in pairs], sums)
    support = (np.abs(totals[:, None] - sums) < near_m).sum(axis=1)
    best = int(np.argmax(support))
    if best >= len(pairs) and support[best] < 2:
        return places
    every = _merged([*places[0], *(totals[best] - places[1])], near_m)
    return [every, totals[best] - every]


def _mirror(one: FloatArray, other: FloatArray) -> bool:
    """Whether places seen from both ends are the same ones in the same order."""
    return one.size == other.size > 0 and bool(np.ptp(one + other) < 1e-6)


def _changes(one: _Shot, two: _Shot, places: FloatArray) -> FloatArray:
    """How much more the second shot reads at some places; NaN where a shot shows no line."""
    if not places.size:
        return places
    order = np.argsort(places)
    start_m = one.sketch.user_offset_m
    # What one of them shows behind the end of the other is no fibre that both have.
    length_m = min(one.length_m, two.length_m)
    read = [
        features_of(
            shot.sketch, shot.sketch.user_offset_m, places[order] - start_m, length_m, from_a=True
        )[: places.size]
        for shot in (one, two)
    ]
    change_db = np.empty(places.size)
    change_db[order] = read[1] - read[0]
    return change_db


_KINDS = (EventKind.STEP, EventKind.REFLECTION)


def _merged(marks: Sequence[float], near_m: float) -> FloatArray:
    places: list[float] = []
    for mark in sorted(marks):
        if not places or mark - places[-1] > near_m:
            places.append(mark)
    return np.array(places)


# -- two cables ------------------------------------------------------------------------


def _two_cables(slots: Mapping[Slot, Sequence[_Shot]]) -> tuple[_How, dict[Hashable, int]] | None:
    """Find what parts the shots of a name into two cables, and the number of each value's cable."""
    shots = [shot for own in slots.values() for shot in own]
    for how in _ways_to_part(shots):
        odds: dict[tuple[Hashable, Hashable], list[tuple[FibreKey, float]]] = defaultdict(list)
        for key, sides in _sides(slots):
            parts = [grouped(own, how) for own in sides]
            for one, two in combinations(sorted(set().union(*parts), key=str), 2):
                pairs = [(p[one][-1], p[two][-1]) for p in parts if one in p and two in p]
                if pairs:
                    odds[one, two].append((key, _log_odds(pairs)))
        apart = {
            values
            for values, told in odds.items()
            if len({key for key, _ in told}) >= _LEAST_FIBRES and _are_apart([o for _, o in told])
        }
        if apart:
            together = {values for values in odds if values not in apart}
            return how, _numbered(shots, how, together)
    return None


def _sides(
    slots: Mapping[Slot, Sequence[_Shot]],
) -> Iterator[tuple[FibreKey, list[Sequence[_Shot]]]]:
    """Shots of each fibre and wavelength, from one end and from the other."""
    for key, nm in sorted({(key, nm) for key, nm, _ in slots}):
        ends = ((key, nm, direction) for direction in (Direction.A_TO_B, Direction.B_TO_A))
        yield key, [slots[slot] for slot in ends if slot in slots]


def _ways_to_part(shots: Sequence[_Shot]) -> Iterator[_How]:
    yield lambda shot: _ends(shot.record)
    lengths = np.sort([shot.length_m for shot in shots if shot.sketch.end_seen])
    gaps = np.diff(lengths) > np.maximum(_LENGTH_M, _LENGTH_SHARE * lengths[1:])
    edges = (lengths[1:] + lengths[:-1])[gaps] / 2
    yield lambda shot: int(np.searchsorted(edges, shot.length_m))
    deepest = max(len(_folders(shot.record)) for shot in shots)
    for depth in range(1, deepest + 1):
        yield lambda shot, depth=depth: _folders(shot.record)[:depth]  # type: ignore[misc]
    yield lambda shot: shot.record.batch


def _ends(record: ShotRecord) -> Hashable:
    identity = record.identity
    if identity is None:
        return frozenset()
    return frozenset((same_text(identity.location_a), same_text(identity.location_b)))


def _folders(record: ShotRecord) -> tuple[str, ...]:
    """Folders of a file, those left out that say its end or its fibre."""
    parts = PurePosixPath(record.path).parts[:-1]
    return tuple(
        part
        for part in parts
        if direction_of(part) is None
        and record.taken_for.fibre not in numbers_by_place(f"{part}/x").values()
    )


def _numbered(
    shots: Sequence[_Shot], how: _How, together: set[tuple[Hashable, Hashable]]
) -> dict[Hashable, int]:
    """Number cables from the one shot first; values that are of one cable share its number."""
    first = {value: min(when(s.record) for s in own) for value, own in grouped(shots, how).items()}
    numbers: dict[Hashable, int] = {}
    for value in sorted(first, key=lambda v: first[v]):
        same = [
            numbers[other]
            for other in numbers
            if (other, value) in together or (value, other) in together
        ]
        numbers[value] = min(same, default=max(numbers.values(), default=0) + 1)
    return numbers


def _renamed(
    records: list[ShotRecord],
    cable: str,
    how: _How,
    names: Mapping[Hashable, int],
    slots: Mapping[Slot, Sequence[_Shot]],
) -> CableFinding:
    """Give the shots of the second cable, and of further ones, a name of its own."""
    shots = [shot for own in slots.values() for shot in own]
    seen = {shot.number: shot for shot in shots}
    lengths: dict[int, list[float]] = defaultdict(list)
    fibres: dict[int, set[int]] = defaultdict(set)
    files: list[str] = []
    for number, record in enumerate(records):
        if record.taken_for.cable != cable or record.taken_for.fibre is None:
            continue
        shot = seen.get(number)
        group = names.get(how(shot), 1) if shot else _nearest(record, shots, how, names)
        if shot:
            lengths[group].append(shot.length_m)
        fibres[group].add(record.taken_for.fibre)
        if group > 1:
            taken = replace(record.taken_for, cable=_name(cable, group))
            records[number] = replace(record, taken_for=taken)
            files.append(record.path)
    parts = tuple(
        says(
            "cable-of-name", name=_name(cable, group), length_m=median(lengths[group]),
            fibres=numbers_text(own),
        )
        for group, own in sorted(fibres.items())
    )  # fmt: skip
    return CableFinding(
        caution("two-cables-one-name", Scope.CABLE, cable=cable, parts=parts),
        cable=cable,
        files=tuple(files),
    )


def _name(cable: str, group: int) -> str:
    return cable if group == 1 else f"{cable} ({group})"


def _nearest(
    record: ShotRecord, shots: Sequence[_Shot], how: _How, names: Mapping[Hashable, int]
) -> int:
    """Cable of a shot that has no rival: that of the most of its folder and its typed ends."""
    alike: dict[int, tuple[int, int]] = {}
    for shot in shots:
        group = names.get(how(shot), 1)
        same_ends = _ends(shot.record) == _ends(record)
        same_folder = _folders(shot.record) == _folders(record)
        score = (int(same_folder) + int(same_ends), 1)
        alike[group] = max(alike.get(group, (0, 0)), score)
    return min(alike, key=lambda group: (-alike[group][0], group))


# -- several fibres --------------------------------------------------------------------


def _several_fibres(
    records: list[ShotRecord], slots: Mapping[Slot, Sequence[_Shot]]
) -> list[CableFinding]:
    """Set aside shots of one name that are of several fibres."""
    told: dict[FibreKey, list[float]] = defaultdict(list)
    members: dict[FibreKey, list[Sequence[_Shot]]] = defaultdict(list)
    for key, sides in _sides(slots):
        rounds = [list(pairwise(own)) for own in sides]
        odds = [_log_odds(pairs) for pairs in zip(*rounds, strict=False)]
        odds += [_log_odds([pair]) for own in rounds for pair in own[len(odds) :]]
        told[key] += odds
        members[key] += sides
    every = [o for odds in told.values() for o in odds]
    # Where most fibres of a cable are told apart, chance alone makes two of them look alike.
    doubt_all = len(told) >= _LEAST_FIBRES and _are_apart(every)
    most = _APART if doubt_all else -_APART
    findings = []
    for key, odds in told.items():
        apart = sum(o <= most for o in odds)
        if apart:
            findings += [_set_aside(records, key, own, apart + 1) for own in members[key]]
        else:
            findings += [_too_soon(own) for own in members[key] if _reads_otherwise_soon(own)]
    return findings


def _reads_otherwise_soon(shots: Sequence[_Shot]) -> bool:
    """Whether a splice reads otherwise within minutes, when nobody can have made it again."""
    for one, two in pairwise(shots):
        if is_one_attempt(one.record, two.record):
            change_db = _changes(one, two, _merged(_places(one, two), one.near_m))
            least_db = max(_SURELY_DB, 2 * (one.noise_db + two.noise_db))
            if np.any(np.abs(change_db) > least_db):
                return True
    return False


def _too_soon(shots: Sequence[_Shot]) -> CableFinding:
    taken = shots[-1].record.taken_for
    said = caution(
        "shots-under-one-name", Scope.CABLE, "soon", shots=len(shots),
        direction=taken.direction.value, fibre=taken.fibre, at_nm=taken.wavelength_nm,
    )  # fmt: skip
    *earlier, newest = (shot.record for shot in shots)
    return about_shot(newest, said, *reversed(earlier))


def _are_apart(odds: Sequence[float]) -> bool:
    """Whether shots are of two cables, by the odds of all fibres together."""
    return sum(odds) <= -max(_TWO_CABLES, _TWO_CABLES_EACH * len(odds))


def _set_aside(
    records: list[ShotRecord], key: FibreKey, shots: Sequence[_Shot], fibres: int
) -> CableFinding:
    taken = shots[0].record.taken_for
    direction, nm = taken.direction.value, taken.wavelength_nm
    for shot in shots:
        set_aside = records[shot.number].used_as(
            ShotUse.UNPLACED,
            says("not-one-fibre", shots=len(shots), direction=direction, fibre=key.fibre),
        )
        records[shot.number] = replace(set_aside, attempt=0)
    said = defect(
        "shots-under-one-name", Scope.CABLE, shots=len(shots), direction=direction, at_nm=nm,
        fibre=key.fibre, fibres=fibres,
    )  # fmt: skip
    files = tuple(shot.record.path for shot in shots)
    return about_fibre(key, said, wavelength_nm=nm, direction=direction, files=files)

"""States of a fibre: splices that were made again between its shots, and which shots still hold.

A splice that was made again reads otherwise from both ends by the same: the loss changes, the step
in the glass does not. So each shot is held against the one before it from the same end. Where
both ends show the same change, or none, both newest shots are of one state. Where only one does,
half their sum is nobody's loss.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot
from statistics import median

from otdravg.cable.checks.notes import about_fibres, about_shot, about_shots, fibres_of
from otdravg.cable.files.attempts import date_of, taken_before, when
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.placing import placed
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, History, ShotRecord
from otdravg.findings import Scope, Statement, caution, defect, note, says
from otdravg.grouping import grouped
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text, ribbon_position
from otdravg.verdict.rules import Profile

#: Findings that say that a splice's two readings are not of the splice that is there now.
NOT_ONE_STATE = frozenset({"pair-of-two-states", "order-unknown", "shot-before-work"})

#: Two readings of one splice from one end agree within their U, and this, dB. Chosen, not derived:
#: a connector that was mated anew, a cable that is warmer, move a reading by a few thousandths.
_AGREE_DB = 0.01
#: A splice was surely made again if its reading changed by so many standard uncertainties, and by
#: this, dB. Chosen, not derived: of ten thousand splices none changes so by chance.
_SURE_SIGMAS, _SURE_DB = 5.0, 0.02
#: A change that is larger by this at a longer wavelength is a bend that was dressed, dB. Chosen,
#: not derived: the threshold for bends where the profile has none.
_BEND_DB = 0.05

#: A cable's unit of work at one closure: cable, ribbon (in loose tube the fibre), closure number.
_Place = tuple[str, int, int]


@dataclass(frozen=True, slots=True)
class OneWay:
    """What one shot reads at a splice, dB, with its standard uncertainty."""

    record: ShotRecord
    loss_db: float
    u_db: float

    def change_to(self, later: OneWay) -> float:
        """How much more a later shot reads; 0 where both agree."""
        change_db = later.loss_db - self.loss_db
        allowed_db = max(_AGREE_DB, 2 * (self.u_db + later.u_db))
        return change_db if abs(change_db) > allowed_db else 0.0

    def is_made_again(self, later: OneWay) -> bool:
        """Whether the splice was surely made again before a later shot."""
        enough = abs(self.change_to(later)) >= _sure_db(self.u_db, later.u_db)
        return enough and taken_before(self.record, later.record)


def _sure_db(*u_db: float) -> float:
    """Difference of two readings from which on the splice was surely made again."""
    return max(_SURE_DB, _SURE_SIGMAS * hypot(*u_db))


#: What the shots from A, and those from B, read at one splice, oldest first.
Series = tuple[Sequence[OneWay], Sequence[OneWay]]


def one_way_series(one: Measured, own_map: CableMap) -> dict[int, Series]:
    """Readings of every shot of a fibre up to those that stand, by the number of the closure."""
    found: dict[int, tuple[list[OneWay], list[OneWay]]] = defaultdict(lambda: ([], []))
    for attempt, outcome in (*one.earlier, (one.attempt, one.outcome)):
        if outcome.axis is None:
            continue
        records = one.stand.pair(attempt)
        for number, reading in placed(outcome, own_map).at.items():
            figures = (
                (reading.loss_ab_db, reading.u_ab_db), (reading.loss_ba_db, reading.u_ba_db),
            )  # fmt: skip
            sides = found[number]
            for side, record, (loss_db, u_db) in zip(sides, records, figures, strict=True):
                if record is None or loss_db is None or u_db is None:
                    continue
                if not side or side[-1].record.path != record.path:
                    side.append(OneWay(record, loss_db, u_db))
    return dict(found)


def _changes(side: Sequence[OneWay]) -> list[tuple[OneWay, OneWay]]:
    """Shots that differ from the one before."""
    return [(one, two) for one, two in pairwise(side) if one.change_to(two)]


def stale_ends(series: Series) -> list[Direction]:
    """Ends whose newest shot may be older than work that the other end's shots show."""
    if not all(series):
        return []
    if all(len(side) > 1 for side in series):
        changes_db = [side[-1].loss_db - side[0].loss_db for side in series]
        allowed_db = 2 * sum(side[n].u_db for side in series for n in (0, -1))
        if abs(changes_db[0] - changes_db[1]) <= max(_AGREE_DB, allowed_db):
            return []
    stale = []
    for side, other, direction in zip(
        series, series[::-1], (Direction.B_TO_A, Direction.A_TO_B), strict=True
    ):
        changes = _changes(side)
        if changes and not taken_before(changes[-1][1].record, other[-1].record):
            stale.append(direction)
    return stale


def is_one_state(series: Series, *paths: str) -> bool:
    """Whether two shots, by their paths, are of one state of a splice; the newest of all so far."""
    upto = []
    for side, path in zip(series, paths, strict=True):
        at = next((n for n, one in enumerate(side) if one.record.path == path), None)
        if at is None:
            return True
        upto.append(side[: at + 1])
    return not stale_ends((upto[0], upto[1]))


@dataclass(frozen=True, slots=True)
class _Work:
    """A splice that surely was made again between two shots from one end."""

    fibre: int
    wavelength_nm: int
    before: OneWay
    after: OneWay

    @property
    def direction(self) -> Direction:
        return self.after.record.taken_for.direction


@dataclass(frozen=True, slots=True)
class _Told:
    """What is said of a fibre's splice at one wavelength, by kind; the newer shot, the others."""

    code: str
    ends: tuple[Direction, ...]
    fibre: int
    wavelength_nm: int
    records: tuple[ShotRecord, ...]
    change_db: float


class States:
    """What was spliced again between the shots of a run, and which shots still hold.

    Parameters
    ----------
    measured : sequence of Measured
    maps : mapping
        Closures of each cable.
    ribbon_size : int or None
        A ribbon is cut and spliced as a whole; in loose tube every fibre by itself.
    single_fibre : bool
        The contract lets one fibre of a ribbon be spliced alone: where one alone reads otherwise,
        the others were not touched.
    """

    def __init__(
        self,
        measured: Sequence[Measured],
        maps: Mapping[str, CableMap],
        ribbon_size: int | None,
        *,
        single_fibre: bool = False,
    ) -> None:
        self._measured = [one for one in measured if one.outcome.axis is not None]
        self._maps = maps
        self._ribbon_size = ribbon_size
        self._single_fibre = single_fibre
        self._works: dict[_Place, list[_Work]] = defaultdict(list)
        self._series: dict[tuple[FibreKey, int], dict[int, Series]] = {}
        #: Fibres of which nothing says which of two unlike shots is the newer.
        self._at_odds: dict[_Place, set[int]] = defaultdict(set)
        self._by_fibre: dict[FibreKey, list[dict[int, Series]]] = defaultdict(list)
        for one in self._measured:
            if one.earlier:
                own = one_way_series(one, maps[one.key.cable])
                self._series[one.key, one.wavelength_nm] = own
                self._by_fibre[one.key].append(own)
                for number, series in own.items():
                    if _unordered(series):
                        self._at_odds[self._place(one.key, number)].add(one.key.fibre)
                    works = self._works[self._place(one.key, number)]
                    works += [
                        _Work(one.key.fibre, one.wavelength_nm, before, after)
                        for side in series
                        for before, after in pairwise(side)
                        if before.is_made_again(after)
                    ]
        for place, works in self._works.items():
            self._works[place] = [w for w in works if not self._is_dressed(w, place)]

    def _is_dressed(self, work: _Work, place: _Place) -> bool:
        """Whether a longer wavelength shows a change far more: a bend was dressed, nothing cut.

        Of each wavelength counts the end that shows it: the other may have been shot before only.
        """
        by_wavelength = [
            [side[-1].loss_db - side[0].loss_db for side in own.get(place[2], ()) if len(side) > 1]
            for own in self._by_fibre[FibreKey(place[0], work.fibre)]
        ]
        changes = [max(own, key=abs) for own in by_wavelength if own]
        return max(changes) - min(changes) > _BEND_DB

    def _place(self, key: FibreKey, number: int) -> _Place:
        ribbon, _ = ribbon_position(key.fibre, self._ribbon_size)
        return key.cable, key.fibre if ribbon is None else ribbon, number

    def _works_on(self, key: FibreKey, number: int) -> list[_Work]:
        """What was done to a fibre's splice at a closure, or to its ribbon's."""
        works = self._works.get(self._place(key, number), [])
        if self._single_fibre and len({work.fibre for work in works}) == 1:
            return [work for work in works if work.fibre == key.fibre]
        return works

    def attempts(self, one: Measured, number: int) -> int:
        """How often a splice was made, as far as the shots prove it; at least once.

        Work that is younger than the fibre's own shots is not counted: they show what was before.
        """
        works = self._works_on(one.key, number)
        counts = [0]
        for record in one.records:
            if record is not None:
                own = [w for w in works if w.direction is record.taken_for.direction]
                counts.append(_least(w for w in own if _is_after(record, w)))
        return 1 + max(counts)

    def findings(self, *, whole_fibres: bool = False) -> list[CableFinding]:
        """Pairs of two states, shots that are older than the work, and ends shot again in vain.

        ``whole_fibres``: the profile asks for all of a fibre again after work on its ribbon
        (:func:`due_again`), not for a splice only.
        """
        told: dict[tuple[_Place, str, tuple[Direction, ...]], list[_Told]] = defaultdict(list)
        for one in self._measured:
            for number, said in self._said(one):
                if not whole_fibres or said.code != "shot-before-work":
                    told[self._place(one.key, number), said.code, said.ends].append(said)
        findings = [self._worded(place, said) for (place, _, _), said in told.items()]
        return findings + [_in_vain(one) for one in self._measured if self._is_again_in_vain(one)]

    def old_shots(self) -> list[ShotRecord]:
        """Standing shots that are older than work on their ribbon."""
        return [record for one in self._measured for record in self._old_anywhere(one)]

    def _old_anywhere(self, one: Measured) -> list[ShotRecord]:
        """Standing shots that are older than work on the fibre's ribbon at any closure."""
        passed = self._maps[one.key.cable].passes.get(one.key.fibre, {})
        old = {r.path: r for number in passed for r in self._older(one, number)}
        return list(old.values())

    def _said(self, one: Measured) -> Iterator[tuple[int, _Told]]:
        series = self._series.get((one.key, one.wavelength_nm), {})
        for number in self._maps[one.key.cable].passes.get(one.key.fibre, {}):
            own = series.get(number, ((), ()))
            if unordered := _unordered(own) or self._at_odds_beside(one.key, number, own):
                yield number, self._told(one, "order-unknown", (), unordered)
            elif stale := stale_ends(own):
                side = own[0 if stale[0] is Direction.B_TO_A else 1]
                newest = [r for r in one.records if r and r.taken_for.direction in stale]
                yield number, self._told(one, "pair-of-two-states", stale, side[-2:], newest)
            elif old := self._older(one, number):
                works = self._works[self._place(one.key, number)]
                work = max(works, key=lambda w: when(w.after.record))
                ends = [r.taken_for.direction for r in old]
                yield (
                    number,
                    self._told(one, "shot-before-work", ends, (work.before, work.after), old),
                )

    def _at_odds_beside(self, key: FibreKey, number: int, own: Series) -> Sequence[OneWay]:
        """Two shots of a fibre whose ribbon was made again, before or after them: nobody knows."""
        others = self._at_odds[self._place(key, number)] - {key.fibre}
        if len(others) <= self._single_fibre:
            return ()
        pairs = ((other, side[-1]) for side in own for other in side[:-1])
        return next((p for p in pairs if not taken_before(p[0].record, p[1].record)), ())

    def _told(
        self,
        one: Measured,
        code: str,
        ends: Iterable[Direction],
        shots: Sequence[OneWay],
        more: Iterable[ShotRecord] = (),
    ) -> _Told:
        records = (*more, *(shot.record for shot in shots[::-1]))
        change_db = shots[-1].loss_db - shots[0].loss_db
        return _Told(code, tuple(ends), one.key.fibre, one.wavelength_nm, records, change_db)

    def _older(self, one: Measured, number: int) -> list[ShotRecord]:
        """Standing shots that are older than work on the fibre's ribbon at a closure."""
        works = self._works_on(one.key, number)
        if not works:
            return []
        shots = [r for r in one.records if r is not None]
        last = [
            max(own, key=lambda w: when(w.after.record))
            for r in shots
            if (own := [w for w in works if w.direction is r.taken_for.direction] or works)
        ]
        return [r for r, work in zip(shots, last, strict=True) if not _is_after(r, work)]

    def _is_again_in_vain(self, one: Measured) -> bool:
        """Whether one end alone was shot again and no splice reads otherwise since."""
        ab, ba = one.records
        if ab is None or ba is None or ab.attempt == ba.attempt:
            return False
        if all(outcome.axis is None for _, outcome in one.earlier):
            return False  # older shots were of a cable that was not whole
        series = self._series.get((one.key, one.wavelength_nm), {})
        if any(_changes(side) for own in series.values() for side in own):
            return False
        return not self._old_anywhere(one)

    def _worded(self, place: _Place, told: Sequence[_Told]) -> CableFinding:
        cable, unit, number = place
        closure = self._maps[cable].closure(number).name
        fibres = sorted({one.fibre for one in told})
        wavelengths = sorted({one.wavelength_nm for one in told})
        first = told[0]
        numbers, ends = numbers_text(fibres), ", ".join(way.value for way in first.ends)
        at, change_db = ", ".join(map(str, wavelengths)), max(abs(one.change_db) for one in told)
        change = says("less" if first.change_db < 0 else "more", change_db=abs(first.change_db))
        if first.code == "pair-of-two-states":
            said = defect(
                "pair-of-two-states", Scope.CABLE,
                fibres=numbers, ends=ends, wavelengths=at, change=change,
            )  # fmt: skip
        elif first.code == "order-unknown":
            is_folder = len({record.batch for record in first.records}) > 1
            said = defect(
                "order-unknown", Scope.CABLE, "folder" if is_folder else "clock",
                fibres=numbers, change_db=change_db,
            )  # fmt: skip
        else:
            work = self._works[cable, unit, number][-1]
            said = defect(
                "shot-before-work", Scope.CABLE, "ribbon" if self._ribbon_size else "fibre",
                unit=unit, fibre=work.fibre, change=change, since=_day(work.after.record),
                fibres=numbers, ends=ends, wavelengths=at,
            )  # fmt: skip
        return about_fibres(
            cable,
            fibres,
            said,
            each=True,
            wavelength_nm=wavelengths[0] if len(wavelengths) == 1 else None,
            direction=ends,
            closure=closure,
            files=tuple(dict.fromkeys(r.path for one in told for r in one.records)),
        )


def due_again(old: Iterable[ShotRecord], profile: Profile) -> list[CableFinding]:
    """Ask for shots that are older than work on their ribbon again, if the profile does.

    An existing fibre that was spliced to is no longer the fibre that was shot.
    """
    if not profile.completeness.retest_touched:
        return []
    findings = []
    places = grouped(old, lambda r: (r.taken_for.cable, r.taken_for.wavelength_nm or 0))
    for (_, nm), records in sorted(places.items()):
        said = caution(
            "shot-before-work", Scope.CABLE, "asked", shots=len(records),
            fibres=numbers_text(fibres_of(records)), at_nm=nm,
        )  # fmt: skip
        findings.append(about_shots(records, said, each=True, wavelength_nm=nm))
    return findings


def _in_vain(one: Measured) -> CableFinding:
    """A shot taken again from one end with no work in between: a connector was dirty, perhaps."""
    shots = sorted((r for r in one.records if r is not None), key=lambda r: r.attempt)
    older, newer = shots[0], shots[-1]
    return about_shot(
        newer,
        note("shot-again-from-one-end", Scope.CABLE, newer=newer.attempt, older=older.attempt),
        older,
    )


def _unordered(series: Series) -> Sequence[OneWay]:
    """Two shots from one end that differ, of which nothing says that the one taken is newer."""
    for side in series:
        for other in side[:-1]:
            if other.change_to(side[-1]) and not taken_before(other.record, side[-1].record):
                return other, side[-1]
    return ()


def _is_after(record: ShotRecord, work: _Work) -> bool:
    """Whether a shot was taken after a splice was made again, as the next but nearest shots tell.

    A crew shoots a ribbon in one go: what is nearer to the first shot after the work than to the
    last before it is of the same visit.
    """
    before, after = work.before.record, work.after.record
    if after.batch > before.batch:
        return record.batch >= after.batch
    if record.batch != after.batch:
        return record.batch > after.batch
    dates = date_of(before), date_of(record), date_of(after)
    if dates[0] is None or dates[1] is None or dates[2] is None:
        return record.path == after.path
    return dates[1] - dates[0] > dates[2] - dates[1]


def _least(works: Iterable[_Work]) -> int:
    """The least number of times that explain some changes: a point in time is in each interval."""
    count, last = 0, None
    for work in sorted(works, key=lambda w: when(w.after.record)):
        if last is None or when(work.before.record) >= last:
            count, last = count + 1, when(work.after.record)
    return count


def _day(record: ShotRecord) -> Statement:
    date = date_of(record)
    return says("day", day=f"{date:%Y-%m-%d}") if date else says("second-folder")


def repaired_splices(history: Sequence[History], ribbon_size: int | None) -> list[CableFinding]:
    """Gather splices that changed between the first attempt and the one that stands.

    One note per closure and ribbon, with the median before and after.
    """
    places = grouped(
        filter(has_changed, history),
        lambda h: (h.key.cable, h.closure, ribbon_position(h.key.fibre, ribbon_size)[0]),
    )
    return [_changed_note(*place, members) for place, members in places.items()]


def has_changed(splice: History) -> bool:
    """Whether a splice reads otherwise now than at its first attempt, beyond uncertainty."""
    first, last = splice.attempts[0], splice.attempts[-1]
    if first.loss_db is None or last.loss_db is None:
        return False
    sure_db = _sure_db(first.u_loss_db or 0.0, last.u_loss_db or 0.0)
    return abs(last.loss_db - first.loss_db) >= sure_db


def _changed_note(
    cable: str, closure: str, ribbon: int | None, members: Sequence[History]
) -> CableFinding:
    fibres = sorted({one.key.fibre for one in members})
    before_db, after_db = (
        median(one.attempts[n].loss_db or 0.0 for one in members) for n in (0, -1)
    )
    files = (f for one in members for a in one.attempts[-1:] for f in (a.file_ab, a.file_ba))
    said = note(
        "splice-changed", Scope.CABLE, "" if ribbon is None else "of-ribbon",
        fibres=numbers_text(fibres), ribbon=ribbon, before_db=before_db, after_db=after_db,
    )  # fmt: skip
    fibre = fibres[0] if len(fibres) == 1 else None
    return CableFinding(
        said, cable, fibre, closure=closure, files=tuple(dict.fromkeys(filter(None, files)))
    )

"""The splice plan: which ribbon meets which, in which tray, and what number a fibre has where.

Rows are as the crew wrote them, ribbon by ribbon and closure by closure. :class:`SplicePlan`
follows every fibre through them from A: fibres are counted at A here and in all outputs, so that a
ribbon planned to be turned over, exchanged, branched off or parted is none of a numbering's faults.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from otdravg.cable.files.names import same_text
from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.trade import RIBBON_SIZES

#: Where a fibre is: the name of the cable, and its number there.
_At = tuple[str, int]


@dataclass(frozen=True, slots=True)
class TrayPlace:
    """Where a ribbon is found at a closure: marks as the plan has them, empty where it does not."""

    tube: str = ""
    mark: str = ""  # of the ribbon, where it is not its number
    tray: str = ""
    slot: str = ""

    @property
    def parts(self) -> tuple[tuple[str, str], ...]:
        """What is known, in the order in which it is looked for: name of the column, and mark."""
        own = (("tube", self.tube), ("mark", self.mark), ("tray", self.tray), ("slot", self.slot))
        return tuple((name, value) for name, value in own if value)

    @property
    def said(self) -> tuple[Statement, ...]:
        """What is to be read aloud: ``tube 1, tray 2``; empty where the plan says nothing."""
        return tuple(says("tray-place", part=name, value=value) for name, value in self.parts)


NOWHERE_PLANNED = TrayPlace()


@dataclass(frozen=True, slots=True)
class PlanRow:
    """A row of the splice plan as it was written; ``None`` where a cell is empty."""

    closure: str
    cable_in: str | None = None
    tube_in: str | None = None
    ribbon_in: str | None = None
    fibres_in: tuple[int, ...] | None = None
    cable_out: str | None = None
    tube_out: str | None = None
    ribbon_out: str | None = None
    fibres_out: tuple[int, ...] | None = None
    reversed: bool | None = None
    express: bool | None = None
    tray: str | None = None
    slot: str | None = None

    def fibres(self, side: str, size: int | None) -> tuple[int, ...] | None:
        """Return the numbers of its fibres "in" or "out"; None where nothing says them."""
        own: tuple[int, ...] | None = getattr(self, f"fibres_{side}")
        mark = getattr(self, f"ribbon_{side}")
        if own is not None or size is None or not _is_number(mark):
            return own
        return tuple(range((int(mark) - 1) * size + 1, int(mark) * size + 1))


def _is_number(mark: str | None) -> bool:
    return mark is not None and re.fullmatch(r"0*[1-9]\d{0,5}", mark, re.ASCII) is not None


def plan_faults(rows: Sequence[PlanRow]) -> Iterable[tuple[int, str, Statement]]:
    """Say what cannot be followed: number of the row, column, and what to write there.

    A ribbon number is counted through the whole cable; where it begins anew in every tube, or is
    a mark, the fibres have to be written.
    """
    for side in ("in", "out"):
        seen: dict[object, str | None] = {}
        for n, row in enumerate(rows):
            if getattr(row, f"fibres_{side}") is not None:
                continue
            column, mark = f"ribbon_{side}", getattr(row, f"ribbon_{side}")
            if mark is None and side == "out":
                continue  # goes on as it came
            if not _is_number(mark):
                yield n, column, says("no-ribbon-number", side=side)
                continue
            tube = getattr(row, f"tube_{side}")
            place = (row.closure, getattr(row, f"cable_{side}"), mark)
            if place in seen and seen[place] == tube:
                yield n, column, says("ribbon-twice", side=side)
            elif place in seen or int(mark) < (int(tube) if _is_number(tube) else 1):
                yield n, column, says("not-of-tube", ribbon=mark, tube=tube or "None", side=side)
            seen[place] = tube
    for n, row in enumerate(rows):
        if row.fibres_in and row.fibres_out and len(row.fibres_in) != len(row.fibres_out):
            yield n, "fibres_out", says("write-as-many", count=len(row.fibres_in))
        if row.express and row.reversed:
            yield n, "reversed", says("uncut-not-turned")


@dataclass(frozen=True, slots=True)
class PlannedSplice:
    """What is planned of some fibres at a closure; ``fibres`` are counted at A."""

    cable: str
    closure: str
    fibres: tuple[int, ...]
    row: PlanRow
    place: TrayPlace
    closure_number: int | None = None  # as found; None: no such closure was found

    @property
    def moves(self) -> tuple[Statement, ...]:
        """How its fibres go on under other numbers, or in another cable; empty: straight."""
        row, said = self.row, []
        if row.cable_out not in (None, row.cable_in or self.cable):
            said.append(says("into-cable", cable=row.cable_out))
        is_same = row.fibres_out in (None, row.fibres_in)
        if row.ribbon_out and not (is_same and row.ribbon_out == row.ribbon_in):
            said.append(says("into-ribbon", ribbon=row.ribbon_out))
        elif not is_same:
            said.append(says("into-other-fibres"))
        if row.reversed:
            said.append(says("turned-over"))
        return tuple(said)


@dataclass(frozen=True, slots=True)
class NumberAtB:
    """A number that a fibre has at B, in a cable, and the one that it has at A."""

    cable: str
    number: int
    at_a: int


@dataclass(frozen=True, slots=True)
class SplicePlan:
    """The plan of one cable, followed fibre by fibre from A.

    ``moved`` are the fibres whose number at B is another than at A. ``uncut`` are closures and
    fibres, counted at A, that are planned to run through them, or past them on another branch.
    ``contradicted`` are fibres, counted at A, whose shots fit as they are labelled and not as
    planned.
    """

    cable: str = ""
    size: int | None = None  # fibres of a ribbon that the rows were read with
    splices: tuple[PlannedSplice, ...] = ()
    moved: tuple[NumberAtB, ...] = ()
    uncut: frozenset[tuple[str, int]] = frozenset()
    contradicted: tuple[int, ...] = ()

    @classmethod
    def of(
        cls, rows: Sequence[PlanRow], closures: Sequence[str], cable: str, size: int | None
    ) -> SplicePlan:
        """Follow the fibres of a cable through the rows.

        Parameters
        ----------
        rows : sequence of PlanRow
        closures : sequence of str
            Names of closures in order from A, as far as somebody gave them; others are in the
            order of their numbers, or of the rows.
        cable : str
            The job's name of the cable.
        size : int or None
            Fibres of a ribbon; None in loose tube.

        Raises
        ------
        BadSetting
            Where as many fibres do not go out of a closure as go in, or two into one.
        """
        names = {name for row in rows for name in (row.cable_in, row.cable_out) if name}
        # Sections with names of their own: the cable itself is named nowhere.
        has_sections = cable not in names and all(row.cable_in for row in rows)
        home = (rows[0].cable_in or cable) if has_sections and rows else cable
        where = _Where(home)
        splices: list[PlannedSplice] = []
        uncut: set[tuple[str, int]] = set()
        for closure in _in_order(rows, closures):
            goes: dict[_At, _At] = {}
            for row in (row for row in rows if row.closure == closure):
                before, after = _step(row, size)
                found = [where.at(row.cable_in, number) for number in before]
                _refuse_twice(closure, "in", [*goes, *found])
                goes |= {
                    at: (row.cable_out or at[0], n) for at, n in zip(found, after, strict=True)
                }
                fibres = tuple(where.number_at_a(at) for at in found)
                splices.append(
                    PlannedSplice(cable, closure, fibres, row, _place(row, fibres, size))
                )
                uncut |= {(closure, fibre) for fibre in fibres if row.express}
            _refuse_twice(closure, "out", [*goes.values(), *where.staying(goes)])
            cables = {name for name, _ in goes}
            uncut |= {(closure, n) for (name, _), n in where.begins.items() if name not in cables}
            where.move(goes)
        ends = Counter(name for name, _ in where.begins)
        main = ends.most_common(1)[0][0] if has_sections and ends else cable
        moved = tuple(
            NumberAtB(cable if name == main else name, number, at_a)
            for (name, number), at_a in sorted(where.begins.items())
            if number != at_a or name != main
        )
        return cls(cable, size, tuple(splices), moved, frozenset(uncut))

    def found(self, closures: Sequence[tuple[str, int]]) -> SplicePlan:
        """Return the plan with the numbers of closures as found, from their names and numbers."""
        known = dict(closures) | {str(n): n for _, n in closures}
        numbers = {same_text(name): n for name, n in known.items()}
        splices = tuple(
            replace(s, closure_number=numbers.get(same_text(s.closure))) for s in self.splices
        )
        return replace(self, splices=splices)

    def without(self, fibres: Iterable[int]) -> SplicePlan:
        """Return the plan with some fibres at B numbered as their labels say."""
        left = set(fibres)
        moved = tuple(one for one in self.moved if one.at_a not in left)
        return replace(self, moved=moved, contradicted=tuple(sorted({*self.contradicted, *left})))

    @property
    def unit(self) -> int | None:
        """Fibres that are moved together: a ribbon, or the smallest that the plan parts it into."""
        parts = {len(s.fibres) for s in self.splices} & set(RIBBON_SIZES)
        return min((n for n in parts if self.size and self.size % n == 0), default=self.size)

    def branch_of(self, fibre: int) -> str:
        """Return the cable in which a fibre, counted at A, reaches B."""
        return next((one.cable for one in self.moved if one.at_a == fibre), self.cable)

    def by_fibre(self) -> dict[tuple[int, int], PlannedSplice]:
        """Return what is planned by number of the closure and fibre."""
        return {
            (splice.closure_number, fibre): splice
            for splice in self.splices
            if splice.closure_number is not None
            for fibre in splice.fibres
        }


def _in_order(rows: Sequence[PlanRow], closures: Sequence[str]) -> list[str]:
    names = list(dict.fromkeys(row.closure for row in rows))
    order = {name: n for n, name in enumerate(closures)}

    def key(name: str) -> tuple[int, int]:
        if name in order:
            return 0, order[name]
        return (1, int(name)) if _is_number(name) else (2, names.index(name))

    return sorted(names, key=key)


def _step(row: PlanRow, size: int | None) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return numbers in and numbers out of a row, one for one."""
    before = row.fibres("in", size) or ()
    after = row.fibres("out", size) or before
    if len(before) != len(after) or not before:
        where = says("plan-closure", closure=row.closure)
        wanted = says("write-both-fibres", into=len(before), out=len(after))
        raise BadSetting(where, row.ribbon_in, wanted)
    return before, after[::-1] if row.reversed else after


class _Where:
    """Where fibres are on their way from A; those that no row has moved are as they began."""

    def __init__(self, home: str) -> None:
        self._home = home
        self._left: set[_At] = set()
        self.begins: dict[_At, int] = {}  # where a fibre is now → its number at A

    def at(self, cable: str | None, number: int) -> _At:
        """Find a fibre by its cable and number; without a cable, the one that bears the number."""
        home = (self._home, number)
        if cable is None and home in self._left:
            own = [at for at in self.begins if at[1] == number]
            return own[0] if len(own) == 1 else home
        return (cable or self._home, number)

    def number_at_a(self, at: _At) -> int:
        """Return the number of a fibre at A."""
        return self.begins.get(at, at[1])

    def staying(self, goes: dict[_At, _At]) -> list[_At]:
        """Places that others are to go to, and that nobody is said to leave."""
        return [
            to
            for to in goes.values()
            if to not in goes
            and (to in self.begins or (to[0] == self._home and to not in self._left))
        ]

    def move(self, goes: dict[_At, _At]) -> None:
        """Take one step."""
        moved = {to: self.number_at_a(at) for at, to in goes.items()}
        self._left = (self._left | goes.keys()) - moved.keys()
        self.begins = {at: n for at, n in self.begins.items() if at not in goes} | moved


def _place(row: PlanRow, fibres: tuple[int, ...], size: int | None) -> TrayPlace:
    mark = row.ribbon_in or ""
    ribbon = "" if size is None else str((fibres[0] - 1) // size + 1)
    return TrayPlace(
        row.tube_in or "", "" if mark == ribbon else mark, row.tray or "", row.slot or ""
    )


def _refuse_twice(closure: str, side: str, places: Iterable[_At]) -> None:
    twice = [at for at, count in Counter(places).items() if count > 1]
    if twice:
        name, number = twice[0]
        fibre = f"{name} {number}".strip()
        why = says("goes-twice" if side == "in" else "comes-twice")
        raise BadSetting(says("plan-closure", closure=closure), fibre, why)

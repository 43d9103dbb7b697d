"""The sheet of a closure: ribbon by ribbon what was planned, what was found, and where it lies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from otdravg.cable.log.model import Spliced
from otdravg.cable.model import CableReview, Closure, SpliceRow
from otdravg.cable.planned import NOWHERE_PLANNED, PlannedSplice, TrayPlace
from otdravg.tables.marks import sign_of
from otdravg.tables.summary import LossFigures, figures_of, loss_key
from otdravg.trade import numbers_text
from otdravg.words.headings import Words

#: A closure of so many ribbons has a line for each. Chosen, not derived: half a page.
_FEW_LINES = 24
#: Fibres of a line where there are no ribbons: a tube's. Standard: TIA-598.
_TUBE = 12


@dataclass(frozen=True, slots=True)
class SheetLine:
    """A ribbon at a closure (in loose tube: twelve fibres): every fibre of it, shot or not.

    Of closures with many ribbons those of one tray of which nothing is to be said are one line.
    """

    ribbons: tuple[int, ...]  # () in loose tube
    fibres: tuple[int, ...]
    place: TrayPlace
    planned: PlannedSplice | None
    rows: tuple[SpliceRow, ...]  # () where it runs through, or was not shot
    is_spliced: bool  # False: it runs through uncut, as its shots show
    logged: Spliced | None = None  # what the splice log says of it

    def at(self, wavelength_nm: int) -> list[SpliceRow]:
        """Its splices at one wavelength."""
        return [row for row in self.rows if row.wavelength_nm == wavelength_nm]

    def figures(self, wavelength_nm: int) -> tuple[LossFigures, str]:
        """Mean and largest loss at one wavelength, and the sign behind the largest."""
        own = self.at(wavelength_nm)
        worst = min((row for row in own if row.loss_db is not None), key=loss_key, default=None)
        signs = dict.fromkeys(sign_of(row) for row in own if row.loss_db is None)
        return figures_of(own), "".join([*signs, sign_of(worst) if worst else ""])

    @property
    def is_quiet(self) -> bool:
        """Whether every fibre was measured, and nothing is to be done or looked at."""
        measured = {row.fibre for row in self.rows}
        return measured == set(self.fibres) and not any(map(sign_of, self.rows))

    @property
    def attempts(self) -> int:
        """Most attempts at one of its splices that shots and log show; 0 where nothing does."""
        logged = 0 if self.logged is None else self.logged.tries
        return max([logged, *(row.attempt for row in self.rows)])

    @property
    def bent(self) -> tuple[int, ...]:
        """Fibres that are suspected of a bend."""
        return tuple(sorted({row.fibre for row in self.rows if row.bend_suspected}))

    @property
    def bend_checked(self) -> datetime | None:
        """When bends were checked after closing; None until all of its splices were."""
        dates = [row.bend_checked for row in self.rows if row.bend_checked is not None]
        return max(dates) if dates and len(dates) == len(self.rows) else None

    @property
    def is_compared(self) -> bool:
        """Whether wavelengths were compared for bends at every fibre of it."""
        compared = {row.fibre for row in self.rows if row.bend_db is not None}
        return bool(self.rows) and compared == {row.fibre for row in self.rows}


def sheet_of(
    review: CableReview, closure: Closure, expected: Iterable[int] = ()
) -> Iterator[SheetLine]:
    """Give the lines of one closure, in the order of the fibres; those ``expected`` are in it."""
    rows: dict[int, list[SpliceRow]] = defaultdict(list)
    for row in review.rows:
        if (row.cable, row.closure_number) == (closure.cable, closure.number):
            rows[row.fibre].append(row)
    planned = {
        fibre: splice
        for splice in review.splice_plan
        if splice.closure_number == closure.number
        for fibre in splice.fibres
    }
    shot = {fibre.key.fibre for fibre in review.fibres if fibre.key.cable == closure.cable}
    units: dict[tuple[int, int], list[int]] = defaultdict(list)
    size = review.ribbon_size or _TUBE
    for fibre in sorted(rows.keys() | planned.keys() | shot | set(expected)):
        # What the plan parts, as a ribbon of 24 into two of 12, is a line each.
        part = planned[fibre].fibres[0] if fibre in planned else 0
        units[(fibre - 1) // size + 1, part].append(fibre)
    for (unit, _), fibres in units.items():
        own = planned.get(fibres[0])
        yield SheetLine(
            (unit,) if review.ribbon_size else (),
            tuple(fibres),
            own.place if own else NOWHERE_PLANNED,
            own,
            tuple(row for fibre in fibres for row in rows.get(fibre, ())),
            bool(set(fibres) & set(closure.fibres)) or not shot.intersection(fibres),
            review.log.at(closure.cable, closure.number, unit if review.ribbon_size else fibres[0]),
        )


def gathered(lines: Sequence[SheetLine]) -> list[SheetLine]:
    """Put ribbons of one tray, planned and spliced alike, into one line, if there are many."""
    if len(lines) <= _FEW_LINES:
        return list(lines)
    trays: dict[object, list[SheetLine]] = defaultdict(list)
    for line in lines:
        tray = replace(line.place, mark="", slot="")
        spliced = line.logged and (line.logged.last.date(), line.logged.people)
        planned = line.planned and replace(
            line.planned.row, ribbon_in=None, ribbon_out=None, fibres_in=None, fibres_out=None,
            slot=None,
        )  # fmt: skip
        is_alone = not line.is_quiet or (line.planned and line.planned.moves)
        key = (line.fibres,) if is_alone else (tray, planned, spliced, line.attempts)
        trays[key].append(line)
    return [_joined(own) for own in trays.values()]


def _joined(lines: Sequence[SheetLine]) -> SheetLine:
    first = lines[0]
    if len(lines) == 1:
        return first
    return replace(
        first,
        ribbons=tuple(ribbon for line in lines for ribbon in line.ribbons),
        fibres=tuple(fibre for line in lines for fibre in line.fibres),
        place=replace(first.place, mark="", slot=""),
        rows=tuple(row for line in lines for row in line.rows),
    )


def planned_text(line: SheetLine, words: Words) -> str:
    """Say what is planned of a line; empty where the plan says nothing."""
    if line.planned is None:
        return ""
    row = line.planned.row
    if row.express:
        return words["runs_through"]
    tube = f"{words['tube']} {row.tube_out}" if row.tube_out not in (None, row.tube_in) else ""
    turned = words["turned_over"] if row.reversed else ""
    if len(line.planned.moves) == bool(row.reversed):
        return ", ".join(filter(None, (turned or words["straight"], tube)))
    to = row.ribbon_out or ("" if row.fibres_out is None else numbers_text(row.fibres_out))
    where = " ".join(filter(None, (row.cable_out, tube, to)))
    return ", ".join(filter(None, (f"→ {where}", turned)))

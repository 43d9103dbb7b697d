"""The sheet of a closure: ribbon by ribbon what was planned, what was found, and where it lies."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from otdravg.cable.log.model import Spliced
from otdravg.cable.model import CableReview, Closure, SpliceRow
from otdravg.cable.planned import NOWHERE_PLANNED, PlannedSplice, TrayPlace
from otdravg.tables.marks import sign_of
from otdravg.tables.summary import LossFigures, figures_of, loss_key
from otdravg.words.closeout import PageWords

__all__ = ["SheetLine", "planned_text", "sheet_of"]

#: Fibres of a line where there are no ribbons: a tube's. Standard: TIA-598.
_TUBE = 12


@dataclass(frozen=True, slots=True)
class SheetLine:
    """A ribbon at a closure (in loose tube: twelve fibres): every fibre of it, shot or not."""

    ribbon: int | None
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
    def attempts(self) -> int:
        """Most attempts at one of its splices that shots and log show; 0 where nothing does."""
        logged = 0 if self.logged is None else self.logged.tries
        return max([logged, *(row.attempt for row in self.rows)])

    @property
    def bent(self) -> tuple[int, ...]:
        """Fibres that are suspected of a bend."""
        return tuple(sorted({row.fibre for row in self.rows if row.bend_suspected}))

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
            unit if review.ribbon_size else None,
            tuple(fibres),
            own.place if own else NOWHERE_PLANNED,
            own,
            tuple(row for fibre in fibres for row in rows.get(fibre, ())),
            bool(set(fibres) & set(closure.fibres)) or not shot.intersection(fibres),
            review.log.at(closure.cable, closure.number, unit if review.ribbon_size else fibres[0]),
        )


def planned_text(line: SheetLine, words: PageWords) -> str:
    """Say what is planned of a line; empty where the plan says nothing."""
    if line.planned is None:
        return ""
    row = line.planned.row
    if row.express:
        return words["runs_through"]
    out = [row.cable_out or "", (row.tube_out and f"{words['tube']} {row.tube_out}") or ""]
    mark = row.ribbon_out or ("" if row.fibres_out is None else _numbers(row.fibres_out))
    to = " ".join(part for part in (*out, mark) if part)
    return ", ".join(
        part
        for part in (f"→ {to}" if to else words["straight"], row.reversed and words["turned_over"])
        if part
    )


def _numbers(fibres: Sequence[int]) -> str:
    return f"{fibres[0]}–{fibres[-1]}"

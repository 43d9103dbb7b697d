"""Loss tables and maps: every fibre that was expected, down; every closure, across.

A fibre without a shot has its line and its cells here like any other. The same grid is behind
the loss sheets of the workbook, the tables and maps on paper, and the map of the page.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from otdravg.cable.checks.missing import expected_fibres
from otdravg.cable.model import CableReview, Closure, SpliceRow
from otdravg.tables.marks import Mark, State, mark_of, sign_of
from otdravg.trade import fibre_colour, ribbon_position


@dataclass(frozen=True, slots=True)
class Fibre:
    """A line of a loss table: a fibre and its place in the cable."""

    fibre: int
    ribbon: int | None
    position: int | None
    colour: str


@dataclass(frozen=True, slots=True)
class LossTable:
    """One cable at one wavelength."""

    cable: str
    wavelength_nm: int
    closures: tuple[Closure, ...]  # in order from A
    fibres: tuple[Fibre, ...]  # every one that was expected, in order
    rows: dict[tuple[int, int], SpliceRow]  # by fibre and number of the closure
    missing: frozenset[int]  # fibres without a shot at this wavelength

    def row(self, fibre: int, closure: Closure) -> SpliceRow | None:
        """Return the splice of a fibre in a closure; None if there is none, or no shot of it."""
        return self.rows.get((fibre, closure.number))

    def mark(self, fibre: int, closure: Closure) -> Mark | None:
        """Tell how a cell is marked; None where this fibre has no splice."""
        row = self.row(fibre, closure)
        if row is not None:
            return mark_of(row)
        return Mark.MISSING if fibre in self.missing and 1 in closure.routes else None

    def sign(self, fibre: int, closure: Closure) -> str:
        """Return the sign of a cell; empty if it has none."""
        row = self.row(fibre, closure)
        if row is not None:
            return sign_of(row)
        return State.NOT_SHOT.sign if self.mark(fibre, closure) is Mark.MISSING else ""


def loss_tables(review: CableReview) -> tuple[LossTable, ...]:
    """Return the loss tables of a review, in order of cable and wavelength."""
    expected: dict[str, set[int]] = defaultdict(set)
    for key in expected_fibres(
        review.shots, review.ribbon_size, review.fibre_count, review.expected
    ):
        expected[key.cable].add(key.fibre)
    groups: dict[tuple[str, int], list[SpliceRow]] = defaultdict(list)
    for row in review.rows:
        groups[row.cable, row.wavelength_nm].append(row)
    tables = []
    for (cable, nm), rows in sorted(groups.items()):
        have = {row.fibre for row in rows}
        closures = [closure for closure in review.closures if closure.cable == cable]
        tables.append(
            LossTable(
                cable,
                nm,
                tuple(sorted(closures, key=lambda closure: closure.number)),
                tuple(_fibre(f, review) for f in sorted(expected[cable] | have)),
                {(r.fibre, r.closure_number): r for r in rows if r.closure_number is not None},
                frozenset(expected[cable] - have),
            )
        )
    return tuple(tables)


def _fibre(fibre: int, review: CableReview) -> Fibre:
    size = review.ribbon_size
    colour = fibre_colour(fibre, size, review.expected.colours)
    return Fibre(fibre, *ribbon_position(fibre, size), colour)

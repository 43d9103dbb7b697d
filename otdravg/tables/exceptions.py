"""Exceptions gathered: one line for one cause, the worst first, however many splices it touches.

A splice that reads too much is a line of its own with all its wavelengths. What is wrong with a
fibre's shots concerns all its closures and is said once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from otdravg.cable.model import CableReview, SpliceRow
from otdravg.tables.losses import loss_tables
from otdravg.verdict.decision import Verdict
from otdravg.verdict.verdicts import severity


@dataclass(frozen=True, slots=True)
class ExceptionGroup:
    """Splices that ask for the same for one cause: of one place, or of one fibre."""

    rows: tuple[SpliceRow, ...]  # the one that decides first

    @property
    def first(self) -> SpliceRow:
        """The splice that decides."""
        return self.rows[0]

    @property
    def wavelengths_nm(self) -> tuple[int, ...]:
        """Wavelengths concerned, in nm."""
        return tuple(sorted({row.wavelength_nm for row in self.rows}))

    @property
    def closures(self) -> tuple[str, ...]:
        """Closures concerned, in order from A; empty between closures."""
        places = {row.closure_number: row.closure for row in self.rows if row.closure}
        return tuple(places[number] for number in sorted(places, key=lambda n: n or 0))


@dataclass(frozen=True, slots=True)
class Missing:
    """Fibres of one cable of which there is no shot at some wavelengths."""

    cable: str
    fibres: tuple[int, ...]
    wavelengths_nm: tuple[int, ...]


def has_splice_of_its_own(row: SpliceRow) -> bool:
    """Whether an exception is about the splice, and not about the fibre's shots."""
    return row.loss_db is not None and row.verdict.verdict is not Verdict.NOT_GRADABLE


def exception_groups(rows: Iterable[SpliceRow]) -> list[ExceptionGroup]:
    """Gather the splices that ask for something, by severity, then by place."""
    groups: dict[tuple[object, ...], list[SpliceRow]] = defaultdict(list)
    for row in rows:
        if row.verdict.needs_work:
            groups[_cause(row)].append(row)
    found = [ExceptionGroup(tuple(sorted(own, key=_worst_first))) for own in groups.values()]
    return sorted(found, key=_order)


def _cause(row: SpliceRow) -> tuple[object, ...]:
    judged = row.verdict.verdict, row.verdict.action
    if has_splice_of_its_own(row):
        place = row.closure_number if row.closure_number is not None else round(row.distance_m, -1)
        return (row.key, place, *judged)
    return (row.key, "fibre", *judged, row.verdict.reason.code, row.missing)


def _worst_first(row: SpliceRow) -> tuple[float, int, float]:
    verdict = row.verdict
    over = 0.0
    if verdict.figure is not None and verdict.limit_db is not None:
        over = float(verdict.figure - verdict.limit_db)
    return -over, row.wavelength_nm, row.distance_m


def _order(group: ExceptionGroup) -> tuple[object, ...]:
    row = group.first
    place = row.closure_number or 0
    return -severity(row.verdict.verdict), row.cable, place, row.fibre, row.wavelength_nm


def missing_of(review: CableReview) -> list[Missing]:
    """Gather the fibres without a shot, those together that lack the same wavelengths."""
    lacking: dict[tuple[str, int], list[int]] = defaultdict(list)
    for table in loss_tables(review):
        for fibre in table.missing:
            lacking[table.cable, fibre].append(table.wavelength_nm)
    together: dict[tuple[str, tuple[int, ...]], list[int]] = defaultdict(list)
    for (cable, fibre), nm in sorted(lacking.items()):
        together[cable, tuple(nm)].append(fibre)
    return [Missing(cable, tuple(fibres), nm) for (cable, nm), fibres in together.items()]

"""What the crew wrote down beside the shots, as tables: sections of the route, power readings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from otdravg.cable.lists.facts import PowerReading
from otdravg.cable.lists.placing import surveyed
from otdravg.cable.lists.route import Section
from otdravg.cable.model import CableReview
from otdravg.quantities import Quantity, reported
from otdravg.tables.csv_file import CellTable, Column, cell_table, named
from otdravg.words.catalogue import Language


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A section of the route of one cable."""

    cable: str
    section: Section


@dataclass(frozen=True, slots=True)
class _Read:
    """A power reading with the sum of its fibre's traces."""

    reading: PowerReading
    traces_db: float | None

    @property
    def difference_db(self) -> float | None:
        """Reading less traces."""
        if self.reading.loss_db is None or self.traces_db is None:
            return None
        return self.reading.loss_db - self.traces_db


_ROUTE: tuple[Column[_Stretch], ...] = (
    *named("cable"),
    ("section_from", lambda r: r.section.first),
    ("section_to", lambda r: r.section.last),
    *named("section.reel"),
    ("sheath_m", lambda r: r.section.length_m),
    ("distance_m", lambda r: r.section.at_m),
    ("fibre_per_sheath", lambda r: Decimal(f"{r.section.factor:.5f}")),
    ("fibre_per_sheath_u", lambda r: Decimal(f"{2 * r.section.u_factor:.5f}")),
    ("both_splices_seen", lambda r: r.section.is_fitted),
)

_POWER: tuple[Column[_Read], ...] = (
    *named("reading.fibre", "reading.wavelength_nm"),
    ("source_at", lambda r: r.reading.end),
    *named("reading.tester"),
    ("power_loss_db", lambda r: r.reading.loss_db),
    ("power_u_db", lambda r: reported(r.reading.expanded_db, Quantity.UNCERTAINTY_DB)),
    ("traces_loss_db", lambda r: r.traces_db),
    ("power_less_traces_db", lambda r: r.difference_db),
    ("arrives_at", lambda r: r.reading.arrives),
)


def beside_cells(
    review: CableReview, language: Language = Language.ENGLISH
) -> dict[str, CellTable]:
    """Return tables by name: ``route`` and ``power``, each where the job has such a list."""
    expected, tables = review.expected, {}
    if expected.route:
        tables["route"] = cell_table(_ROUTE, list(_stretches(review)), language)
    if expected.power:
        sums = {(f.key.fibre, f.wavelength_nm): f.loss_db for f in review.fibres}
        read = [_Read(one, sums.get((one.fibre, one.wavelength_nm or 0))) for one in expected.power]
        tables["power"] = cell_table(_POWER, read, language)
    return tables


def with_marks_on_route(
    columns: Sequence[Column[Any]], review: CableReview
) -> tuple[Column[Any], ...]:
    """Put the sheath marks behind the closure, if the job has a route."""
    if not review.expected.route:
        return tuple(columns)
    own = {(c.cable, c.number): c for c in review.closures}

    def mark(key: str) -> Column[Any]:
        return key, lambda row: getattr(
            getattr(own.get((row.cable, row.closure_number)), key, None), "text", ""
        )

    behind = [name for name, _ in columns].index("closure") + 1
    return (*columns[:behind], mark("mark_in"), mark("mark_out"), *columns[behind:])


def _stretches(review: CableReview) -> Iterator[_Stretch]:
    for cable in review.cables:
        survey = surveyed(review.expected, cable, review.closures, review.fibres)
        yield from (_Stretch(cable, own) for own in (survey.sections if survey else ()))

"""The lists of a job: each one declaration of its columns, from which all else is made.

What a list and its columns are for stands in the catalogues (``[job-list]``, ``[job-column]``).
The reader (:mod:`.rows`), the empty forms (``otdravg job forms``), the remarks in an empty job,
the options of ``otdravg job new`` and the tables of the docs come from :data:`LISTS`. A list adds
one :class:`JobList` here and one field of its name to :class:`.model.Job`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from otdravg.cable.lists.facts import PLACE_KINDS, Instrument, Mark, PowerReading, Reel, RoutePlace
from otdravg.cable.log.model import LogLine
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.planned import PlanRow, plan_faults
from otdravg.verdict.keys import FIBRE_TYPES
from otdravg.verdict.rules import Method
from otdravg.words.catalogue import Language, say

__all__ = ["LISTS", "Column", "Fault", "JobList"]

#: What a check of whole rows finds: which row (from 0), which column, what to write there.
Fault = tuple[int, str, str]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a list.

    ``kind`` names the method of :class:`.rows.ListRow` that reads a cell, ``allowed`` what that
    takes besides the name. ``refers_to`` is "closures" for a name out of that list, if there is
    one, and "fibres" for what may not be above the count of the job.
    """

    name: str
    kind: str
    allowed: tuple[Any, ...] = ()
    is_required: bool = False
    refers_to: str = ""


@dataclass(frozen=True, slots=True)
class JobList:
    """A list of a job: ``[[name]]`` tables in it, or a CSV file beside it.

    A row becomes ``fact(**cells)``; an empty cell is ``None``. ``unique`` are the columns that no
    two rows have in common, ``check`` looks at all facts together.
    """

    name: str
    columns: tuple[Column, ...]
    applied_by: str
    example: tuple[str, ...]  # a cell for each column, as somebody types it
    fact: Callable[..., Any]
    unique: tuple[str, ...] = ()
    check: Callable[[Sequence[Any]], Iterable[Fault]] | None = None
    is_numbered: bool = False  # a fact takes its line in the file, or which table it is
    option: str = ""  # of `otdravg job new`, which states a row by its needed columns

    @property
    def file(self) -> str:
        """Name of its CSV file: the form's, and the one that is read unasked beside a job."""
        return f"{self.name.replace('_', '-')}.csv"

    def sentence(self, language: Language = Language.ENGLISH) -> str:
        """Say what it is for."""
        return say("job-list", self.name, language)

    def column_sentence(self, column: Column, language: Language = Language.ENGLISH) -> str:
        """Say what a cell of one of its columns holds."""
        return say("job-column", f"{self.name}.{column.name}", language)

    @property
    def needed(self) -> tuple[str, ...]:
        """Names of the columns that have to be there."""
        return tuple(column.name for column in self.columns if column.is_required)

    def example_row(self, *, only_needed: bool = False) -> dict[str, str]:
        """Return the example by the names of its columns, without empty cells."""
        names = [column.name for column in self.columns]
        row = dict(zip(names, self.example, strict=True))
        return {
            n: cell for n, cell in row.items() if cell and (n in self.needed or not only_needed)
        }

    def typed_example(self) -> str:
        """Write the example as the option takes it: ``Otterstone=4.29km``."""
        return "=".join(self.example_row(only_needed=True).values())


def _closure(
    name: str, distance: float, method: str | None, stage: str | None, closed: datetime | None
) -> KnownClosure:
    how = None if method is None else Method(method)
    return KnownClosure(name, distance, how, stage or "", closed)


_CLOSURES = JobList(
    "closures",
    (
        Column("name", "text", is_required=True),
        Column("distance", "length", is_required=True),
        Column("method", "one_of", (tuple(method.value for method in Method),)),
        Column("stage", "text"),
        Column("closed", "moment"),
    ),
    "otdravg.cable.measure.closures:find_closures",
    ("Otterstone", "4.29km", "", "", ""),
    _closure,
    unique=("name",),
    option="--closure",
)

#: Wavelengths at which the record of a reel may state an attenuation, nm.
_RECORDED_NM = (1310, 1550, 1625)


def _reel(reel: str, fibre_type: str, length: float | None, **attenuations: float | None) -> Reel:
    known = ((nm, attenuations[f"attenuation_{nm}"]) for nm in _RECORDED_NM)
    per_km = tuple((nm, figure) for nm, figure in known if figure is not None)
    return Reel(reel, fibre_type, length, per_km)


_REELS = JobList(
    "reels",
    (
        Column("reel", "text", is_required=True),
        Column("fibre_type", "one_of", (FIBRE_TYPES[:-1],), is_required=True),
        Column("length", "length"),
        *(Column(f"attenuation_{nm}", "figure", (0.1, 2)) for nm in _RECORDED_NM),
    ),
    "otdravg.cable.checks.beside:reel_findings",
    ("R-101", "G.652", "4300m", "0.33", "0.19", ""),
    _reel,
    unique=("reel",),
    option="--reel",
)


def _instrument(
    instrument: str, calibration_due: date | None, linearity: float | None
) -> Instrument:
    return Instrument(instrument, calibration_due, linearity)


_INSTRUMENTS = JobList(
    "instruments",
    (
        Column("instrument", "text", is_required=True),
        Column("calibration_due", "day"),
        Column("linearity", "figure", (0.001, 0.2)),
    ),
    "otdravg.cable.checks.beside:instrument_findings",
    ("4711", "2027-03-31", "0.03"),
    _instrument,
    unique=("instrument",),
    option="--instrument",
)


def _place(
    place: str, kind: str, mark_in: Mark | None, mark_out: Mark | None, slack_m: float | None,
    reel: str | None,
) -> RoutePlace:  # fmt: skip
    return RoutePlace(place, kind, mark_in, mark_out, slack_m, reel or "")


def _check_route(places: Sequence[RoutePlace]) -> Iterable[Fault]:
    for n, place in enumerate(places):
        if place.kind == "end" and 0 < n < len(places) - 1:
            yield n, "kind", "an end stands first or last: places go in order from A"


_ROUTE = JobList(
    "route",
    (
        Column("place", "text", is_required=True),
        Column("kind", "one_of", (PLACE_KINDS,), is_required=True),
        Column("mark_in", "mark"),
        Column("mark_out", "mark"),
        Column("slack_m", "figure", (0, 500)),
        Column("reel", "text"),
    ),
    "otdravg.cable.lists.placing:surveyed",
    ("MH 19", "manhole", "3310", "3325", "", ""),
    _place,
    unique=("place",),
    check=_check_route,
)

#: Numbers that a fibre may have. Chosen, not derived: many times what any cable has.
_FIBRES = (1, 100_000)

_SPLICE_PLAN = JobList(
    "splice_plan",
    (
        Column("closure", "text", is_required=True, refers_to="closures"),
        Column("cable_in", "text"),
        Column("tube_in", "text"),
        Column("ribbon_in", "text"),
        Column("fibres_in", "numbers", _FIBRES),
        Column("cable_out", "text"),
        Column("tube_out", "text"),
        Column("ribbon_out", "text"),
        Column("fibres_out", "numbers", _FIBRES),
        Column("reversed", "yes_no"),
        Column("express", "yes_no"),
        Column("tray", "text"),
        Column("slot", "text"),
    ),
    "otdravg.cable.checks.planned:plan_findings",
    ("Otterstone", "", "1", "5", "", "", "1", "5", "", "no", "no", "2", "3"),
    PlanRow,
    check=plan_faults,
)


def _power(
    fibre: int, source_at: str, wavelength: int | None, loss: float | None, arrives: int | None,
    tester: str | None, uncertainty: float | None,
) -> PowerReading:  # fmt: skip
    return PowerReading(fibre, source_at, wavelength, loss, arrives, tester or "", uncertainty)


def _check_power(readings: Sequence[PowerReading]) -> Iterable[Fault]:
    for n, one in enumerate(readings):
        if one.loss_db is not None and one.wavelength_nm is None:
            yield n, "wavelength", "a loss needs its wavelength in nm"
        if one.loss_db is None and one.arrives is None:
            yield n, "loss", "write a loss, or where the light arrives"


_POWER = JobList(
    "power",
    (
        Column("fibre", "whole", (1, 100_000), is_required=True, refers_to="fibres"),
        Column("source_at", "one_of", (("A", "B"),), is_required=True),
        Column("wavelength", "whole", (600, 1700)),
        Column("loss", "figure", (-60, 60)),
        Column("arrives", "whole", (0, 100_000), refers_to="fibres"),
        Column("tester", "text"),
        Column("uncertainty", "figure", (0.01, 3)),
    ),
    "otdravg.cable.checks.beside:power_findings",
    ("7", "A", "1550", "6.42", "7", "LSPM 3", "0.2"),
    _power,
    unique=("fibre", "source_at", "wavelength"),
    check=_check_power,
)


def _log_line(
    line: int,
    date_time: datetime,
    closure: str,
    ribbon: int,
    blade_position: str | None,
    electrodes_changed: bool | None,
    estimated_highest_db: float | None,
    tries: int | None,
    **texts: str | None,
) -> LogLine:
    written = {name: text or "" for name, text in texts.items()}
    return LogLine(
        line,
        date_time,
        closure,
        ribbon,
        blade=blade_position or "",
        electrodes_changed=bool(electrodes_changed),
        estimated_db=estimated_highest_db,
        tries=tries or 1,
        **written,
    )


_SPLICE_LOG = JobList(
    "splice_log",
    (
        Column("date_time", "moment", is_required=True),
        Column("closure", "text", is_required=True, refers_to="closures"),
        Column("ribbon", "whole", (1, 100_000), True),
        Column("splicer", "text"),
        Column("cleaver", "text"),
        Column("blade_position", "text"),
        Column("electrodes_changed", "yes_no"),
        Column("estimated_highest_db", "figure", (0, 60)),
        Column("tries", "whole", (1, 99)),
        Column("person", "text"),
        Column("remark", "text"),
    ),
    "otdravg.cable.log.held:hold",
    ("2026-04-03 14:05", "Otterstone", "7", "SM-2", "CL-1", "4", "", "0.04", "1", "KL", ""),
    _log_line,
    is_numbered=True,
)

LISTS = (_CLOSURES, _REELS, _INSTRUMENTS, _ROUTE, _POWER, _SPLICE_PLAN, _SPLICE_LOG)

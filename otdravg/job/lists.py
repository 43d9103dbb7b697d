"""The lists of a job: each one declaration of its columns, from which all else is made.

What a list and its columns are for stands in the catalogues (``[job-list]``, ``[job-column]``).
The reader (:mod:`.rows`), the empty forms (``otdravg job forms``), the remarks in an empty job,
the options of ``otdravg job new`` and the tables of the docs come from :data:`LISTS`. A list adds
one :class:`JobList` here and one field of its name to :class:`.model.Job`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from otdravg.cable.lists.facts import (
    PLACE_KINDS,
    Instrument,
    Loop,
    PowerReading,
    Reel,
    RoutePlace,
)
from otdravg.cable.log.model import LogLine
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.planned import PlanRow, plan_faults
from otdravg.findings import Statement, says
from otdravg.verdict.keys import FIBRE_TYPES
from otdravg.verdict.rules import Method
from otdravg.words.catalogue import Language, say

#: What a check of whole rows finds: which row (from 0), which column, what to write there.
Fault = tuple[int, str, Statement]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a list.

    ``kind`` says how :mod:`.rows` reads a cell, ``allowed`` what that takes besides its text.
    ``refers_to`` is "closures" for a name out of that list, if there is one, and "fibres" for what
    may not be above the count of the job. ``field`` is its name in the fact, if another.
    """

    name: str
    kind: str
    allowed: tuple[Any, ...] = ()
    is_required: bool = False
    refers_to: str = ""
    field: str = ""


@dataclass(frozen=True, slots=True)
class JobList:
    """A list of a job: ``[[name]]`` tables in it, or a CSV file beside it.

    A row becomes ``fact(**cells)``, by the ``field`` of each column; an empty cell says nothing.
    ``unique`` are the columns that no two rows have in common, ``check`` looks at all facts
    together.
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


def _closure(method: str | None = None, **cells: Any) -> KnownClosure:
    return KnownClosure(method=None if method is None else Method(method), **cells)


_CLOSURES = JobList(
    "closures",
    (
        Column("name", "text", is_required=True),
        Column("distance", "length", is_required=True, field="distance_m"),
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


def _reel(name: str, fibre_type: str, length_m: float | None = None, **per_km: float) -> Reel:
    known = ((nm, per_km.get(f"attenuation_{nm}")) for nm in _RECORDED_NM)
    return Reel(name, fibre_type, length_m, tuple((nm, a) for nm, a in known if a is not None))


_REELS = JobList(
    "reels",
    (
        Column("reel", "text", is_required=True, field="name"),
        Column("fibre_type", "one_of", (FIBRE_TYPES[:-1],), is_required=True),
        Column("length", "length", field="length_m"),
        *(Column(f"attenuation_{nm}", "figure", (0.1, 2)) for nm in _RECORDED_NM),
    ),
    "otdravg.cable.checks.beside:reel_findings",
    ("R-101", "G.652", "4300m", "0.33", "0.19", ""),
    _reel,
    unique=("reel",),
    option="--reel",
)


_INSTRUMENTS = JobList(
    "instruments",
    (
        Column("instrument", "text", is_required=True, field="name"),
        Column("calibration_due", "day", field="due"),
        Column("linearity", "figure", (0.001, 0.2)),
    ),
    "otdravg.cable.checks.beside:instrument_findings",
    ("4711", "2027-03-31", "0.03"),
    Instrument,
    unique=("instrument",),
    option="--instrument",
)


def _check_route(places: Sequence[RoutePlace]) -> Iterable[Fault]:
    for n, place in enumerate(places):
        if place.kind == "end" and 0 < n < len(places) - 1:
            yield n, "kind", says("end-between")


_ROUTE = JobList(
    "route",
    (
        Column("place", "text", is_required=True, field="name"),
        Column("kind", "one_of", (PLACE_KINDS,), is_required=True),
        Column("mark_in", "mark"),
        Column("mark_out", "mark"),
        Column("slack_m", "figure", (0, 500)),
        Column("reel", "text"),
    ),
    "otdravg.cable.lists.placing:surveyed",
    ("MH 19", "manhole", "3310", "3325", "", ""),
    RoutePlace,
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


def _check_power(readings: Sequence[PowerReading]) -> Iterable[Fault]:
    for n, one in enumerate(readings):
        if one.loss_db is not None and one.wavelength_nm is None:
            yield n, "wavelength", says("loss-needs-wavelength")
        if one.loss_db is None and one.arrives is None:
            yield n, "loss", says("write-loss-or-arrival")


_POWER = JobList(
    "power",
    (
        Column("fibre", "whole", (1, 100_000), is_required=True, refers_to="fibres"),
        Column("source_at", "one_of", (("A", "B"),), is_required=True, field="end"),
        Column("wavelength", "whole", (600, 1700), field="wavelength_nm"),
        Column("loss", "figure", (-60, 60), field="loss_db"),
        Column("arrives", "whole", (0, 100_000), refers_to="fibres"),
        Column("tester", "text"),
        Column("uncertainty", "figure", (0.01, 3), field="expanded_db"),
    ),
    "otdravg.cable.checks.beside:power_findings",
    ("7", "A", "1550", "6.42", "7", "LSPM 3", "0.2"),
    PowerReading,
    unique=("fibre", "source_at", "wavelength"),
    check=_check_power,
)


_SPLICE_LOG = JobList(
    "splice_log",
    (
        Column("date_time", "moment", is_required=True, field="when"),
        Column("closure", "text", is_required=True, refers_to="closures"),
        Column("ribbon", "whole", (1, 100_000), True),
        Column("splicer", "text"),
        Column("cleaver", "text"),
        Column("blade_position", "text", field="blade"),
        Column("electrodes_changed", "yes_no"),
        Column("estimated_highest_db", "figure", (0, 60), field="estimated_db"),
        Column("tries", "whole", (1, 99)),
        Column("person", "text"),
        Column("remark", "text"),
    ),
    "otdravg.cable.log.held:hold",
    ("2026-04-03 14:05", "Otterstone", "7", "SM-2", "CL-1", "4", "", "0.04", "1", "KL", ""),
    LogLine,
    is_numbered=True,
)


def _check_loops(loops: Sequence[Loop]) -> Iterable[Fault]:
    seen: set[int] = set()
    for n, loop in enumerate(loops):
        if {loop.fibre, loop.other} & seen or loop.fibre == loop.other:
            yield n, "other", says("looped-to-one")
        seen |= {loop.fibre, loop.other}


_LOOPS = JobList(
    "loops",
    (
        Column("fibre", "whole", _FIBRES, is_required=True, refers_to="fibres"),
        Column("other", "whole", _FIBRES, is_required=True, refers_to="fibres"),
        Column("length", "length", field="length_m"),
    ),
    "otdravg.cable.lists.loops:looped",
    ("1", "2", "2m"),
    Loop,
    check=_check_loops,
)

LISTS = (_CLOSURES, _REELS, _INSTRUMENTS, _ROUTE, _POWER, _SPLICE_PLAN, _SPLICE_LOG, _LOOPS)

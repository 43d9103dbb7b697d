"""The lists of a job: each one declaration of its columns, from which all else is made.

The reader (:mod:`.rows`), the empty forms (``otdravg job forms``), the remarks in an empty job,
the options of ``otdravg job new`` and the tables of the docs come from :data:`LISTS`. A list adds
one :class:`JobList` here and one field of its name to :class:`.model.Job`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from otdravg.cable.lists.facts import (
    PLACE_KINDS,
    Instrument,
    Loop,
    Mark,
    PowerReading,
    Reel,
    RoutePlace,
)
from otdravg.cable.log.model import LogLine
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.planned import PlanRow, plan_faults
from otdravg.verdict.keys import FIBRE_TYPES
from otdravg.verdict.rules import Method

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
    sentence: str
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
    sentence: str
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
        Column("name", "text", "Name of the closure", is_required=True),
        Column("distance", "length", "Distance from end A along the fibre", is_required=True),
        Column("method", "one_of", "How it is spliced, if not as the profile says",
               (tuple(method.value for method in Method),)),
        Column("stage", "text", "Stage of the work there, if not the job's"),
        Column("closed", "moment", "When it was closed for good; bends are checked after it"),
    ),
    "Closures: name and distance from A, method and stage if they are not the profile's",
    "otdravg.cable.measure.closures:find_closures",
    ("Otterstone", "4.29km", "", "", ""),
    _closure,
    unique=("name",),
    option="--closure",
)  # fmt: skip

#: Wavelengths at which the record of a reel may state an attenuation, nm.
_RECORDED_NM = (1310, 1550, 1625)


def _reel(reel: str, fibre_type: str, length: float | None, **attenuations: float | None) -> Reel:
    known = ((nm, attenuations[f"attenuation_{nm}"]) for nm in _RECORDED_NM)
    per_km = tuple((nm, figure) for nm, figure in known if figure is not None)
    return Reel(reel, fibre_type, length, per_km)


_REELS = JobList(
    "reels",
    (
        Column("reel", "text", "Name of the reel, as its label has it", is_required=True),
        Column("fibre_type", "one_of", "Type of its fibre", (FIBRE_TYPES[:-1],), is_required=True),
        Column("length", "length", "Length of the cable by its record"),
        *(Column(f"attenuation_{nm}", "figure", f"Attenuation at {nm} nm by its record, dB/km",
                 (0.1, 2)) for nm in _RECORDED_NM),
    ),
    "Reels of the cable: type of their fibre, length and attenuation by their records",
    "otdravg.cable.checks.beside:reel_findings",
    ("R-101", "G.652", "4300m", "0.33", "0.19", ""),
    _reel,
    unique=("reel",),
    option="--reel",
)  # fmt: skip


def _instrument(
    instrument: str, calibration_due: date | None, linearity: float | None
) -> Instrument:
    return Instrument(instrument, calibration_due, linearity)


_INSTRUMENTS = JobList(
    "instruments",
    (
        Column("instrument", "text", "Its serial number or name, as headers have it",
               is_required=True),
        Column("calibration_due", "day", "Last day of its calibration"),
        Column("linearity", "figure", "Linearity by its certificate, dB/dB", (0.001, 0.2)),
    ),
    "Instruments of the job: serial number or name, end of calibration, linearity",
    "otdravg.cable.checks.beside:instrument_findings",
    ("4711", "2027-03-31", "0.03"),
    _instrument,
    unique=("instrument",),
    option="--instrument",
)  # fmt: skip


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
        Column("place", "text", "Its name; closures as in closures.csv", is_required=True),
        Column("kind", "one_of", "What it is", (PLACE_KINDS,), is_required=True),
        Column("mark_in", "mark", "Sheath mark where the cable from A comes in"),
        Column("mark_out", "mark", "Sheath mark where the cable to B leaves"),
        Column("slack_m", "figure", "Metres coiled up there, of each cable", (0, 500)),
        Column("reel", "text", "Reel of the cable to B, as in reels.csv"),
    ),
    "Places on the route in order from A, with the marks on the sheath",
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
        Column("closure", "text", "Name of the closure, or its number from A", is_required=True,
               refers_to="closures"),
        Column("cable_in", "text", "Cable that comes in on A's side, if it has a name of its own"),
        Column("tube_in", "text", "Tube, as it is marked"),
        Column("ribbon_in", "text", "Number of the ribbon, counted through the whole cable, or "
               "its mark, with fibres_in beside it"),
        Column("fibres_in", "numbers", "Numbers of its fibres, if the ribbon's do not say them",
               _FIBRES),
        Column("cable_out", "text", "Cable that goes out, such as a branch"),
        Column("tube_out", "text", "Tube, as it is marked"),
        Column("ribbon_out", "text", "Number of the ribbon that it meets; empty: the same"),
        Column("fibres_out", "numbers", "Numbers of the fibres that they meet, in order", _FIBRES),
        Column("reversed", "yes_no", "Whether the ribbon is turned over (first fibre to last)"),
        Column("express", "yes_no", "Whether it runs through uncut"),
        Column("tray", "text", "Tray that it lies in"),
        Column("slot", "text", "Slot of the tray"),
    ),
    "Splice plan: which ribbon meets which in each closure, and in which tray",
    "otdravg.cable.checks.planned:plan_findings",
    ("Otterstone", "", "1", "5", "", "", "1", "5", "", "no", "no", "2", "3"),
    PlanRow,
    check=plan_faults,
)  # fmt: skip


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
        Column("fibre", "whole", "Fibre that the source was at", (1, 100_000), is_required=True,
               refers_to="fibres"),
        Column("source_at", "one_of", "End that the source was at", (("A", "B"),),
               is_required=True),
        Column("wavelength", "whole", "Wavelength in nm", (600, 1700)),
        Column("loss", "figure", "Loss in dB, as it was read", (-60, 60)),
        Column("arrives", "whole", "Fibre at the other end that the light comes out of; 0: none",
               (0, 100_000), refers_to="fibres"),
        Column("tester", "text", "Source and meter, or who read it"),
        Column("uncertainty", "figure", "Expanded uncertainty of the reading in dB, by the papers "
               "of the tester", (0.01, 3)),
    ),
    "Readings of light source and power meter, fibre by fibre",
    "otdravg.cable.checks.beside:power_findings",
    ("7", "A", "1550", "6.42", "7", "LSPM 3", "0.2"),
    _power,
    unique=("fibre", "source_at", "wavelength"),
    check=_check_power,
)  # fmt: skip


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
        line, date_time, closure, ribbon, blade=blade_position or "",
        electrodes_changed=bool(electrodes_changed), estimated_db=estimated_highest_db,
        tries=tries or 1, **written,
    )  # fmt: skip


_SPLICE_LOG = JobList(
    "splice_log",
    (
        Column("date_time", "moment", "Date and time of the splice", is_required=True),
        Column("closure", "text", "Closure", is_required=True, refers_to="closures"),
        Column("ribbon", "whole", "Ribbon; in loose tube the fibre", (1, 100_000), True),
        Column("splicer", "text", "Splicing machine, by whatever name the crew calls it"),
        Column("cleaver", "text", "Cleaver"),
        Column("blade_position", "text", "Position of its blade; empty: as before"),
        Column("electrodes_changed", "yes_no", "Whether electrodes were changed before it"),
        Column("estimated_highest_db", "figure", "Highest loss that the machine estimated, dB",
               (0, 60)),
        Column("tries", "whole", "How often it was cleaved and fused; empty: once", (1, 99)),
        Column("person", "text", "Who spliced: initials are enough"),
        Column("remark", "text", "Anything worth knowing"),
    ),
    "Splice log: one row for each ribbon that was spliced, and one more when it is made again",
    "otdravg.cable.log.held:hold",
    ("2026-04-03 14:05", "Otterstone", "7", "SM-2", "CL-1", "4", "", "0.04", "1", "KL", ""),
    _log_line,
    is_numbered=True,
)  # fmt: skip


def _loop(fibre: int, other: int, length: float | None) -> Loop:
    return Loop(fibre, other, length or 0.0)


def _check_loops(loops: Sequence[Loop]) -> Iterable[Fault]:
    seen: set[int] = set()
    for n, loop in enumerate(loops):
        if {loop.fibre, loop.other} & seen or loop.fibre == loop.other:
            yield n, "other", "a fibre is looped to one other"
        seen |= {loop.fibre, loop.other}


_LOOPS = JobList(
    "loops",
    (
        Column("fibre", "whole", "Fibre that is shot from A alone", _FIBRES, True, "fibres"),
        Column("other", "whole", "Fibre that it is joined to at B, shot from A too", _FIBRES, True,
               "fibres"),
        Column("length", "length", "Length of the cord between them; empty: none"),
    ),
    "Fibres that are looped at B, so that two shots from A are both directions of both",
    "otdravg.cable.lists.loops:looped",
    ("1", "2", "2m"),
    _loop,
    check=_check_loops,
)  # fmt: skip

LISTS = (_CLOSURES, _REELS, _INSTRUMENTS, _ROUTE, _POWER, _SPLICE_PLAN, _SPLICE_LOG, _LOOPS)

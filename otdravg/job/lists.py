"""The lists of a job: each one declaration of its columns, from which all else is made.

The reader (:mod:`.rows`), the empty forms (``otdravg job forms``), the remarks in an empty job,
the options of ``otdravg job new`` and the tables of the docs come from :data:`LISTS`. A list adds
one :class:`JobList` here and one field of its name to :class:`.model.Job`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from otdravg.cable.measure.closures import KnownClosure
from otdravg.verdict.keys import FIBRE_TYPES
from otdravg.verdict.rules import Method

__all__ = ["LISTS", "Column", "Fault", "JobList", "Reel"]

#: What a check of whole rows finds: which row (from 0), which column, what to write there.
Fault = tuple[int, str, str]


@dataclass(frozen=True, slots=True)
class Reel:
    """A reel of cable, by its name, and the type of its fibre, such as "G.652"."""

    reel: str
    fibre_type: str


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


def _closure(name: str, distance: float, method: str | None, stage: str | None) -> KnownClosure:
    return KnownClosure(name, distance, None if method is None else Method(method), stage or "")


_CLOSURES = JobList(
    "closures",
    (
        Column("name", "text", "Name of the closure", is_required=True),
        Column("distance", "length", "Distance from end A along the fibre", is_required=True),
        Column("method", "one_of", "How it is spliced, if not as the profile says",
               (tuple(method.value for method in Method),)),
        Column("stage", "text", "Stage of the work there, if not the job's"),
    ),
    "Closures: name and distance from A, method and stage if they are not the profile's",
    "otdravg.cable.measure.closures:find_closures",
    ("Otterstone", "4.29km", "", ""),
    _closure,
    unique=("name",),
    option="--closure",
)  # fmt: skip

_REELS = JobList(
    "reels",
    (
        Column("reel", "text", "Name of the reel, as its label has it", is_required=True),
        Column("fibre_type", "one_of", "Type of its fibre", (FIBRE_TYPES[:-1],), is_required=True),
    ),
    "Reels of the cable and the type of their fibre",
    "otdravg.job.model:Job.fibre_type",
    ("R-101", "G.652"),
    Reel,
    unique=("reel",),
    option="--reel",
)

LISTS = (_CLOSURES, _REELS)

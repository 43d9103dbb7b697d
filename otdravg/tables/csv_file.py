"""Tables as CSV after RFC 4180, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import Enum
from functools import cache
from operator import attrgetter
from typing import Any, TypeVar

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.quantities import quantity_of, reported
from otdravg.system.printable import printable
from otdravg.words.catalogue import Language, told
from otdravg.words.headings import Words

#: A spreadsheet takes a text that begins with one of these for a formula to run.
_FORMULA_SIGNS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")

Cell = str | int | bool | Decimal | datetime | None
Row = TypeVar("Row")
#: What a column takes from a row: a cell, or what becomes one. A figure is rounded by the unit in
#: the column's name, a state is its value, and of what is said a cell has the sentences.
Taken = Cell | float | Enum | Statement | tuple[Statement, ...]
Column = tuple[str, Callable[[Row], Taken]]

#: What a column's figures are, found out once for each.
_quantity = cache(quantity_of)

#: An instrument's clock in a table (ISO 8601). No zone is written: nobody knows how it was set.
CLOCK_FORMAT = "%Y-%m-%dT%H:%M:%S"


@dataclass(frozen=True, slots=True)
class CsvStyle:
    """How numbers and cells are written, for spreadsheets of other countries."""

    separator: str = ","
    decimal_comma: bool = False

    def __post_init__(self) -> None:
        if self.separator not in (",", ";", "\t"):
            raise BadSetting("csv separator", self.separator, says("write-separator"))
        if self.decimal_comma and self.separator == ",":
            raise BadSetting("csv separator", ",", says("comma-needs"))


@dataclass(frozen=True, slots=True)
class CellTable:
    """A table before it is written in any format: numbers rounded as reported."""

    names: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def named(*fields: str) -> tuple[Column[Any], ...]:
    """Return columns that show a field each and bear its name: ``named("key.cable", "fibre")``."""
    return tuple((field.rpartition(".")[2], attrgetter(field)) for field in fields)


def cell_table(
    columns: Sequence[Column[Row]], rows: Iterable[Row], language: Language = Language.ENGLISH
) -> CellTable:
    """Return the cells of some rows, without the format of any output."""
    return CellTable(
        tuple(name for name, _ in columns),
        tuple(
            tuple(_cell(name, value_of(row), language) for name, value_of in columns)
            for row in rows
        ),
    )


def _cell(name: str, value: Taken, language: Language) -> Cell:
    if isinstance(value, float):
        quantity = _quantity(name)
        if quantity is None:
            raise ValueError(f"column {name} has a figure and no unit")
        return reported(value, quantity)
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, Statement):
        return told(value, language)
    if isinstance(value, tuple):
        return " | ".join(told(said, language) for said in value)
    return value


def shown(name: str, value: Taken, words: Words) -> str:
    """Write what a column takes as people read it: fixed words, figures and times of a language."""
    if isinstance(value, Statement | tuple):
        return words.told(value)
    cell = worded(name, _cell(name, value, words.language), words)
    if isinstance(cell, datetime):
        return f"{cell:%Y-%m-%d %H:%M}"
    return cell if isinstance(cell, str) else words.decimal(cell)


def worded(column: str, cell: Cell, words: Words) -> Cell:
    """Write a cell in the language of some words, if it is yes or no or one of the program's."""
    if isinstance(cell, bool):
        return words["yes" if cell else "no"]
    return words.cell(column, cell) if isinstance(cell, str) else cell


def csv_bytes(table: CellTable, style: CsvStyle | None = None) -> bytes:
    """Return a table as UTF-8 CSV with a line of names in front.

    Numbers stand bare; what is not measured is an empty cell. Text that a spreadsheet could
    run as a formula gets an apostrophe in front, and line breaks in a text are written out.
    """
    style = style or CsvStyle()
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=style.separator, lineterminator="\r\n")
    writer.writerow(table.names)
    writer.writerows([_text(cell, style) for cell in row] for row in table.rows)
    return stream.getvalue().encode("utf-8")


def _text(value: Cell, style: CsvStyle) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.strftime(CLOCK_FORMAT)
    if isinstance(value, str):
        text = printable(value)
        return f"'{text}" if text.lstrip().startswith(_FORMULA_SIGNS) else text
    if isinstance(value, Decimal) and style.decimal_comma:
        return str(value).replace(".", ",")
    return str(value)

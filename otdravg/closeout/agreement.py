"""Do all outputs of a closeout say the same? Read back what was written, and compare.

Every output that is there is read on its own: the CSV table, the sheet with all values, the
tables and the full results in the JSON, and the list in the page. One of them is the
measure for the others.
"""

from __future__ import annotations

import csv
import html.parser
import io
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.decisions.record import read_decisions
from otdravg.closeout.json_file import closeout_from, json_document, read_closeout
from otdravg.errors import BadCloseout, BadSetting
from otdravg.quantities import Quantity
from otdravg.report.page import counted
from otdravg.system.printable import printable
from otdravg.tables.csv_file import Cell
from otdravg.tables.splices import cable_tables, review_cells
from otdravg.verdict.decision import Verdict
from otdravg.words.headings import Language, Words

__all__ = [
    "PAGE_DATA_ID",
    "Agreement",
    "compare_decisions",
    "compare_outputs",
    "decisions_made_with",
]

#: Id of the element of the page that holds its list of splices as JSON.
PAGE_DATA_ID = "closeout-splices"

_KEYS = ("cable", "fibre", "wavelength_nm", "closure", "distance_m")
_FIGURES = (
    "loss_ab_db",
    "loss_ba_db",
    "loss_db",
    "expanded_uncertainty_db",
    "backscatter_step_db",
    "limit_db",
)
_COMPARED = (*_KEYS, *_FIGURES, "verdict")
_NUMBERS = frozenset({"fibre", "wavelength_nm", "distance_m", *_FIGURES})

Value = Decimal | str | None
Row = tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Agreement:
    """What came of comparing the outputs.

    ``compared`` names the outputs that were read, ``differences`` has a sentence for each
    figure that does not agree.
    """

    compared: tuple[str, ...]
    splices: int
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Source:
    """The splices as one output has them."""

    name: str
    columns: tuple[str, ...]  # those of _COMPARED that it has
    rows: list[Row]


def compare_outputs(folder: Path) -> Agreement:
    """Compare every output of a closeout with the others.

    The splices are compared figure by figure in all of them, the other CSV tables line by line
    with those that the JSON file makes.

    Raises
    ------
    BadCloseout
        If an output is there but cannot be read.
    """
    sources = [source for name, read in _READERS for source in _read(folder / name, read)]
    if not sources:
        return Agreement((), 0, ())
    measure, *others = sources
    differences = [text for other in others for text in _differences(measure, other)]
    differences += _changed_tables(folder)
    names = tuple(source.name for source in sources)
    return Agreement(names, len(measure.rows), tuple(differences))


def _read(path: Path, read: Callable[[Path], Iterator[_Source]]) -> list[_Source]:
    """Read an output with its reader; nothing if it is not part of the closeout."""
    if not path.is_file():
        return []
    try:
        return list(read(path))
    except _DAMAGES as error:
        raise BadCloseout(path, f"cannot be read ({type(error).__name__}: {error})") from error


#: What reading a damaged output ends in.
_DAMAGES = (OSError, ValueError, KeyError, IndexError, TypeError, InvalidOperation, BadZipFile)


def _changed_tables(folder: Path) -> Iterator[str]:
    """Tables that are not what the JSON file makes; the splices have been compared already."""
    path = folder / "closeout.json"
    if not path.is_file():
        return
    closeout = read_closeout(path)
    for name, content in cable_tables(closeout.review, closeout.template.csv).items():
        table = folder / name
        if name == "splices.csv" or not table.is_file():
            continue
        found, wanted = table.read_bytes().split(b"\r\n"), content.split(b"\r\n")
        if found != wanted:
            lines = zip_longest(found, wanted)
            number = next(n for n, (one, other) in enumerate(lines, start=1) if one != other)
            yield f"{name}: line {number} is not what {path.name} has"


def compare_decisions(
    made_with: Sequence[SealedDecision], now: Sequence[SealedDecision], name: str
) -> tuple[str, ...]:
    """Hold a file of decisions against those that outputs were made with.

    That shows what a chain of seals cannot show by itself: a file cut short, put back to an
    earlier state, or sealed anew.

    Parameters
    ----------
    made_with : sequence of SealedDecision
        As :func:`decisions_made_with` reads them from the outputs.
    now : sequence of SealedDecision
        What the file holds now.
    name : str
        The file, as messages call it.

    Returns
    -------
    tuple of str
        A sentence for what is not as it was; empty if nothing is.
    """
    for number, (wanted, found) in enumerate(zip(made_with, now, strict=False), start=1):
        if _comparable(wanted) != _comparable(found):
            return (
                f"{name}: decision {number} is not the one that the outputs were made with "
                f"({wanted.decision.text})",
            )
    if len(now) < len(made_with):
        gone = counted(len(made_with) - len(now), "decision")
        return (
            f"{name}: cut short by {gone}: it holds {len(now)}, the outputs were made with "
            f"{len(made_with)}; the first that is gone is {made_with[len(now)].decision.text}",
        )
    if len(now) > len(made_with):
        more = counted(len(now) - len(made_with), "decision")
        return (f"{name}: {more} more than the outputs were made with; make them again",)
    return ()


def decisions_made_with(folder: Path) -> tuple[SealedDecision, ...]:
    """Read the decisions that the outputs in a folder were made with.

    Raises
    ------
    BadCloseout
        If the folder holds no table of them and none without them, or it cannot be read.
    """
    document, table = folder / "closeout.json", folder / "decisions.csv"
    if document.is_file():
        return read_closeout(document).review.decisions
    if table.is_file():
        try:
            return read_decisions(table).entries
        except BadSetting as error:
            raise BadCloseout(table, f"cannot be read ({error})") from error
    if not (folder / "splices.csv").is_file():
        raise BadCloseout(folder, "holds no table to compare decisions with")
    return ()


def _comparable(entry: SealedDecision) -> list[str]:
    return [printable(text).removeprefix("'") for text in entry.cells().values()]


def _source(name: str, names: Sequence[str], rows: Iterator[Sequence[Any]]) -> _Source:
    columns = tuple(key for key in _COMPARED if key in names)
    places = [names.index(key) for key in columns]
    return _Source(
        name,
        columns,
        [
            tuple(_value(key, row[place]) for key, place in zip(columns, places, strict=True))
            for row in rows
        ],
    )


def _value(key: str, cell: object) -> Value:
    """Bring a cell to the form that is compared."""
    if cell is None or cell == "":
        return None
    if key in _NUMBERS:
        return Decimal(str(cell))
    return printable(str(cell)).removeprefix("'")


def _differences(measure: _Source, other: _Source) -> Iterator[str]:
    if len(measure.rows) != len(other.rows):
        yield (
            f"{other.name} has {len(other.rows)} splices, {measure.name} has {len(measure.rows)}"
        )
        return
    shared = [key for key in measure.columns if key in other.columns]
    pairs = [(key, measure.columns.index(key), other.columns.index(key)) for key in shared]
    for wanted, found in zip(measure.rows, other.rows, strict=True):
        for key, here, there in pairs:
            if wanted[here] != found[there]:
                place = _place(measure.columns, wanted)
                one, other_one = _shown(key, found[there], wanted[here])
                yield f"{other.name}, {place}: {key} is {one}, {measure.name} has {other_one}"


def _place(columns: Sequence[str], row: Row) -> str:
    known = dict(zip(columns, row, strict=True))
    parts = [f"fibre {known['fibre']}", f"{known['wavelength_nm']} nm"]
    if known.get("closure"):
        parts.append(f"closure {known['closure']}")
    return ", ".join([*parts, f"{_shown('distance_m', known['distance_m'])[0]} m"])


def _shown(key: str, *values: Value) -> list[str]:
    """Write values with the decimals that outputs show, more only where one has more."""
    places = {"distance_m": Quantity.DISTANCE_M.places, "limit_db": 0}.get(
        key, Quantity.LOSS_DB.places if key in _FIGURES else 0
    )
    for value in values:
        if isinstance(value, Decimal):
            places = max(places, -int(value.as_tuple().exponent))
    return [
        "empty" if v is None else f"{v:.{places}f}" if isinstance(v, Decimal) else v for v in values
    ]


def _from_csv(path: Path) -> Iterator[_Source]:
    text = path.read_bytes().decode("utf-8")
    separator = text[len("cable")]
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    names = next(rows)
    numbers = {place for place, name in enumerate(names) if name in _NUMBERS}
    yield _source(
        path.name,
        names,
        (
            [cell.replace(",", ".") if place in numbers else cell for place, cell in enumerate(row)]
            for row in rows
        ),
    )


def _from_xlsx(path: Path) -> Iterator[_Source]:
    import openpyxl  # only here: no other part of the program reads a workbook

    book = openpyxl.load_workbook(path, read_only=True)
    try:
        known = [Words(language) for language in Language]
        words = next((w for w in known if w["sheet_splices"] in book.sheetnames), None)
        if words is None:
            raise ValueError("the sheet with all values is missing")
        cells = book[words["sheet_splices"]].iter_rows(values_only=True)
        keys = {words.heading(key): key for key in _COMPARED}
        names = [keys.get(str(heading), "") for heading in next(cells)]
        verdicts = {words.value(v.value): v.value for v in Verdict}
        rows = [_english(row, names, verdicts) for row in cells]
        yield _source(path.name, names, iter(rows))
        if {"cable", "closure"} <= set(names):
            shown = _with_sheet_losses(book, words, names, rows)
            yield _source(f"{path.name} (loss tables)", names, shown)
    finally:
        book.close()


def _with_sheet_losses(
    book: Any, words: Words, names: Sequence[str], rows: Sequence[Sequence[Any]]
) -> Iterator[list[Any]]:
    """Rows of the long sheet with the true loss that the loss tables show."""
    cable, fibre, nm, closure, loss = (
        names.index(key) for key in ("cable", "fibre", "wavelength_nm", "closure", "loss_db")
    )
    titles = {
        words.loss_table_title(row[cable] or "", row[nm]): (row[cable], row[nm]) for row in rows
    }
    losses: dict[tuple[Any, ...], Any] = {}
    for sheet in book:
        lines = sheet.iter_rows(values_only=True)
        place = titles.get(next(lines, ("",))[0])
        if place is None:
            continue
        heading = [str(cell) for cell in next(islice(lines, 2, None))]
        of_fibre = heading.index(words.heading("fibre"))
        prefix = f"{words['closure']} "
        columns = {
            number: text.removeprefix(prefix)
            for number, text in enumerate(heading)
            if text.startswith(prefix)
        }
        for line in lines:
            if isinstance(line[of_fibre], int):
                for number, name in columns.items():
                    losses[place[0], place[1], line[of_fibre], name] = line[number]
    for row in rows:
        if row[closure]:
            key = (row[cable], row[nm], row[fibre], row[closure])
            yield [*row[:loss], losses.get(key), *row[loss + 1 :]]
        else:
            yield list(row)


def _english(row: Sequence[Any], names: Sequence[str], verdicts: Mapping[str, str]) -> list[Any]:
    return [
        verdicts.get(cell, cell) if name == "verdict" else cell
        for name, cell in zip(names, row, strict=True)
    ]


def _from_json(path: Path) -> Iterator[_Source]:
    document = json_document(path)
    table = document["tables"]["splices"]
    yield _source(f"{path.name} (tables)", table["names"], iter(table["rows"]))
    cells = review_cells(closeout_from(document, path).review)["splices"]
    rows: Iterator[Sequence[Cell]] = iter(cells.rows)
    yield _source(f"{path.name} (review)", list(cells.names), rows)


class _ElementText(html.parser.HTMLParser):
    """The text of the one element with an id."""

    def __init__(self, wanted: str) -> None:
        super().__init__()
        self._wanted = wanted
        self._inside = False
        self.parts: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = ("id", self._wanted) in attrs

    def handle_endtag(self, tag: str) -> None:
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.parts.append(data)


def _from_html(path: Path) -> Iterator[_Source]:
    parser = _ElementText(PAGE_DATA_ID)
    parser.feed(path.read_bytes().decode("utf-8"))
    if not parser.parts:
        raise ValueError(f"the element {PAGE_DATA_ID} is missing")
    table = json.loads("".join(parser.parts), parse_float=Decimal)
    yield _source(path.name, table["names"], iter(table["rows"]))


_READERS: tuple[tuple[str, Callable[[Path], Iterator[_Source]]], ...] = (
    ("splices.csv", _from_csv),
    ("closeout.xlsx", _from_xlsx),
    ("closeout.json", _from_json),
    ("closeout.html", _from_html),
)

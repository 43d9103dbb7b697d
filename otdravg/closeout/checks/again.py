"""Every output made again from ``closeout.json`` and held against the one that is there.

What is made again holds every row and every figure, whatever columns a template leaves out, so
nothing has to be known here of how an output shows them.
"""

from __future__ import annotations

import csv
import html.parser
import io
import json
import re
import tempfile
import warnings
import zlib
from base64 import a85decode
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import islice, zip_longest
from pathlib import Path
from typing import Any
from zipfile import BadZipFile, ZipFile

from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.closeout import PAPERS, papers, tables_of
from otdravg.closeout.json_file import Closeout, closeout_json, json_tables, made_here
from otdravg.closeout.traces import NAMES_TABLE, names_table, renamed, trace_pattern
from otdravg.errors import BadCloseout
from otdravg.findings import Statement, says
from otdravg.system.printable import printable

#: Id of the element of the page that holds its list of splices as JSON.
PAGE_DATA_ID = "closeout-splices"
#: Differences of one file that are named; more of the same tell nothing.
_MOST_NAMED = 20
#: Columns that say which row is meant, as far as a table has them.
_ROW_NAMES = ("cable", "fibre", "wavelength_nm", "direction", "closure", "distance_m", "file",
              "new_name", "finding", "pattern")  # fmt: skip
_JSON = "closeout.json"
_LIST = "list of splices", ""

Cells = Sequence[Sequence[Any]]


def json_itself(document: Mapping[str, Any], closeout: Closeout, content: bytes) -> Check:
    """Whether the tables in the JSON say what its full results do, and nothing else is in it."""
    cells, problems = 0, list[Statement]()
    wanted = json_tables(closeout.review, closeout.template.language)
    for name in sorted(wanted.keys() | document["tables"].keys()):
        found = document["tables"].get(name)
        if found is None or name not in wanted:
            gone = "wrong-json-table-missing" if found is None else "wrong-json-table-extra"
            problems.append(at(_JSON, says(gone, table=name)))
            continue
        cells += sum(map(len, found["rows"]))
        place = says("json-table", file=_JSON, table=name)
        has, should = ([one["names"], *one["rows"]] for one in (found, wanted[name]))
        problems += _of_rows(place, has, should, says("its-review"))
    if not problems and json.loads(closeout_json(closeout)) != document:
        same = document["made_with"].get("otdravg") == made_here()["otdravg"]
        if same and _without_maker(json.loads(closeout_json(closeout))) != _without_maker(document):
            problems.append(at(_JSON, says("wrong-json")))
    return checked(says("check-json", file=_JSON), cells, problems)


def _without_maker(document: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in document.items() if key != "made_with"}


def tables_again(folder: Path, closeout: Closeout) -> Iterator[Check]:
    """Hold the CSV tables, and that of the names of traces, against what the JSON makes."""
    style = closeout.template.csv
    tables = {
        name: content
        for name, content in tables_of(closeout).items()
        if (folder / "splices.csv").is_file() or (folder / name).is_file()
    }
    names = {path.name for path in folder.glob("*.csv")}
    problems = [at(name, says("wrong-no-table")) for name in sorted(names - set(tables))]
    if names or (folder / "traces").is_dir() or (folder / "traces.zip").is_file():
        pattern = trace_pattern(closeout.review, closeout.template.trace_name)
        wanted = names_table(renamed(closeout.review.shots, pattern), style)
        if (folder / "traces").is_dir() or (folder / "traces.zip").is_file():
            tables[f"traces/{NAMES_TABLE}"] = wanted
    cells = 0
    for name, content in tables.items():
        found_bytes = _read_table(folder, name)
        if found_bytes is None:
            problems.append(at(name, says("wrong-missing")))
            continue
        wanted_rows = _csv_rows(content, style.separator)
        cells += sum(map(len, wanted_rows))
        if found_bytes == content:
            continue
        try:
            found_rows = _csv_rows(found_bytes, style.separator)
        except (UnicodeDecodeError, csv.Error) as error:
            problems.append(at(name, says("wrong-unreadable", error=str(error))))
            continue
        own = list(_of_rows(name, found_rows, wanted_rows, _JSON))
        problems += own or [at(name, says("wrong-bytes", file=_JSON))]
    yield checked(says("check-csv", file=_JSON), cells, problems)


def _read_table(folder: Path, name: str) -> bytes | None:
    place = folder / name
    if place.is_file():
        return place.read_bytes()
    if name.startswith("traces/") and (folder / "traces.zip").is_file():
        try:
            with ZipFile(folder / "traces.zip") as archive:
                return archive.read(name)
        except (KeyError, BadZipFile, OSError):
            return None
    return None


def _csv_rows(content: bytes, separator: str) -> list[list[str]]:
    text = io.StringIO(content.decode("utf-8"), newline="")
    return list(csv.reader(text, delimiter=separator))


def _of_rows(
    name: str | Statement, found: Cells, wanted: Cells, measure: str | Statement
) -> Iterator[Statement]:
    """Name the cells that differ; the first row holds the names of the columns."""
    if len(found) != len(wanted):
        has, should = len(found) - 1, len(wanted) - 1
        yield at(name, says("wrong-row-count", has=has, measure=measure, wanted=should))
    names = [str(cell) for cell in wanted[0]]
    differing = (
        (number, one, other)
        for number, (one, other) in enumerate(zip_longest(found, wanted, fillvalue=()), start=1)
        if list(one) != list(other)
    )
    # Behind a row that is gone every row differs: the first tells which.
    most = _MOST_NAMED if len(found) == len(wanted) else 1
    for number, one, other in islice(differing, most):
        place = line_of(name, number, names, other or one)
        if len(one) != len(other):
            yield at(place, says("wrong-row", measure=measure))
            continue
        for column, has, should in zip(names, one, other, strict=True):
            if has != should:
                yield at(
                    place,
                    says("wrong-cell", name=column, has=shown(has), measure=measure,
                         wanted=shown(should)),
                )  # fmt: skip


def line_of(
    table: str | Statement, number: int, names: Sequence[str], row: Sequence[Any]
) -> Statement:
    """Name a line of a table, with those of its cells that say what it is about."""
    own = dict(zip(names, row, strict=False))
    parts = [f"{key.removesuffix('_nm')} {own[key]}" for key in _ROW_NAMES if own.get(key)]
    about = f" ({', '.join(parts)})" if parts and list(row) != list(names) else ""
    return says("line-of-table", table=table, number=number, about=about)


def shown(cell: object) -> str | Statement:
    """Write a cell in short."""
    if cell in (None, ""):
        return says("empty")
    text = printable(str(cell))
    return text if len(text) <= 60 else text[:57] + "…"


def papers_again(
    folder: Path, closeout: Closeout, made_with: Mapping[str, str], evidence: str
) -> Iterator[Check]:
    """Hold workbook, paper and page against what the JSON makes of them."""
    others = tuple(
        says("other-version", name=name, has=made_with.get(name, "–"), wanted=version)
        for name, version in made_here().items()
        if made_with.get(name) != version
    )
    with tempfile.TemporaryDirectory() as made:
        for name in PAPERS:
            path, (what, parts_of) = folder / name, _PARTS_OF[Path(name).suffix]
            if not path.is_file():
                continue
            write = papers(closeout.template).get(name)
            if write is None:
                output = says("check-output", output=name, what=what, file=_JSON)
                yield checked(output, 0, [at(name, says("wrong-no-form", file=_JSON))])
                continue
            again = Path(made) / name
            write(closeout, evidence, again)
            try:
                found = parts_of(path.read_bytes())
            except _DAMAGES as error:
                why = f"{type(error).__name__}: {error}"
                raise BadCloseout(path, says("not-readable", why=why)) from error
            wanted = parts_of(again.read_bytes())
            problems: list[Statement] = []
            if path.read_bytes() != again.read_bytes():
                problems = list(_of_parts(name, found, wanted))
                if others:
                    problems = [says("wrong-perhaps", what=one, others=others) for one in problems]
                elif not problems:
                    problems = [at(name, says("wrong-look", file=_JSON))]
            yield checked(
                says("check-output", output=name, what=what, file=_JSON), len(wanted), problems
            )


#: What reading a damaged output ends in.
_DAMAGES = (OSError, ValueError, KeyError, IndexError, TypeError, BadZipFile, zlib.error)

#: Parts of an output by their place in it: what kind of part, and which.
Parts = Mapping[tuple[str, str], Any]


def _of_parts(name: str, found: Parts, wanted: Parts) -> Iterator[Statement]:
    places = [place for place in {**wanted, **found} if found.get(place) != wanted.get(place)]
    for place in places[:_MOST_NAMED]:
        has, should = found.get(place), wanted.get(place)
        kind, number = place
        part = says("part-of", file=name, kind=kind, part=number)
        if isinstance(has, list) and isinstance(should, list):
            yield from _of_rows(part, has, should, _JSON)
        elif isinstance(has, bytes) or isinstance(should, bytes):
            state = says("is-missing") if has is None else says("differs")
            state = says("is-extra") if should is None else state
            yield at(part, says("wrong-part", state=state, file=_JSON))
        else:
            has, should = _around_change(str(has or ""), str(should or ""))
            yield at(part, says("wrong-text", has=shown(has), file=_JSON, wanted=shown(should)))
    if len(places) > _MOST_NAMED:
        yield at(name, says("wrong-more", more=len(places) - _MOST_NAMED))


def _around_change(has: str, should: str) -> tuple[str, str]:
    """Cut both texts to what stands around the first sign that differs."""
    pairs = enumerate(zip(has, should, strict=False))
    at = next((n for n, (one, other) in pairs if one != other), min(len(has), len(should)))
    first = max(at - 20, 0)
    return has[first : first + 57], should[first : first + 57]


def _sheets(content: bytes) -> Parts:
    """Every cell of a workbook, with the format of its number: the signs stand in it."""
    import openpyxl  # only here: no other part of the program reads a workbook

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what it does not read: an owner's form may hold more
        book = openpyxl.load_workbook(io.BytesIO(content))
    parts: dict[tuple[str, str], Any] = {("sheets", ""): " | ".join(book.sheetnames)}
    looks: dict[int, str] = {}
    for sheet in book:
        headings: dict[int, str] = {}
        parts["hidden on sheet", sheet.title] = _hidden(sheet)
        for row in sheet.iter_rows():
            fibre = next((c.value for c in row if isinstance(c.value, int)), None)
            for cell in row:
                if cell.comment is not None:
                    parts["note on sheet", f"{sheet.title}, {cell.coordinate}"] = cell.comment.text
                if cell.value in (None, ""):
                    continue
                if cell.style_id not in looks:
                    looks[cell.style_id] = (
                        f"{_colour(cell.font.color)} on {_colour(cell.fill.fgColor)}"
                    )
                heading = headings.get(cell.column, "")
                where = f"fibre {fibre}, {heading}" if heading and fibre is not None else heading
                place = f"{sheet.title}, {cell.coordinate}" + (f" ({where})" if where else "")
                value = getattr(cell.value, "text", cell.value)  # of a formula over several cells
                parts["sheet", place] = f"{value!s}{_sign(cell.number_format)}"
                parts["colours on sheet", place] = looks[cell.style_id]
                if isinstance(cell.value, str) and len(cell.value) < 40:
                    headings[cell.column] = cell.value
    return parts


def _hidden(sheet: Any) -> str:
    """What of a sheet is not seen, and what changes how its cells look."""
    lines = [*sheet.row_dimensions.items(), *sheet.column_dimensions.items()]
    hidden = [str(name) for name, line in lines if line.hidden]
    rules = len(sheet.conditional_formatting)
    return f"{sheet.sheet_state}; {' '.join(hidden)}; {rules} rules of looks"


def _colour(colour: Any) -> str:
    return "" if colour is None else str(colour.value)


def _sign(number_format: str) -> str:
    """What a number format writes behind its figure."""
    quoted = re.findall(r'"([^"]*)"', number_format)
    return "".join(dict.fromkeys(quoted))


_OBJECT = re.compile(rb"(?:^|[\r\n])(\d+) 0 obj\b(.*?)\bendobj", re.DOTALL)
_STREAM = re.compile(rb"<<(.*?)>>\s*stream\r?\n(.*?)\r?\n?endstream", re.DOTALL)


def _pdf_pages(content: bytes) -> Parts:
    """What is drawn on every page, and every other object, unpacked (ISO 32000-1, 7.3 and 7.4)."""
    objects = {int(number): body for number, body in _OBJECT.findall(content)}
    if not objects:
        raise ValueError("no object in it")
    pages: dict[int, int] = {}
    for number in sorted(objects):
        match = re.search(rb"/Contents (\d+) 0 R", objects[number])
        if match and b"/Type /Page" in objects[number]:
            pages[int(match[1])] = len(pages) + 1
    # Objects can hide in a stream of objects or behind a second end; reportlab writes neither.
    hidden = content.count(b"/ObjStm"), content.count(b"startxref"), len(_OBJECT.findall(content))
    return {("objects elsewhere", ""): f"{hidden[0]}, {hidden[1]}, {hidden[2] - len(objects)}"} | {
        ("page", str(pages[number])) if number in pages else ("object", str(number)): _unpacked(
            body
        )
        for number, body in objects.items()
    }


def _unpacked(body: bytes) -> bytes:
    match = _STREAM.search(body)
    if match is None:
        return body
    data = match[2]
    if b"/ASCII85Decode" in match[1]:
        data = a85decode(data.strip().removesuffix(b"~>"))
    return zlib.decompress(data) if b"/FlateDecode" in match[1] else data


class _Page(html.parser.HTMLParser):
    """The pieces of a page: its texts one after the other, and its data by the element's id."""

    def __init__(self) -> None:
        super().__init__()
        self.parts: dict[tuple[str, str], Any] = {}
        self._id = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = dict(attrs)
        if attrs:
            self.parts["element", str(len(self.parts) + 1)] = self.get_starttag_text()
        self._id = (own.get("id") or "") if tag in ("script", "style") else ""
        if tag == "img":
            self.parts["picture", ""] = str(own.get("src"))

    def handle_endtag(self, tag: str) -> None:
        self._id = ""

    def handle_data(self, data: str) -> None:
        if self._id == PAGE_DATA_ID:
            self.parts[_LIST] = _listed(json.loads(data))
        elif data.strip():
            kind = self._id or "text"
            self.parts[kind, str(len(self.parts) + 1)] = data.strip()


def _listed(data: Mapping[str, Any]) -> list[list[Any]]:
    names, lists = data["names"], data["lists"]
    return [
        names,
        *(
            [
                lists[name][cell] if name in lists and cell is not None else cell
                for name, cell in zip(names, row, strict=True)
            ]
            for row in data["rows"]
        ),
    ]


def _page_parts(content: bytes) -> Parts:
    page = _Page()
    page.feed(content.decode("utf-8"))
    if _LIST not in page.parts:
        raise ValueError(f"the element {PAGE_DATA_ID} is missing")
    return page.parts


#: What the parts of each output are called, and how they are read, by the end of its name.
_PARTS_OF: Mapping[str, tuple[Statement, Callable[[bytes], Parts]]] = {
    ".xlsx": (says("parts-cells"), _sheets),
    ".pdf": (says("parts-pages"), _pdf_pages),
    ".html": (says("parts-texts"), _page_parts),
}

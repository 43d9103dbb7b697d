"""Rows of a job's lists: from tables in it, or from CSV as a spreadsheet of any country saves it.

Every fault is collected with its file, line and column, and what to write there. Nothing is
guessed: what can mean two things (1,234; a date with slashes) is asked for.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from otdravg.cable.lists.facts import Mark
from otdravg.errors import BadSetting, Unusable
from otdravg.findings import Statement, says
from otdravg.job.lists import Column, JobList
from otdravg.typed import metres_of
from otdravg.verdict.keys import Table

#: What says yes and no in a cell, in English and German.
_YES = ("y", "yes", "true", "j", "ja", "wahr", "x", "1")
_NO = ("n", "no", "false", "nein", "falsch", "0")
_SEPARATORS = (",", ";", "\t")
#: What a spreadsheet puts in front to say what separates: no part of the table.
_ANNOUNCED = re.compile(r"sep=[,;\t]\s*", re.IGNORECASE)
#: How days are written: with slashes nobody can tell the day from the month.
_DAYS = ("%Y-%m-%d", "%d.%m.%Y")
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?", re.ASCII)
#: A sign with three digits behind it may group thousands as well as begin decimals.
_THOUSANDS = re.compile(r"([-+]?[1-9]\d{0,2})[.,](\d{3})", re.ASCII)
#: Marks are whole numbers, and no sign groups their digits.
_MARK = re.compile(r"(\d{1,7})\s*(m|ft)?", re.ASCII | re.IGNORECASE)
_SPAN = re.compile(r"(\d{1,9})(?:\s*(?:-|–|to)\s*(\d{1,9}))?", re.ASCII)
#: Years that a date may lie in. Chosen, not derived: a typing error is farther off.
_YEARS = (1990, 2099)


class ListRow(Table):
    """A row of a list; a faulty cell is noted.

    ``place`` is the key of a table of the job, or says which line of a CSV file it is. ``number``
    is that line, or which of the job's tables it is.
    """

    def __init__(
        self,
        content: dict[str, Any],
        place: str | Statement,
        problems: list[BadSetting],
        number: int = 0,
    ) -> None:
        super().__init__(content, place if isinstance(place, str) else "", problems, {})
        self._place = place
        self.line = number

    def place(self, name: str) -> str | Statement:
        """Return where a cell stands: ``reels.csv line 4, column reel``."""
        is_in_job = isinstance(self._place, str)
        return self.key(name) if is_in_job else says("at-cell", line=self._place, column=name)

    def _origins(self) -> None:
        """Look for no origins: a list states nothing that has one."""

    def typed(self, name: str) -> str:
        """Return a cell as it was typed."""
        return str(self._content.get(name, ""))

    def cell(self, column: Column) -> Any:
        """Return what a cell says as its column wants it; ``None`` where it is empty or faulty."""
        if column.kind == "text":
            return self.text(column.name)
        value = self._take(column.name)
        if value is None:
            return None
        typed = ",".join(map(str, value)) if isinstance(value, list) else str(value)
        try:
            return _KINDS[column.kind](typed.strip(), *column.allowed)
        except Unusable as error:
            self.note(column.name, error.said)
            return None


# What a cell of some kind says. Each raises Unusable with what to write in its place.


def _one_of(text: str, allowed: Iterable[Any]) -> Any:
    """One of some values, whatever its capitals."""
    known = {str(one).casefold(): one for one in allowed}
    if text.casefold() not in known:
        raise Unusable(_choose(known.values()))
    return known[text.casefold()]


def _choose(allowed: Iterable[Any]) -> Statement:
    return says("write-one-of", known=", ".join(map(str, allowed)))


def _whole(text: str, low: int, high: int) -> int:
    if not re.fullmatch(r"[-+]?\d{1,15}", text, re.ASCII) or not low <= int(text) <= high:
        raise Unusable(says("write-whole", low=low, high=high))
    return int(text)


def _figure(text: str, low: float, high: float) -> float:
    """A number inside bounds, both allowed, with a point or a comma for decimals."""
    wanted = says("write-number", low=low, high=high)
    if not _NUMBER.fullmatch(text):
        raise Unusable(wanted)
    both = [float(text.replace(",", "."))]
    if "," in text and _THOUSANDS.fullmatch(text):
        both.append(float(text.replace(",", "")))
    inside = [one for one in both if low <= one <= high]
    if len(inside) != 1:
        raise Unusable(
            says("write-which", wanted=wanted, one=f"{both[0]:g}", other=f"{both[1]:g}")
            if inside
            else wanted
        )
    return inside[0]


def _length(text: str) -> float:
    """A length in metres: ``500``, ``500m``, ``1.2km``, ``1,2km``."""
    if grouped := _THOUSANDS.fullmatch(text.rstrip("mMfFtT ")):
        whole, rest = grouped.groups()
        raise Unusable(says("thousands-or-decimals", whole=whole, rest=rest))
    return metres_of(text.replace(",", "."))


def _mark(text: str) -> Mark:
    """A length mark on a sheath: ``3310``, ``3310 m``, ``10860ft``."""
    found = _MARK.fullmatch(text)
    if found is None:
        raise Unusable(says("write-mark"))
    return Mark(float(found[1]), (found[2] or "").lower())


def _yes_no(text: str) -> bool:
    if text.casefold() not in (*_YES, *_NO):
        raise Unusable(says("write-yes-or-no"))
    return text.casefold() in _YES


def _when(text: str, forms: Iterable[str], wanted: Statement) -> datetime:
    for form in forms:
        try:
            found = datetime.strptime(text, form)
        except ValueError:
            continue
        if _YEARS[0] <= found.year <= _YEARS[1]:
            return found
    raise Unusable(wanted)


def _day(text: str) -> date:
    return _when(text, _DAYS, says("write-day")).date()


def _moment(text: str) -> datetime:
    """A date and time of day, without a zone."""
    forms = (f"{day} {clock}" for day in _DAYS for clock in ("%H:%M", "%H:%M:%S"))
    return _when(text.replace("T", " "), forms, says("write-moment"))


def _numbers(text: str, low: int, high: int) -> tuple[int, ...]:
    """Whole numbers, as in ``1-12, 14``; sorted, each once."""
    found: set[int] = set()
    for part in filter(None, map(str.strip, re.split(r"[,;]|(?<=\d)\s+(?=\d)", text))):
        span = _SPAN.fullmatch(part)
        first, last = (int(span[1]), int(span[2] or span[1])) if span else (0, -1)
        if not low <= first <= last <= high:
            raise Unusable(says("write-numbers", low=low, high=high))
        found |= set(range(first, last + 1))
    return tuple(sorted(found))


#: How the cells of each kind of column are read.
_KINDS: Mapping[str, Callable[..., Any]] = {
    "one_of": _one_of, "whole": _whole, "figure": _figure, "length": _length, "mark": _mark,
    "yes_no": _yes_no, "day": _day, "moment": _moment, "numbers": _numbers,
}  # fmt: skip


def rows_in(own: JobList, value: Any, problems: list[BadSetting]) -> list[ListRow]:
    """Return the rows of a list out of tables of the job."""
    if not isinstance(value, list) or not all(isinstance(part, dict) for part in value):
        wanted = says("write-list", name=own.name, file=own.file)
        problems.append(BadSetting(own.name, value, wanted))
        return []
    return [ListRow(part, f"{own.name}[{n}]", problems, n) for n, part in enumerate(value, 1)]


def rows_beside(own: JobList, path: Path, name: str, problems: list[BadSetting]) -> list[ListRow]:
    """Return the rows of a list out of a CSV file; ``name`` is what faults call it."""
    try:
        text = _text_of(path.read_bytes())
        separator, lines = _lines_of(text, [column.name for column in own.columns])
    except (OSError, ValueError, Unusable) as error:
        why = getattr(error, "strerror", None) or getattr(error, "said", None) or str(error)
        problems.append(BadSetting(own.name, name, says("cannot-be-read", why=why)))
        return []
    if not lines:
        problems.append(BadSetting(own.name, name, says("name-the-columns")))
        return []
    (first, names), *rest = lines
    heads = [_head(cell) for cell in names]
    header_faults = tuple(_header_faults(own, heads, _line(name, first)))
    faults = list(header_faults)
    rows = []
    for number, cells in rest:
        place = _line(name, number)
        named = [*heads, *[""] * len(cells)]
        beyond = [cell for head, cell in zip(named, cells) if cell and not head]  # noqa: B905
        if beyond:
            sign = {",": "comma", ";": "semicolon"}.get(separator, "tab")
            wanted = says("more-cells", line=first, sign=sign)
            faults.append(BadSetting(place, beyond[0], wanted))
        own_cells = {k: v for k, v in zip(heads, cells) if k and v}  # noqa: B905
        rows.append(ListRow(own_cells, place, problems, number))
    problems += faults
    if header_faults:
        return []  # said once of the file, not of each of its lines
    return rows


def _line(file: str, number: int) -> Statement:
    return says("at-line", file=file, line=number)


def _text_of(raw: bytes) -> str:
    """Decode what a spreadsheet saved: UTF-8, UTF-16 with its mark, else Windows' own."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252")


def _lines_of(text: str, known: Sequence[str]) -> tuple[str, list[tuple[int, list[str]]]]:
    """Return the separator and the lines that say something, by their numbers in the file."""
    announced = _ANNOUNCED.match(text)
    skipped = 1 if announced else 0
    body = text[announced.end() :] if announced else text
    head = next((line for line in body.splitlines() if line.strip()), "")
    separator = max(
        _SEPARATORS, key=lambda sign: sum(_head(cell) in known for cell in head.split(sign))
    )
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
    lines, begins = [], 1 + skipped
    try:
        for cells in reader:
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                lines.append((begins, stripped))
            begins = reader.line_num + 1 + skipped
    except csv.Error as error:
        raise Unusable(says("quote-alone", line=begins, why=str(error))) from error
    return separator, lines


def _head(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip().strip('"').casefold())


def _header_faults(own: JobList, heads: Sequence[str], place: Statement) -> Iterator[BadSetting]:
    known = [column.name for column in own.columns]
    for name in own.needed:
        if name not in heads:
            near = difflib.get_close_matches(name, [h for h in heads if h not in known], 1)
            wanted = says("is-that", near=near[0]) if near else says("has-to-be-there")
            yield BadSetting(says("at-cell", line=place, column=name), "(missing)", wanted)
    for name in sorted({head for head in heads if head and heads.count(head) > 1}):
        yield BadSetting(place, name, says("column-twice"))


def facts_of(
    rows: Mapping[str, Sequence[ListRow]],
    lists: Iterable[JobList],
    count: int | None,
    problems: list[BadSetting],
) -> dict[str, list[Any]]:
    """Return the facts of every list; faults of cells, and between them, are collected.

    ``count`` is the number of fibres of the job, if it says one.
    """
    lists = tuple(lists)
    faulty: set[str] = set()
    values: dict[str, list[dict[str, Any]]] = {}
    for own in lists:
        before = len(problems)
        values[own.name] = [_values(row, own) for row in rows[own.name]]
        faulty |= {own.name} if len(problems) > before else set()
    names = {one["name"] for one in values.get("closures", ()) if one["name"]}
    facts: dict[str, list[Any]] = {own.name: [] for own in lists}
    for own in lists:
        before = len(problems)
        cells = list(zip(rows[own.name], values[own.name], strict=True))
        for row, value in cells:
            for column in own.columns:
                _check_reference(row, column, value[column.name], names, count)
        _check_twice(own, cells)
        if own.name not in faulty and len(problems) == before:
            facts[own.name] = [
                own.fact(**_stated(own, value), **({"line": row.line} if own.is_numbered else {}))
                for row, value in cells
            ]
            for index, column_name, wanted in own.check(facts[own.name]) if own.check else ():
                rows[own.name][index].note(column_name, wanted)
    return facts


def _stated(own: JobList, value: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a row says, by the names that the fact has for it."""
    every = ((column.field or column.name, value[column.name]) for column in own.columns)
    return {name: cell for name, cell in every if cell is not None}


def _values(row: ListRow, own: JobList) -> dict[str, Any]:
    values = {column.name: row.cell(column) for column in own.columns}
    for column in own.columns:
        if column.is_required and column.name not in row:
            row.note(column.name, says("has-to-be-there"))
    row.close()
    return values


def _check_reference(
    row: ListRow, column: Column, value: Any, closures: set[str], count: int | None
) -> None:
    if value is None:
        return
    if column.refers_to == "closures" and closures and value not in closures:
        near = difflib.get_close_matches(value, closures, 1)
        hint = says("did-you-mean", name=near[0]) if near else _choose(sorted(closures))
        row.note(column.name, says("no-such-closure", hint=hint))
    if column.refers_to == "fibres" and count:
        highest = max(value, default=0) if isinstance(value, tuple) else value
        if highest > count:
            row.note(column.name, says("job-has-fibres", count=count))


def _check_twice(own: JobList, cells: Iterable[tuple[ListRow, Mapping[str, Any]]]) -> None:
    seen = set()
    for row, value in cells:
        key = tuple(value[name] for name in own.unique)
        if own.unique and None not in key and key in seen:
            row.note(own.unique[0], says("stands-twice"))
        seen.add(key)


def form_of(own: JobList, separator: str = ",") -> bytes:
    """Return the empty form of a list: its header, and nothing invented.

    The mark in front tells a spreadsheet that it is UTF-8, so that names keep their letters.
    """
    names = separator.join(column.name for column in own.columns)
    return f"\ufeff{names}\r\n".encode()

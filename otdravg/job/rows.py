"""Rows of a job's lists: from tables in it, or from CSV as a spreadsheet of any country saves it.

Every fault is collected with its file, line and column, and what to write there. Nothing is
guessed: what can mean two things (1,234; a date with slashes) is asked for.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from otdravg.cable.lists.facts import Mark
from otdravg.errors import BadSetting
from otdravg.job.lists import Column, JobList
from otdravg.quantities import metres_of
from otdravg.verdict.keys import Table

__all__ = ["ListRow", "facts_of", "form_of", "rows_beside", "rows_in"]

#: What says yes and no in a cell, in English and German.
_YES = ("y", "yes", "true", "j", "ja", "wahr", "x", "1")
_NO = ("n", "no", "false", "nein", "falsch", "0")
_SEPARATORS = (",", ";", "\t")
#: What a spreadsheet puts in front to say what separates: no part of the table.
_ANNOUNCED = re.compile(r"sep=[,;\t]\s*", re.IGNORECASE)
_ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})", re.ASCII)
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", re.ASCII)
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?", re.ASCII)
#: A sign with three digits behind it may group thousands as well as begin decimals.
_THOUSANDS = re.compile(r"([-+]?[1-9]\d{0,2})[.,](\d{3})", re.ASCII)
#: Marks are whole numbers, and no sign groups their digits.
_MARK = re.compile(r"(\d{1,7})\s*(m|ft)?", re.ASCII | re.IGNORECASE)
_SPAN = re.compile(r"(\d{1,9})(?:\s*(?:-|–|to)\s*(\d{1,9}))?", re.ASCII)
#: Years that a date may lie in. Chosen, not derived: a typing error is farther off.
_YEARS = (1990, 2099)


class ListRow(Table):
    """A row of a list; getters note a problem and return ``None`` on any fault.

    ``beside`` is true of a line of a CSV file, whose cells are texts. ``number`` is its line there,
    or which of the job's tables it is.
    """

    def __init__(
        self,
        content: dict[str, Any],
        place: str,
        problems: list[BadSetting],
        beside: bool,
        number: int = 0,
    ) -> None:
        super().__init__(content, place, problems, {})
        self._beside = beside
        self.line = number

    def key(self, name: str) -> str:
        """Return where a cell stands: ``reels.csv line 4, column reel``."""
        return f"{self._path}, column {name}" if self._beside else super().key(name)

    def _origins(self) -> None:
        """Look for no origins: a list states nothing that has one."""

    def typed(self, name: str) -> str:
        """Return a cell as it was typed."""
        return str(self._content.get(name, ""))

    def _cell(self, name: str) -> Any:
        value = self._take(name)
        return value.strip() if isinstance(value, str) else value

    def one_of(self, name: str, allowed: Iterable[Any]) -> Any:
        """Return one of some values, whatever its capitals."""
        value = self._cell(name)
        known = {str(one).casefold(): one for one in allowed}
        if value is None:
            return None
        found = known.get(str(value).casefold())
        if found is None:
            self.note(name, _one_of(known.values()))
        return found

    def whole(self, name: str, low: int, high: int) -> int | None:
        """Return a whole number inside bounds."""
        value = self._cell(name)
        if isinstance(value, str) and re.fullmatch(r"[-+]?\d{1,15}", value, re.ASCII):
            value = int(value)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.note(name, f"write a whole number from {low} to {high}")
            return None
        return value

    def figure(self, name: str, low: float, high: float) -> float | None:
        """Return a number inside bounds, both allowed, with a point or a comma for decimals."""
        value = self._cell(name)
        if value is None:
            return None
        text = str(value) if isinstance(value, (int, Decimal)) else value
        wanted = f"write a number from {low} to {high}"
        if isinstance(value, bool) or not isinstance(text, str) or not _NUMBER.fullmatch(text):
            self.note(name, wanted)
            return None
        both = [float(text.replace(",", "."))]
        if "," in text and _THOUSANDS.fullmatch(text):
            both.append(float(text.replace(",", "")))
        inside = [one for one in both if low <= one <= high]
        if len(inside) == 1:
            return inside[0]
        self.note(name, f"{wanted}; {both[0]:g} or {both[1]:g}?" if inside else wanted)
        return None

    def length(self, name: str) -> float | None:
        """Return a length in metres: ``500``, ``500m``, ``1.2km``, ``1,2km``."""
        value = self._cell(name)
        if value is None:
            return None
        if isinstance(value, bool):
            self.note(name, "write a length such as 500m or 1.2km")
            return None
        text = str(value)
        digits = text.rstrip("mMfFtT ")
        if grouped := _THOUSANDS.fullmatch(digits):
            whole, rest = grouped.groups()
            self.note(name, f"thousands or decimals? write {whole}{rest}m or {whole}.{rest}km")
            return None
        try:
            return metres_of(text.replace(",", "."))
        except ValueError as error:
            self.note(name, str(error))
            return None

    def mark(self, name: str) -> Mark | None:
        """Return a length mark on a sheath: ``3310``, ``3310 m``, ``10860ft``."""
        value = self._cell(name)
        if value is None:
            return None
        found = None if isinstance(value, bool) else _MARK.fullmatch(str(value))
        if found is None:
            self.note(name, "write the mark as it is printed, as in 03310, 3310 m or 10860 ft")
            return None
        return Mark(float(found[1]), (found[2] or "").lower())

    def yes_no(self, name: str) -> bool | None:
        """Return whether a cell says yes."""
        value = self._cell(name)
        if value is None or isinstance(value, bool):
            return value
        said = str(value).casefold()
        if said not in (*_YES, *_NO):
            self.note(name, "write yes or no")
            return None
        return said in _YES

    def day(self, name: str) -> date | None:
        """Return a date: ``2026-04-03`` or ``03.04.2026``."""
        value = self._cell(name)
        if value is None or (isinstance(value, date) and not isinstance(value, datetime)):
            return value
        found = _day(value) if isinstance(value, str) else None
        if found is None:
            self.note(name, "write the date with the year first, as in 2026-04-03")
        return found

    def moment(self, name: str) -> datetime | None:
        """Return a date and time of day, without a zone: ``2026-04-03 14:05``."""
        value = self._cell(name)
        if value is None or (isinstance(value, datetime) and value.tzinfo is None):
            return value
        found = None
        if isinstance(value, str):
            parts = value.replace("T", " ").split()
            day = _day(parts[0]) if len(parts) == 2 else None
            clock = _CLOCK.fullmatch(parts[-1]) if day and parts else None
            if day and clock:
                hours, minutes, seconds = (int(part or 0) for part in clock.groups())
                if hours < 24 and minutes < 60 and seconds < 60:
                    found = datetime(day.year, day.month, day.day, hours, minutes, seconds)
        if found is None:
            self.note(name, "write date and time of day, as in 2026-04-03 14:05")
        return found

    def numbers(self, name: str, low: int, high: int) -> tuple[int, ...] | None:
        """Return whole numbers, as in ``1-12, 14``; sorted, each once."""
        value = self._cell(name)
        if value is None:
            return None
        if isinstance(value, list):
            value = ",".join(map(str, value))
        parts = [part.strip() for part in re.split(r"[,;]|(?<=\d)\s+(?=\d)", str(value))]
        spans = [_SPAN.fullmatch(part) for part in parts if part]
        found: set[int] = set()
        for span in spans:
            first, last = (int(span[1]), int(span[2] or span[1])) if span else (0, -1)
            if not low <= first <= last <= high:
                self.note(name, f"write numbers from {low} to {high}, as in 1-12, 14")
                return None
            found |= set(range(first, last + 1))
        return tuple(sorted(found))


def _one_of(allowed: Iterable[Any]) -> str:
    return "write one of " + ", ".join(str(one) for one in allowed)


def _day(text: str) -> date | None:
    iso, dotted = _ISO.fullmatch(text), _DOTTED.fullmatch(text)
    parts = iso.groups() if iso else dotted.groups()[::-1] if dotted else None
    if parts is None:
        return None
    year, month, day = map(int, parts)
    try:
        return date(year, month, day) if _YEARS[0] <= year <= _YEARS[1] else None
    except ValueError:
        return None


def rows_in(own: JobList, value: Any, problems: list[BadSetting]) -> list[ListRow]:
    """Return the rows of a list out of tables of the job."""
    if not isinstance(value, list) or not all(isinstance(part, dict) for part in value):
        wanted = f'write it as tables, [[{own.name}]], or as the name of a file, "{own.file}"'
        problems.append(BadSetting(own.name, value, wanted))
        return []
    return [
        ListRow(part, f"{own.name}[{n}]", problems, False, n) for n, part in enumerate(value, 1)
    ]


def rows_beside(own: JobList, path: Path, name: str, problems: list[BadSetting]) -> list[ListRow]:
    """Return the rows of a list out of a CSV file; ``name`` is what faults call it."""
    try:
        text = _text_of(path.read_bytes())
        separator, lines = _lines_of(text, [column.name for column in own.columns])
    except (OSError, ValueError, csv.Error) as error:
        why = getattr(error, "strerror", None) or error
        problems.append(BadSetting(own.name, name, f"it cannot be read ({why})"))
        return []
    if not lines:
        wanted = "the first line has to name the columns; otdravg job forms writes it"
        problems.append(BadSetting(own.name, name, wanted))
        return []
    (first, names), *rest = lines
    heads = [_head(cell) for cell in names]
    header_faults = tuple(_header_faults(own, heads, f"{name} line {first}"))
    faults = list(header_faults)
    rows = []
    for number, cells in rest:
        place = f"{name} line {number}"
        named = [*heads, *[""] * len(cells)]
        beyond = [cell for head, cell in zip(named, cells) if cell and not head]  # noqa: B905
        if beyond:
            sign = {",": "comma", ";": "semicolon"}.get(separator, "tab")
            wanted = f"more cells than names in line {first}; put a cell with a {sign} in quotes"
            faults.append(BadSetting(place, beyond[0], wanted))
        own_cells = {k: v for k, v in zip(heads, cells) if k and v}  # noqa: B905
        rows.append(ListRow(own_cells, place, problems, True, number))
    problems += faults
    if header_faults:
        return []  # said once of the file, not of each of its lines
    return rows


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
        raise ValueError(f"line {begins}: {error}; a quote stands alone") from error
    return separator, lines


def _head(text: str) -> str:
    return re.sub(r"[\s_]+", "_", text.strip().strip('"').casefold())


def _header_faults(own: JobList, heads: Sequence[str], place: str) -> Iterator[BadSetting]:
    known = [column.name for column in own.columns]
    for name in own.needed:
        if name not in heads:
            near = difflib.get_close_matches(name, [h for h in heads if h not in known], 1)
            hint = f"; is that {near[0]}?" if near else ""
            yield BadSetting(f"{place}, column {name}", "(missing)", f"it has to be there{hint}")
    for name in sorted({head for head in heads if head and heads.count(head) > 1}):
        yield BadSetting(place, name, "the column stands there twice")


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
    values = {c.name: getattr(row, c.kind)(c.name, *c.allowed) for c in own.columns}
    for column in own.columns:
        if column.is_required and column.name not in row:
            row.note(column.name, "it has to be there")
    row.close()
    return values


def _check_reference(
    row: ListRow, column: Column, value: Any, closures: set[str], count: int | None
) -> None:
    if value is None:
        return
    if column.refers_to == "closures" and closures and value not in closures:
        near = difflib.get_close_matches(value, closures, 1)
        hint = f"did you mean {near[0]}?" if near else _one_of(sorted(closures))
        row.note(column.name, f"no closure of the job has that name; {hint}")
    if column.refers_to == "fibres" and count:
        highest = max(value, default=0) if isinstance(value, tuple) else value
        if highest > count:
            row.note(column.name, f"the job has {count} fibres")


def _check_twice(own: JobList, cells: Iterable[tuple[ListRow, Mapping[str, Any]]]) -> None:
    seen = set()
    for row, value in cells:
        key = tuple(value[name] for name in own.unique)
        if own.unique and None not in key and key in seen:
            row.note(own.unique[0], "it stands there twice")
        seen.add(key)


def form_of(own: JobList, separator: str = ",") -> bytes:
    """Return the empty form of a list: its header, and nothing invented.

    The mark in front tells a spreadsheet that it is UTF-8, so that names keep their letters.
    """
    names = separator.join(column.name for column in own.columns)
    return f"\ufeff{names}\r\n".encode()

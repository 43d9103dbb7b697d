"""Files of a reviewer's decisions: CSV with one a line, or TOML with one a ``[[decision]]``.

Both hold the same cells and so the same seals. Reading is strict about what a decision says
and lenient about what another program did to the file around it.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from pathlib import Path
from typing import Any

from otdravg.cable.decisions.model import Decision, SealedDecision, decision_from
from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.system.toml_file import tomllib

_COLUMNS = (*(f.name for f in fields(Decision)), "before", "seal")
_NEEDED = ("what", "who", "when", "why")
_SEAL = re.compile(r"[0-9a-f]{64}", re.ASCII)
#: Some hundred thousand decisions; more is not a file of decisions.
_LARGEST_BYTES = 64_000_000
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_FROM_BACKUP = says("from-backup")


@dataclass(frozen=True, slots=True)
class FileContent:
    """What stands in a file: decisions with their places, and what happened to the file.

    ``torn`` is the place of a last decision that is not whole, empty if there is none;
    ``resaved`` says by which marks another program has written the file.
    """

    entries: tuple[tuple[str, SealedDecision], ...] = ()
    torn: str = ""
    resaved: tuple[Statement, ...] = ()


def is_toml(path: Path) -> bool:
    """Whether the name ends in ``.toml``; everything else is CSV."""
    return path.suffix.lower() == ".toml"


def read_bytes(path: Path) -> bytes:
    """Read a file of decisions.

    Raises
    ------
    BadSetting
        If it is not there, not a regular file, or far too large.
    """
    try:
        if not path.is_file():
            raise BadSetting("decisions", str(path), says("name-existing"))
        if path.stat().st_size > _LARGEST_BYTES:
            raise BadSetting("decisions", str(path), says("decisions-too-large"))
        return path.read_bytes()
    except OSError as error:
        raise BadSetting(
            "decisions", str(path), says("cannot-be-read", why=str(error.strerror))
        ) from error


def parse_file(path: Path, content: bytes) -> FileContent:
    """Take a file apart; ``path`` is what errors call it.

    Raises
    ------
    BadSetting
        With the line or the decision that cannot be used.
    """
    text = _text(path, content)
    resaved = [says("byte-order-mark")] if content.startswith(_BYTE_ORDER_MARK) else []
    if "\r" in text:
        resaved.append(says("other-line-ends"))
    if is_toml(path):
        entries, torn = _from_toml(path, text)
        return FileContent(entries, torn, tuple(resaved))
    return _from_csv(path, text, resaved)


def _text(path: Path, content: bytes) -> str:
    try:
        text = content.decode("utf-8-sig")
        strange = text.find("\0")  # half of the bytes of ASCII in UTF-16
    except UnicodeDecodeError as error:
        strange = error.start
    if strange >= 0:
        raise BadSetting(
            "decisions",
            str(path),
            says("decisions-not-text", byte=strange, advice=_FROM_BACKUP),
        )
    return text


# CSV


def _from_csv(path: Path, text: str, resaved: list[Statement]) -> FileContent:
    if not text.strip():
        return FileContent(resaved=tuple(resaved))
    names, separator = _heading(path, text)
    if separator != ",":
        resaved.append(says("other-separator", separator=separator))
    rows, open_line = _rows(path, text, separator)
    ended = text.endswith(("\n", "\r"))
    torn = f"line {open_line}" if open_line else ""
    if any(not any(cells) for _, cells in rows):
        resaved.append(says("empty-lines"))
    rows = [(line, cells) for line, cells in rows if any(cells)]
    if not ended and not torn and rows and _is_torn(names, rows[-1][1]):
        torn = f"line {rows.pop()[0]}"
    entries = []
    for line, cells in rows:
        place = f"line {line}"
        if any(cells[len(names) :]):
            raise BadSetting("decisions", f"{path} {place}", says("more-cells-than-first"))
        entries.append((place, _sealed(dict(zip(names, cells, strict=False)), f"{path} {place}")))
    return FileContent(tuple(entries), torn, tuple(resaved))


def _heading(path: Path, text: str) -> tuple[list[str], str]:
    """Names of the columns, and what stands between them."""
    first = _lines(text)[0]
    separator = max(",;\t", key=first.count)
    try:
        names = [name.strip() for name in next(csv.reader([first], delimiter=separator))]
    except (csv.Error, StopIteration):
        names = []
    while names and not names[-1]:  # a spreadsheet fills lines up
        names.pop()
    if not set(_NEEDED) <= set(names) <= set(_COLUMNS) or len(set(names)) < len(names):
        allowed = ", ".join(_COLUMNS)
        raise BadSetting("decisions", str(path), says("first-line-once", allowed=allowed))
    return names, separator


def _rows(path: Path, text: str, separator: str) -> tuple[list[tuple[int, list[str]]], int]:
    """Lines below the first with their numbers; and the last line, if a quote stays open in it."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[tuple[int, list[str]]] = []
    last_line = len(_lines(text))
    try:
        while True:
            line = reader.line_num + 1
            rows.append((line, [cell.strip() for cell in next(reader)]))
    except StopIteration:
        return rows[1:], 0
    except csv.Error as error:
        if line == last_line and not text.endswith(("\n", "\r")):
            return rows[1:], line
        raise BadSetting(
            "decisions",
            f"{path} line {line}",
            says("decisions-not-csv", why=str(error), advice=_FROM_BACKUP),
        ) from error


def _lines(text: str) -> list[str]:
    """Lines as the CSV reader counts them: other signs that break lines belong to a text."""
    return list(io.StringIO(text, newline=""))


def _is_torn(names: Sequence[str], cells: Sequence[str]) -> bool:
    """Whether a last line without its end is cut: cells are missing, or of the seal a part."""
    if len(cells) < len(names):
        return True
    found = dict(zip(names, cells, strict=False))
    return "seal" in found and not _SEAL.fullmatch(found["seal"])


# TOML


def _from_toml(path: Path, text: str) -> tuple[tuple[tuple[str, SealedDecision], ...], str]:
    torn = ""
    try:
        blocks = _blocks(path, text)
    except (ValueError, RecursionError) as error:
        start = text.rfind("\n[") + 1
        try:
            if text.endswith("\n") or not text.startswith("[", start):
                raise error
            blocks = _blocks(path, text[:start])
        except (ValueError, RecursionError):
            raise BadSetting(
                "decisions",
                str(path),
                says("decisions-not-toml", why=str(error), advice=_FROM_BACKUP),
            ) from error
        torn = f"decision {len(blocks) + 1}"
    cells = [_toml_cells(block, f"{path} decision {n}") for n, block in enumerate(blocks, start=1)]
    if not torn and cells and "seal" not in cells[-1] and _is_begun(cells[-1]):
        torn = f"decision {len(cells)}"
        cells.pop()
    entries = [
        (f"decision {n}", _sealed(own, f"{path} decision {n}"))
        for n, own in enumerate(cells, start=1)
    ]
    return tuple(entries), torn


def _is_begun(cells: Mapping[str, str]) -> bool:
    """Whether a decision without a seal was written by this program, or is not whole."""
    return "before" in cells or not set(_NEEDED) <= set(cells)


def _blocks(path: Path, text: str) -> list[dict[str, Any]]:
    content: dict[str, Any] = tomllib.loads(text, parse_float=str)
    blocks: list[dict[str, Any]] = content.pop("decision", [])
    whole = isinstance(blocks, list) and all(isinstance(block, dict) for block in blocks)
    if content or not whole:
        raise BadSetting("decisions", str(path), says("only-decisions"))
    return blocks


def _toml_cells(block: Mapping[str, Any], place: str) -> dict[str, str]:
    cells = {}
    for name, value in block.items():
        if name not in _COLUMNS:
            raise BadSetting(
                "decisions", f"{place}: {name}", says("known-are", known=", ".join(_COLUMNS))
            )
        if isinstance(value, datetime | date):
            value = value.isoformat()
        if isinstance(value, bool) or not isinstance(value, str | int):
            raise BadSetting("decisions", f"{place}: {name}", says("write-text-or-whole"))
        cells[name] = str(value).strip()
    return cells


def _sealed(cells: Mapping[str, str], place: str) -> SealedDecision:
    return SealedDecision(
        decision_from(cells, place), cells.get("before", ""), cells.get("seal", "")
    )


# Writing


def appended(path: Path, content: bytes, entry: SealedDecision) -> bytes:
    """Return a file's bytes with one more decision; those that are there stay as they are.

    Raises
    ------
    BadSetting
        If the columns of a CSV file leave no room for the seal.
    """
    line_end = b"\r\n" if b"\r\n" in content else b"\n"
    if content and not content.endswith((b"\n", b"\r")):
        content += line_end
    text = _toml_block(entry) if is_toml(path) else _csv_line(path, content, entry)
    if is_toml(path) and content:
        text = f"\n{text}"
    return content + text.encode("utf-8").replace(b"\n", line_end)


def _csv_line(path: Path, content: bytes, entry: SealedDecision) -> str:
    stream = io.StringIO(newline="")
    text = content.decode("utf-8-sig")
    names, separator = _heading(path, text) if text.strip() else (list(_COLUMNS), ",")
    if set(names) != set(_COLUMNS):
        lacking = ", ".join(name for name in _COLUMNS if name not in names)
        raise BadSetting("decisions", str(path), says("first-line-lacks", lacking=lacking))
    writer = csv.DictWriter(stream, names, delimiter=separator, lineterminator="\n")
    if not text.strip():
        writer.writeheader()
    writer.writerow(entry.cells())
    return stream.getvalue()


def _toml_block(entry: SealedDecision) -> str:
    # The seal before stands first and the seal last: wherever it is cut, one of them is alone.
    lines = ["[[decision]]", f'before = "{entry.before}"']
    for name, text in entry.cells().items():
        if name in ("fibre", "wavelength_nm") and text:
            lines.append(f"{name} = {text}")
        elif text and name != "before":
            # Printable text as JSON is a basic string of TOML.
            lines.append(f"{name} = {json.dumps(text, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"

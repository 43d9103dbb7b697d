"""A list of a job as somebody fills it in: the cells of its file, and the file written back."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.job.lists import JobList
from otdravg.job.reading import file_of_list
from otdravg.job.rows import form_of, rows_beside
from otdravg.system.atomic import write_atomic


@dataclass(frozen=True, slots=True)
class Sheet:
    """The cells of a list's file, as they are typed, in the order of its columns."""

    own: JobList
    file: str
    rows: tuple[tuple[str, ...], ...]
    stamp: str  # tells whether the file is still the one that was opened; empty: there is none
    fault: Statement | None = None  # why it cannot be filled in here


def sheet_of(own: JobList, job: Path) -> Sheet:
    """Open the file of a list of a job; an empty sheet where there is none."""
    path = file_of_list(own, job)
    if path is None:
        return Sheet(own, job.name, (), "", says("rows-in-job", job=job.name))
    if not path.is_file():
        return Sheet(own, path.name, (), "")
    problems: list[BadSetting] = []
    rows = rows_beside(own, path, path.name, problems)
    if problems:
        return Sheet(own, path.name, (), "", problems[0].said)
    cells = tuple(tuple(row.typed(column.name) for column in own.columns) for row in rows)
    return Sheet(own, path.name, cells, _stamp(path))


def write_sheet(own: JobList, job: Path, rows: Iterable[Sequence[str]], stamp: str) -> None:
    """Write the file of a job's list with these cells; lines that say nothing are left out.

    Raises
    ------
    BadSetting
        If the file is not the one any more that was opened, the list has none, or a row has other
        cells.
    OutputRefused
        If it cannot be written.
    """
    path = file_of_list(own, job)
    if path is None:
        raise BadSetting(own.name, None, says("rows-in-job", job=job.name))
    if (_stamp(path) if path.exists() else "") != stamp:
        raise BadSetting(path.name, None, says("changed-meanwhile"))
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    for row in rows:
        if len(row) != len(own.columns):
            raise BadSetting(path.name, len(row), says("row-has-cells", count=len(own.columns)))
        if any(cell.strip() for cell in row):
            writer.writerow([cell.strip() for cell in row])
    write_atomic(path, form_of(own) + text.getvalue().encode("utf-8"), overwrite=bool(stamp))


def _stamp(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()

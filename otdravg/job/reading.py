"""Jobs from TOML text, by the table of keys; docs/job.md is the reference."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from decimal import Decimal
from os import PathLike
from pathlib import Path
from typing import Any

from otdravg.cable.measure.closures import KnownClosure
from otdravg.errors import BadJob, BadSetting
from otdravg.job.keys import KEYS, LISTS, REFUSED, TIA_598, JobList
from otdravg.job.model import Job, Reel
from otdravg.quantities import metres_of
from otdravg.system.toml_file import settings_in, settings_text
from otdravg.verdict.keys import Table
from otdravg.verdict.rules import Method

__all__ = ["FORMAT", "JobTable", "load", "parse"]

#: Number of the file layout that this reader knows. Chosen, not derived: counted from one.
FORMAT = 1


class JobTable(Table):
    """A table of a job, with the kinds of values that only jobs have."""

    refused: Mapping[str, str] = REFUSED

    def _origins(self) -> None:
        """Look for no origins: a job states nothing that has one."""

    def length(self, name: str) -> float | None:
        """Return a length in metres: 500, "500m", "1.2km"."""
        value = self._take(name)
        if value is None:
            return None
        try:
            if isinstance(value, bool):
                raise ValueError("is not a length such as 500m")
            return metres_of(str(value))
        except ValueError as error:
            self.note(name, str(error))
            return None

    def one_of(self, name: str, allowed: Iterable[Any]) -> Any:
        """Return one of some values."""
        value, known = self._take(name), tuple(allowed)
        if value is None or (value in known and not isinstance(value, bool)):
            return value
        self.note(name, "write one of " + ", ".join(str(one) for one in known))
        return None

    def colours(self, name: str) -> tuple[str, ...]:
        """Return the colours of the cable's own; none for those of the standard."""
        if self._content.get(name) in (None, TIA_598):
            self._take(name)
            return ()
        own = self.texts(name) or ()
        if len(set(own)) < len(own):
            self.note(name, "a colour stands there twice; say how they differ, as in blue/2")
        return own

    def rows(self, own: JobList, folder: Path) -> list[dict[str, Any]]:
        """Return the rows of a list, from tables here or from a CSV file beside the job."""
        value = self._content.get(own.name)
        if isinstance(value, str):
            self._take(own.name)
            try:
                parts = _lines_of(folder / value)
            except (OSError, ValueError, csv.Error) as error:
                self.note(own.name, f"it cannot be read ({error})")
                return []
            tables = [
                JobTable(row, f"{own.name} ({value}) line {number}", self.problems, {})
                for number, row in parts
            ]
        else:
            tables = self.tables(own.name)
        return [_row(table, own) for table in tables]


def _lines_of(path: Path) -> list[tuple[int, dict[str, Any]]]:
    """Return the lines of a CSV file by their numbers; empty cells say nothing."""
    reader = csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig")), strict=True)
    lines = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader if any(cells)]
    if not lines:
        raise ValueError("it is empty")
    (_, names), *rows = lines
    for number, cells in rows:
        if len(cells) > len(names):
            raise ValueError(f"line {number} has more cells than the first line has names")
    return [(n, {k: v for k, v in zip(names, cells) if v}) for n, cells in rows]  # noqa: B905


def _row(table: JobTable, own: JobList) -> dict[str, Any]:
    values = {c.name: getattr(table, c.kind)(c.name, *c.allowed) for c in own.columns}
    for column in own.columns:
        if column.is_required and column.name not in table:
            table.note(column.name, "it has to be there")
    table.close()
    return values


def load(path: str | PathLike[str]) -> Job:
    """Read a job from a TOML file.

    Raises
    ------
    BadJob
        With every problem of the file: key, value and what is allowed.
    """
    try:
        text = settings_text(path)
    except BadSetting as error:
        raise BadJob(path, [error]) from error
    return parse(text, path)


def parse(text: str, path: str | PathLike[str] = "job") -> Job:
    """Read a job from TOML text; ``path`` is what errors call it, and where its files lie."""
    try:
        content = settings_in(text, Decimal)
    except BadSetting as error:
        raise BadJob(path, [error]) from error
    folder = Path(path).parent
    top = JobTable(content, "", [], {})
    _check_format(top)
    tables = {"": top, "ends": top.table("ends")}
    values: dict[str, Any] = {}
    for key in KEYS:
        table, _, name = key.path.rpartition(".")
        values[key.path] = getattr(tables[table], key.kind)(name, *key.allowed)
        if key.is_required and name not in tables[table]:
            top.problems.append(BadSetting(key.path, "(missing)", "it has to be there"))
    rows = {own.name: top.rows(own, folder) for own in LISTS}
    for own_table in reversed(tables.values()):
        own_table.close()
    if values["wavelengths"] == ():
        top.note("wavelengths", "name at least one, as in [1310, 1550]")
    for own in LISTS:
        first = [row[own.columns[0].name] for row in rows[own.name]]
        for twice in sorted({name for name in first if name and first.count(name) > 1}):
            top.problems.append(BadSetting(own.name, twice, "it stands there twice"))
    if top.problems:
        raise BadJob(path, top.problems)
    return _job(values, rows, folder)


def _check_format(top: JobTable) -> None:
    number = top.whole("format", 1, 9999)
    if "format" not in top:
        top.note("format", "it has to be there; write format = 1")
    elif number not in (None, FORMAT):
        top.note("format", f"this program reads format {FORMAT}")


def _job(values: Mapping[str, Any], rows: Mapping[str, list[dict[str, Any]]], folder: Path) -> Job:
    methods = {method.value: method for method in Method}
    closures = [
        KnownClosure(row["name"], row["distance"], methods.get(row["method"]), row["stage"] or "")
        for row in rows["closures"]
    ]
    return Job(
        cable=values["cable"],
        fibres=values["fibres"],
        wavelengths_nm=values["wavelengths"],
        ribbon=values["ribbon"],
        ends=(values["ends.a"] or "", values["ends.b"] or ""),
        profile=values["profile"],
        stage=values["stage"],
        colours=values["colours"],
        instruments=values["instruments"] or (),
        launch_m=values["launch"],
        receive_m=values["receive"],
        shots=values["shots"] or (),
        closures=tuple(sorted(closures, key=lambda c: (c.distance_m, c.name))),
        reels=tuple(Reel(row["reel"], row["fibre_type"]) for row in rows["reels"]),
        folder=folder,
    )

"""Jobs from TOML text, by the table of keys; docs/job.md is the reference."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from os import PathLike
from pathlib import Path
from typing import Any

from otdravg.errors import BadJob, BadSetting, Unusable
from otdravg.findings import says
from otdravg.job.keys import KEYS, TIA_598
from otdravg.job.lists import LISTS, JobList
from otdravg.job.model import Job
from otdravg.job.rows import ListRow, facts_of, rows_beside, rows_in
from otdravg.system.toml_file import settings_in, settings_text
from otdravg.typed import metres_of
from otdravg.verdict.keys import Table

#: Number of the file layout that this reader knows. Chosen, not derived: counted from one.
FORMAT = 1


#: Fields of a job that are not named as their keys.
_FIELDS = {"wavelengths": "wavelengths_nm", "launch": "launch_m", "receive": "receive_m"}


class JobTable(Table):
    """A table of a job, with the kinds of values that only jobs have."""

    def _origins(self) -> None:
        """Look for no origins: a job states nothing that has one."""

    def length(self, name: str) -> float | None:
        """Return a length in metres: 500, "500m", "1.2km"."""
        value = self._take(name)
        if value is None:
            return None
        try:
            return metres_of(str(value))
        except Unusable as error:
            self.note(name, error.said)
            return None

    def one_of(self, name: str, allowed: Iterable[Any]) -> Any:
        """Return one of some values."""
        known = tuple(allowed)
        wanted = says("write-one-of", known=", ".join(str(one) for one in known))
        return self.checked(name, lambda v: v in known and not isinstance(v, bool), wanted)

    def colours(self, name: str) -> tuple[str, ...]:
        """Return the colours of the cable's own; none for those of the standard."""
        if self._content.get(name) in (None, TIA_598):
            self._take(name)
            return ()
        own = self.texts(name) or ()
        if len(set(own)) < len(own):
            self.note(name, says("colour-twice"))
        return own

    def rows(self, own: JobList, folder: Path, unasked: bool) -> list[ListRow]:
        """Return the rows of a list: named or written here, or under its own name beside it."""
        value = self._take(own.name)
        if unasked and value != own.file and (folder / own.file).is_file():
            if value is None:
                value = own.file
            elif rows_beside(own, folder / own.file, own.file, []):
                self.note(own.name, says("rows-twice", file=own.file))
        if value is None:
            return []
        if isinstance(value, str):
            return rows_beside(own, folder / value, value, self.problems)
        return rows_in(own, value, self.problems)


def file_of_list(own: JobList, path: Path) -> Path | None:
    """Return where a job has a list: the file that it names, or the usual one beside it.

    ``None`` if the rows stand in the job itself, or it cannot be read.
    """
    try:
        value = settings_in(settings_text(path), Decimal).get(own.name, own.file)
    except BadSetting:
        return None
    return path.parent / value if isinstance(value, str) else None


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
    return parse(text, path, unasked=True)


def parse(text: str, path: str | PathLike[str] = "job", *, unasked: bool = False) -> Job:
    """Read a job from TOML text; ``path`` is what errors call it, and where its files lie.

    With ``unasked``, lists under their own names beside it are read without being named in it.
    """
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
        if key.is_required:
            tables[table].need(name)
    rows = {own.name: top.rows(own, folder, unasked) for own in LISTS}
    for own_table in reversed(tables.values()):
        own_table.close()
    if values["wavelengths"] == ():
        top.note("wavelengths", says("name-a-wavelength"))
    facts = facts_of(rows, LISTS, values["fibres"], top.problems)
    if top.problems:
        raise BadJob(path, top.problems)
    return _job(values, facts, folder)


def _check_format(top: JobTable) -> None:
    number = top.whole("format", 1, 9999)
    if "format" not in top:
        top.note("format", says("write-format"))
    elif number not in (None, FORMAT):
        top.note("format", says("reads-format", number=FORMAT))


def _job(values: Mapping[str, Any], facts: Mapping[str, list[Any]], folder: Path) -> Job:
    in_order = sorted(facts["closures"], key=lambda c: (c.distance_m, c.name))
    stated = {
        _FIELDS.get(name, name): value
        for name, value in values.items()
        if value is not None and "." not in name
    }
    lists: dict[str, Any] = {
        name: tuple(own) for name, own in {**facts, "closures": in_order}.items()
    }
    ends = values["ends.a"] or "", values["ends.b"] or ""
    return Job(**stated, **lists, ends=ends, folder=folder)

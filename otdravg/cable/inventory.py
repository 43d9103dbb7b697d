"""Everything that lies in the folders: which files are there and what their headers say.

Nothing is dropped: a file that is not a trace file, or cannot be read, is a record too.
Points are hashed and forgotten; :func:`load` reads them again when they are needed.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from otdravg import sor
from otdravg.cable.model import ShotRecord
from otdravg.errors import BadSetting, OtdravgError
from otdravg.findings import Finding
from otdravg.trace import Direction, Identity, Settings, Trace, traces_from

__all__ = ["FoundFile", "RawShot", "find_files", "load", "load_record", "read_header"]

SUFFIX = ".sor"


@dataclass(frozen=True, slots=True, order=True)
class FoundFile:
    """One file below a folder: ``batch`` is the number of the folder given, from 0."""

    batch: int
    path: str  # relative to its folder, forward slashes; prefixed by the folder if several
    location: str

    @property
    def is_trace_file(self) -> bool:
        """Whether the name ends in ``.sor``, in any letter case."""
        return self.path.lower().endswith(SUFFIX)


@dataclass(frozen=True, slots=True)
class RawShot:
    """What one file says of itself before anybody decides what it is."""

    file: FoundFile
    sha256: str
    waveform_sha256: str
    identity: Identity | None
    settings: Settings | None
    point_count: int
    trace_count: int
    findings: tuple[Finding, ...]
    problem: str  # why it cannot be read; empty if it can


def find_files(folders: Sequence[Path]) -> tuple[FoundFile, ...]:
    """List every file below some folders, in an order that does not depend on the disk.

    Raises
    ------
    BadSetting
        If one of them is not a folder.
    """
    found: list[FoundFile] = []
    for batch, (folder, prefix) in enumerate(zip(folders, _prefixes(folders), strict=True)):
        if not folder.is_dir():
            raise BadSetting("folder", str(folder), "name a folder that exists")
        for directory, below, names in os.walk(folder):
            below.sort()
            for name in sorted(names):
                location = Path(directory) / name
                shown = prefix + location.relative_to(folder).as_posix()
                found.append(FoundFile(batch, shown, str(location)))
    return tuple(sorted(found))


def _prefixes(folders: Sequence[Path]) -> list[str]:
    """What goes in front of the paths of each folder, so that no two files share one."""
    if len(folders) == 1:
        return [""]
    names = [folder.resolve().name or "root" for folder in folders]
    return [
        f"{name}/" if names.count(name) == 1 else f"{number}-{name}/"
        for number, name in enumerate(names, start=1)
    ]


def read_header(file: FoundFile) -> RawShot:
    """Read a file far enough to know what it says of itself; a bad file is no exception."""
    if not file.is_trace_file:
        return RawShot(file, _hash_of(file.location), "", None, None, 0, 0, (), "")
    try:
        sor_file = sor.read(file.location)
        traces = traces_from(sor_file)
    except (OtdravgError, OSError) as error:
        return RawShot(file, _hash_of(file.location), "", None, None, 0, 0, (), _cause(error, file))
    trace = traces[0]
    return RawShot(
        file,
        trace.identity.sha256,
        hashlib.sha256(trace.level_db.tobytes()).hexdigest(),
        trace.identity,
        trace.settings,
        trace.level_db.size,
        len(traces),
        trace.findings,
        "",
    )


def _cause(error: Exception, file: FoundFile) -> str:
    """The error without the path in front: the record has it already."""
    return str(error).removeprefix(f"{file.location}: ")


def _hash_of(location: str) -> str:
    """SHA-256 of a file, empty if it cannot be opened."""
    try:
        with open(location, "rb") as stream:
            digest = hashlib.sha256()
            while chunk := stream.read(1 << 20):
                digest.update(chunk)
    except OSError:
        return ""
    return digest.hexdigest()


def load(location: str, trace_number: int = 1, direction: Direction | None = None) -> Trace:
    """Read one shot with its points.

    Raises
    ------
    UnreadableTrace
        If the file has changed into something that cannot be read.
    """
    trace = traces_from(sor.read(location))[trace_number - 1]
    return trace if direction is None else trace.facing(direction)


def load_record(record: ShotRecord) -> Trace:
    """Read the points of a record, facing the way it was taken for."""
    return load(record.location, record.trace_number, record.taken_for.direction)

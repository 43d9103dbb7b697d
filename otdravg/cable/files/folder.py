"""Everything that lies in the folders: which files are there and what their headers say.

Nothing is dropped: a file that is not a trace file, or cannot be read, is a record too.
A zip archive is a folder like any other. Links, pipes and devices are named and not opened.
Points are hashed and forgotten; :func:`load` reads them again when they are needed.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from otdravg import sor
from otdravg.cable.files.archive import ARCHIVE_SUFFIX, archive_entries
from otdravg.cable.location import SUFFIX, FoundFile, Location
from otdravg.errors import BadSetting, UnreadableTrace
from otdravg.findings import Finding, Statement, says
from otdravg.shot.settings import Direction, Identity, Settings
from otdravg.shot.trace import Trace, traces_from
from otdravg.system.ordinary import openable

__all__ = ["SUFFIX", "FoundFile", "RawShot", "find_files", "load", "read_header"]


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
    problem: Statement | None  # why it cannot be read; none if it can


def find_files(folders: Sequence[Path]) -> tuple[FoundFile, ...]:
    """List every file below some folders, in an order that does not depend on the disk.

    A zip archive in place of a folder, or below one, is listed entry by entry.

    Raises
    ------
    BadSetting
        If one of them is neither a folder nor a file.
    UnreadableTrace
        If one of them is a file and no usable archive.
    """
    found: list[FoundFile] = []
    for batch, (folder, prefix) in enumerate(zip(folders, _prefixes(folders), strict=True)):
        place = os.path.realpath(folder) if folder.is_symlink() else os.fspath(folder)
        if os.path.isdir(place):
            found += _below(batch, place, prefix)
        elif os.path.isfile(place):
            found += _inside(batch, place, prefix)
        else:
            raise BadSetting("folder", str(folder), says("name-existing-folder"))
    return tuple(sorted(found))


def _below(batch: int, folder: str, prefix: str) -> Iterator[FoundFile]:
    """List what is below a folder; links are not followed."""
    pending = [(folder, prefix)]
    while pending:
        place, shown = pending.pop()
        try:
            with os.scandir(openable(place)) as listing:
                entries = list(listing)
        except OSError as error:
            if place == folder:
                raise BadSetting(
                    "folder", folder, says("folder-denied", why=str(error.strerror))
                ) from None
            reason = says("not-listed", why=str(error.strerror))
            yield FoundFile(batch, shown.rstrip("/"), Location(place, 0), reason, True)
            continue
        for entry in entries:
            file = FoundFile(batch, shown + entry.name, Location(entry.path, 0))
            try:
                status = entry.stat(follow_symlinks=False)
            except OSError:  # gone meanwhile: reading it will say so
                yield file
                continue
            if stat.S_ISDIR(status.st_mode):
                pending.append((entry.path, f"{file.path}/"))
                if not file.is_trace_file:
                    continue
            yield from _listed(replace(file, location=Location(entry.path, status.st_size)), status)


def _listed(file: FoundFile, status: os.stat_result) -> Iterator[FoundFile]:
    """Give a file, what is in it if it is an archive, or the reason why it is not opened."""
    path = file.location.path
    if stat.S_ISLNK(status.st_mode):
        yield replace(file, skipped=says("is-a-link"), holds_files=os.path.isdir(path))
    elif stat.S_ISDIR(status.st_mode):
        yield replace(file, skipped=says("folder-named-so"))
    elif not stat.S_ISREG(status.st_mode):
        yield replace(file, skipped=says("odd-file"))
    elif file.path.lower().endswith(ARCHIVE_SUFFIX):
        try:
            yield from _inside(file.batch, path, f"{file.path}/")
        except UnreadableTrace as error:
            yield replace(file, skipped=error.cause, holds_files=True)
    else:
        yield file


def _inside(batch: int, archive: str, prefix: str) -> list[FoundFile]:
    """List what is in an archive."""
    return [
        replace(entry, batch=batch, path=prefix + entry.path) for entry in archive_entries(archive)
    ]


def _prefixes(folders: Sequence[Path]) -> list[str]:
    """What goes in front of the paths of each folder, so that no two files share one."""
    if len(folders) == 1:
        return [""]
    names = [os.path.basename(os.path.realpath(folder)) or "root" for folder in folders]
    return [
        f"{name}/" if names.count(name) == 1 else f"{number}-{name}/"
        for number, name in enumerate(names, start=1)
    ]


def read_header(file: FoundFile, size_limits: sor.SizeLimits) -> RawShot:
    """Read a file far enough to know what it says of itself; a bad file is no exception.

    What is no trace file and larger than the limit is not read, and has no hash.
    """
    if file.skipped:
        may_hold_shots = file.is_trace_file or file.holds_files
        return _not_a_shot(file, file.skipped if may_hold_shots else None)
    if not file.is_trace_file and file.location.size_bytes > size_limits.file_bytes:
        return _not_a_shot(file, None)
    try:
        size_limits.check_file(file.location.size_bytes, str(file.location))
        data = file.location.read_bytes()
    except UnreadableTrace as error:
        return _not_a_shot(file, error.cause if file.is_trace_file else None)
    sha256 = hashlib.sha256(data).hexdigest()
    file = replace(file, location=replace(file.location, sha256=sha256))
    if not file.is_trace_file:
        return _not_a_shot(file, None)
    try:
        traces = traces_from(sor.decode(data, str(file.location), size_limits))
    except UnreadableTrace as error:
        return _not_a_shot(file, error.cause)
    trace = traces[0]
    return RawShot(
        file,
        sha256,
        hashlib.sha256(trace.level_db.tobytes()).hexdigest(),
        trace.identity,
        trace.settings,
        trace.level_db.size,
        len(traces),
        trace.findings,
        None,
    )


def _not_a_shot(file: FoundFile, problem: Statement | None) -> RawShot:
    """A file from which no shot comes; ``problem`` says why, if one was to be expected."""
    return RawShot(file, file.location.sha256, "", None, None, 0, 0, (), problem)


def load(location: Location, trace_number: int = 1, direction: Direction | None = None) -> Trace:
    """Read one shot with its points.

    Raises
    ------
    UnreadableTrace
        If the file is gone, or is not what it was when its header was read.
    """
    content = sor.decode(location.read_bytes(), str(location), sor.ANY_SIZE)
    trace = traces_from(content)[trace_number - 1]
    return trace if direction is None else trace.facing(direction)

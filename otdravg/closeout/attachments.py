"""Photos, certificates, reel sheets: copied into a closeout as they are, with their hashes."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from otdravg.closeout.checks.model import Check, checked
from otdravg.errors import OutputRefused
from otdravg.system.ordinary import open_ordinary
from otdravg.tables.csv_file import Column, CsvStyle, cell_table, csv_bytes

__all__ = ["ATTACHED", "ATTACHED_LIST", "attach", "attachments_against_list"]

#: Folder of a closeout, and the list in it, which is part of the evidence.
ATTACHED, ATTACHED_LIST = "attachments", "attached.csv"
_CHUNK_BYTES = 2**20


@dataclass(frozen=True, slots=True)
class _Attached:
    name: str  # below the folder, with forward slashes
    size: int
    sha256: str


_COLUMNS: tuple[Column[_Attached], ...] = (
    ("file", lambda a: a.name),
    ("bytes", lambda a: a.size),
    ("sha256", lambda a: a.sha256),
)


def attach(source: Path, draft: Path, style: CsvStyle) -> None:
    """Copy every file below a folder into a closeout, and write the list of them.

    Raises
    ------
    OutputRefused
        If it is no folder, is empty, or holds what is no ordinary file.
    """
    names = list(_below(source))
    if not names:
        raise OutputRefused(source, "holds no file", "name a folder with what is to be attached")
    if ATTACHED_LIST in names:
        raise OutputRefused(source / ATTACHED_LIST, "has the name of the list", "rename it")
    target = draft / ATTACHED
    copied = [_copy(source / name, target / name, name) for name in names]
    (target / ATTACHED_LIST).write_bytes(_list_of(copied, style))


def attachments_against_list(folder: Path, style: CsvStyle) -> Iterator[Check]:
    """Hold the attachments of a closeout against their list; nothing where it has none."""
    place = folder / ATTACHED
    if not place.is_dir():
        return
    names = [name for name in _below(place) if name != ATTACHED_LIST]
    wanted = _list_of([_seen(place / name, name) for name in names], style).splitlines()
    try:
        with open_ordinary(str(place / ATTACHED_LIST)) as stream:
            found = stream.read().splitlines()
    except OSError:
        found = []
    odd = {*wanted} ^ {*found}
    lines = [line.decode("utf-8", "replace") for line in sorted(odd)]
    yield checked(
        f"attachments against {ATTACHED}/{ATTACHED_LIST}",
        len(names),
        [f"{ATTACHED}: file and list differ ({line})" for line in lines],
    )


def _list_of(files: list[_Attached], style: CsvStyle) -> bytes:
    return csv_bytes(cell_table(_COLUMNS, files), style)


def _below(folder: Path) -> Iterator[str]:
    """Names of the files below a folder, in order; links to folders are not followed."""
    if not folder.is_dir():
        raise OutputRefused(folder, "is no folder", "name a folder with what is to be attached")
    found = []
    for place, folders, files in os.walk(folder):
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        found += [(Path(place) / n).relative_to(folder).as_posix() for n in (*files, *links)]
    yield from sorted(found)


def _copy(source: Path, target: Path, name: str) -> _Attached:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with open(target, "xb") as copy:
            return _read(source, name, copy)
    except OSError as error:
        why = f"could not be attached ({error.strerror or error})"
        advice = "put an ordinary file in its place, or leave it out"
        raise OutputRefused(source, why, advice) from error


def _seen(path: Path, name: str) -> _Attached:
    """What a file is now; one that cannot be read has no hash."""
    try:
        return _read(path, name, None)
    except OSError:
        return _Attached(name, 0, "")


def _read(path: Path, name: str, copy: BinaryIO | None) -> _Attached:
    digest, size = hashlib.sha256(), 0
    with open_ordinary(str(path)) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            if copy is not None:
                copy.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return _Attached(name, size, digest.hexdigest())

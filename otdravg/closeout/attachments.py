"""Photos, certificates, reel sheets: copied into a closeout as they are, with their hashes.

A file is of the closure that its own name, or the name of a folder that it lies in, states.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from otdravg.cable.model import Closure
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.errors import OutputRefused
from otdravg.findings import says
from otdravg.system.ordinary import open_ordinary
from otdravg.tables.csv_file import Column, CsvStyle, cell_table, csv_bytes

#: Folder of a closeout, and the list in it, which is part of the evidence.
ATTACHED, ATTACHED_LIST = "attachments", "attached.csv"
_CHUNK_BYTES = 2**20
#: What stands before the number of a closure in the name of a file, in English and German.
_CLOSURE = ("closure", "muffe")


@dataclass(frozen=True, slots=True)
class _Attached:
    name: str  # below the folder, with forward slashes
    closure: str  # that it is of; empty: of none, or of several
    size: int
    sha256: str


_COLUMNS: tuple[Column[_Attached], ...] = (
    ("file", lambda a: a.name),
    ("closure", lambda a: a.closure),
    ("bytes", lambda a: a.size),
    ("sha256", lambda a: a.sha256),
)


def attach(source: Path, draft: Path, style: CsvStyle, closures: Sequence[Closure]) -> None:
    """Copy every file below a folder into a closeout, and write the list of them.

    Raises
    ------
    OutputRefused
        If it is no folder, is empty, or holds what is no ordinary file.
    """
    names = list(_below(source))
    if not names:
        raise OutputRefused(source, says("holds-no-file"), says("name-attached"))
    if ATTACHED_LIST in names:
        raise OutputRefused(source / ATTACHED_LIST, says("named-as-list"), says("rename-it"))
    target = draft / ATTACHED
    read = [(name, *_copied(source / name, target / name)) for name in names]
    (target / ATTACHED_LIST).write_bytes(_list_of(read, style, closures))


def attachments_against_list(
    folder: Path, style: CsvStyle, closures: Sequence[Closure]
) -> Iterator[Check]:
    """Hold the attachments of a closeout against their list; nothing where it has none."""
    place = folder / ATTACHED
    if not place.is_dir():
        return
    names = _attached_names(place)
    read = [(name, *_seen(place / name)) for name in names]
    wanted = _list_of(read, style, closures).splitlines()
    try:
        with open_ordinary(str(place / ATTACHED_LIST)) as stream:
            found = stream.read().splitlines()
    except OSError:
        found = []
    odd = {*wanted} ^ {*found}
    lines = [line.decode("utf-8", "replace") for line in sorted(odd)]
    yield checked(
        says("check-attached", file=f"{ATTACHED}/{ATTACHED_LIST}"),
        len(names),
        [at(ATTACHED, says("wrong-attached", line=line)) for line in lines],
    )


def attached_of(folder: Path, closures: Sequence[Closure]) -> dict[tuple[str, int], list[str]]:
    """Return the names of a closeout's attachments by cable and number of their closure."""
    own: dict[tuple[str, int], list[str]] = {}
    place = folder / ATTACHED
    for name in _attached_names(place) if place.is_dir() else ():
        if (closure := _stated(name, closures)) is not None:
            own.setdefault((closure.cable, closure.number), []).append(name)
    return own


def _attached_names(place: Path) -> list[str]:
    return [name for name in _below(place) if name != ATTACHED_LIST]


def _stated(name: str, closures: Sequence[Closure]) -> Closure | None:
    """Return the one closure that the name of a file, or of a folder above it, states.

    By its whole name (``J2 Otterstone/left.jpg``, ``mh3-tray.png``), or by its number behind the
    word (``closure 2.jpg``). A name that is a number, or one letter, needs the word before it.
    """
    parts = [_words(part) for part in PurePosixPath(name).with_suffix("").parts]
    fitting = [c for c in closures if any(_has(part, own) for part in parts for own in _names(c))]
    return fitting[0] if len(fitting) == 1 else None


def _names(closure: Closure) -> Iterator[list[str]]:
    own = _words(closure.name)
    is_plain = len("".join(own)) > 1 and not "".join(own).isdigit()
    if is_plain:
        yield own
    for word in _CLOSURE:
        yield [word, *(own if own and not is_plain else [str(closure.number)])]


def _words(text: str) -> list[str]:
    """Words and numbers of a name, whatever stands between: ``MH03`` is ``MH 3``."""
    return [word.lstrip("0") or word for word in re.findall(r"[^\W\d_]+|\d+", text.casefold())]


def _has(words: Sequence[str], own: Sequence[str]) -> bool:
    return any(words[n : n + len(own)] == own for n in range(len(words) - len(own) + 1))


def _list_of(
    read: Sequence[tuple[str, int, str]], style: CsvStyle, closures: Sequence[Closure]
) -> bytes:
    files = [
        _Attached(name, "" if (own := _stated(name, closures)) is None else own.name, size, sha256)
        for name, size, sha256 in read
    ]
    return csv_bytes(cell_table(_COLUMNS, files), style)


def _below(folder: Path) -> Iterator[str]:
    """Names of the files below a folder, in order; links to folders are not followed."""
    if not folder.is_dir():
        raise OutputRefused(folder, says("no-folder"), says("name-attached"))
    found = []
    for place, folders, files in os.walk(folder):
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        found += [(Path(place) / n).relative_to(folder).as_posix() for n in (*files, *links)]
    yield from sorted(found)


def _copied(source: Path, target: Path) -> tuple[int, str]:
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        with open(target, "xb") as copy:
            return _read(source, copy)
    except OSError as error:
        why = says("not-attached", why=error.strerror or str(error))
        raise OutputRefused(source, why, says("ordinary-or-leave-out")) from error


def _seen(path: Path) -> tuple[int, str]:
    """What a file is now; one that cannot be read has no hash."""
    try:
        return _read(path, None)
    except OSError:
        return 0, ""


def _read(path: Path, copy: BinaryIO | None) -> tuple[int, str]:
    """Return size and hash of a file, which is copied on the way."""
    digest, size = hashlib.sha256(), 0
    with open_ordinary(str(path)) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            if copy is not None:
                copy.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return size, digest.hexdigest()

"""Photos, certificates, reel sheets: copied into a closeout as they are, with their hashes.

A file is of the closure that its own name, or the name of a folder that it lies in, states.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from otdravg.cable.model import Closure
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.errors import OutputRefused
from otdravg.findings import says
from otdravg.system.ordinary import open_ordinary
from otdravg.tables.csv_file import Column, CsvStyle, cell_table, csv_bytes, named

#: Folder of a closeout, and the list in it, which is part of the evidence.
ATTACHED, ATTACHED_LIST = "attachments", "attached.csv"
_CHUNK_BYTES = 2**20
#: What stands before the number of a closure in the name of a file, in English and German.
_CLOSURE = ("closure", "muffe")


@dataclass(frozen=True, slots=True)
class Attached:
    """A file that belongs to a closeout."""

    name: str  # below the folder, with forward slashes
    size: int  # bytes
    sha256: str


@dataclass(frozen=True, slots=True)
class Attachments:
    """Files that belong to a closeout, and the folder that they are taken from."""

    source: Path
    listed: tuple[Attached, ...]


def attachments_below(source: Path) -> Attachments:
    """Read every file below a folder.

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
    try:
        return Attachments(source, tuple(_read(source, name) for name in names))
    except OSError as error:
        why = says("not-attached", why=error.strerror or str(error))
        advice = says("ordinary-or-leave-out")
        raise OutputRefused(error.filename or source, why, advice) from error


def carry(own: Attachments, draft: Path, style: CsvStyle, closures: Sequence[Closure]) -> None:
    """Copy attachments that are as they were listed into a closeout, and write the list of all."""
    target = draft / ATTACHED
    target.mkdir()
    missing = _missing(own.source, own.listed)
    for one in own.listed:
        if one.name in missing:
            continue
        copy = target / one.name
        copy.parent.mkdir(parents=True, exist_ok=True)
        try:
            is_same = _read(own.source, one.name, copy) == one
        except OSError:
            is_same = False
        if not is_same:
            copy.unlink(missing_ok=True)
    (target / ATTACHED_LIST).write_bytes(_list_of(own.listed, style, closures))


def missing_of(folder: Path, listed: Sequence[Attached]) -> frozenset[str]:
    """Return the names of listed attachments that a closeout does not hold."""
    return _missing(folder / ATTACHED, listed)


def _missing(place: Path, listed: Sequence[Attached]) -> frozenset[str]:
    """Names that do not lie below a folder: a list from elsewhere may lead out of it."""
    return frozenset(one.name for one in listed).difference(_below(place) if place.is_dir() else ())


def attachments_against_list(
    folder: Path, listed: Sequence[Attached], style: CsvStyle, closures: Sequence[Closure]
) -> Iterator[Check]:
    """Hold the attachments of a closeout against its list; nothing where it has none."""
    place, what = folder / ATTACHED, says("check-attached", file=f"{ATTACHED}/{ATTACHED_LIST}")
    if not place.is_dir():
        if listed:
            names = ", ".join(one.name for one in listed)
            yield Check(what, 0, not_done=says("undone-attached", files=names))
        return
    read = [_seen(place, name) for name in _below(place) if name != ATTACHED_LIST]
    wanted = _list_of(listed, style, closures).splitlines()
    try:
        with open_ordinary(str(place / ATTACHED_LIST)) as stream:
            found = stream.read().splitlines()
    except OSError:
        found = []
    odd = ({*wanted} ^ {*found}) | ({*wanted} ^ {*_list_of(read, style, closures).splitlines()})
    lines = [line.decode("utf-8", "replace") for line in sorted(odd)]
    yield checked(
        what, len(read), [at(ATTACHED, says("wrong-attached", line=line)) for line in lines]
    )


def attached_of(
    listed: Sequence[Attached], closures: Sequence[Closure]
) -> dict[tuple[str, int] | None, list[str]]:
    """Return names of attachments by cable and number of their closure, or by that of none."""
    own: dict[tuple[str, int] | None, list[str]] = {}
    for one in listed:
        closure = _stated(one.name, closures)
        key = None if closure is None else (closure.cable, closure.number)
        own.setdefault(key, []).append(one.name)
    return own


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


def _list_of(listed: Sequence[Attached], style: CsvStyle, closures: Sequence[Closure]) -> bytes:
    def closure_of(one: Attached) -> str:
        return "" if (own := _stated(one.name, closures)) is None else own.name

    columns: tuple[Column[Attached], ...] = (
        ("file", lambda a: a.name),
        ("closure", closure_of),
        ("bytes", lambda a: a.size),
        *named("sha256"),
    )
    return csv_bytes(cell_table(columns, listed), style)


def _below(folder: Path) -> Iterator[str]:
    """Names of the files below a folder, in order; links to folders are not followed."""
    if not folder.is_dir():
        raise OutputRefused(folder, says("no-folder"), says("name-attached"))
    found = []
    for place, folders, files in os.walk(folder):
        links = [name for name in folders if (Path(place) / name).is_symlink()]
        found += [(Path(place) / n).relative_to(folder).as_posix() for n in (*files, *links)]
    yield from sorted(found)


def _seen(folder: Path, name: str) -> Attached:
    """What a file is now; one that cannot be read has no hash."""
    try:
        return _read(folder, name)
    except OSError:
        return Attached(name, 0, "")


def _read(folder: Path, name: str, copy: Path | None = None) -> Attached:
    """Read a file, which is copied on the way."""
    digest, size = hashlib.sha256(), 0
    with (
        open_ordinary(str(folder / name)) as stream,
        nullcontext() if copy is None else open(copy, "xb") as out,
    ):
        while chunk := stream.read(_CHUNK_BYTES):
            if out is not None:
                out.write(chunk)
            digest.update(chunk)
            size += len(chunk)
    return Attached(name, size, digest.hexdigest())

"""A disk that fails at the n-th thing asked of it, for one folder and everything in it.

Python announces every file that is opened, made, renamed or removed to its audit hooks, and a
hook may raise. A hook stays for ever, so there is one, which does nothing between the tests.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

_CHANGES = frozenset(
    {"os.mkdir", "os.rename", "os.link", "os.symlink", "os.truncate", "os.chmod", "os.utime"}
)
#: Taking away what is no longer wanted is refused as well.
_REMOVALS = frozenset({"os.remove", "os.rmdir"})
_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND


@dataclass
class FaultyDisk:
    """Counts changes below ``folder``; the one numbered ``failing`` (from 1) is refused."""

    folder: str
    failing: int | None
    seen: list[str] = field(default_factory=list)


_active: list[FaultyDisk] = []


def _watch(event: str, arguments: tuple[Any, ...]) -> None:
    if not _active or (event != "open" and event not in _CHANGES | _REMOVALS):
        return
    disk = _active[0]
    if event == "open" and not (isinstance(arguments[2], int) and arguments[2] & _WRITING):
        return
    paths = [os.fspath(a) for a in arguments[:2] if isinstance(a, str | bytes | os.PathLike)]
    if not any(isinstance(path, str) and path.startswith(disk.folder) for path in paths):
        return
    disk.seen.append(f"{event} {os.path.basename(str(paths[0]))}")
    if len(disk.seen) == disk.failing:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


sys.addaudithook(_watch)


@contextmanager
def faulty_disk(folder: Path, failing: int | None = None) -> Iterator[FaultyDisk]:
    """Watch a folder; with a number, refuse that change once."""
    disk = FaultyDisk(os.path.realpath(folder), failing)
    _active.append(disk)
    try:
        yield disk
    finally:
        _active.remove(disk)

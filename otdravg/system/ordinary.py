"""Opening files that may be anything: only ordinary ones, only for reading."""

from __future__ import annotations

import os
import stat
from io import BufferedReader

__all__ = ["open_ordinary"]


def open_ordinary(path: str) -> BufferedReader:
    """Open an ordinary file for reading; never wait for a pipe, never follow a link.

    Raises
    ------
    OSError
        If it cannot be opened or is anything else.
    """
    stream = open(path, "rb", opener=_opened)  # noqa: SIM115 - handed on to the caller
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(0, "is no ordinary file")
    return stream


def _opened(path: str, flags: int) -> int:
    # Systems without these flags have neither such links nor such pipes among their files.
    careful = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    return os.open(path, flags | careful)

"""Opening files that may be anything: only ordinary ones, only for reading, however deep."""

from __future__ import annotations

import os
import stat
from io import BufferedReader

#: Letters of the longest path, its end mark left out, that Windows opens as it stands (Windows
#: API, "Maximum path length limitation": 260 with drive and end mark, 12 less for a folder).
_LONGEST = 247


def openable(path: str, below: int = 0) -> str:
    """Spell a path so that Windows opens it at any length; other systems open all as they stand.

    Parameters
    ----------
    path : str
    below : int
        Letters that names of files below it may add.
    """
    if os.name != "nt" or len(full := os.path.abspath(path)) + below <= _LONGEST:
        return path
    return extended(full)


def extended(path: str) -> str:
    r"""Write an absolute Windows path with the prefix that lifts its limit: ``\\?\``."""
    if path.startswith("\\\\?\\"):
        return path
    return f"\\\\?\\UNC{path[1:]}" if path.startswith("\\\\") else f"\\\\?\\{path}"


def is_open_elsewhere(path: str | os.PathLike[str]) -> bool:
    """Tell whether another program holds a file so that it cannot be replaced, as on Windows."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode) or not os.access(path, os.W_OK):
            return False  # a matter of what it is, or of rights
        with open(path, "r+b"):
            return False
    except PermissionError:
        return True
    except OSError:
        return False


def open_ordinary(path: str) -> BufferedReader:
    """Open an ordinary file for reading; never wait for a pipe, never follow a link.

    Raises
    ------
    OSError
        If it cannot be opened or is anything else.
    """
    stream = open(openable(path), "rb", opener=_opened)  # noqa: SIM115 - handed on to the caller
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(0, "is no ordinary file")
    return stream


def _opened(path: str, flags: int) -> int:
    # Systems without these flags have neither such links nor such pipes among their files.
    careful = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    return os.open(path, flags | careful)

"""The command run in the tests' own process: as it is started, without the time that takes.

``tests/cli`` holds it against the installed command.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from subprocess import CompletedProcess

from otdravg.cli import main

#: What decides how the outputs of whoever runs the tests look.
_OF_THE_TERMINAL = ("COLUMNS", "NO_COLOR")


def run_here(
    folder: Path,
    arguments: Sequence[object],
    *,
    together: bool = False,
    encoding: str = "utf-8",
) -> CompletedProcess[bytes]:
    """Run the command in a folder, on a stream of some encoding.

    ``together`` puts stderr among stdout, as a terminal does.
    """
    typed, status = [str(argument) for argument in arguments], 0
    out = _stream(encoding)
    err = out if together else _stream(encoding)
    place, environment, keyboard = Path.cwd(), dict(os.environ), sys.stdin
    for name in _OF_THE_TERMINAL:
        os.environ.pop(name, None)
    os.chdir(folder)
    sys.stdin = io.StringIO()
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main(typed, prog_name="otdravg")
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        sys.stdin = keyboard
        os.chdir(place)
        os.environ.clear()
        os.environ.update(environment)
    printed = [stream.buffer.getvalue() for stream in (out, err)]
    return CompletedProcess(typed, status, printed[0], b"" if together else printed[1])


class _Stream(io.TextIOWrapper):
    """What is printed, kept as bytes."""

    buffer: io.BytesIO


def _stream(encoding: str) -> _Stream:
    return _Stream(io.BytesIO(), encoding=encoding, newline="\n", write_through=True)

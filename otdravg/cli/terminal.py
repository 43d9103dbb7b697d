"""What the output stream can show, and printing to it; the process around it."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO

import click

from otdravg.errors import OutputRefused
from otdravg.findings import says
from otdravg.report.page import COLUMNS
from otdravg.system.printable import printable, spelled_in_ascii, survives
from otdravg.words.catalogue import Language, say

#: Where a command's context keeps the language that it was asked for.
LANGUAGE = "otdravg.language"
#: Longer lines nobody reads (chosen).
_WIDEST = 120
_SIGNS = "→±–…"


def spoken(ctx: click.Context | None = None) -> Language:
    """Return the language that a command, usually this one, was asked for; else English."""
    ctx = ctx or click.get_current_context(silent=True)
    return (ctx and ctx.meta.get(LANGUAGE)) or Language.ENGLISH


def settle_process() -> None:
    """Make a process usable that was started with less than a terminal's surroundings.

    A closed stream becomes one that goes nowhere, so that no file of ours takes its number.
    Libraries that draw look for settings in the home folder, which need not be one, and for a
    screen, which pictures in files do not need.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115
    if not os.path.isdir(os.path.expanduser("~")):
        os.environ["HOME"] = os.path.abspath(os.sep)
    os.environ["MPLBACKEND"] = "agg"


def shows_signs(stream: TextIO) -> bool:
    """Tell whether the stream's encoding has the arrow and the plus-minus sign."""
    return survives(_SIGNS, stream.encoding or "ascii")


def shows_colour(stream: TextIO) -> bool:
    """Colour only on a terminal that knows it, and only if NO_COLOR is not set."""
    kind = os.environ.get("TERM")
    # Windows has no TERM: its new terminal sets the other one, its old console knows no colours.
    known = bool(kind or os.environ.get("WT_SESSION")) if os.name == "nt" else True
    return stream.isatty() and known and kind != "dumb" and not os.environ.get("NO_COLOR")


def looks(*, colour: bool = True) -> dict[str, Any]:
    """What standard output can show, as the texts of ``report/`` are told it."""
    return {
        "ascii_only": not shows_signs(sys.stdout),
        "colour": colour and shows_colour(sys.stdout),
        "columns": _columns_of(sys.stdout),
    }


def _columns_of(stream: TextIO) -> int:
    """Width for a stream: that of its terminal, within what can be read; 80 in a pipe."""
    if not stream.isatty():
        return COLUMNS
    return min(max(shutil.get_terminal_size((COLUMNS, 24)).columns, COLUMNS), _WIDEST)


def print_text(text: str) -> None:
    """Print to stdout; what its encoding lacks is spelled, never a crash.

    Raises
    ------
    BrokenPipeError
        If whoever read it has gone away.
    OutputRefused
        If it cannot be written to.
    """
    try:
        sys.stdout.write(_carried(text, sys.stdout))
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise OutputRefused.by_system("standard output", error, says("free-space")) from error


def print_written(paths: Iterable[Path], *, aside: bool) -> None:
    """Name every file that a command has written; on stderr if stdout is for a program."""
    for path in paths:
        line = printable(say("screen", "wrote", spoken(), path=str(path)))
        if aside:
            _print_aside(line)
        else:
            print_text(f"{line}\n")


def print_error(message: str) -> None:
    """Print one line to stderr, with nothing in it that a terminal would obey."""
    _print_aside(f"otdravg: {message}")


def _print_aside(message: str) -> None:
    with suppress(OSError):  # the exit status still says it, and there is nowhere else
        sys.stderr.write(_carried(f"{printable(message)}\n", sys.stderr))
        sys.stderr.flush()


def _carried(text: str, stream: TextIO) -> str:
    return text if survives(text, stream.encoding or "ascii") else spelled_in_ascii(text)

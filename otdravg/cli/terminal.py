"""What the output stream can show, and printing to it."""

from __future__ import annotations

import os
import sys
from typing import TextIO

from otdravg.export.printable import printable, spelled_in_ascii, survives

__all__ = ["print_error", "print_text", "shows_colour", "shows_signs"]

_SIGNS = "→±–…"


def shows_signs(stream: TextIO) -> bool:
    """Tell whether the stream's encoding has the arrow and the plus-minus sign."""
    return survives(_SIGNS, stream.encoding or "ascii")


def shows_colour(stream: TextIO) -> bool:
    """Colour only on a terminal that knows it, and only if NO_COLOR is not set."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def print_text(text: str) -> None:
    """Print to stdout; what its encoding lacks is spelled, never a crash."""
    sys.stdout.write(_carried(text, sys.stdout))
    sys.stdout.flush()


def print_error(message: str) -> None:
    """Print one line to stderr, with nothing in it that a terminal would obey."""
    sys.stderr.write(_carried(f"otdravg: {printable(message)}\n", sys.stderr))
    sys.stderr.flush()


def _carried(text: str, stream: TextIO) -> str:
    return text if survives(text, stream.encoding or "ascii") else spelled_in_ascii(text)

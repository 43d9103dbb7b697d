"""Plain text laid out for a terminal of 80 columns or more."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from enum import Enum

from otdravg.system.printable import printable, spelled_in_ascii

#: Width of every line where the terminal does not say that it has more.
COLUMNS = 80

_LABEL_WIDTH = 11
_GAP = "  "


class Tone(Enum):
    """How a piece of text is tinted (ECMA-48 select graphic rendition), if at all."""

    GOOD = "32"
    BAD = "1;31"
    LOOK = "33"
    QUIET = "2"


def counted(count: int, noun: str) -> str:
    """Write how many there are of something: "1 ribbon", "2 ribbons"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


class Page:
    """Lines of text that are neutralised, spelled and wrapped as they are added.

    Parameters
    ----------
    ascii_only : bool
        Spell arrows and plus-minus in ASCII.
    colour : bool
        Emit the tones.
    columns : int
        Width of every line.
    """

    def __init__(self, *, ascii_only: bool, colour: bool, columns: int = COLUMNS) -> None:
        self._ascii_only = ascii_only
        self._colour = colour
        self.columns = columns
        self._lines: list[str] = []

    def text(self) -> str:
        """Return all lines."""
        return "\n".join(self._lines) + "\n"

    def line(self, text: str = "") -> None:
        """Add one line as it is."""
        self._lines.append(self._spelled(text).rstrip())

    def rule(self) -> None:
        """Add a line across the page."""
        self._lines.append("-" * self.columns)

    def paragraph(self, text: str) -> None:
        """Add a wrapped text."""
        self._lines += self._wrapped(text, self.columns)

    def entry(self, label: str, text: str, tone: Tone | None = None) -> None:
        """Add a labelled text; its further lines stand under its first."""
        head = self._spelled(label).ljust(_LABEL_WIDTH) + " "
        self._hanging(head, text, self._tinted(head, tone))

    def bullet(self, text: str, indent: int = 0) -> None:
        """Add an item of a list."""
        self._hanging(" " * indent + "- ", text)

    def row(
        self,
        cells: Sequence[str],
        widths: Sequence[int],
        *,
        tone: Tone | None = None,
    ) -> None:
        """Add a table row: right-aligned cells, then a last one that wraps in what is left."""
        *figures, last = (self._spelled(cell) for cell in cells)
        aligned = [figure.rjust(width) for figure, width in zip(figures, widths, strict=True)]
        head = "".join(aligned) + _GAP
        wrapped = self._wrapped(last, self.columns - len(head)) or [""]
        for index, piece in enumerate(wrapped):
            start = head if index == 0 else " " * len(head)
            self._lines.append((start + self._tinted(piece, tone)).rstrip())

    def _hanging(self, head: str, text: str, shown_head: str = "") -> None:
        wrapped = self._wrapped(text, self.columns - len(head)) or [""]
        self._lines.append(((shown_head or head) + wrapped[0]).rstrip())
        self._lines += [" " * len(head) + piece for piece in wrapped[1:]]

    def _wrapped(self, text: str, width: int) -> list[str]:
        return textwrap.wrap(
            self._spelled(text), width, break_on_hyphens=False, break_long_words=True
        )

    def _spelled(self, text: str) -> str:
        shown = printable(text)
        return spelled_in_ascii(shown) if self._ascii_only else shown

    def _tinted(self, text: str, tone: Tone | None) -> str:
        if tone is None or not self._colour or not text:
            return text
        return f"\033[{tone.value}m{text}\033[0m"

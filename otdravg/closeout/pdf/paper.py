"""The paper of the printed closeout: pages, fonts, outline, text and plain tables.

A thin layer over reportlab's canvas. Lengths are points, y grows upwards as PDF has it.
Every text passes through :func:`drawable` here, so that no caller can forget it.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Literal

import matplotlib as mpl
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from otdravg import __version__
from otdravg.system.printable import printable

Align = Literal["left", "right", "centre"]

# Fonts that matplotlib brings along, free to embed; their names are kept apart from others'.
PLAIN = "otdravg-plain"
BOLD = "otdravg-bold"
_FONT_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}

INK = HexColor("#1d2329")
QUIET = HexColor("#5a646e")
RULE = HexColor("#b9c0c6")
PALE = HexColor("#eef0f2")

_WIDTH, _HEIGHT = landscape(A4)
_MARGIN = 40.0
_TOTAL = "count-of-pages"
_CONTENTS = "contents"
#: Directions of letters that are read from the right (Unicode Standard Annex 9, table 4).
_FROM_RIGHT = frozenset({"R", "AL", "AN"})
#: Signs that stand in for a character that cannot be set.
_MISSING = "\\u{:04x}"


@cache
def _fonts() -> dict[str, TTFont]:
    """Make the fonts known to reportlab, once in the life of the process."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    fonts = {name: TTFont(name, str(folder / file)) for name, file in _FONT_FILES.items()}
    for font in fonts.values():
        pdfmetrics.registerFont(font)
    return fonts


def drawable(text: str, font: str = PLAIN) -> str:
    """Make a text from outside safe to draw.

    Control and direction marks are written out, and so is every character that the font lacks, or
    that is read from the right: reportlab sets letters from the left and joins none, and a number
    says more than an empty box or a name that is not one. Letters beyond U+FFFF are written out
    too: the table that turns glyphs back into text would be wrong for them.
    """
    glyphs = _fonts()[font].face.charToGlyph
    return "".join(
        c if c <= "\uffff" and ord(c) in glyphs and unicodedata.bidirectional(c) not in _FROM_RIGHT
        else _MISSING.format(ord(c))
        for c in printable(text)
    )  # fmt: skip


def _fitting(text: str, width: float, size: float, font: str) -> int:
    """Count the characters at a text's beginning that fit, however long the text is."""

    def fits(count: int) -> bool:
        return bool(pdfmetrics.stringWidth(text[:count], font, size) <= width)

    low, high = 0, 16
    while high < len(text) and fits(high):
        low, high = high, 2 * high
    high = min(high, len(text))
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(middle) else (low, middle - 1)
    return low


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle on the page."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge."""
        return self.bottom + self.height


class Paper:
    """A document that is written page by page.

    Parameters
    ----------
    title, author, subject : str
        Document metadata.
    footer : str
        Stands at the foot of every page.
    page_of : str
        Number of a page in the document's language, with ``{page}`` and, last, ``{pages}``.
    language : str
        Code of the language, such as "en", for screen readers.
    made_at : datetime
        Date that the document bears, UTC.
    spelt_note : str
        Stands below the contents if a letter had to be written as its number.
    """

    def __init__(
        self,
        *,
        title: str,
        author: str,
        subject: str,
        footer: str,
        page_of: str,
        language: str,
        made_at: datetime,
        spelt_note: str = "",
    ) -> None:
        _fonts()
        self._stream = io.BytesIO()
        # "invariant" keeps the clock out of the file; the date it is to bear is given below.
        self._canvas = Canvas(
            self._stream,
            pagesize=(_WIDTH, _HEIGHT),
            pageCompression=1,
            invariant=1,
            lang=language,
            # Else each page names a font that is not embedded; its stub takes a name for a number.
            initialFontName=PLAIN,  # type: ignore[arg-type]
        )
        self._canvas.setTitle(printable(title))
        self._canvas.setAuthor(printable(author))
        self._canvas.setSubject(printable(subject))
        self._canvas.setCreator(f"otdravg {__version__}")
        self._canvas.setProducer("otdravg")
        self._canvas.setDateFormatter(lambda *_: f"D:{made_at:%Y%m%d%H%M%S}+00'00'")
        self._canvas.showOutline()
        self._footer = footer
        self._page_of = page_of
        self._pages = 0
        self._depth = -1
        self._chapter = ""
        self._entries: list[tuple[str, int]] = []  # of chapters, with their pages
        self._contents: Area | None = None
        self._keys = 0
        self._spelt_note, self._is_spelt = spelt_note, False
        #: Edge below the last table on the page, where another one may follow; None if none may.
        self.free_below: float | None = None

    @property
    def canvas(self) -> Canvas:
        """The canvas, for drawings; texts go through :meth:`text`."""
        return self._canvas

    @property
    def body(self) -> Area:
        """What is free on a page below its heading."""
        return Area(_MARGIN, 44, _WIDTH - 2 * _MARGIN, _HEIGHT - 44 - 72)

    def page(
        self, heading: str, remark: str = "", *, outline: str | None = None, level: int = 0
    ) -> Area:
        """Begin a page with a heading; ``outline`` is its entry in the outline, if it has one.

        Returns
        -------
        Area
            What is free on the page.
        """
        if self._pages:
            self._end_page()
        self._pages += 1
        self.free_below = None
        if outline is not None:
            self._enter(outline, level)
        if heading:
            self.text(_MARGIN, _HEIGHT - 46, heading, size=15, font=BOLD, within=self.body.width)
        if remark:
            self.paragraph(_MARGIN, _HEIGHT - 60, remark, self.body.width, colour=QUIET, most=1)
        return self.body

    def section(self, y: float, heading: str, remark: str, outline: str | None) -> float:
        """Begin something else on the same page; return the edge below heading and remark."""
        if outline is not None:
            self._enter(outline, 0)
        self.text(_MARGIN, y - 30, heading, size=12, font=BOLD, within=self.body.width)
        if not remark:
            return y - 40
        self.paragraph(_MARGIN, y - 43, remark, self.body.width, colour=QUIET, most=1)
        return y - 53

    def chapter(self, entry: str) -> None:
        """Name a chapter: the next page with an entry in the outline begins it."""
        self._chapter = entry

    def contents(self, area: Area) -> None:
        """Leave room for the table of contents: it is known when the last page is."""
        self._contents = area
        self._canvas.doForm(_CONTENTS)

    def _write_contents(self, area: Area) -> None:
        self._canvas.beginForm(_CONTENTS, 0, 0, _WIDTH, _HEIGHT)
        y = area.top - 10
        for entry, page in self._entries:
            self.text(area.left, y, entry, size=8.5, within=area.width - 30)
            self.text(area.right, y, str(page), size=8.5, align="right")
            y -= 12.5
        if self._is_spelt:
            self.paragraph(area.left, y - 4, self._spelt_note, area.width, size=7, colour=QUIET)
        self._canvas.endForm()

    def _enter(self, entry: str, level: int) -> None:
        """Add the page to the outline; a level may only be one deeper than the last."""
        if self._chapter or level == 0:
            self._entries.append((self._chapter or entry, self._pages))
        self._keys += 1
        key = f"entry-{self._keys}"
        self._canvas.bookmarkPage(key)
        if self._chapter:
            # An entry is known by its place in the page, so the chapter has one of its own.
            self._canvas.bookmarkPage(f"{key}-chapter")
            self._canvas.addOutlineEntry(
                drawable(self._chapter), f"{key}-chapter", level=0, closed=True
            )
            self._chapter, self._depth = "", 0
        self._depth = min(level, self._depth + 1)
        self._canvas.addOutlineEntry(drawable(entry), key, level=self._depth, closed=level > 0)

    def _end_page(self) -> None:
        self.line(_MARGIN, 32, _WIDTH - _MARGIN, 32, colour=RULE)
        self.text(_MARGIN, 22, self._footer, size=7, colour=QUIET, within=560)
        number = self._page_of.format(page=self._pages, pages="")
        self.text(_WIDTH - _MARGIN - 24, 22, number, size=7, colour=QUIET, align="right")
        # How many pages there are is known at the end only: a form that is filled in then.
        self._canvas.saveState()
        self._canvas.translate(_WIDTH - _MARGIN - 24, 22)
        self._canvas.doForm(_TOTAL)
        self._canvas.restoreState()
        self._canvas.showPage()

    def finish(self) -> bytes:
        """End the last page and return the file."""
        self._end_page()
        self._canvas.beginForm(_TOTAL, 0, -3, 40, 10)
        self.text(0, 0, str(self._pages), size=7, colour=QUIET)
        self._canvas.endForm()
        if self._contents is not None:
            self._write_contents(self._contents)
        self._canvas.save()
        return self._stream.getvalue()

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 8,
        font: str = PLAIN,
        colour: Color = INK,
        align: Align = "left",
        within: float | None = None,
    ) -> None:
        """Write one line; x is its left end, right end or middle by ``align``.

        What is wider than ``within`` is cut with an ellipsis.
        """
        if within is not None:
            text = self.fitted(text, within, size, font)
        shown = drawable(text, font)
        if not shown:
            return
        self._is_spelt |= len(shown) != len(text) and "\\u" in shown
        canvas = self._canvas
        canvas.setFont(font, size)
        canvas.setFillColor(colour)
        draw = {"left": canvas.drawString, "right": canvas.drawRightString}
        draw.get(align, canvas.drawCentredString)(x, y, shown)

    def width_of(self, text: str, size: float, font: str = PLAIN) -> float:
        """Width of a line of text."""
        return float(pdfmetrics.stringWidth(drawable(text, font), font, size))

    def fitted(self, text: str, width: float, size: float, font: str = PLAIN) -> str:
        """Return the text, cut with an ellipsis if it is too long for the width."""
        if self.width_of(text, size, font) <= width:
            return text
        shown = drawable(text, font)
        room = width - pdfmetrics.stringWidth("…", font, size)
        return shown[: _fitting(shown, room, size, font)] + "…"

    def wrapped(self, text: str, width: float, size: float, font: str = PLAIN) -> list[str]:
        """Break a text into lines; a word that is too long by itself is broken too."""
        lines, line = [], ""
        for word in drawable(text, font).split():
            longer = f"{line} {word}" if line else word
            if pdfmetrics.stringWidth(longer, font, size) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            while (fitting := _fitting(word, width, size, font)) < len(word):
                cut = max(fitting, 1)
                lines.append(word[:cut])
                word = word[cut:]
            line = word
        return [*lines, line] if line else lines

    def paragraph(
        self,
        x: float,
        y: float,
        text: str,
        width: float,
        *,
        size: float = 8,
        font: str = PLAIN,
        colour: Color = INK,
        most: int | None = None,
    ) -> float:
        """Write a wrapped text with its first base line at ``y``; return the next base line.

        What goes beyond ``most`` lines is cut with an ellipsis.
        """
        lines = self.wrapped(text, width, size, font)
        if most is not None and len(lines) > most:
            lines[most - 1 :] = [self.fitted(lines[most - 1] + " …", width, size, font)]
        for line in lines:
            self.text(x, y, line, size=size, font=font, colour=colour)
            y -= 1.4 * size
        return y

    def line(
        self,
        x1: float,
        y1: float,
        x2: float,
        y2: float,
        *,
        width: float = 0.5,
        colour: Color = INK,
        dashes: Sequence[float] = (),
    ) -> None:
        """Draw a straight line."""
        self._canvas.setStrokeColor(colour)
        self._canvas.setLineWidth(width)
        self._canvas.setDash(list(dashes))
        self._canvas.line(x1, y1, x2, y2)
        self._canvas.setDash([])

    def box(
        self,
        area: Area,
        *,
        fill: Color | None = None,
        stroke: Color | None = None,
        width: float = 0.5,
    ) -> None:
        """Draw a rectangle."""
        if fill is not None:
            self._canvas.setFillColor(fill)
        if stroke is not None:
            self._canvas.setStrokeColor(stroke)
            self._canvas.setLineWidth(width)
        self._canvas.rect(
            area.left,
            area.bottom,
            area.width,
            area.height,
            stroke=int(stroke is not None),
            fill=int(fill is not None),
        )

    def picture(self, content: bytes, area: Area) -> None:
        """Draw a PNG or JPEG into the upper right of an area, in its own proportions."""
        self._canvas.drawImage(
            ImageReader(io.BytesIO(content)),
            area.left,
            area.bottom,
            area.width,
            area.height,
            mask="auto",
            preserveAspectRatio=True,
            anchor="ne",
        )

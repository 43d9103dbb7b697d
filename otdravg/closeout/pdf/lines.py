"""Line plots on the paper of the printed closeout: two scales, lines that are cut to a frame."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from reportlab.lib.colors import Color, HexColor

from otdravg.closeout.pdf.paper import BOLD, INK, QUIET, RULE, Area, Paper
from otdravg.draw.curves import value_range

FloatArray = npt.NDArray[np.float64]

# Blue, orange and black differ for every kind of colour vision and in grey; so do the dashes.
FROM_A = HexColor("#1b4f8f")
FROM_B = HexColor("#c2600b")
GLASS = HexColor("#6b3d87")
DASHES_B = (4.0, 1.5)


def ticks(low: float, high: float, about: int) -> tuple[float, ...]:
    """Round values at equal distances inside a range, about so many."""
    if not (math.isfinite(low) and math.isfinite(high) and high > low):
        return ()
    rough = (high - low) / max(about, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple(k * step for k in range(first, last + 1))


def _decimals(values: Sequence[float]) -> int:
    """Decimals needed to write equally distant values."""
    if len(values) < 2:
        return 0
    return max(0, -math.floor(math.log10(values[1] - values[0]) + 1e-9))


@dataclass(frozen=True, slots=True)
class Scale:
    """A range of values."""

    low: float
    high: float

    @classmethod
    def around(cls, values: FloatArray, *, least: float = 0.02) -> Scale:
        """Range of 99 % of the values with some room; single peaks may leave the frame."""
        if not np.isfinite(values).any():
            return cls(0.0, 1.0)
        low, high = value_range(values)
        half = 0.58 * max(high - low, least)
        middle = (high + low) / 2
        return cls(middle - half, middle + half)


class Plot:
    """A frame with a scale along x and another along y.

    Parameters
    ----------
    paper : Paper
        What is drawn on.
    area : Area
        The frame itself; figures of the scales stand outside, left and below.
    x, y : Scale
        Ranges shown.
    decimal : callable
        Writes a figure with the decimal sign of the document's language.
    """

    def __init__(
        self, paper: Paper, area: Area, x: Scale, y: Scale, decimal: Callable[[object], str]
    ) -> None:
        self._paper = paper
        self.area = area
        self._x, self._y = x, y
        self._decimal = decimal

    def x(self, value: float) -> float:
        """Place of a value along x, in points."""
        share = (value - self._x.low) / (self._x.high - self._x.low)
        return self.area.left + share * self.area.width

    def y(self, value: float) -> float:
        """Place of a value along y, in points."""
        share = (value - self._y.low) / (self._y.high - self._y.low)
        return self.area.bottom + share * self.area.height

    def frame(self, heading: str, x_label: str, y_label: str) -> None:
        """Draw scales and texts: fine lines across, no box."""
        paper, area = self._paper, self.area
        across = ticks(self._y.low, self._y.high, max(2, int(area.height / 26)))
        for value in across:
            paper.line(area.left, self.y(value), area.right, self.y(value), width=0.3, colour=RULE)
            figure = self._figure(value, _decimals(across))
            paper.text(area.left - 4, self.y(value) - 2.2, figure, size=6.5, align="right")
        along = ticks(self._x.low, self._x.high, max(2, int(area.width / 60)))
        for value in along:
            paper.line(self.x(value), area.bottom, self.x(value), area.bottom - 3, colour=QUIET)
            figure = self._figure(value, _decimals(along))
            paper.text(self.x(value), area.bottom - 10, figure, size=6.5, align="centre")
        paper.line(area.left, area.bottom, area.right, area.bottom, colour=QUIET)
        size = min(8.0, 8 * (area.width - 20) / max(paper.width_of(heading, 8, BOLD), 1.0))
        paper.text(area.left, area.top + 6, heading, size=size, font=BOLD)
        paper.text(area.right, area.bottom - 19, x_label, size=6.5, colour=QUIET, align="right")
        paper.text(area.right, area.top + 6, y_label, size=6.5, colour=QUIET, align="right")

    def _figure(self, value: float, decimals: int) -> str:
        return self._decimal(f"{value + 0.0:.{decimals}f}").replace("-", "−")

    def curve(
        self,
        x: FloatArray,
        y: FloatArray,
        *,
        colour: Color = INK,
        width: float = 0.7,
        dashes: Sequence[float] = (),
    ) -> None:
        """Draw a line, cut at the frame."""
        if x.size < 2:
            return
        canvas, area = self._paper.canvas, self.area
        canvas.saveState()
        frame = canvas.beginPath()
        frame.rect(area.left, area.bottom, area.width, area.height)
        canvas.clipPath(frame, stroke=0, fill=0)
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(width)
        canvas.setLineJoin(1)
        canvas.setDash(list(dashes))
        shown_x = self.area.left + (x - self._x.low) / (self._x.high - self._x.low) * area.width
        shown_y = self.area.bottom + (y - self._y.low) / (self._y.high - self._y.low) * area.height
        # Far outside the frame a line needs no precision, only a finite number.
        shown_y = np.clip(shown_y, area.bottom - 2000, area.top + 2000)
        path = canvas.beginPath()
        path.moveTo(round(float(shown_x[0]), 1), round(float(shown_y[0]), 1))
        for px, py in zip(shown_x[1:].tolist(), shown_y[1:].tolist(), strict=True):
            path.lineTo(round(px, 1), round(py, 1))
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()

    def upright(self, value: float) -> None:
        """Draw a fine line at a value of x over the height of the frame."""
        at = self.x(value)
        if self.area.left <= at <= self.area.right:
            self._paper.line(
                at, self.area.bottom, at, self.area.top, colour=QUIET, dashes=(1, 2), width=0.6
            )

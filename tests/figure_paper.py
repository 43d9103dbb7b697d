"""What the figures of docs/method.md share: one plain look, and shots of known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from making import shot_file
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from simulated import Fibre, Instrument, backscatter_power

from otdravg.shot.noise import DB_PER_RELATIVE_POWER, linear_power
from otdravg.shot.trace import Trace, traces_from

FloatArray = npt.NDArray[np.float64]

# Blue, orange and black differ for every kind of colour vision and in grey.
FROM_A, FROM_B, TRUE, GLASS = "#1b4f8f", "#d4690a", "#111111", "#6b3d87"
TRUTH, PALE, SHADE, MARGIN = "#3a9a3a", "#b5b5b5", "#e4e4e4", "#f3eadf"


def paper(columns: int, rows: int = 1, height: float = 3.7) -> tuple[Figure, list[Axes]]:
    """An empty figure and its panels in reading order."""
    figure = Figure(figsize=(9.6, height), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    panels = list(figure.subplots(rows, columns, squeeze=False).ravel())
    for panel in panels:
        panel.spines[["top", "right"]].set_visible(False)
        panel.grid(color="#e6e6e6", linewidth=0.6)
        panel.set_axisbelow(True)
        panel.tick_params(labelsize=8)
    return figure, panels


def label(panel: Axes, title: str, x: str, y: str, legend: str | None = "best") -> None:
    """Title, axes and legend of a panel, when all is drawn."""
    panel.set_title(title, fontsize=9.5, loc="left")
    panel.set_xlabel(x, fontsize=8.5)
    panel.set_ylabel(y, fontsize=8.5)
    if legend:
        panel.legend(loc=legend, fontsize=7.5, framealpha=0.9, edgecolor="none")


def trace_of(link: Fibre, tool: Instrument, seed: int, **how: object) -> Trace:
    return traces_from(shot_file(link, tool, seed, **how))[0]  # type: ignore[arg-type]


def error_db(trace: Trace, link: Fibre, tool: Instrument) -> FloatArray:
    """Level of a shot less that of the same fibre without noise and without reflections.

    Linear in power, as the fit has it; the launch level is taken from the points themselves.
    """
    tool = replace(tool, point_count=trace.level_db.size)
    power = backscatter_power(link, tool)
    ratio = linear_power(trace.level_db) / np.maximum(power, 1e-6 * power.max())
    scale = float(np.median(ratio[power > 0.5 * power.max()]))
    return np.asarray(DB_PER_RELATIVE_POWER * (ratio / scale - 1))

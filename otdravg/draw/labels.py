"""Labels of many splices in one row: side by side, each as near to its splice as it can be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from otdravg.draw.curves import SpanCurves, value_at
from otdravg.verdict.judge import Judged

FloatArray = npt.NDArray[np.float64]

#: Room for the label of an event, points.
_EVENT_LABEL_PT = 52
#: Of leaders and of the lines that mark splices.
LEADER_COLOUR = "#8c8c8c"


@dataclass(frozen=True, slots=True)
class LabelStyle:
    """How a row of labels is set."""

    size_pt: float
    width_pt: float  # kept free for each
    upright: bool = False
    height: float = 0.98  # top of the row as a share of the panel


def label_row(
    panel: Axes,
    curves: SpanCurves,
    curve: FloatArray | None,
    splices: Sequence[Judged],
    labels: Sequence[str],
    style: LabelStyle,
) -> None:
    """Write one label per splice along the top of a panel, with leaders to the curve."""
    if not splices:
        return
    at_m = np.array([judged.reading.distance_m for judged in splices])
    low_km, high_km = panel.get_xlim()
    panel_pt = panel.get_window_extent().width * 72 / panel.figure.dpi
    km_per_pt = (high_km - low_km) / panel_pt
    half = style.width_pt / 2 * km_per_pt
    label_km = side_by_side(at_m / 1000, 2 * half, low_km + half, high_km - half)
    frame = panel.get_xaxis_transform()
    ends = None if curve is None else value_at(curves.z_m, curve, at_m)
    for i, text in enumerate(labels):
        if not text:
            continue
        note = panel.annotate(
            text,
            xy=(at_m[i] / 1000, 1.0 if ends is None else ends[i]),
            xycoords=frame if ends is None else "data",
            xytext=(label_km[i], style.height), textcoords=frame,
            fontsize=style.size_pt, linespacing=1.15, rotation=90 if style.upright else 0,
            ha="center", va="top" if ends is not None else "bottom",
            arrowprops={"arrowstyle": "-", "color": LEADER_COLOUR, "linewidth": 0.6,
                        "shrinkA": 1, "shrinkB": 2},
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
        note.set_fontweight("bold" if splices[i].needs_work else "normal")


def event_row(panel: Axes, at_km: Sequence[float], labels: Sequence[str]) -> None:
    """Write one label per event above a panel that shows one shot."""
    low_km, high_km = panel.get_xlim()
    panel_pt = panel.get_window_extent().width * 72 / panel.figure.dpi
    width_km = _EVENT_LABEL_PT * (high_km - low_km) / panel_pt
    order = np.argsort(at_km)
    places_km = side_by_side(np.asarray(at_km)[order], width_km, low_km, high_km)
    for i, x_km in zip(order, places_km, strict=True):
        panel.annotate(
            labels[i], xy=(x_km, 0.93), xycoords=panel.get_xaxis_transform(), fontsize=7.5,
            ha="center", linespacing=1.15,
        )  # fmt: skip


def side_by_side(wanted: FloatArray, width: float, low: float, high: float) -> FloatArray:
    """Move labels of one width apart so that none overlaps, each as near as it can be.

    Parameters
    ----------
    wanted : array, shape (n,), ascending
        Where each label would like its middle to be.
    width : float
        Room that a label takes, in the same unit.
    low, high : float
        Between which the middles must stay; if there is not room for all they share it.

    Returns
    -------
    array, shape (n,)

    Notes
    -----
    After taking i·width off, "no overlap" means "not decreasing": the least-squares answer
    is isotonic regression, by pooling neighbours that violate the order.
    """
    count = wanted.size
    width = min(width, (high - low) / max(count - 1, 1))
    offsets = np.arange(count) * width
    pools: list[tuple[float, int]] = []
    for value in wanted - offsets:
        mean, size = float(value), 1
        while pools and pools[-1][0] > mean:
            before, members = pools.pop()
            mean, size = (before * members + mean * size) / (members + size), members + size
        pools.append((mean, size))
    fitted = np.repeat([mean for mean, _ in pools], [size for _, size in pools])
    return np.asarray(np.clip(fitted, low, high - offsets[-1]) + offsets)

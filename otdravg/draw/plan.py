"""The picture of a plan: expected uncertainty along the span for every pulse."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter

from otdravg.draw.pair import new_figure, own_look, write_line
from otdravg.forecast.outlook import Obstacle
from otdravg.forecast.plan import Forecast, ShotPlan
from otdravg.report.plan_text import pulse_text

_MARKERS = "osD^v<>pPX*hd"
_FAINT = "#8a8a8a"


@own_look()
def plan_figure(plan: ShotPlan) -> Figure:
    """Draw the expected expanded uncertainty along the span, one line for each pulse.

    Parameters
    ----------
    plan : ShotPlan
        A plan; the averaging time drawn is the chosen one, else the longest.

    Returns
    -------
    Figure
        Above the uncertainty at every splice, below what each pulse cannot measure both ways.
    """
    figure = new_figure()
    shown = [plan.of(pulse, plan.shown_averaging_s) for pulse in plan.pulses_ns]
    grid = {"height_ratios": (2.6, 1.3), "hspace": 0.12, "left": 0.085, "right": 0.84,
            "top": 0.87, "bottom": 0.09}  # fmt: skip
    upper: Axes
    lower: Axes
    upper, lower = figure.subplots(2, 1, sharex=True, gridspec_kw=grid)
    title = (
        f"Plan: what {plan.shown_averaging_s:g} s of averaging from each end would know "
        f"({plan.basis.wavelength_nm} nm)"
    )
    write_line(figure, 0.95, title, x=0.085, fontsize=14, fontweight="bold")
    basis = f"Foretold, not measured: {plan.basis.statements[0]}"
    write_line(figure, 0.912, basis, x=0.085, fontsize=9)
    colours = _colours(len(shown))
    _draw_uncertainty(upper, plan, shown, colours)
    _draw_hindrances(lower, shown, colours)
    lower.set_xlim(0, plan.route.length_m / 1000)
    lower.set_xlabel("distance from A in km")
    return figure


def _colours(count: int) -> list[tuple[float, float, float]]:
    """Dark blue to orange, in steps that stay apart in grey."""
    start, stop = np.array([0.07, 0.16, 0.42]), np.array([0.95, 0.60, 0.15])
    shares = np.linspace(0, 1, max(count, 2))
    mixed = [start + share * (stop - start) for share in shares]
    return [(float(c[0]), float(c[1]), float(c[2])) for c in mixed]


def _draw_uncertainty(
    panel: Axes,
    plan: ShotPlan,
    shown: list[Forecast],
    colours: list[tuple[float, float, float]],
) -> None:
    z_km = np.array([p.middle_m for p in plan.route.places]) / 1000
    for k, (one, colour) in enumerate(zip(shown, colours, strict=True)):
        u = np.array([np.nan if e.expanded_db is None else e.expanded_db for e in one.expectations])
        size, width, note = (6, 2.6, " (chosen)") if one is plan.chosen else (4, 1.1, "")
        panel.plot(
            z_km, u, marker=_MARKERS[k % len(_MARKERS)], markersize=size, linewidth=width,
            color=colour, label=pulse_text(one.pulse_ns) + note,
        )  # fmt: skip
    target_db = float(plan.target_db)
    panel.axhline(target_db, color="black", linewidth=1.2, linestyle=(0, (5, 3)))
    panel.annotate(
        f"aim ± {plan.target_db} dB", (0.995, target_db), xycoords=("axes fraction", "data"),
        xytext=(0, 3), textcoords="offset points", ha="right", fontsize=9,
    )  # fmt: skip
    panel.set_yscale("log")
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    panel.yaxis.set_minor_formatter(NullFormatter())
    panel.set_ylabel("expected ± U of the true loss in dB (k = 2)")
    panel.grid(which="both", color="#e2e2e2", linewidth=0.6)
    panel.legend(title="pulse", loc="upper left", bbox_to_anchor=(1.01, 1.0), fontsize=9)


def _draw_hindrances(
    panel: Axes, shown: list[Forecast], colours: list[tuple[float, float, float]]
) -> None:
    joined: tuple[list[float], list[int]] = ([], [])
    short: tuple[list[float], list[int]] = ([], [])
    for row, one in enumerate(shown):
        panel.axhline(row, color="#e2e2e2", linewidth=0.6, zorder=0)
        for place, found in one.hindrances:
            is_joined = Obstacle.JOINED in (found.obstacle_ab, found.obstacle_ba)
            z_km, rows = joined if is_joined else short
            z_km.append(place.middle_m / 1000)
            rows.append(row)
    panel.scatter(*joined, marker="x", color="#8c1d18", label="not parted")
    panel.scatter(*short, marker="v", facecolors="none", edgecolors="#1b4f8f", label="not reached")
    panel.set_yticks(range(len(shown)), [pulse_text(one.pulse_ns) for one in shown], fontsize=8)
    for label, colour in zip(panel.get_yticklabels(), colours, strict=True):
        label.set_color(colour)
    panel.set_ylim(len(shown) - 0.4, -0.6)
    panel.set_ylabel("not measured both ways")
    panel.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), fontsize=8)
    if not joined[0] and not short[0]:
        panel.text(
            0.5, 0.5, "every pulse measures every splice from both ends",
            transform=panel.transAxes, ha="center", va="center", color=_FAINT,
        )  # fmt: skip

"""Figures of docs/method.md about one shot: noise, end, search, ramp, tail.

All shots are simulated and go through the package's own core. Fixed seeds: same bytes every run.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from figure_paper import (
    FROM_A,
    FROM_B,
    GLASS,
    MARGIN,
    PALE,
    SHADE,
    TRUE,
    TRUTH,
    FloatArray,
    error_db,
    label,
    paper,
    trace_of,
)
from making import instrument, span
from matplotlib.figure import Figure
from simulated import backscatter_power

from otdravg.fit.side import TAIL_MARGIN
from otdravg.shot.detect import EventKind, detect
from otdravg.shot.noise import DB_PER_RELATIVE_POWER, linear_power
from otdravg.shot.ramp import RampWindows, grid_step_m, location_cost, lowest
from otdravg.shot.reflections import FALL_DB_PER_PULSE
from otdravg.shot.shot import prepare
from otdravg.shot.steps import Search, alone_between, threshold_for


def noise() -> Figure:
    link = span([40_000.0], [])
    tool = instrument(
        300, 2.0, ripple_db=0.006, smoothing_points=5, front_panel_reflectance_db=None
    )
    tool = replace(tool, tail_fraction=0.0)
    trace = trace_of(link, tool, 8, far_noise_db=0.08, record=1.2)
    shot = detect(trace).shot
    fibre = slice(60, int(np.searchsorted(shot.x_m, 39_800)))
    error = error_db(trace, link, tool)[fibre]
    model = backscatter_power(link, replace(tool, point_count=trace.level_db.size))[fibre]
    figure, (sources, lags) = paper(2)
    level = 5 * np.log10(model / model[0])
    found = shot.noise
    start = float(np.median(trace.level_db[60:160] - level[:100]))
    parts = np.array_split(np.arange(error.size), 40)
    sources.semilogy(
        [level[p].mean() for p in parts], [np.mean(error[p] ** 2) for p in parts],
        "o", color=FROM_A, markersize=4, label="true errors of the points",
    )  # fmt: skip
    inverse = np.exp((level + start) * (-2 / DB_PER_RELATIVE_POWER))
    sources.semilogy(
        level,
        found.variance_at(inverse),
        color=TRUE,
        linewidth=1.8,
        label="their variance as estimated",
    )
    sources.semilogy(
        level,
        0 * level + found.constant_db2,
        "--",
        color=GLASS,
        label="ripple and rounding: constant",
    )
    sources.semilogy(
        level, found.receiver_db2 * inverse, "--", color=FROM_B, label="receiver: ∝ 1 / P²"
    )
    sources.set_ylim(1e-6, 2e-2)
    sources.invert_xaxis()
    label(
        sources, "Variance of a point against its level", "level, dB", "variance, dB²", "upper left"
    )
    most = 40
    for part, colour, text in (
        (error[: error.size // 5], GLASS, "first fifth: ripple rules"),
        (error[-error.size // 5 :], FROM_B, "last fifth: receiver rules"),
    ):
        centred = part - part.mean()
        covariance = np.array([centred[k:] @ centred[: part.size - k] for k in range(most)])
        lags.plot(covariance / covariance[0], ".-", color=colour, markersize=4, label=text)
    names = ("smoothing", "+ ½ pulse", "+ pulse")
    for window, text in zip(shot.correlation_windows, names, strict=True):
        lags.axvline(window, color=TRUE, linewidth=1, linestyle=":")
        lags.text(window + 0.6, 1.02, text, fontsize=7.5, va="bottom")
    lags.axhline(0, color=TRUE, linewidth=0.8)
    lags.set_ylim(-0.15, 1.12)
    label(lags, "Autocorrelation, and where the windows end", "lag, points", "", "center right")
    return figure


def end_of_fibre() -> Figure:
    link = span([5000], [], end_b_reflectance_db=-40.0)
    tool = instrument(200, 2.0, tail_fraction=0.01, tail_ns=300)
    shot = prepare(trace_of(link, tool, 6, far_noise_db=0.01, record=1.4))
    assert shot.fall is not None
    figure, (levels, falls) = paper(2)
    pulse = round(shot.pulse_m / shot.spacing_m)
    first = shot.fall - 12 * pulse
    block = slice(first, first + 30 * pulse)
    power = linear_power(shot.trace.level_db[block]).reshape(-1, pulse).mean(axis=1)
    means = DB_PER_RELATIVE_POWER * np.log(np.maximum(power - shot.floor.dark_power, 1e-13))
    pulses = np.arange(means.size) - 12
    x = (shot.x_m[block] - 5000) / shot.pulse_m
    levels.plot(x, shot.trace.level_db[block], ".", color=PALE, markersize=2, label="points")
    middles = x.reshape(-1, pulse).mean(axis=1)
    levels.plot(middles, means, "o", color=FROM_A, markersize=4, label="means over a pulse")
    levels.axvline(0, color=TRUTH, label="true end")
    levels.set_xlim(-8, 14)
    levels.set_ylim(-34, 3)
    label(levels, "End with a reflection and a slow tail", "pulses behind the end", "level, dB")
    fall = -np.diff(means)
    last = int(np.searchsorted(pulses, round((shot.end - shot.fall) / pulse)))
    colours = [FROM_A if each > FALL_DB_PER_PULSE else PALE for each in fall[:last]]
    falls.bar(pulses[1 : last + 1], fall[:last], color=colours)
    falls.axhline(FALL_DB_PER_PULSE, color=FROM_B, linestyle="--", label="FALL_DB_PER_PULSE")
    falls.axhline(0, color=TRUE, linewidth=0.8)
    falls.set_xlim(-7.5, pulses[last] + 0.8)
    falls.set_ylim(-1.5, 8.5)
    title = "Fall from pulse to pulse, as far as there is signal"
    label(falls, title, "pulses behind the start of the fall", "dB per pulse", "upper left")
    return figure


def search_scales() -> Figure:
    link = span(
        [3000, 3500, 220, 3280, 3000], [0.015, 0.06, 0.06, 0.05],
        levels_db=[0, 0, 0, 0.12, 0.17],
    )  # fmt: skip
    seen = detect(trace_of(link, instrument(100, 2.0, ripple_db=0.004), 4, far_noise_db=0.03))
    shot, search = seen.shot, Search.of(seen.shot)
    threshold = threshold_for(0.01, shot.signal_end_m, shot.pulse_m, 1)
    figure, panels = paper(1, rows=2, height=4.6)
    cells = np.arange(shot.cells.x_m.size)
    x = shot.cells.x_m
    pair_m = [(at, at + shot.recovery_m) for at in link.joint_positions_m[1:3]]
    for panel, scale, zones, title in (
        (panels[0], 100.0, [], "Windows of 100 m on both sides"),
        (panels[1], 2000.0, pair_m, "Windows of 2000 m, bounded by the two steps found before"),
    ):
        first, last = alone_between(search, zones, x, seen.end_m - shot.pulse_m)
        lo = np.maximum(first, search.index(np.maximum(x - scale, shot.x_m[shot.front_clear])))
        hi = np.minimum(last, search.index(x + shot.recovery_m + scale))
        found = search.step(lo, x, x + shot.recovery_m, hi)
        score = found.score(search.remains_db[cells], shot.rounding_db)
        panel.semilogy(x / 1000, np.maximum(score, 1e-3), color=FROM_A, linewidth=0.7)
        panel.axhline(threshold, color=FROM_B, linewidth=1.2, linestyle="--")
        for place, b, joint in zip(
            link.joint_positions_m, link.backscatter_steps_db, link.joints, strict=True
        ):
            panel.axvline(place / 1000, color=TRUTH, linewidth=1, zorder=0)
            if panel is panels[0]:
                reading, right = round(joint.loss_db + b, 3), b < -0.1
                panel.annotate(
                    f"{reading:+.3f} dB" if reading else "0 dB", (place / 1000, 3e3),
                    (4 if right else -4, 0), textcoords="offset points",
                    ha="left" if right else "right", fontsize=7.5,
                )  # fmt: skip
        panel.set_xlim(0, link.length_m / 1000)
        panel.set_ylim(0.05, 1e4)
        panel.text(0.1, threshold * 1.2, f"threshold {threshold:.1f}", color=FROM_B, fontsize=8)
        label(panel, title, "km", "(step / u)²", None)
    return figure


def ramp() -> Figure:
    link = span([3000, 3000], [0.15])
    seen = detect(trace_of(link, instrument(500, 2.5, ripple_db=0.004), 5, far_noise_db=0.02))
    steps = [e for e in seen.events if e.kind is EventKind.STEP]
    shot, at = seen.shot, np.array([steps[0].distance_m])
    search = Search.of(shot)
    lo, hi = alone_between(search, [(e.distance_m, e.clear_m) for e in seen.events], at, seen.end_m)
    figure, (shape, cost) = paper(2)
    windows = RampWindows.around(shot, at, shot.pulse_m, lo, hi)
    x, offset = windows.x_m[0] - 3000, float(np.mean(windows.before_db))
    model = (windows.level_db - windows.residual(at[:, None])[0] / np.sqrt(windows.weight))[0]
    shape.plot(
        shot.x_m - 3000, shot.trace.level_db - offset, ".", color=PALE, markersize=3, label="points"
    )
    shape.plot(x, windows.level_db[0] - offset, "o", color=FROM_A, markersize=4, label="cells")
    shape.plot(x, windows.before_db[0] - offset, "--", color=TRUE, linewidth=1, label="both lines")
    shape.plot(x, (windows.before_db - windows.drop_db)[0] - offset, "--", color=TRUE, linewidth=1)
    shape.plot(x, model - offset, color=FROM_B, linewidth=2, label="ramp between them")
    shape.axvspan(0, shot.pulse_m, color=SHADE, zorder=0)
    shape.text(shot.pulse_m / 2, 0.05, "pulse", ha="center", fontsize=8)
    shape.set_xlim(x[0], x[-1])
    shape.set_ylim(-0.21, 0.07)
    label(
        shape,
        "A splice of 0.150 dB under a pulse of 500 ns",
        "m behind the splice",
        "level, dB",
        "lower left",
    )
    grid = at[:, None] + np.arange(-12, 12.5) * grid_step_m(shot)
    values = location_cost(shot, grid, lo, hi)
    best, beyond, width = lowest(values)
    k, step = int(best[0]), grid_step_m(shot)
    vertex = float(grid[0, k] + beyond[0] * step)
    base = float(values[0, k] - (beyond[0] / width[0]) ** 2)
    fine = np.linspace(-2.5, 2.5, 201) * step
    cost.plot(
        grid[0] - 3000,
        values[0] - base,
        "o",
        color=FROM_A,
        markersize=4,
        label="cost at each start tried",
    )
    cost.plot(
        vertex + fine - 3000, (fine / (width[0] * step)) ** 2, color=FROM_B,
        label="parabola through the lowest three",
    )  # fmt: skip
    cost.axvline(vertex - 3000, color=TRUE, linewidth=1, linestyle="--", label="its vertex")
    cost.axvline(0, color=TRUTH, linewidth=1.5, label="true place")
    cost.set_xlim(-15, 40)
    cost.set_ylim(-4, 65)
    label(
        cost,
        "Fit of the start",
        "m behind the splice",
        "weighted squares above the least",
        "upper right",
    )
    return figure


#: Shots of the figure on tails: what one does not show, many do.
TAIL_SHOTS = 240


def tail() -> Figure:
    link = span([3000, 2000], [0.3], reflectances_db={0: -42.0}, end_b_reflectance_db=None)
    tool = instrument(100, 1.0, ripple_db=0.0, tail_fraction=0.0015, tail_ns=250)
    errors, margins = [], np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0])
    scores: list[FloatArray] = []
    for seed in range(TAIL_SHOTS):
        trace = trace_of(link, tool, 900 + seed, far_noise_db=0.006)
        seen = detect(trace)
        shot, search = seen.shot, Search.of(seen.shot)
        event = next(e for e in seen.events if e.kind is EventKind.REFLECTION)
        dead = event.clear_m - event.distance_m
        start = np.full(margins.size, event.distance_m - shot.guard_m)
        lo = np.full(margins.size, shot.front_clear // shot.cells.width + 200)
        hi = np.full(margins.size, search.index(seen.end_m - 100)[0])
        found = search.step(lo, start, event.clear_m + margins * dead, hi)
        scores.append((found.loss_db - 0.3) / found.u_db)
        level = trace.level_db - 5 * np.log10(
            backscatter_power(
                link, replace(tool, tail_fraction=0.0, point_count=trace.level_db.size)
            ).clip(1e-30)
        )
        errors.append(level - np.mean(level[4000:4800]))
    figure, (record, bias) = paper(2)
    x = shot.x_m - 3000
    record.plot(
        x, 1000 * errors[-1], color=PALE, linewidth=0.6, label="one shot less its true fibre"
    )
    record.plot(
        x,
        1000 * np.mean(errors, axis=0),
        color=FROM_A,
        linewidth=1.2,
        label=f"mean of {TAIL_SHOTS} shots: the tail",
    )
    record.axvspan(event.distance_m - 3000, event.clear_m - 3000, color=SHADE, zorder=0)
    record.axvspan(
        event.clear_m - 3000, event.clear_m + TAIL_MARGIN * dead - 3000, color=MARGIN, zorder=0
    )
    record.text(dead / 2, -13, "dead zone", ha="center", fontsize=8)
    record.text(1.5 * dead, -13, "margin", ha="center", fontsize=8)
    record.axhline(0, color=TRUE, linewidth=0.8)
    record.set_xlim(-50, 3.5 * dead)
    record.set_ylim(-15, 30)
    label(record, "Behind a connector of −42 dB", "m behind the connector", "mdB", "upper right")
    means = np.mean(scores, axis=0)
    spread = np.std(scores, axis=0, ddof=1) / np.sqrt(len(scores))
    bias.errorbar(
        margins,
        means,
        2 * spread,
        fmt="o-",
        color=FROM_A,
        capsize=3,
        label=f"mean of {TAIL_SHOTS} shots ± 2 s.e.",
    )
    bias.axhline(0, color=TRUE, linewidth=0.8)
    bias.axvline(TAIL_MARGIN, color=FROM_B, linestyle="--", label="TAIL_MARGIN")
    label(
        bias,
        "Error of the connector's one-way loss",
        "margin, lengths of the dead zone",
        "error / u",
        "lower right",
    )
    return figure


#: Picture and what draws it.
FIGURES_OF_A_SHOT: dict[str, Callable[[], Figure]] = {
    "method-noise.png": noise,
    "method-end.png": end_of_fibre,
    "method-search.png": search_scales,
    "method-ramp.png": ramp,
    "method-tail.png": tail,
}

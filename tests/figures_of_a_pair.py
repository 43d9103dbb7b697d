"""Figures of docs/method.md about both shots: averaging, joint fit, borrowed slopes, honesty.

All shots are simulated and go through the package's own core. Fixed seeds: same bytes every run.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from benchmarks.common import NORMAL_95, both_ways, compare, first_corpus, measure, share_interval
from figure_paper import FROM_A, FROM_B, GLASS, PALE, SHADE, TRUE, TRUTH, label, paper
from making import NO_CORDS, Cords, instrument, measured, span
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy import stats
from simulated import true_joints

from otdravg.fit.joint import PRIOR_DRIFT_SPREAD, VAGUE, JointFit, SectionSums, fit_sections
from otdravg.fit.side import Side


def fitted_line(
    fit: JointFit, side: Side, section: int | NDArray[np.intp], z_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Level of a shot's line in a section, or in one for each position."""
    level, slope = fit.lines(fit.middle_m, forward=side.forward)
    return np.asarray(level[section] + slope[section] * (z_m - fit.middle_m[section]))


def one_shot_and_two() -> Figure:
    glass = span([2500, 2000, 2500, 1500], [0.06, 0.12, 0.09], levels_db=[0, 0.15, -0.08, 0.05])
    pair = measured(glass, instrument(100, 2.0), stated=NO_CORDS, seed=3, far_noise_db=0.02)
    figure, (curves, readings) = paper(2)
    fitted = []
    z_m = np.linspace(0, glass.length_m, 2000)
    section = np.searchsorted([p.middle_m for p in pair.places], z_m)
    attenuation = pair.attenuation_db_per_km or 0.0
    for side, colour, from_db in ((pair.side_ab, FROM_A, 0.0), (pair.side_ba, FROM_B, -0.75)):
        slope = attenuation / 1000 * (1 if side.forward else -1)
        lines = fitted_line(pair.fit, side, section, z_m)
        first = lines[0] - from_db
        clean = np.flatnonzero(side.weight > 0)[::3]
        z, level = side.z()[clean], side.shot.trace.level_db[clean]
        curves.plot(z / 1000, level + slope * z - first, ",", color=colour, alpha=0.5)
        fitted.append(lines + slope * z_m - first)
        curves.plot(z_m / 1000, fitted[-1], color=colour, linewidth=1.4)
    loss, glass_only = (fitted[0] - fitted[1]) / 2, (fitted[0] + fitted[1]) / 2
    curves.plot(z_m / 1000, loss - loss[0] - 1.1, color=TRUE, linewidth=2)
    curves.plot(z_m / 1000, glass_only - glass_only[0] - 1.75, color=GLASS, linewidth=2)
    for level_db, colour, text in (
        (0.0, FROM_A, "shot from A"),
        (-0.75, FROM_B, "shot from B"),
        (-1.1, TRUE, "half the difference"),
        (-1.75, GLASS, "half the sum"),
    ):
        curves.text(0.1, level_db + 0.04, text, color=colour, fontsize=8)
    curves.set_xlim(0, glass.length_m / 1000)
    curves.set_ylim(-2.0, 0.25)
    label(curves, "Without the fibre's attenuation", "km from A", "level, dB (moved apart)", None)
    joints = true_joints(glass)
    at = np.arange(len(joints))
    rows = list(pair.readings)
    readings.axhline(0, color=TRUE, linewidth=0.8)
    readings.bar(at - 0.25, [r.loss_ab_db for r in rows], 0.22, color=FROM_A, label="A→B alone")
    readings.bar(at, [r.loss_ba_db for r in rows], 0.22, color=FROM_B, label="B→A alone")
    readings.errorbar(
        at + 0.25, [r.loss_db for r in rows], [r.expanded_uncertainty_db for r in rows],
        fmt="o", color=TRUE, markersize=4, capsize=4, label="half the sum of both ± U",
    )  # fmt: skip
    readings.hlines(
        [j.loss_db for j in joints], at - 0.4, at + 0.42, color=TRUTH, label="true loss"
    )
    readings.set_xticks(at, [f"{j.position_m / 1000:.1f} km" for j in joints])
    readings.set_ylim(-0.15, 0.55)
    label(readings, "Readings and truth", "splice", "loss, dB (a gain is negative)", "upper right")
    return figure


def joint_fit() -> Figure:
    glass = span(
        [450, 380, 520], [0.10, 0.25], levels_db=[0, 0.12, -0.02], reflectances_db={1: -48.0}
    )
    tools = instrument(100, 1.0), instrument(300, 2.0)
    pair = measured(glass, tools[0], tool_b=tools[1], cords=Cords(300.0, 300.0), seed=2)
    figure, panels = paper(1, rows=2, height=5.2)
    axis, places = pair.axis, pair.places
    total = axis.start_a_m + axis.length_m + axis.start_b_m
    for panel, side, colour, title in (
        (
            panels[0],
            pair.side_ab,
            FROM_A,
            "Shot A→B, 100 ns: light travels to the right",
        ),
        (
            panels[1],
            pair.side_ba,
            FROM_B,
            "Shot B→A, 300 ns: light travels to the left",
        ),
    ):
        z, level = side.z(), side.shot.trace.level_db
        panel.plot(z, level, ".", color=PALE, markersize=1.5)
        lo, hi = side.ranges(places)
        for m, (begin, stop) in enumerate(zip(lo, hi, strict=True)):
            panel.plot(
                z[begin:stop],
                fitted_line(pair.fit, side, m, z[begin:stop]),
                color=colour,
                linewidth=2.2,
            )
        for begin, stop in side.dead_zones(places):
            ends = np.array([begin, stop]) - side.start_m
            panel.axvspan(*(ends if side.forward else axis.length_m - ends), color=SHADE, zorder=0)
        for place in places:
            panel.axvline(place.middle_m, color=TRUE, linewidth=0.8, linestyle=":")
        panel.set_xlim(-60, axis.length_m + 60)
        inside = level[(z > 100) & (z < axis.length_m - 100) & (side.weight > 0)]
        panel.set_ylim(inside.min() - 0.12, inside.max() + 0.3)
        label(panel, title, "", "level, dB", None)
    for panel, x_of in ((panels[0], axis.start_a_m), (panels[1], None)):
        ticks = np.arange(0, axis.length_m + 1, 150)
        shown = ticks + x_of if x_of is not None else total - axis.start_a_m - ticks
        panel.set_xticks(ticks, [f"{z:.0f}\n{x:.0f}" for z, x in zip(ticks, shown, strict=True)])
        panel.set_xlabel(
            f"upper: z, m from A; lower: {'x_A' if x_of is not None else 'x_B'}, m from that panel",
            fontsize=8.5,
        )
    figure.suptitle(
        f"x_A + x_B = X = {total:.1f} m (true: {glass.length_m + 600:.1f} m)", fontsize=9.5
    )
    return figure


#: The fibre of the figure on borrowed slopes: sections, the two in the middle of changing length.
SECTIONS, LONG_M, SPACING_M, POINT_DB = 8, 4000.0, 2.0, 0.01
ALPHA, SPREAD_ALPHA = 0.19, 0.008


def section_sums(
    short_m: float, noise: tuple[float, float], rng: np.random.Generator
) -> SectionSums:
    """Sums of a fibre without any loss at its joints; white noise, drawn as the sums feel it."""
    length = np.full(SECTIONS, LONG_M)
    length[3:5] = short_m
    edges = np.concatenate(([0.0], np.cumsum(length)))
    alpha = ALPHA + SPREAD_ALPHA * rng.standard_normal(SECTIONS)
    fallen = np.concatenate(([0.0], np.cumsum(alpha * length / 1000)))
    middle_db = (fallen[:-1] + fallen[1:]) / 2
    shots = []
    for sigma, level in zip(noise, (-middle_db, middle_db - fallen[-1]), strict=True):
        w = length / SPACING_M / sigma**2
        wtt = w * (length / 1000) ** 2 / 12
        e = rng.standard_normal((2, SECTIONS))
        shots.append(
            np.stack(
                [w, 0 * w, wtt, w * level + np.sqrt(w) * e[0], -wtt * alpha + np.sqrt(wtt) * e[1]]
            )
        )
    return SectionSums((edges[:-1] + edges[1:]) / 2, *shots)


def borrowing() -> Figure:
    figure, panels = paper(2)
    lengths = np.geomspace(60, 4000, 9)
    half = np.array([0.5, 0.5])
    apart, shared = (VAGUE, VAGUE), (VAGUE, PRIOR_DRIFT_SPREAD)
    for panel, noise, title in (
        (panels[0], (POINT_DB, POINT_DB), "Both shots equally noisy"),
        (panels[1], (POINT_DB, 3 * POINT_DB), "Shot B→A three times as noisy"),
    ):
        stated: dict[str, list[float]] = {"apart": [], "shared": [], "borrowed": [], "errors": []}
        for n, length in enumerate(lengths):
            z = np.cumsum([LONG_M, LONG_M, LONG_M, length, length, LONG_M, LONG_M])
            u: list[float] = []
            errors: list[float] = []
            for draw in range(250):
                sums = section_sums(float(length), noise, np.random.default_rng((n, draw)))
                for key, spreads in (("apart", apart), ("shared", shared)) if draw == 0 else ():
                    _, covariance = fit_sections(sums, spreads).steps(z)
                    stated[key].append(float(np.sqrt(half @ covariance[3] @ half)))
                readings, covariance = fit_sections(sums).steps(z)
                errors.append(float(half @ readings[3]))
                u.append(float(half @ covariance[3] @ half))
            stated["borrowed"].append(float(np.sqrt(np.mean(u))))
            stated["errors"].append(float(np.sqrt(np.mean(np.square(errors)))))
        points = lengths / SPACING_M
        variance = (noise[0] ** 2 + noise[1] ** 2) / 4
        for key, colour, text in (
            ("apart", FROM_A, "every line with a slope of its own"),
            ("shared", FROM_B, "α shared by both shots"),
            ("borrowed", TRUE, "and borrowed from other sections"),
        ):
            panel.loglog(
                lengths, 1000 * np.array(stated[key]), color=colour, linewidth=1.6, label=text
            )
        panel.loglog(
            lengths,
            1000 * np.array(stated["errors"]),
            "o",
            color=TRUE,
            markersize=4,
            label="RMS error of 250 draws",
        )
        together = 1 / (1 / noise[0] ** 2 + 1 / noise[1] ** 2)
        for bound, colour, text in (
            (8 * variance, FROM_A, "every slope free: 8v/N"),
            (2 * variance + 6 * together, FROM_B, "α shared: (2v + 6v′)/N"),
            (2 * variance, GLASS, "slopes known: 2v/N"),
        ):
            panel.loglog(
                lengths, 1000 * np.sqrt(bound / points), ":", color=colour, linewidth=3,
                label=f"Cramér–Rao, {text}",
            )  # fmt: skip
        panel.set_ylim(0.15, 10)
        panel.set_yticks([0.2, 0.5, 1, 2, 5], ["0.2", "0.5", "1", "2", "5"])
        panel.set_xticks([100, 300, 1000, 3000], ["100", "300", "1000", "3000"])
        panel.minorticks_off()
        label(
            panel,
            title,
            "length of both sections beside the splice, m",
            "u of the true loss, mdB",
            "lower left" if panel is panels[1] else None,
        )
    return figure


def honesty() -> Figure:
    scores = []
    for seed, pair in first_corpus(36, seed=700):
        found, _ = compare(measure(seed, pair))
        scores += [each.score for each in found if both_ways(each)]
    z = np.array(scores)
    figure, (spread, cover) = paper(2)
    edges = np.arange(-4, 4.01, 0.5)
    spread.hist(
        np.clip(z, -3.99, 3.99),
        edges,
        color=PALE,
        edgecolor="white",
        label=f"{z.size} splices and connectors",
    )
    fine = np.linspace(-4, 4, 200)
    spread.plot(
        fine,
        z.size * 0.5 * stats.norm.pdf(fine),
        color=FROM_B,
        linewidth=2,
        label="normal distribution",
    )
    spread.set_ylim(0, 1.3 * z.size * 0.5 * stats.norm.pdf(0))
    label(spread, "Errors of the true loss", "error / stated u", "joints per half u", "upper right")
    factors = np.array([0.5, 1.0, 1.5, NORMAL_95, 2.5, 3.0])
    hits = [int(np.count_nonzero(np.abs(z) <= k)) for k in factors]
    shares = np.array(hits) / z.size
    bounds = np.array([share_interval(n, z.size) for n in hits]).T
    cover.plot(
        fine[100:], 2 * stats.norm.cdf(fine[100:]) - 1, color=FROM_B, linewidth=2, label="as stated"
    )
    cover.errorbar(
        factors,
        shares,
        np.abs(bounds - shares),
        fmt="o",
        color=FROM_A,
        capsize=3,
        markersize=4,
        label="intervals that hold the truth (95 % confidence)",
    )
    cover.set_xlim(0, 3.3)
    cover.set_ylim(0, 1.05)
    label(cover, "Coverage of loss ± k·u", "k", "share", "lower right")
    return figure


#: Picture and what draws it.
FIGURES_OF_A_PAIR: dict[str, Callable[[], Figure]] = {
    "method-one-shot.png": one_shot_and_two,
    "method-joint.png": joint_fit,
    "method-borrowing.png": borrowing,
    "method-honesty.png": honesty,
}

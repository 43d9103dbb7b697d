"""Every splice that asks for something: a list, and a page with both shots and the numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import FibreResult, SpliceRow
from otdravg.closeout.pdf.job import Column, Job, loss_figure, print_table
from otdravg.closeout.pdf.lines import DASHES_B, FROM_A, FROM_B, GLASS, Plot, Scale
from otdravg.closeout.pdf.paper import BOLD, INK, PLAIN, QUIET, Area
from otdravg.closeout.sketches import PairSketch
from otdravg.draw.curves import envelope
from otdravg.quantities import Quantity, reported
from otdravg.tables.exceptions import (
    ExceptionGroup,
    exception_groups,
    has_splice_of_its_own,
    missing_of,
)
from otdravg.tables.lists import texts
from otdravg.tables.marks import State
from otdravg.tables.places import place_text
from otdravg.tables.splices import SPLICES
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Action
from otdravg.words.headings import Words

__all__ = [
    "exception_list",
    "exception_pages",
    "exception_strips",
    "facts_of",
    "place_of",
]

FloatArray = npt.NDArray[np.float64]

#: What is said of one splice, as columns of the table.
_FACTS = [
    (name, dict(SPLICES)[name])
    for name in (
        "loss_ab_db", "loss_ba_db", "loss_db", "expanded_uncertainty_db", "limit_db",
        "backscatter_step_db", "more_than_at_shortest_db", "reflectance_db", "verdict", "action",
        "reason", "missing_because", "decision", "kind", "coverage", "distance_m", "attempt",
        "taken", "file_ab", "file_ba",
    )
]  # fmt: skip

#: Points of all curves together that keep the file small enough to send by mail.
_ALL_BINS = 900_000
_MOST_BINS, _FEWEST_BINS = 320, 60
_STRIPS_ON_A_PAGE = 5
#: Most and least that is shown on either side of the splice, metres.
_NEAR_M = (60.0, 400.0)


def place_of(words: Words, row: SpliceRow) -> str:
    """Name the closure of a splice, or say that it is between closures."""
    if row.closure:
        return f"{words['closure']} {row.closure}"
    return words["between_closures"]


def facts_of(words: Words, row: SpliceRow) -> list[tuple[str, str]]:
    """Every figure of one splice with its heading; nothing for what is not known."""
    (cells,) = texts(_FACTS, [row], words)
    return [(words[name], text) for (name, _), text in zip(_FACTS, cells, strict=True) if text]


def exception_list(job: Job) -> None:
    """Print what asks for something, a line for each cause, the worst first."""
    words = job.words
    several = len(job.review.cables) > 1
    columns = [
        *([Column(words["cable"], 8)] if several else []),
        Column(words["verdict"], 13),
        Column(words["action"], 13),
        Column(words["fibre"], 6, "right"),
        Column(words["ribbon"], 6, "right"),
        Column(words["closure"], 11),
        Column(words["loss_by_wavelength"], 30),
        Column(words["limit_db"], 7, "right"),
        Column(words["reason"], 42),
    ]
    rows = [_group_line(job, group)[0 if several else 1 :] for group in _groups(job)]
    for missing in missing_of(job.review):
        fibres, again = numbers_text(missing.fibres), words.value(Action.SHOOT_AGAIN.value)
        nm = ", ".join(map(str, missing.wavelengths_nm))
        line = words["not_shot_line"].format(fibres=fibres, wavelengths=nm)
        cells = (
            missing.cable,
            words.value(State.NOT_SHOT.value),
            again,
            fibres,
            "",
            "",
            f"{nm} nm",
            "",
            line,
        )
        rows.append(cells[0 if several else 1 :])
    remark = words["causes"] if rows else words["no_exceptions"]
    heading = words["exceptions"]
    print_table(job.paper, heading, columns, rows, remark=remark, outline=heading)


def _groups(job: Job) -> list[ExceptionGroup]:
    return exception_groups(job.review.rows)


def _group_line(job: Job, group: ExceptionGroup) -> tuple[str, ...]:
    words, first = job.words, group.first
    own = has_splice_of_its_own(first)
    passed = sum(first.fibre in closure.fibres for closure in job.review.closures)
    closures = ", ".join(group.closures) or words["between_closures"]
    if len(group.closures) > 1 and len(group.closures) == passed:
        closures = words["all_closures"].format(count=passed)
    closures = ", ".join(filter(None, (closures, place_text(first.place, words))))
    if own:
        losses = "; ".join(
            f"{row.wavelength_nm}: {_with_u(words, row)}"
            for row in sorted(group.rows, key=lambda row: row.wavelength_nm)
        )
    else:
        losses = ", ".join(f"{nm} nm" for nm in group.wavelengths_nm)
    return (
        first.cable,
        words.value(first.verdict.verdict.value),
        words.value(first.verdict.action.value),
        str(first.fibre),
        "" if first.ribbon is None else str(first.ribbon),
        closures,
        losses,
        words.decimal(first.verdict.limit_db) if own else "",
        words.told((first.verdict.reason, *first.decided)),
    )


def _with_u(words: Words, row: SpliceRow) -> str:
    u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    return f"{loss_figure(words, row.loss_db)} ± {words.decimal(u_db)}"


def exception_strips(job: Job) -> None:
    """Print splices that ask for something, several on a page: near the splice, and the figures."""
    words, paper = job.words, job.paper
    groups = [group for group in _groups(job) if has_splice_of_its_own(group.first)]
    bins = int(np.clip(_ALL_BINS / (12 * max(len(groups), 1)), _FEWEST_BINS, _MOST_BINS))
    results = {(fibre.key, fibre.wavelength_nm): fibre for fibre in job.review.fibres}
    outline: str | None = words["exception_pictures"]
    y, body = -1.0, paper.body
    height = body.height / _STRIPS_ON_A_PAGE
    for group in groups:
        if y - height < body.bottom - 1:
            body = paper.page(words["exception_pictures"], words["full_hint"], outline=outline)
            outline = None
            y = body.top
        row = group.first
        _strip(
            job,
            Area(body.left, y - height, body.width, height - 6),
            group,
            results.get((row.key, row.wavelength_nm)),
            bins,
        )
        y -= height


def _strip(
    job: Job, area: Area, group: ExceptionGroup, result: FibreResult | None, bins: int
) -> None:
    """Draw one place: who it is and what it reads at the left, both shots and their half beside."""
    paper, words, row = job.paper, job.words, group.first
    place = place_of(words, row)
    heading = f"{words['fibre']} {row.fibre}, {place}"
    if len(job.review.cables) > 1:
        heading = f"{row.cable}, {heading}"
    width = 218.0
    y = area.top - 9
    paper.text(area.left, y, heading, size=8.5, font=BOLD, within=width)
    ribbon = "" if row.ribbon is None else words["ribbon_number"].format(ribbon=row.ribbon) + ", "
    metres = words.decimal(reported(row.distance_m, Quantity.DISTANCE_M))
    place = f"{text}, " if (text := place_text(row.place, words)) else ""
    where = f"{ribbon}{place}{words.cell('colour', row.colour)}, {metres} m"
    verdict = words.value(row.verdict.verdict.value)
    limit = f"{words['limit_word']} {words.decimal(row.verdict.limit_db)} dB"
    lines = [where, f"{verdict}, {limit}" if row.verdict.limit_db is not None else verdict]
    for one in sorted(group.rows, key=lambda r: r.wavelength_nm)[:3]:
        ab, ba = (loss_figure(words, loss_db) for loss_db in (one.loss_ab_db, one.loss_ba_db))
        lines.append(f"{one.wavelength_nm} nm: {_with_u(words, one)} dB; A→B {ab}, B→A {ba}")
    lines += [f"{row.file_ab} | {row.file_ba}"]
    for text in lines:
        y -= 10.5
        paper.text(area.left, y, text, size=7, within=width)
    reason = words.told(row.verdict.reason)
    most = max(1, int((y - 10.5 - area.bottom) / 9.8))
    paper.paragraph(area.left, y - 10.5, reason, width, size=7, most=most)
    pair = job.pairs.get((row.key, row.wavelength_nm))
    frame = Area(area.left + width + 6, area.bottom, area.width - width - 6, area.height)
    if pair is None:
        paper.text(frame.left + 30, frame.top - 20, words["skipped_pictures"], size=7, colour=QUIET)
        return
    attenuation = None if result is None else result.attenuation_db_per_km
    _near_panels(job, frame, row, pair, attenuation or 0.0, bins, frame.height - 38)


def exception_pages(job: Job) -> None:
    """Print a page for every other exception; with many of them curves have fewer points."""
    rows = [row for row in job.review.rows if row.verdict.needs_work and row.loss_db is not None]
    bins = int(np.clip(_ALL_BINS / (12 * max(len(rows), 1)), _FEWEST_BINS, _MOST_BINS))
    results = {(fibre.key, fibre.wavelength_nm): fibre for fibre in job.review.fibres}
    for row in rows:
        _page(job, row, results.get((row.key, row.wavelength_nm)), bins)


def _page(job: Job, row: SpliceRow, result: FibreResult | None, bins: int) -> None:
    words = job.words
    place = place_of(words, row)
    name = f"{words['fibre']} {row.fibre}, {place}, {row.wavelength_nm} nm"
    if len(job.review.cables) > 1:
        name = f"{row.cable}, {name}"
    parts = [words.value(row.verdict.verdict.value)]
    if row.ribbon is not None:
        ribbon = words["ribbon_number"].format(ribbon=row.ribbon)
        parts.append(f"{ribbon}, {words['position']} {row.position}")
    parts.append(words.cell("colour", row.colour))
    body = job.paper.page(name, ", ".join(filter(None, parts)), outline=name, level=1)
    pair = job.pairs.get((row.key, row.wavelength_nm))
    facts = Area(body.left, body.bottom, body.width, 136)
    if pair is None:
        job.paper.text(body.left, body.top - 20, words["skipped_pictures"], colour=QUIET)
    else:
        attenuation = None if result is None else result.attenuation_db_per_km
        frame = Area(body.left, facts.top, body.width, body.height - facts.height)
        _pictures(job, frame, row, pair, attenuation or 0.0, bins)
    _facts(job, facts, row)


def _facts(job: Job, area: Area, row: SpliceRow) -> None:
    """Write the figures at the left, the texts at the right."""
    paper, words = job.paper, job.words
    facts = facts_of(words, row)
    long = {words[key] for key in ("reason", "missing_because", "decision", "file_ab", "file_ba")}
    figures = [fact for fact in facts if fact[0] not in long]
    texts = [fact for fact in facts if fact[0] in long]
    in_column = (len(figures) + 1) // 2
    width = area.width * 0.29
    for index, (label, text) in enumerate(figures):
        column, line = divmod(index, in_column)
        left = area.left + column * (width + 14)
        y = area.top - 12 - 13 * line
        font = BOLD if label == words["loss_db"] else PLAIN
        room = width - paper.width_of(text, 7.5, BOLD) - 6
        paper.text(left, y, label, size=7.5, colour=QUIET, within=room)
        paper.text(left + width, y, text, size=7.5, font=font, align="right")
    left = area.left + 2 * (width + 14)
    y = area.top - 12
    for after, (label, text) in zip(reversed(range(len(texts))), texts, strict=True):
        kept = after * (13 + 10.5)  # a label and a line for each text that follows
        most = 1 + max(0, int((y - 10 - area.bottom - kept) / 10.5))
        paper.text(left, y, label, size=7, colour=QUIET)
        y = paper.paragraph(left, y - 10, text, area.right - left, size=7.5, most=most) - 3


@dataclass(frozen=True, slots=True, eq=False)
class _Halves:
    """Half-sum and half-difference of both shots at the points of the shot from A."""

    z_m: FloatArray
    half_sum_db: FloatArray
    half_difference_db: FloatArray  # the fibre's attenuation taken out

    @classmethod
    def of(cls, pair: PairSketch, attenuation_db_per_km: float) -> _Halves:
        ab, ba = pair.finest
        z_m, other_m = ab.z_m, ba.z_m
        shared = (z_m >= other_m[0]) & (z_m <= other_m[-1])
        z_m, f_db = z_m[shared], ab.mean_db[shared]
        g_db = np.interp(z_m, other_m, ba.mean_db)
        return cls(z_m, (f_db + g_db) / 2, (f_db - g_db) / 2 + attenuation_db_per_km * z_m / 1000)


def _near_m(job: Job, row: SpliceRow) -> float:
    """How far to look on either side of a splice: short of the next one."""
    gaps = [
        abs(other.distance_m - row.distance_m)
        for other in job.review.closures
        if other.cable == row.cable and other.number != row.closure_number
    ]
    least, most = _NEAR_M
    return float(np.clip(0.4 * min(gaps, default=most), least, most))


def _pictures(
    job: Job, area: Area, row: SpliceRow, pair: PairSketch, attenuation: float, bins: int
) -> None:
    words, paper = job.words, job.paper
    ab, ba = pair.finest
    whole = Area(area.left + 30, area.top - 142, area.width - 34, 124)
    x = Scale(-0.02 * pair.length_m / 1000, 1.02 * pair.length_m / 1000)
    span_m = Scale(1000 * x.low, 1000 * x.high)
    inside = np.concatenate([shot.mean_db[_within(shot.z_m, span_m)] for shot in (ab, ba)])
    plot = Plot(paper, whole, x, Scale.around(inside), words.decimal)
    plot.frame(words["both_shots"], words["distance_km"], words["level_db"])
    for shot, colour, dashes in ((ab, FROM_A, ()), (ba, FROM_B, DASHES_B)):
        z_m, level_db = envelope(*shot.polyline(), span_m.low, span_m.high, bins)
        plot.curve(z_m / 1000, level_db, colour=colour, dashes=dashes, width=0.8)
    plot.upright(row.distance_m / 1000)
    _key(job, whole)

    frame = Area(area.left, area.bottom, area.width, 156)
    _near_panels(job, frame, row, pair, attenuation, bins, 124)


def _near_panels(
    job: Job,
    area: Area,
    row: SpliceRow,
    pair: PairSketch,
    attenuation: float,
    bins: int,
    height: float,
) -> None:
    """Draw both shots near the splice, half their difference, and half their sum."""
    words, paper = job.words, job.paper
    ab, ba = pair.finest
    near_m = _near_m(job, row)
    window = Scale(row.distance_m - near_m, row.distance_m + near_m)
    gap = 44.0
    width = (area.width - 30 - 2 * gap) / 3
    halves = _Halves.of(pair, attenuation)
    near = [shot.mean_db[_within(shot.z_m, window)] for shot in (ab, ba)]
    parts = _within(halves.z_m, window)
    panels = (
        (words["near_splice"], Scale.around(np.concatenate(near))),
        (words["half_difference"], Scale.around(halves.half_difference_db[parts], least=0.05)),
        (words["half_sum"], Scale.around(halves.half_sum_db[parts], least=0.05)),
    )
    plots = []
    for index, (heading, y) in enumerate(panels):
        frame = Area(area.left + 30 + index * (width + gap), area.bottom + 24, width, height)
        panel = Plot(paper, frame, window, y, words.decimal)
        panel.frame(heading, words["distance_m"], "dB")
        panel.upright(row.distance_m)
        plots.append(panel)
    for shot, colour, dashes in ((ab, FROM_A, ()), (ba, FROM_B, DASHES_B)):
        z_m, level_db = envelope(*shot.polyline(), window.low, window.high, bins // 2)
        plots[0].curve(z_m, level_db, colour=colour, dashes=dashes, width=0.8)
    for panel, values, colour in (
        (plots[1], halves.half_difference_db, INK),
        (plots[2], halves.half_sum_db, GLASS),
    ):
        thin = envelope(halves.z_m, values, window.low, window.high, bins // 2)
        panel.curve(*thin, colour=colour, width=1.0)
    _loss_bracket(job, plots[1], row, halves, near_m)


def _within(z_m: FloatArray, scale: Scale) -> npt.NDArray[np.bool_]:
    return (z_m >= scale.low) & (z_m <= scale.high)


def _key(job: Job, frame: Area) -> None:
    """Say which line is which."""
    paper, words = job.paper, job.words
    x = frame.left + 6
    for key, colour, dashes in (
        ("shot_from_a", FROM_A, ()),
        ("shot_from_b", FROM_B, DASHES_B),
    ):
        paper.line(x, frame.bottom + 9, x + 20, frame.bottom + 9, width=1, colour=colour,
                   dashes=dashes)  # fmt: skip
        paper.text(x + 24, frame.bottom + 6.6, words[key], size=7)
        x += 36 + paper.width_of(words[key], 7)


def _loss_bracket(job: Job, plot: Plot, row: SpliceRow, halves: _Halves, near_m: float) -> None:
    """Draw the measured loss beside the line that falls by it: the level before, and below it."""
    if row.loss_db is None:
        return
    before = _within(halves.z_m, Scale(row.distance_m - near_m, row.distance_m - 0.35 * near_m))
    if not before.any():
        return
    level_db = float(np.median(halves.half_difference_db[before]))
    paper = job.paper
    for value, left, right in (
        (level_db, plot.area.left, plot.area.right),
        (level_db - row.loss_db, plot.x(row.distance_m), plot.area.right),
    ):
        y = plot.y(value)
        if plot.area.bottom <= y <= plot.area.top:
            paper.line(left, y, right, y, width=0.6, colour=FROM_B, dashes=(2, 2))
    u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    text = f"{loss_figure(job.words, row.loss_db)} ± {job.words.decimal(u_db)} dB"
    paper.text(plot.area.left + 4, plot.area.bottom + 5, text, size=7.5, font=BOLD)

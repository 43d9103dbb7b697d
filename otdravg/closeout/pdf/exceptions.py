"""Every splice that asks for something: a list, and a page with both shots and the numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from reportlab.lib.colors import HexColor

from otdravg.cable.model import FibreResult, SpliceRow
from otdravg.closeout.pdf.job import Column, Job, loss_figure, print_table
from otdravg.closeout.pdf.lines import Plot, Scale, within_bins
from otdravg.closeout.pdf.paper import BOLD, INK, PLAIN, QUIET, Area
from otdravg.closeout.sketches import PairSketch
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action
from otdravg.words.catalogue import told
from otdravg.words.closeout import PageWords

__all__ = [
    "exception_list",
    "exception_pages",
    "exceptions_of",
    "facts_of",
    "one_way_list",
    "place_of",
]

FloatArray = npt.NDArray[np.float64]

# Blue, orange and black differ for every kind of colour vision and in grey; so do the dashes.
_FROM_A = HexColor("#1b4f8f")
_FROM_B = HexColor("#c2600b")
_GLASS = HexColor("#6b3d87")
_DASHES_B = (4.0, 1.5)

#: Points of all curves together that keep the file small enough to send by mail.
_ALL_BINS = 900_000
_MOST_BINS, _FEWEST_BINS = 320, 60
#: Most and least that is shown on either side of the splice, metres.
_NEAR_M = (60.0, 400.0)


def exceptions_of(job: Job) -> list[SpliceRow]:
    """Splices that ask for something, in the order of the review."""
    return [row for row in job.review.rows if row.verdict.action is not Action.NONE]


def place_of(words: PageWords, row: SpliceRow) -> str:
    """Name the closure of a splice, or say that it is between closures."""
    if row.closure:
        return f"{words['closure']} {row.closure}"
    return words["between_closures"]


def facts_of(words: PageWords, row: SpliceRow) -> list[tuple[str, str]]:
    """Every figure of one splice with its heading; nothing for what is not known."""
    verdict = row.verdict
    step = reported(row.backscatter_step_db, Quantity.LOSS_DB)
    u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    facts = [
        (words["loss_ab_db"], loss_figure(words, row.loss_ab_db)),
        (words["loss_ba_db"], loss_figure(words, row.loss_ba_db)),
        (words["loss_db"], loss_figure(words, row.loss_db)),
        (words["expanded_uncertainty_db"], words.decimal(u_db)),
        (words["limit_db"], words.decimal(verdict.limit_db)),
        (words["backscatter_step_db"], words.decimal(step)),
        (words["more_than_at_shortest_db"], loss_figure(words, row.bend_db)),
        (
            words["reflectance_db"],
            words.decimal(reported(row.reflectance_db, Quantity.REFLECTANCE_DB)),
        ),
        (words["verdict"], words.value(verdict.verdict.value)),
        (words["action"], words.value(verdict.action.value)),
        (words["reason"], told(verdict.reason, words.words.language)),
        (words["missing_because"], row.reason),
        (words["decision"], row.decided),
        (words["kind"], words.value(row.kind.value)),
        (words["coverage"], words.value(row.coverage.value)),
        (words["distance_m"], words.decimal(reported(row.distance_m, Quantity.DISTANCE_M))),
        (words["attempt"], str(row.attempt)),
        (words["taken"], "" if row.taken is None else f"{row.taken:%Y-%m-%d %H:%M}"),
        (words["file_ab"], row.file_ab),
        (words["file_ba"], row.file_ba),
    ]
    return [(label, text) for label, text in facts if text]


def exception_list(job: Job) -> None:
    """Print the list of all exceptions that stands before their pages."""
    words = job.words
    columns = (
        Column(words["cable"], 8),
        Column(words["fibre"], 5, "right"),
        Column(words["ribbon"], 6, "right"),
        Column(words["closure"], 10),
        Column(words["wavelength_nm"], 11, "right"),
        Column(words["loss_db"], 7, "right"),
        Column(words["expanded_uncertainty_db"], 7, "right"),
        Column(words["limit_db"], 7, "right"),
        Column(words["verdict"], 14),
        Column(words["action"], 14),
        Column(words["reason"], 38),
    )
    rows = [
        (
            row.cable,
            str(row.fibre),
            "" if row.ribbon is None else str(row.ribbon),
            row.closure or words["between_closures"],
            str(row.wavelength_nm),
            loss_figure(words, row.loss_db),
            words.decimal(reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)),
            words.decimal(row.verdict.limit_db),
            words.value(row.verdict.verdict.value),
            words.value(row.verdict.action.value),
            told(row.verdict.reason, words.words.language),
        )
        for row in exceptions_of(job)
    ]
    remark = "" if rows else words["no_exceptions"]
    heading = words["exceptions"]
    print_table(job.paper, heading, columns, rows, remark=remark, outline=heading)


def _has_nothing_to_show(job: Job, row: SpliceRow) -> bool:
    """Whether a splice lacks a shot, or its two shots did not pair."""
    return row.coverage is not Coverage.BOTH and (row.key, row.wavelength_nm) not in job.pairs


def one_way_list(job: Job) -> None:
    """Print what is known of exceptions that no two shots show, one line for each."""
    words = job.words
    rows = [row for row in exceptions_of(job) if _has_nothing_to_show(job, row)]
    if not rows:
        return
    columns = (
        Column(words["cable"], 8),
        Column(words["fibre"], 5, "right"),
        Column(words["closure"], 10),
        Column(words["wavelength_nm"], 11, "right"),
        Column(words["distance_m"], 9, "right"),
        Column(words["loss_ab_db"], 8, "right"),
        Column(words["loss_ba_db"], 8, "right"),
        Column(words["missing_because"], 30),
        Column(words["files"], 34),
    )
    print_table(
        job.paper,
        words["one_way_exceptions"],
        columns,
        [
            (
                row.cable,
                str(row.fibre),
                row.closure or words["between_closures"],
                str(row.wavelength_nm),
                words.decimal(reported(row.distance_m, Quantity.DISTANCE_M)),
                loss_figure(words, row.loss_ab_db),
                loss_figure(words, row.loss_ba_db),
                "; ".join(filter(None, (row.reason, row.decided))),
                " | ".join(filter(None, (row.file_ab, row.file_ba))),
            )
            for row in rows
        ],
        remark=words["one_way_pictures"],
        outline=words["one_way_exceptions"],
        level=1,
    )


def exception_pages(job: Job) -> None:
    """Print a page for every other exception; with many of them curves have fewer points."""
    rows = [row for row in exceptions_of(job) if not _has_nothing_to_show(job, row)]
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
        paper.text(left, y, paper.fitted(label, room, 7.5), size=7.5, colour=QUIET)
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
    lines = [(shot, *within_bins(*shot.polyline(), span_m, bins)) for shot in (ab, ba)]
    inside = np.concatenate([shot.mean_db[_within(shot.z_m, span_m)] for shot in (ab, ba)])
    plot = Plot(paper, whole, x, Scale.around(inside), words.decimal)
    plot.frame(words["both_shots"], words["distance_km"], words["level_db"])
    for (_, z_m, level_db), colour, dashes in zip(
        lines, (_FROM_A, _FROM_B), ((), _DASHES_B), strict=True
    ):
        plot.curve(z_m / 1000, level_db, colour=colour, dashes=dashes, width=0.8)
    plot.upright(row.distance_m / 1000)
    _key(job, whole)

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
        frame = Area(area.left + 30 + index * (width + gap), area.bottom + 24, width, 124)
        panel = Plot(paper, frame, window, y, words.decimal)
        panel.frame(heading, words["distance_m"], "dB")
        panel.upright(row.distance_m)
        plots.append(panel)
    for shot, colour, dashes in ((ab, _FROM_A, ()), (ba, _FROM_B, _DASHES_B)):
        z_m, level_db = within_bins(*shot.polyline(), window, bins // 2)
        plots[0].curve(z_m, level_db, colour=colour, dashes=dashes, width=0.8)
    for panel, values, colour in (
        (plots[1], halves.half_difference_db, INK),
        (plots[2], halves.half_sum_db, _GLASS),
    ):
        panel.curve(*within_bins(halves.z_m, values, window, bins // 2), colour=colour, width=1.0)
    _loss_bracket(job, plots[1], row, halves, near_m)


def _within(z_m: FloatArray, scale: Scale) -> npt.NDArray[np.bool_]:
    return (z_m >= scale.low) & (z_m <= scale.high)


def _key(job: Job, frame: Area) -> None:
    """Say which line is which."""
    paper, words = job.paper, job.words
    x = frame.left + 6
    for key, colour, dashes in (
        ("shot_from_a", _FROM_A, ()),
        ("shot_from_b", _FROM_B, _DASHES_B),
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
            paper.line(left, y, right, y, width=0.6, colour=_FROM_B, dashes=(2, 2))
    u_db = reported(row.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    text = f"{loss_figure(job.words, row.loss_db)} ± {job.words.decimal(u_db)} dB"
    paper.text(plot.area.left + 4, plot.area.bottom + 5, text, size=7.5, font=BOLD)

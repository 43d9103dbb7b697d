"""Every splice that asks for something: a list, and a page with both shots and the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import FibreKey, SpliceRow
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


#: Widths of the columns of the list.
_SHARES = {
    "cable": 8, "verdict": 13, "action": 13, "fibre": 6, "ribbon": 6, "closure": 11,
    "loss_by_wavelength": 30, "limit_db": 7, "reason": 42,
}  # fmt: skip


def _name_of(job: Job, row: SpliceRow) -> str:
    """Name a splice: its fibre, and its closure or that it is between closures."""
    words = job.words
    place = f"{words['closure']} {row.closure}" if row.closure else words["between_closures"]
    cable = f"{row.cable}, " if len(job.review.cables) > 1 else ""
    return f"{cable}{words['fibre']} {row.fibre}, {place}"


def exception_list(job: Job) -> None:
    """Print what asks for something, a line for each cause, the worst first."""
    words = job.words
    first = 0 if len(job.review.cables) > 1 else 1
    columns = [
        Column(words[key], share, "right" if key in ("fibre", "ribbon", "limit_db") else "left")
        for key, share in _SHARES.items()
    ][first:]
    rows = [_group_line(job, group) for group in exception_groups(job.review.rows)]
    for missing in missing_of(job.review):
        fibres, again = numbers_text(missing.fibres), words.value(Action.SHOOT_AGAIN.value)
        nm = ", ".join(map(str, missing.wavelengths_nm))
        line = words["not_shot_line"].format(fibres=fibres, wavelengths=nm)
        state = words.value(State.NOT_SHOT.value)
        rows.append((missing.cable, state, again, fibres, "", "", f"{nm} nm", "", line))
    remark = words["causes"] if rows else words["no_exceptions"]
    heading = words["exceptions"]
    shown = [row[first:] for row in rows]
    print_table(job.paper, heading, columns, shown, remark=remark, outline=heading)


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
    groups = [g for g in exception_groups(job.review.rows) if has_splice_of_its_own(g.first)]
    pictures = _Pictures.of(job, len(groups))
    outline: str | None = words["exception_pictures"]
    y, body = -1.0, paper.body
    height = body.height / _STRIPS_ON_A_PAGE
    for group in groups:
        if y - height < body.bottom - 1:
            body = paper.page(words["exception_pictures"], words["full_hint"], outline=outline)
            outline = None
            y = body.top
        _strip(job, Area(body.left, y - height, body.width, height - 6), group, pictures)
        y -= height


def _strip(job: Job, area: Area, group: ExceptionGroup, pictures: _Pictures) -> None:
    """Draw one place: who it is and what it reads at the left, both shots and their half beside."""
    paper, words, row = job.paper, job.words, group.first
    width = 218.0
    y = area.top - 9
    paper.text(area.left, y, _name_of(job, row), size=8.5, font=BOLD, within=width)
    ribbon = "" if row.ribbon is None else words["ribbon_number"].format(ribbon=row.ribbon)
    metres = words.decimal(reported(row.distance_m, Quantity.DISTANCE_M))
    colour = words.cell("colour", row.colour)
    where = filter(None, (ribbon, place_text(row.place, words), f"{colour}, {metres} m"))
    verdict = words.value(row.verdict.verdict.value)
    limit = f"{words['limit_word']} {words.decimal(row.verdict.limit_db)} dB"
    lines = [
        ", ".join(where),
        f"{verdict}, {limit}" if row.verdict.limit_db is not None else verdict,
    ]
    for one in sorted(group.rows, key=lambda r: r.wavelength_nm)[:3]:
        ab, ba = (loss_figure(words, loss_db) for loss_db in (one.loss_ab_db, one.loss_ba_db))
        lines.append(f"{one.wavelength_nm} nm: {_with_u(words, one)} dB; A→B {ab}, B→A {ba}")
    for text in (*lines, f"{row.file_ab} | {row.file_ba}"):
        y -= 10.5
        paper.text(area.left, y, text, size=7, within=width)
    reason = words.told(row.verdict.reason)
    most = max(1, int((y - 10.5 - area.bottom) / 9.8))
    paper.paragraph(area.left, y - 10.5, reason, width, size=7, most=most)
    frame = Area(area.left + width + 6, area.bottom, area.width - width - 6, area.height)
    if job.pair_of(row) is None:
        paper.text(frame.left + 30, frame.top - 20, words["skipped_pictures"], size=7, colour=QUIET)
    else:
        pictures.near(row, frame, frame.height - 38)


def exception_pages(job: Job) -> None:
    """Print a page for every other exception."""
    words = job.words
    rows = [row for row in job.review.rows if row.verdict.needs_work and row.loss_db is not None]
    pictures = _Pictures.of(job, len(rows))
    for row in rows:
        name = f"{_name_of(job, row)}, {row.wavelength_nm} nm"
        parts = [words.value(row.verdict.verdict.value), words.cell("colour", row.colour)]
        if row.ribbon is not None:
            ribbon = words["ribbon_number"].format(ribbon=row.ribbon)
            parts.insert(1, f"{ribbon}, {words['position']} {row.position}")
        body = job.paper.page(name, ", ".join(filter(None, parts)), outline=name, level=1)
        facts = Area(body.left, body.bottom, body.width, 136)
        if job.pair_of(row) is None:
            job.paper.text(body.left, body.top - 20, words["skipped_pictures"], colour=QUIET)
        else:
            pictures.whole(row, Area(body.left, facts.top, body.width, body.height - facts.height))
        _facts(job, facts, row)


def _facts(job: Job, area: Area, row: SpliceRow) -> None:
    """Write the figures at the left, the texts at the right."""
    paper, words = job.paper, job.words
    (cells,) = texts(_FACTS, [row], words)
    facts = [(words[name], text) for (name, _), text in zip(_FACTS, cells, strict=True) if text]
    long = {words[key] for key in ("reason", "missing_because", "decision", "file_ab", "file_ba")}
    figures = [fact for fact in facts if fact[0] not in long]
    sentences = [fact for fact in facts if fact[0] in long]
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
    for after, (label, text) in zip(reversed(range(len(sentences))), sentences, strict=True):
        kept = after * (13 + 10.5)  # a label and a line for each text that follows
        most = 1 + max(0, int((y - 10 - area.bottom - kept) / 10.5))
        paper.text(left, y, label, size=7, colour=QUIET)
        y = paper.paragraph(left, y - 10, text, area.right - left, size=7.5, most=most) - 3


@dataclass(frozen=True, slots=True)
class _Pictures:
    """How splices are drawn: the more of them, the fewer points has a curve."""

    job: Job
    bins: int
    db_per_km: Mapping[tuple[FibreKey, int], float | None]  # of the fibre, by wavelength

    @classmethod
    def of(cls, job: Job, count: int) -> _Pictures:
        """Prepare for so many splices."""
        bins = int(np.clip(_ALL_BINS / (12 * max(count, 1)), _FEWEST_BINS, _MOST_BINS))
        fibres = job.review.fibres
        return cls(job, bins, {(f.key, f.wavelength_nm): f.attenuation_db_per_km for f in fibres})

    def whole(self, row: SpliceRow, area: Area) -> None:
        """Draw both shots over the span, and below them what :meth:`near` draws."""
        words, pair = self.job.words, self.job.pairs[row.key, row.wavelength_nm]
        frame = Area(area.left + 30, area.top - 142, area.width - 34, 124)
        x = Scale(-0.02 * pair.length_m / 1000, 1.02 * pair.length_m / 1000)
        span_m = Scale(1000 * x.low, 1000 * x.high)
        inside = [shot.mean_db[_within(shot.z_m, span_m)] for shot in pair.finest]
        plot = Plot(self.job.paper, frame, x, Scale.around(np.concatenate(inside)), words.decimal)
        plot.frame(words["both_shots"], words["distance_km"], words["level_db"])
        self._shots(plot, pair, span_m, self.bins, 1000)
        plot.upright(row.distance_m / 1000)
        _key(self.job, frame)
        self.near(row, Area(area.left, area.bottom, area.width, 156), 124)

    def near(self, row: SpliceRow, area: Area, height: float) -> None:
        """Draw both shots near the splice, half their difference, and half their sum."""
        words, pair = self.job.words, self.job.pairs[row.key, row.wavelength_nm]
        near_m = _near_m(self.job, row)
        window = Scale(row.distance_m - near_m, row.distance_m + near_m)
        gap = 44.0
        width = (area.width - 30 - 2 * gap) / 3
        z_m, half_sum_db, falling_db = pair.halves()
        db_per_km = self.db_per_km.get((row.key, row.wavelength_nm)) or 0.0
        falling_db = falling_db + db_per_km * z_m / 1000
        shown = [shot.mean_db[_within(shot.z_m, window)] for shot in pair.finest]
        parts = _within(z_m, window)
        panels = (
            ("near_splice", Scale.around(np.concatenate(shown))),
            ("half_difference", Scale.around(falling_db[parts], least=0.05)),
            ("half_sum", Scale.around(half_sum_db[parts], least=0.05)),
        )
        plots = []
        for index, (heading, y) in enumerate(panels):
            left = area.left + 30 + index * (width + gap)
            frame = Area(left, area.bottom + 24, width, height)
            plots.append(Plot(self.job.paper, frame, window, y, words.decimal))
            plots[-1].frame(words[heading], words["distance_m"], "dB")
            plots[-1].upright(row.distance_m)
        self._shots(plots[0], pair, window, self.bins // 2, 1)
        for panel, values, colour in ((plots[1], falling_db, INK), (plots[2], half_sum_db, GLASS)):
            thin = envelope(z_m, values, window.low, window.high, self.bins // 2)
            panel.curve(*thin, colour=colour, width=1.0)
        before = _within(z_m, Scale(row.distance_m - near_m, row.distance_m - 0.35 * near_m))
        if row.loss_db is not None and before.any():
            _loss_bracket(self.job, plots[1], row, float(np.median(falling_db[before])))

    def _shots(self, plot: Plot, pair: PairSketch, part_m: Scale, bins: int, unit_m: float) -> None:
        for shot, colour, dashes in zip(pair.finest, (FROM_A, FROM_B), ((), DASHES_B), strict=True):
            z_m, level_db = envelope(*shot.polyline(), part_m.low, part_m.high, bins)
            plot.curve(z_m / unit_m, level_db, colour=colour, dashes=dashes, width=0.8)


def _near_m(job: Job, row: SpliceRow) -> float:
    """How far to look on either side of a splice: short of the next one."""
    gaps = [
        abs(other.distance_m - row.distance_m)
        for other in job.review.closures
        if other.cable == row.cable and other.number != row.closure_number
    ]
    least, most = _NEAR_M
    return float(np.clip(0.4 * min(gaps, default=most), least, most))


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


def _loss_bracket(job: Job, plot: Plot, row: SpliceRow, level_db: float) -> None:
    """Draw the measured loss beside the line that falls by it: the level before, and below it."""
    paper = job.paper
    for value, left in (
        (level_db, plot.area.left),
        (level_db - (row.loss_db or 0.0), plot.x(row.distance_m)),
    ):
        y = plot.y(value)
        if plot.area.bottom <= y <= plot.area.top:
            paper.line(left, y, plot.area.right, y, width=0.6, colour=FROM_B, dashes=(2, 2))
    text = f"{_with_u(job.words, row)} dB"
    paper.text(plot.area.left + 4, plot.area.bottom + 5, text, size=7.5, font=BOLD)

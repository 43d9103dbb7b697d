"""A pair's report for a terminal: the answer first, then the table, then what to do."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from otdravg import __version__
from otdravg.findings import Finding, Severity
from otdravg.fit.reading import Kind
from otdravg.fit.side import SpanStart
from otdravg.pair.visible import DirectionLimit, detection_limits
from otdravg.quantities import Quantity, distance, reported
from otdravg.report.answer import answer_lines, later_steps
from otdravg.report.budget import budgets_of, write_budget
from otdravg.report.page import COLUMNS, Page, Tone
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import Judged, PairReport, Verdict
from otdravg.words.catalogue import Language, line, say, told
from otdravg.words.headings import Words
from otdravg.words.statements import (
    caution_statement,
    findings_by_source,
    glass_statement,
    limit_statement,
    response_statement,
    rule_statement,
    span_start_statement,
    taken_statement,
    title_of,
)

_COLUMN_WIDTHS = (3, 11, 8, 8, 9, 7)

_TONES = {
    Verdict.WITHIN: Tone.GOOD,
    Verdict.OVER: Tone.BAD,
    Verdict.TOO_CLOSE: Tone.LOOK,
    Verdict.IMPLAUSIBLE: Tone.BAD,
    Verdict.ONE_WAY: Tone.LOOK,
    Verdict.NOT_MEASURED: Tone.LOOK,
    Verdict.NOT_JUDGED: Tone.QUIET,
}
#: How the answers are tinted.
ANSWER_TONES = {
    Answer.CUT: Tone.BAD,
    Answer.CHECK: Tone.LOOK,
    Answer.SHOOT_AGAIN: Tone.LOOK,
    Answer.LEAVE: Tone.GOOD,
}


def pair_text(
    report: PairReport,
    *,
    ascii_only: bool = False,
    colour: bool = False,
    columns: int = COLUMNS,
    details: bool = False,
    language: Language = Language.ENGLISH,
) -> str:
    """Write the report as a person reads it.

    Parameters
    ----------
    report : PairReport
        What to show.
    ascii_only : bool
        Spell arrows and plus-minus in ASCII, for a terminal that lacks them.
    colour : bool
        Tint the verdicts; their words say the same without it.
    columns : int
        Width of the terminal, 80 at least.
    details : bool
        Add sections, residuals, detection limits, receivers, uncertainty budgets and notes.
    language : Language
    """
    page = Page(ascii_only=ascii_only, colour=colour, columns=columns)
    _Screen(page, report, language).write(details=details)
    return page.text()


def pair_line(report: PairReport, language: Language = Language.ENGLISH) -> tuple[str, str]:
    """Return the answer in one word and in one line, for a list of many fibres."""
    first, *others = answer_lines(report)
    cuts = [one for one in others if one.code == first.code]
    answer = say("answer", report.answer.value, language)
    return answer, " ".join(told(one, language) for one in (first, *cuts))


@dataclass(frozen=True, slots=True)
class _Screen:
    """One report on its page, in its language."""

    page: Page
    report: PairReport
    language: Language

    def write(self, *, details: bool) -> None:
        """Write everything."""
        page = self.page
        self._answer()
        self._table()
        steps = [told(step, self.language) for step in later_steps(self.report)]
        self._bullets("to-do", steps)
        self._measured()
        noticed, notes = self._findings()
        self._bullets("findings", noticed)
        if details:
            self._details()
            self._bullets("notes", notes)
        page.line()
        if not details:
            more = say("screen", "and-notes", self.language, notes=len(notes)) if notes else ""
            page.paragraph(say("screen", "more", self.language, and_notes=more))
        page.paragraph(caution_statement(self.language))

    def _say(self, key: str, **named: object) -> str:
        return say("pair", key, self.language, **named)  # type: ignore[arg-type]

    def _at(self, distance_m: float) -> str:
        return told(distance(distance_m, km=self.report.in_km), self.language)

    def _figure(self, value: float | None, quantity: Quantity) -> str:
        decimal = reported(value, quantity)
        return "-" if decimal is None else Words(self.language).decimal(decimal)

    def _answer(self) -> None:
        label = say("answer", self.report.answer.value, self.language)
        for one in answer_lines(self.report):
            self.page.entry(label, told(one, self.language), ANSWER_TONES[self.report.answer])
            label = ""

    def _measured(self) -> None:
        """Say what was measured, and by what limit it was judged."""
        page, report, language = self.page, self.report, self.language
        measurement, ends = report.measurement, report.ends
        page.line()
        page.line(say("screen", "measured", language))
        basis = say("ends", ends.basis.value, language)
        names = f"A = {told(ends.a, language)}, B = {told(ends.b, language)}"
        page.entry(self._say("label-ends"), f"{names} ({basis})")
        page.entry("A→B", self._shot(measurement.ab))
        page.entry("B→A", self._shot(measurement.ba))
        limit = f"{limit_statement(report, language)} ({rule_statement(report, language)})"
        page.entry(self._say("label-limit"), limit)
        axis = measurement.axis
        page.entry(self._say("label-launch"), self._lead(axis.start_a_m, axis.basis_a))
        page.entry(self._say("label-receive"), self._lead(axis.start_b_m, axis.basis_b))
        totals = [self._at(axis.length_m)]
        if report.sum_db is not None:
            totals.append(self._say("sum", sum_db=report.sum_db, events=report.sum_count))
        if report.mean_db is not None:
            totals.append(self._say("mean", mean_db=report.mean_db, splices=report.mean_count))
        page.entry(self._say("label-span"), ", ".join(totals))

    def _shot(self, trace: Trace) -> str:
        taken = taken_statement(trace.identity, self.language)
        pulse_ns = Words(self.language).decimal(f"{trace.settings.pulse_ns:g}")
        return self._say("shot", file=trace.identity.path, pulse_ns=pulse_ns, taken=taken)

    def _lead(self, length_m: float, basis: SpanStart) -> str:
        """Write the length of a launch or receive fibre and how it is known."""
        start = span_start_statement(self.report.measurement.axis, basis, self.language)
        return f"{told(distance(length_m, km=False), self.language)} ({start})"

    def _table(self) -> None:
        page, report = self.page, self.report
        page.line()
        page.paragraph(title_of(report.measurement.ab, self.language))
        for row in ("head-1", "head-2"):
            page.row(self._say(row).split("/"), _COLUMN_WIDTHS)
        page.rule()
        for judged in report.splices:
            reading = judged.reading
            cells = (
                str(reading.number),
                self._at(reading.distance_m),
                self._figure(reading.loss_ab_db, Quantity.LOSS_DB),
                self._figure(reading.loss_ba_db, Quantity.LOSS_DB),
                self._figure(reading.loss_db, Quantity.LOSS_DB),
                self._figure(reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
                "; ".join(self._remarks(judged)),
            )
            page.row(cells, _COLUMN_WIDTHS, tone=_TONES.get(judged.verdict, Tone.LOOK))
        if not report.splices:
            page.line(say("screen", "nothing-found", self.language))
        page.rule()
        if report.splices:
            page.paragraph(say("screen", "loss-and-u", self.language))
        if any(judged.gain_seen_from for judged in report.splices):
            page.paragraph(say("screen", "gainer", self.language))

    def _remarks(self, judged: Judged) -> Iterator[str]:
        """The verdict in words, after what stands there if it is no plain splice."""
        words = Words(self.language)
        kind, verdict = judged.reading.kind, words.value(judged.verdict.value)
        yield verdict if kind is Kind.SPLICE else f"{words.value(kind.value)}: {verdict}"
        if judged.near_limit and judged.verdict is not Verdict.TOO_CLOSE:
            yield self._say("near-limit")
        if judged.gain_seen_from:
            yield self._say("gainer-from", end=judged.gain_seen_from)

    def _bullets(self, heading: str, sentences: Sequence[str]) -> None:
        if not sentences:
            return
        self.page.line()
        self.page.line(say("screen", heading, self.language))
        for sentence in sentences:
            self.page.bullet(sentence)

    def _findings(self) -> tuple[list[str], list[str]]:
        """What asks for a look and is said nowhere else, and what is merely worth knowing."""
        report, language = self.report, self.language
        said: list[Finding] = [f for step in report.next_steps for _, f in step.values
                               if isinstance(f, Finding)]  # fmt: skip
        noticed: list[str] = []
        notes: list[str] = []
        for about, finding in findings_by_source(report):
            if finding not in said:
                is_note = finding.severity is Severity.NOTE and finding not in report.notes
                sentence = line(finding, say("about", about, language), language)
                (notes if is_note else noticed).append(sentence)
        return noticed, notes

    def _details(self) -> None:
        """Add what only those want who check the measurement itself."""
        page, measurement = self.page, self.report.measurement
        page.line()
        page.line(say("screen", "details", self.language))
        axis = measurement.axis
        span = self._say("span", length=distance(axis.length_m, km=self.report.in_km),
                         expanded_m=2 * axis.u_length_m)  # fmt: skip
        page.entry(self._say("label-span"), span)
        overall = self._attenuation(
            measurement.attenuation_db_per_km, measurement.u_attenuation_db_per_km
        )
        page.entry(self._say("label-fibre"), self._say("without-splices", attenuation=overall))
        for section in measurement.sections:
            attenuation = self._attenuation(
                section.attenuation_db_per_km, section.u_attenuation_db_per_km
            )
            ends = self._at(section.start_m), self._at(section.end_m)
            page.entry("", self._say("section", a=ends[0], b=ends[1], attenuation=attenuation))
        index = self._figure(axis.group_index, Quantity.GROUP_INDEX)
        page.entry(
            self._say("label-distances"), self._say("index", index=index, basis=self._index_basis())
        )
        residuals = ", ".join(self._figure(r, Quantity.DISTANCE_M) for r in axis.residuals_m)
        agreement = self._say("residuals", residuals=residuals) if residuals else ""
        matched = self._say("matched", events=axis.matched)
        page.entry(self._say("label-both"), matched + agreement)
        page.entry(self._say("label-glass"), glass_statement(measurement.glass, self.language))
        label = self._say("label-detection")
        for limit in detection_limits(measurement):
            page.entry(label, self._limit(limit))
            label = ""
        label = self._say("label-receiver")
        for detection in (measurement.detection_ab, measurement.detection_ba):
            shot = detection.shot
            response = response_statement(shot, self.language)
            page.entry(label, f"{shot.trace.identity.direction.value}: {response}")
            label = ""
        for budget in budgets_of(measurement):
            page.line()
            write_budget(page, budget, km=self.report.in_km, language=self.language)
        page.line()
        page.line(f"otdravg {__version__}")

    def _attenuation(self, value: float | None, u_value: float | None) -> str:
        if reported(value, Quantity.ATTENUATION_DB_PER_KM) is None:
            return self._say("too-short")
        expanded = None if u_value is None else 2 * u_value
        u_text = self._figure(expanded, Quantity.U_ATTENUATION_DB_PER_KM)
        return f"{self._figure(value, Quantity.ATTENUATION_DB_PER_KM)} ± {u_text} dB/km"

    def _limit(self, limit: DirectionLimit) -> str:
        """Say how small a step one shot shows, at its worst place clear of events."""
        end = "A" if limit.direction is Direction.A_TO_B else "B"
        if limit.worst_m is None or limit.worst_db is None:
            return self._say("sees-nothing", end=end)
        smallest = self._figure(limit.worst_db, Quantity.UNCERTAINTY_DB)
        sentence = self._say("sees", end=end, place=self._at(limit.worst_m), smallest=smallest)
        if limit.blind_m:
            sentence += self._say("blind", places=", ".join(map(self._at, limit.blind_m)))
        return sentence

    def _index_basis(self) -> str:
        """Say where the common group index comes from."""
        measurement = self.report.measurement
        common = self._figure(measurement.axis.group_index, Quantity.GROUP_INDEX)
        own = (
            (trace.identity.direction.value,
             self._figure(trace.settings.group_index, Quantity.GROUP_INDEX))
            for trace in (measurement.ab, measurement.ba)
        )  # fmt: skip
        others = [self._say("index-of", name=name, index=i) for name, i in own if i != common]
        return ", ".join(others) or self._say("index-in-both")

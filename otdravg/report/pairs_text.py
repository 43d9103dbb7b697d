"""Many pairs on one screen: how many need something, then one line for each fibre."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from otdravg.cable.model import CableFinding, ShotRecord, ShotUse
from otdravg.findings import Statement, says
from otdravg.report.page import COLUMNS, Page
from otdravg.report.pair_text import ANSWER_TONES, pair_line
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import PairReport
from otdravg.words.catalogue import Language, say, told
from otdravg.words.headings import Words
from otdravg.words.statements import caution_statement, limit_statement

_URGENCY = (Answer.CHECK, Answer.CUT, Answer.SHOOT_AGAIN, Answer.LEAVE)
#: Name and version of the layout of what was not measured, beside the objects of the pairs.
SCHEMA_NAME = "otdravg.left-out/1"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Files from which no answer came."""

    files: tuple[str, ...]
    use: ShotUse
    why: Statement

    @property
    def is_problem(self) -> bool:
        """Whether somebody has to look: an earlier attempt is replaced by a newer shot."""
        return self.use is not ShotUse.EARLIER


def left_out_of(records: Sequence[ShotRecord]) -> list[LeftOut]:
    """Give the files that are in no pair, with the reason."""
    return [
        LeftOut((str(one.location),), one.use, one.remark or says("unknown")) for one in records
    ]


def left_out_json(left: LeftOut) -> str:
    """Return what was left out as one line of JSON."""
    why = told(left.why)
    content = {"schema": SCHEMA_NAME, "files": left.files, "use": left.use.value, "why": why}
    return json.dumps(content) + "\n"


def pairs_text(
    measured: Sequence[tuple[ShotRecord, PairReport]],
    left: Sequence[LeftOut],
    findings: Sequence[CableFinding],
    *,
    ascii_only: bool = False,
    colour: bool = False,
    columns: int = COLUMNS,
    language: Language = Language.ENGLISH,
) -> str:
    """Write the answers to many pairs as a person reads them.

    Parameters
    ----------
    measured : sequence of (ShotRecord, PairReport)
        What each pair was taken for, by its shot from A, and its report.
    left : sequence of LeftOut
        Files that gave no answer.
    findings : sequence of CableFinding
        What is odd about names and headers.
    ascii_only, colour, columns, language
        As for a single pair.
    """
    page = Page(ascii_only=ascii_only, colour=colour, columns=columns)
    page.paragraph(_summary(measured, left, findings, language))
    for limit in dict.fromkeys(limit_statement(report, language) for _, report in measured):
        page.entry(say("pair", "label-limit", language), limit)
    page.line()
    several = len({record.taken_for.cable for record, _ in measured}) > 1
    urgent_first = sorted(measured, key=lambda one: _URGENCY.index(one[1].answer))
    for record, report in urgent_first:
        word, line = pair_line(report, language)
        page.entry(
            word, f"{_fibre(record, several, language)}: {line}", ANSWER_TONES[report.answer]
        )
    words = Words(language)
    lists = {
        "left-out": [
            f"{', '.join(one.files)}: {words.value(one.use.value)}: {words.told(one.why)}"
            for one in left
        ],
        "findings": [
            f"{', '.join(one.files)}: {words.told((one.evidence, one.what_to_do))}."
            for one in findings
        ],
    }
    for heading, sentences in lists.items():
        if sentences:
            page.line()
            page.line(say("screen", heading, language))
        for sentence in sentences:
            page.bullet(sentence)
    page.line()
    page.paragraph(say("screen", "loss-and-u", language))
    page.paragraph(caution_statement(language))
    return page.text()


def _summary(
    measured: Sequence[tuple[ShotRecord, PairReport]],
    left: Sequence[LeftOut],
    findings: Sequence[CableFinding],
    language: Language,
) -> str:
    count = Counter(report.answer for _, report in measured)
    answers = [
        f"{count[one]} {say('answer', one.value, language)}" for one in _URGENCY if count[one]
    ]
    pairs = say("pair", "pairs", language, pairs=len(measured))
    parts = [f"{pairs}: {', '.join(answers)}"] if answers else []
    problems = sum(len(one.files) for one in left if one.is_problem)
    if problems or not parts:
        parts.append(say("screen", "not-measured", language, problems=problems))
    if findings:
        parts.append(say("screen", "look-below", language, remarks=len(findings)))
    return "; ".join(parts)


def _fibre(record: ShotRecord, several: bool, language: Language) -> str:
    taken = record.taken_for
    fibre = say("pair", "fibre", language, fibre=str(taken.fibre))
    if several and taken.cable:
        fibre = say("pair", "of-cable", language, cable=taken.cable, fibre=fibre)
    return f"{fibre}, {taken.wavelength_nm} nm"

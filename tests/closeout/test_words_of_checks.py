"""What outputs and checks say in words: one and many, the decimals of figures, decisions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from otdravg.cable import CableReview
from otdravg.cable.decisions.model import Decision, SealedDecision, What
from otdravg.closeout.checks.decisions import decisions_made_with
from otdravg.closeout.checks.run import checks_of
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.findings import Severity, says
from otdravg.report.cable import cable_text
from otdravg.tables.scope import standing
from otdravg.tables.summary import asks_for_work
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.catalogue import told
from otdravg.words.headings import Language, Words


@pytest.mark.parametrize("language", list(Language))
def test_one_is_not_many(good_review: CableReview, language: Language) -> None:
    row = next(r for r in good_review.rows if r.verdict.verdict.value == "within limit")
    over = next(r for r in good_review.rows if r.verdict.verdict.value == "over limit")
    first = good_review.findings[0]
    finding = replace(first, said=replace(first.said, severity=Severity.CAUTION))
    fibres = tuple(replace(fibre, rules=()) for fibre in good_review.fibres)
    words = Words(language)
    one = replace(good_review, rows=(row, over), findings=(finding,), fibres=fibres)
    two = replace(one, rows=(over, over), findings=(finding, finding))
    expected = {
        Language.ENGLISH: ("1 finding to settle.", "2 findings to settle."),
        Language.GERMAN: ("1 Befund zu klären.", "2 Befunde zu klären."),
    }[language]
    for review, ending in zip((one, two), expected, strict=True):
        assert standing(review, words)[1].endswith(f". {ending}")
    clean = replace(one, rows=(row,), findings=())
    assert not any(map(asks_for_work, clean.rows))
    assert not standing(clean, words)[1].endswith(tuple(expected))


def test_the_terminal_names_what_is_over_and_yet_nothing_to_remake(
    good_review: CableReview,
) -> None:
    over = replace(
        good_review.rows[0].verdict,
        verdict=Verdict.OVER,
        action=Action.LOOK,
        reason=says("as-found", text="A sum."),
    )
    row = replace(good_review.rows[0], verdict=over)
    text = " ".join(cable_text(replace(good_review, rows=(row,))).split())
    where = f"fibre {row.fibre} {row.colour} at {row.wavelength_nm} nm"
    assert f"{where}, look, do not cut: A sum." in text
    between = replace(row, closure="", closure_number=None)
    text = " ".join(cable_text(replace(good_review, rows=(between,))).split())
    assert f"fibre {row.fibre}: over limit at 1 splice; look at it" in text


def test_the_terminal_says_one_ribbon(good_review: CableReview) -> None:
    assert good_review.plan is not None
    unit = good_review.plan.units[0]
    plan = replace(good_review.plan, units=(replace(unit, failing=unit.failing[:1]),))
    text = cable_text(replace(good_review, plan=plan, rows=good_review.rows[:1], findings=()))
    assert "cable SIMQB1: 1 place to go to" in text
    assert f"re-splice ribbon 1: fibre {unit.failing[0].fibre} " in " ".join(text.split())


def test_a_check_shows_figures_with_the_decimals_of_the_outputs(
    good_review: CableReview, template: Template, tmp_path: Path
) -> None:
    rows = tuple(
        replace(row, loss_db=0.31, distance_m=1500.0) if n == 0 else row
        for n, row in enumerate(good_review.rows)
    )
    out = tmp_path / "out"
    review = replace(good_review, rows=rows)
    write_closeout(review, out, only=("csv", "json"), template=template, sketches=Sketches())
    table = out / "splices.csv"
    lines = table.read_bytes().split(b"\r\n")
    assert lines[1].count(b",0.310,") == 1
    lines[1] = lines[1].replace(b",0.310,", b",0.290,")
    table.write_bytes(b"\r\n".join(lines))
    problems = [told(text) for check in checks_of(out) for text in check.problems]
    assert any(
        "distance_m 1500.0): loss_db is 0.290, closeout.json has 0.310" in text for text in problems
    )


def test_every_output_shows_the_decisions_and_the_last_seal(
    good_review: CableReview, template: Template, tmp_path: Path
) -> None:
    seals = ("a" * 64, "b" * 64)
    entries = tuple(
        SealedDecision(
            Decision(What.ACCEPT, "R. Vale", "2024-06-01T10:00", "x", "C", n, None, "2"), "", seal
        )
        for n, seal in enumerate(seals, start=1)
    )
    review = replace(good_review, decisions=entries, decisions_seal=seals[-1])
    out = tmp_path / "out"
    parts = ("csv", "json", "html", "pdf", "xlsx")
    write_closeout(review, out, only=parts, template=template, sketches=Sketches())
    assert f"2, last seal {seals[-1]}" in " ".join(cable_text(review).split())
    assert f"2, last seal {seals[-1]}" in (out / "closeout.html").read_text(encoding="utf-8")
    pdf = pytest.importorskip("pypdf").PdfReader(out / "closeout.pdf")
    assert f"2,lastseal{seals[-1]}" in "".join("".join(p.extract_text().split()) for p in pdf.pages)
    book = pytest.importorskip("openpyxl").load_workbook(out / "closeout.xlsx")
    assert any(cell.value == f"2, last seal {seals[-1]}" for row in book["Cover"] for cell in row)
    assert [row[0].value for row in book["Decisions"]][1:] == ["accept", "accept"]
    assert decisions_made_with(out) == entries
    (out / "closeout.json").unlink()
    assert decisions_made_with(out) == entries

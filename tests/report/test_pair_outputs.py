"""Table, CSV and JSON of one report: same figures, and each safe for its reader."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pair_example import measurement, reading, with_readings

from otdravg.findings import defect, says
from otdravg.fit.reading import Kind
from otdravg.report.page import COLUMNS
from otdravg.report.pair_json import pair_json, pair_object
from otdravg.report.pair_text import pair_text
from otdravg.tables.pair import pair_csv
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits, Rule
from otdravg.words import catalogue
from otdravg.words.catalogue import Language, say

DOCS = Path(__file__).parents[2] / "docs"
SCHEMA = json.loads((DOCS / "pair.schema.json").read_text(encoding="utf-8"))


@pytest.fixture
def every_case() -> PairReport:
    """One position of each sort, invented."""
    return judge(
        with_readings(
            reading(0.12, -0.04, distance_m=210.04),
            reading(0.20, 0.10, distance_m=1210.06),
            reading(0.31, 0.31, u_db=0.01, distance_m=2000.0),
            reading(0.205, 0.199, u_db=0.004, distance_m=2500.0),
            reading(
                0.05, None, distance_m=3000.0, missing=(says("in-dead-zone", direction="B→A"),)
            ),
            reading(None, None, distance_m=3500.0, missing=(says("not-reached"),)),
            reading(0.45, 0.41, kind=Kind.CONNECTOR, distance_m=4000.0),
            reading(0.11, 0.15, kind=Kind.GROUP, distance_m=4500.0),
            reading(0.01, 0.02, kind=Kind.ASKED, distance_m=5000.0),
            reading(0.02, -0.16, distance_m=5500.0),
        ),
        Limits(),
    )


def rows_of(report: PairReport) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(pair_csv(report).decode("utf-8"), newline="")))


def with_header(report: PairReport, **texts: str) -> PairReport:
    """The same report with other header texts in the shot from A."""
    shot = report.measurement.ab
    shot = replace(shot, identity=replace(shot.identity, **texts))
    return replace(report, measurement=replace(report.measurement, ab=shot))


class TestJson:
    def test_schema_is_itself_valid(self) -> None:
        jsonschema.Draft202012Validator.check_schema(SCHEMA)

    def test_every_verdict_is_explained_on_the_command_page(self) -> None:
        page = (DOCS / "commands.md").read_text(encoding="utf-8")
        for verdict in SCHEMA["$defs"]["verdict"]["enum"]:
            assert f"| {verdict} |" in page or f"‘{verdict}’" in page.replace("\n", " ")

    def test_every_case_fits_the_schema(self, every_case: PairReport) -> None:
        jsonschema.validate(json.loads(pair_json(every_case)), SCHEMA)

    def test_measured_fibre_fits_the_schema(self) -> None:
        report = judge(measurement(), Limits.parse(["0.15", "1310=0.25"], Rule.GUARDED))
        jsonschema.validate(json.loads(pair_json(report)), SCHEMA)

    def test_schema_refuses_an_average_with_zero(self, every_case: PairReport) -> None:
        content = pair_object(every_case)
        content["splices"][4]["loss_db"] = 0.025
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(content, SCHEMA)

    def test_null_where_not_measured_with_a_reason(self, every_case: PairReport) -> None:
        one_way, unmeasured = pair_object(every_case)["splices"][4:6]
        assert one_way["loss_ab_db"] == 0.05
        assert one_way["loss_ba_db"] is one_way["loss_db"] is None
        assert "B→A: inside a dead zone" in one_way["reason"]
        assert one_way["because"]["values"]["causes"][0]["code"] == "in-dead-zone"
        assert unmeasured["loss_ab_db"] is None
        assert "do not reach it" in unmeasured["reason"]

    def test_default_limit_is_said(self, every_case: PairReport) -> None:
        limits = pair_object(every_case)["limits"]
        assert limits["limit_db"] == 0.2
        assert limits["is_default"] is True
        assert "the contract's figure decides" in limits["statement"]

    def test_stated_limit_is_not_called_a_default(self) -> None:
        report = judge(measurement(), Limits.parse(["1550=0.15"]))
        limits = pair_object(report)["limits"]
        assert (limits["limit_db"], limits["is_default"]) == (0.15, False)
        assert "default" not in limits["statement"]

    def test_is_ascii_and_has_no_nan(self, every_case: PairReport) -> None:
        report = with_header(every_case, cable="Zürich\x1b[2J \u202e")
        text = pair_json(report)
        assert text.isascii()
        assert "\x1b" not in text
        assert json.loads(text)["shots"]["ab"]["cable"] == "Zürich\x1b[2J \u202e"


class TestCsv:
    def test_one_row_per_position(self, every_case: PairReport) -> None:
        assert [row["number"] for row in rows_of(every_case)] == [str(n) for n in range(1, 11)]

    def test_lines_end_in_cr_lf(self, every_case: PairReport) -> None:
        content = pair_csv(with_header(every_case, cable="a\r\nb\nc"))
        assert content.count(b"\n") == content.count(b"\r\n") == 11
        assert content.count(b"\r") == 11

    @pytest.mark.parametrize("sign", ["=", "+", "-", "@", " =", "\t="])
    def test_text_is_never_a_formula(self, every_case: PairReport, sign: str) -> None:
        row = rows_of(with_header(every_case, cable=f"{sign}1+1"))[0]
        assert row["cable"][0] in "'\\"

    def test_negative_numbers_stay_numbers(self, every_case: PairReport) -> None:
        assert rows_of(every_case)[0]["loss_ba_db"] == "-0.040"

    def test_not_measured_is_empty(self, every_case: PairReport) -> None:
        row = rows_of(every_case)[4]
        assert row["loss_ba_db"] == row["loss_db"] == row["expanded_uncertainty_db"] == ""

    def test_default_limit_is_said_in_every_row(self, every_case: PairReport) -> None:
        rows = rows_of(every_case)
        assert rows
        assert all("contract's figure" in row["limit_statement"] for row in rows)


def _simple(group: str, language: Language) -> list[tuple[str, str]]:
    """Messages of a group without values in them, long enough to be looked for."""
    book = catalogue._book(language)[group]
    return [(k, str(m)) for k, m in book.items() if "{" not in m and "/" not in m and len(m) > 3]


class TestText:
    @pytest.mark.parametrize("columns", [80, 100, 120])
    def test_wraps_at_the_terminals_width(self, every_case: PairReport, columns: int) -> None:
        text = pair_text(with_header(every_case, cable="long " * 40), columns=columns, details=True)
        assert max(map(len, text.splitlines())) == columns

    def test_fits_80_columns(self, every_case: PairReport) -> None:
        report = with_header(every_case, cable="long " * 40, location_a="y" * 200)
        for ascii_only in (False, True):
            text = pair_text(report, ascii_only=ascii_only)
            assert max(len(line) for line in text.splitlines()) <= COLUMNS == 80

    def test_ascii_spelling_is_ascii(self, every_case: PairReport) -> None:
        text = pair_text(with_header(every_case, cable="Zürich"), ascii_only=True)
        assert text.isascii()
        assert "A->B" in text
        assert "+-" in text

    def test_colour_changes_nothing_but_colour(self, every_case: PairReport) -> None:
        tinted = pair_text(every_case, colour=True)
        assert "\033[" in tinted
        assert re.sub(r"\033\[[0-9;]*m", "", tinted) == pair_text(every_case)
        assert "\033" not in pair_text(every_case)

    def test_german_is_german_throughout(self, every_case: PairReport) -> None:
        """No word of the English catalogue that German says otherwise is left on the screen."""
        text = " ".join(pair_text(every_case, details=True, language=Language.GERMAN).split())
        english = [
            word
            for group in ("answer", "screen", "pair", "budget", "budget-name")
            for key, word in _simple(group, Language.ENGLISH)
            if word != say(group, key, Language.GERMAN)
        ]
        assert len(english) > 20
        for word in english:
            assert re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text) is None, word
        assert "0,200 dB" not in text
        assert re.search(r"\d\.\d{3} dB", text) is None
        for verdict in ("eingehalten", "überschritten", "nur eine Richtung", "nicht bewertet"):
            assert verdict in text

    def test_columns_of_both_languages(self) -> None:
        """As many headings as there are columns, and none that is cut off."""
        for language in Language:
            for key, count in (("head-1", 7), ("head-2", 7)):
                assert len(say("pair", key, language).split("/")) == count
            assert len(say("document", "headings", language).split("/")) == 11
            assert len(say("budget", "inputs", language).split("/")) == 7
            assert len(say("budget", "causes", language).split("/")) == 5

    def test_header_cannot_drive_the_terminal(self, every_case: PairReport) -> None:
        text = pair_text(with_header(every_case, cable="\x1b[2Jgone", location_a="a\rb"))
        assert "\x1b" not in text
        assert "\r" not in text

    def test_says_each_verdict_in_words(self, every_case: PairReport) -> None:
        text = pair_text(every_case)
        for words in (
            "within limit; gainer from B",
            "over limit",
            "near limit",
            "one direction only",
            "not measured",
            "connector: not evaluated",
            "group: within limit",
            "asked position: within limit",
            "negative average, check the pair",
            "the contract's figure decides",
            "What to do",
            "instrument clock",
            "instrument's own error",
            "Safety:",
        ):
            assert words in re.sub(r"\s+", " ", text)

    def test_table_is_aligned(self, every_case: PairReport) -> None:
        text = pair_text(every_case)
        lines = [line for line in text.splitlines() if re.match(r" {1,2}\d+ +\d", line)]
        assert len(lines) == 10
        assert {line[45] for line in lines} <= set("0123456789-")  # last place of ± U
        assert {line[46:48] for line in lines} == {"  "}


def first_lines(report: PairReport) -> str:
    """What stands above the first blank line, joined."""
    return " ".join(pair_text(report).split("\n\n")[0].split())


class TestAnswerFirst:
    def test_cut_names_each_splice_from_both_ends(self) -> None:
        report = judge(
            with_readings(
                reading(0.31, 0.29, distance_m=1210.0),
                reading(0.1, 0.1, distance_m=2000.0),
                reading(0.25, 0.25, distance_m=4000.0),
            ),
            Limits.parse(["0.15"]),
        )
        assert report.answer is Answer.CUT
        assert first_lines(report) == (
            "CUT Re-splice 1 at 1.210 km from the end of simulated_A.sor, 4.789 km from the end of "
            "simulated_B.sor: 0.300 dB ± 0.006, 0.150 dB over the limit. "
            "Re-splice 3 at 4.000 km from the end of simulated_A.sor, 1.999 km from the end of "
            "simulated_B.sor: 0.250 dB ± 0.006, 0.100 dB over the limit."
        )

    def test_a_default_limit_is_told_beside_the_order_to_cut(self) -> None:
        report = judge(with_readings(reading(0.3, 0.3)), Limits())
        assert "The limit of 0.20 dB (default) decides that" in first_lines(report)

    def test_leave_is_one_line_with_the_worst(self) -> None:
        report = judge(
            with_readings(reading(0.1, 0.1), reading(0.13, 0.15, distance_m=3000.0)), Limits()
        )
        assert report.answer is Answer.LEAVE
        assert first_lines(report) == (
            "LEAVE all 2 splices are within 0.20 dB (default); highest: splice 2 at 3.000 km, "
            "0.140 ± 0.006 dB."
        )
        assert "What to do" not in pair_text(report)

    def test_doubt_comes_before_a_splice_over_the_limit(self) -> None:
        measured = with_readings(reading(0.4, 0.4))
        other = replace(measured.ba, identity=replace(measured.ba.identity, fibre="013"))
        report = judge(replace(measured, ba=other), Limits())
        assert report.answer is Answer.CHECK
        text = first_lines(report)
        assert text.startswith("CHECK Check the files first: the header from A names fibre '012'")
        assert text.endswith("no splice is cleared, and none is cut.")
        assert "do not cut while the files are in doubt" in " ".join(pair_text(report).split())

    def test_shoot_again_says_why(self) -> None:
        causes = (says("in-dead-zone", direction="B→A"),)
        report = judge(with_readings(reading(0.05, None, missing=causes)), Limits())
        assert report.answer is Answer.SHOOT_AGAIN
        text = first_lines(report)
        assert text.startswith("SHOOT AGAIN Shoot splice 1 at 1.210 km again")
        assert "inside a dead zone" in text

    def test_json_has_the_answer_the_doubts_and_the_ends(self) -> None:
        measured = with_readings(reading(0.4, 0.4))
        other = replace(measured.ba, identity=replace(measured.ba.identity, fibre="013"))
        broken = defect("count-disagrees", "DataPts", "points", stated=9, found=5)
        first = replace(measured.ab, findings=(broken,))
        content = pair_object(judge(replace(measured, ab=first, ba=other), Limits()))
        assert content["schema"] == "otdravg.pair/2"
        assert content["verdict"] == "check"
        assert [(d["about"], d["code"]) for d in content["doubts"]] == [
            ("pair", "fibre-names-differ"),
            ("shot A→B", "count-disagrees"),
        ]
        assert content["doubts"][0]["values"] == {"from_a": "012", "from_b": "013"}
        assert content["doubts"][0]["sentence"].startswith("the header from A names fibre '012'")
        assert content["ends"] == {
            "a": "the end of simulated_A.sor",
            "b": "the end of simulated_B.sor",
            "direction_by": "order",
        }
        jsonschema.validate(json.loads(json.dumps(content)), SCHEMA)

    def test_one_line_of_json_for_a_list(self, every_case: PairReport) -> None:
        text = pair_json(every_case, indent=None)
        assert text.count("\n") == 1
        assert json.loads(text) == json.loads(pair_json(every_case))


def test_all_outputs_show_the_same_figures(every_case: PairReport) -> None:
    text = pair_text(every_case)
    assert rows_of(every_case)
    for row, splice in zip(rows_of(every_case), pair_object(every_case)["splices"], strict=True):
        shown: dict[str, Any] = {
            "loss_ab_db": splice["loss_ab_db"],
            "loss_ba_db": splice["loss_ba_db"],
            "loss_db": splice["loss_db"],
            "expanded_uncertainty_db": splice["expanded_uncertainty_db"],
        }
        line = next(x for x in text.splitlines() if x.startswith(f"{splice['number']:3d} "))
        cells = [cell if cell != "-" else "" for cell in line.split()[3:7]]
        assert cells == [row[name] for name in shown]
        assert [float(cell) if cell else None for cell in cells] == list(shown.values())
        assert float(row["distance_m"]) == splice["distance_m"]
        assert row["verdict"] == splice["verdict"]

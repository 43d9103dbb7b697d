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

from otdravg.findings import says
from otdravg.fit.reading import Kind
from otdravg.report.page import COLUMNS
from otdravg.report.pair_json import pair_json, pair_object
from otdravg.report.pair_text import pair_text
from otdravg.tables.pair import pair_csv
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits, Rule

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


class TestText:
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

    def test_header_cannot_drive_the_terminal(self, every_case: PairReport) -> None:
        text = pair_text(with_header(every_case, cable="\x1b[2Jgone", location_a="a\rb"))
        assert "\x1b" not in text
        assert "\r" not in text

    def test_says_each_verdict_in_words(self, every_case: PairReport) -> None:
        text = pair_text(every_case)
        for words in (
            "within limit; gain from B",
            "over limit",
            "near limit",
            "one-way only",
            "not measured",
            "connector: no limit set",
            "group: within limit",
            "asked position: within limit",
            "implausible",
            "the contract's figure decides",
            "What to do next",
            "Safety:",
        ):
            assert words in re.sub(r"\s+", " ", text)

    def test_table_is_aligned(self, every_case: PairReport) -> None:
        text = pair_text(every_case)
        lines = [line for line in text.splitlines() if re.match(r" {1,2}\d+ +\d", line)]
        assert len(lines) == 10
        assert {line[45] for line in lines} <= set("0123456789-")  # last place of ± U
        assert {line[46:48] for line in lines} == {"  "}


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

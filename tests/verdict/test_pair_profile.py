"""A pair under an acceptance profile: what is applied, what is not and says so, what follows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest
from pair_example import measurement, reading, with_readings

from otdravg.errors import BadProfile, BadSetting
from otdravg.findings import Scope, defect, says
from otdravg.fit.reading import Kind
from otdravg.report.pair_json import pair_object
from otdravg.report.pair_text import pair_line, pair_text
from otdravg.verdict import Profile, default, parse, shipped_names
from otdravg.verdict.decision import NEVER_GRADED, Action, Answer, Verdict
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.keys import KEYS
from otdravg.verdict.limits import Limits, Rule
from otdravg.words.catalogue import Language, told

DOCS = Path(__file__).parents[2] / "docs"
SCHEMA = json.loads((DOCS / "pair.schema.json").read_text(encoding="utf-8"))
GOOD = (reading(0.05, 0.05), reading(0.06, 0.06))


def profile_of(text: str) -> Profile:
    return parse('format = 1\nname = "test"\nsource = "invented"\n' + text, "test.toml")


def open_keys(report: PairReport) -> set[str]:
    return {key for one in report.not_applied if one.is_open for key in one.keys}


def left_out(report: PairReport) -> set[str]:
    return {key for one in report.not_applied if not one.is_open for key in one.keys}


def steps(report: PairReport) -> Iterator[str]:
    return (step.code for step in report.next_steps)


class TestLimitsAreASmallProfile:
    def test_a_profile_of_one_limit_judges_as_that_limit_does(self) -> None:
        pair = with_readings(
            *GOOD, reading(0.3, 0.3), reading(0.3, 0.3, kind=Kind.GROUP), reading(0.1, None),
            reading(None, None), reading(-0.2, -0.2), reading(0.5, 0.5, kind=Kind.CONNECTOR),
        )  # fmt: skip
        for rule in Rule:
            typed = judge(pair, Limits(Decimal("0.15"), is_stated=True, rule=rule))
            own = profile_of(f'[decision]\nrule = "{rule.value}"\n[splice]\nlimit_db = 0.15\n')
            under = judge(pair, profile=own)
            assert under.splices == typed.splices
            assert under.next_steps == typed.next_steps
            assert (under.limit_db, under.limits.rule) == (typed.limit_db, typed.limits.rule)
            assert under.not_applied == typed.not_applied == ()

    def test_both_at_once_are_refused(self) -> None:
        for both in ({"limit_db": 0.2}, {"guarded": True}):
            with pytest.raises(BadSetting, match="profile"):
                judge(with_readings(*GOOD), profile=default(), **both)  # type: ignore[arg-type]

    def test_a_name_and_a_file_are_read(self, tmp_path: Path) -> None:
        own = tmp_path / "own.toml"
        own.write_text('format=1\nname="own"\nsource="x"\n[splice]\nlimit_db=0.01\n')
        assert judge(with_readings(*GOOD), profile=own).answer is Answer.CUT
        assert judge(with_readings(*GOOD), profile="default").answer is Answer.LEAVE
        own.write_text("format = 2\n")
        with pytest.raises(BadProfile):
            judge(with_readings(*GOOD), profile=own)


class TestEveryShippedProfile:
    @pytest.mark.parametrize("name", shipped_names())
    def test_makes_an_answer_for_every_reader(self, name: str) -> None:
        report = judge(measurement(), profile=name)
        jsonschema.validate(pair_object(report), SCHEMA)
        assert f"profile {name}" in pair_text(report).replace("\n", " ")
        assert report.next_steps
        for step in report.next_steps:
            assert told(step)
            assert told(step, Language.GERMAN)
        assert report.exit_status == int(report.answer is not Answer.LEAVE)

    def test_what_one_pair_cannot_answer_is_said_of_every_such_key(self) -> None:
        report = judge(measurement(), profile="every-rule")
        asked = {key.path for key in KEYS if key.pair}
        # Its own values of these are those that hold anyway.
        asked -= {"splice.wavelengths", "completeness.every_fibre", "span.reading"}
        assert asked <= open_keys(report) | left_out(report)
        assert {key.path for key in KEYS if key.is_open} - {"span.reading"} <= open_keys(report)
        said = " ".join(told(step) for step in report.next_steps)
        assert all(key in said for key in asked)


class TestNotApplied:
    @pytest.mark.parametrize(
        "text",
        ["[bend]\nthreshold_db = 0.05\n", "[change]\nincrease_limit_db = 0.1\n",
         "[completeness]\nretest_touched = true\n", '[data]\nnot_gradable = ["pair-doubtful"]\n',
         "[connector]\nend_limit_db = 0.5\n"],
    )  # fmt: skip
    def test_what_might_turn_the_pair_down_leaves_it_uncleared(self, text: str) -> None:
        good = profile_of("[splice]\nlimit_db = 0.2\n")
        assert judge(with_readings(*GOOD), profile=good).exit_status == 0
        report = judge(
            with_readings(*GOOD), profile=profile_of("[splice]\nlimit_db = 0.2\n" + text)
        )
        assert open_keys(report)
        assert (report.exit_status, report.answer) == (1, Answer.CHECK)
        assert "nothing-to-redo" not in steps(report)

    @pytest.mark.parametrize(
        "text",
        ["[wavelengths]\nrequired = [1310, 1550]\n",
         "[splice.attempts]\nallowed = 3\n", '[one_way]\nreasons = ["not-terminated"]\n',
         '[traces]\nname = "{fibre}_{wavelength}_{direction}.sor"\n',
         '[connector]\nwith_splice_limit_db = 0.5\n[setup]\nlaunch = "none"\n',
         '[[wavelengths.cases]]\nfibre_types = ["G.653"]\nrequired = [1550]\n'],
    )  # fmt: skip
    def test_what_is_not_about_the_pair_does_not(self, text: str) -> None:
        report = judge(
            with_readings(*GOOD), profile=profile_of("[splice]\nlimit_db = 0.2\n" + text)
        )
        assert left_out(report)
        assert not open_keys(report)
        assert report.answer is Answer.LEAVE
        first, *_, last = steps(report)
        assert (first, last) == ("nothing-to-redo", "not-applied")


class TestApplied:
    def test_any_wavelength_withholds_the_cut(self) -> None:
        strict = profile_of('[splice]\nlimit_db = 0.1\nwavelengths = "any"\n')
        report = judge(with_readings(reading(0.3, 0.3)), profile=strict)
        (splice,) = report.splices
        assert (splice.verdict, splice.action) == (Verdict.OVER, Action.LOOK)
        assert report.answer is Answer.CHECK
        assert "another one may be" in told(report.next_steps[0])

    @pytest.mark.parametrize(
        "text",
        ["", "[splice]\nlimit_db_at = { 1310 = 0.2 }\n",
         "[splice]\nlimit_db = 0.2\n[wavelengths]\nrequired = [1310]\njudge_others = false\n"],
    )  # fmt: skip
    def test_where_no_splice_is_judged_nothing_is_cleared(self, text: str) -> None:
        report = judge(with_readings(*GOOD), profile=profile_of(text))
        assert "nothing-judged" in steps(report)
        assert (report.exit_status, report.answer) == (1, Answer.CHECK)

    def test_rules_of_the_whole_fibre_count(self) -> None:
        report = judge(
            with_readings(*GOOD),
            profile=profile_of("[splice]\nlimit_db = 0.2\n[span]\nmean_limit_db = 0.01\n"),
        )
        (rule,) = report.rules
        assert (rule.verdict, rule.figure) == (Verdict.OVER, Decimal("0.055"))
        assert report.next_steps[0].code == "whole-fibre"
        # It names no splice to cut.
        assert (report.exit_status, report.answer) == (1, Answer.CHECK)
        assert pair_line(report)[1].startswith("The fibre as a whole: Mean of 2 splices 0.055")

    @pytest.mark.parametrize(
        ("permitted", "verdict"),
        [("temporary", Verdict.TEMPORARY), ("no", Verdict.METHOD_BARRED)],
    )
    def test_no_splice_is_cut_for_its_method_which_no_file_says(
        self, permitted: str, verdict: Verdict
    ) -> None:
        profile = profile_of(
            '[splice]\nlimit_db = 0.2\nmethod = "mechanical"\n[splice.mechanical]\n'
            f'permitted = "{permitted}"\n'
        )
        report = judge(with_readings(*GOOD), profile=profile)
        assert {(j.verdict, j.action) for j in report.splices} == {(verdict, Action.LOOK)}
        assert report.answer is Answer.CHECK
        assert pair_line(report)[1]

    def test_a_contract_for_the_mean_alone_is_met_by_the_mean(self) -> None:
        for limit, answer in (("0.06", Answer.LEAVE), ("0.05", Answer.CHECK)):
            profile = profile_of(f"[span]\nmean_limit_db = {limit}\n")
            report = judge(with_readings(*GOOD), profile=profile)
            assert report.answer is answer
            assert report.exit_status == int(answer is not Answer.LEAVE)
            assert "Mean of 2 splices 0.055" in pair_line(report)[1]

    def test_what_is_to_be_checked_comes_before_another_shot(self) -> None:
        asks = profile_of("[splice]\nlimit_db = 0.2\n[setup]\npulse_ns_max = 30\n")
        report = judge(with_readings(*GOOD, reading(0.1, None)), profile=asks)
        assert report.answer is Answer.CHECK
        codes = list(steps(report))
        assert codes.index("outside-profile") < codes.index("shoot-again")

    def test_shots_taken_otherwise_than_asked_are_a_finding(self) -> None:
        asks = profile_of("[splice]\nlimit_db = 0.2\n[setup]\npulse_ns_max = 30\n")
        report = judge(with_readings(*GOOD), profile=asks)
        assert [f.code for f in report.breaches] == ["pulse-outside-profile"] * 2
        assert (report.exit_status, report.answer) == (1, Answer.CHECK)
        assert not report.in_doubt

    def test_loose_tube_has_no_ribbon_to_cut(self) -> None:
        for size, said in ((12, True), (0, False)):
            profile = profile_of(f"[splice]\nlimit_db = 0.1\n[ribbon]\nsize = {size}\n")
            report = judge(with_readings(reading(0.3, 0.3)), profile=profile)
            assert ("whole-ribbon" in steps(report)) is said

    def test_fibre_type_is_that_of_both_headers(self) -> None:
        profile = profile_of(
            "[splice]\nlimit_db = 0.2\n[wavelengths]\nrequired = [1550]\njudge_others = false\n"
            '[[wavelengths.cases]]\nfibre_types = ["G.653", "mixed"]\nrequired = [1310]\n'
        )
        pair = with_readings(*GOOD)
        for types, expected in (
            (("G.652", "G.652"), Verdict.WITHIN),
            (("G.653", "G.653"), Verdict.INFORMATION),
            (("G.652", "G.655"), Verdict.INFORMATION),  # mixed
            (("G.653", ""), Verdict.WITHIN),  # not known
        ):
            ab, ba = (
                replace(trace, identity=replace(trace.identity, fibre_type=own))
                for trace, own in zip((pair.ab, pair.ba), types, strict=True)
            )
            report = judge(replace(pair, ab=ab, ba=ba), profile=profile)
            assert {j.verdict for j in report.splices} == {expected}, types

    @pytest.mark.parametrize("code", sorted(NEVER_GRADED))
    def test_points_that_nobody_measured_are_not_graded(self, code: str) -> None:
        pair = with_readings(*GOOD, reading(0.9, 0.9))
        report = judge(replace(pair, findings=(defect(code, Scope.PAIR),)))
        assert {(j.verdict, j.action) for j in report.splices} == {
            (Verdict.NOT_GRADABLE, Action.LOOK)
        }
        assert report.splices[0].reason == says("not-gradable", findings=code)
        assert report.exit_status == 1
        assert report.answer is not Answer.CUT

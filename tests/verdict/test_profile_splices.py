"""Splices under a profile: attempts, wavelengths, methods, stages, one direction, doubts."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pair_example import judged_loss, judged_one_way

from otdravg.findings import says
from otdravg.fit.reading import Kind
from otdravg.verdict import Method, PlaceReading, Profile, default, judge_place, load_shipped, parse
from otdravg.verdict.decision import NEVER_GRADED, Action, Verdict, held_against
from otdravg.verdict.limits import Limits, Rule
from otdravg.verdict.place import combined, is_bend
from otdravg.verdict.rules import OneWayCause, required_wavelengths
from otdravg.verdict.rules import profile_of as profile_of_limits
from otdravg.words.catalogue import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'


def profile_of(text: str) -> Profile:
    return parse(HEAD + text, "test.toml")


def place(profile: Profile, **loss_db: float) -> dict[int, PlaceReading]:
    """Readings by wavelength, u = 0.004 dB, each with its own verdict; keys as nm1310."""
    return {
        int(key[2:]): PlaceReading(judged_loss(profile, db, 0.004, int(key[2:])), db, 0.004)
        for key, db in loss_db.items()
    }


class TestObjectiveAndFallback:
    """Carrier exhibit on splicing, testing and acceptance (2012), scribd.com 251377301:
    objective 0.10 dB, after three attempts 0.20 dB, then identified as out of specification."""

    @pytest.mark.parametrize(
        ("loss_db", "attempt", "verdict", "action"),
        [
            (0.10, 1, Verdict.WITHIN, Action.NONE),
            (0.10, 3, Verdict.WITHIN, Action.NONE),
            (0.11, 1, Verdict.OVER, Action.RE_SPLICE),
            (0.11, 2, Verdict.OVER, Action.RE_SPLICE),
            (0.11, 3, Verdict.ACCEPTED, Action.RECORD),
            (0.20, 2, Verdict.OVER, Action.RE_SPLICE),
            (0.20, 3, Verdict.ACCEPTED, Action.RECORD),
            (0.20, 4, Verdict.ACCEPTED, Action.RECORD),
            (0.21, 2, Verdict.OVER, Action.RE_SPLICE),
            (0.21, 3, Verdict.FAILED, Action.ASK),
        ],
    )
    def test_published_boundaries(
        self, loss_db: float, attempt: int, verdict: Verdict, action: Action
    ) -> None:
        judged = judged_loss(load_shipped("three-attempts"), loss_db, 0.0, 1550, attempt=attempt)
        assert (judged.verdict, judged.action) == (verdict, action)

    def test_limit_shown_is_the_one_that_decided(self) -> None:
        profile = load_shipped("three-attempts")
        assert judged_loss(profile, 0.11, 0.0, 1550, attempt=2).limit_db == Decimal("0.10")
        accepted = judged_loss(profile, 0.11, 0.0, 1550, attempt=3)
        assert accepted.limit_db == Decimal("0.20")
        assert accepted.rule == "splice.attempts.fallback_db"
        assert accepted.reason.more[0]["attempt"] == 3

    def test_reason_counts_the_attempts(self) -> None:
        judged = judged_loss(load_shipped("three-attempts"), 0.11, 0.0, 1550, attempt=2)
        assert judged.reason.more == (says("attempt", attempt=2, allowed=3),)

    def test_attempts_without_fallback_end_in_a_decision(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.1\n[splice.attempts]\nallowed = 2\n")
        assert judged_loss(profile, 0.2, 0.0, 1550, attempt=1).action is Action.RE_SPLICE
        assert judged_loss(profile, 0.2, 0.0, 1550, attempt=2).verdict is Verdict.FAILED

    def test_guarded_rule_reaches_the_fallback(self) -> None:
        profile = replace(load_shipped("three-attempts"), rule=Rule.GUARDED)
        judged = judged_loss(profile, 0.195, 0.005, 1550, attempt=3)
        assert judged.verdict is Verdict.TOO_CLOSE
        assert judged.limit_db == Decimal("0.20")


class TestFiguresAsReported:
    def test_0150_passes_015_despite_binary_floats(self) -> None:
        # Half of 0.20 + 0.10 is 0.15 (arithmetic); in binary floats it is a hair more.
        assert (0.20 + 0.10) / 2 > 0.15
        profile = profile_of("[splice]\nlimit_db = 0.15\n")
        assert judged_loss(profile, (0.20 + 0.10) / 2, 0.0, 1550).verdict is Verdict.WITHIN

    def test_comparison_is_of_three_decimals(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.15\n")
        assert judged_loss(profile, 0.1504, 0.0, 1550).verdict is Verdict.WITHIN
        assert judged_loss(profile, 0.1505, 0.0, 1550).verdict is Verdict.OVER

    @given(st.integers(0, 400), st.integers(1, 400))
    def test_plain_rule_is_integer_arithmetic(self, loss_mdb: int, limit_mdb: int) -> None:
        profile = profile_of_limits(Limits(Decimal(limit_mdb) / 1000, is_stated=True))
        judged = judged_loss(profile, loss_mdb / 1000, 0.0, 1550)
        assert (judged.verdict is Verdict.WITHIN) == (loss_mdb <= limit_mdb)


class TestGuardedDecision:
    """JCGM 106:2012, ILAC-G8:09/2019 (from memory): guarded acceptance A = T - U."""

    @pytest.mark.parametrize(
        ("loss_db", "verdict"),
        [
            (0.180, Verdict.WITHIN),  # T - U
            (0.181, Verdict.TOO_CLOSE),
            (0.220, Verdict.TOO_CLOSE),
            (0.221, Verdict.OVER),
        ],
    )
    def test_limit_020_with_u_002(self, loss_db: float, verdict: Verdict) -> None:
        profile = profile_of('[decision]\nrule = "guarded"\n[splice]\nlimit_db = 0.20\n')
        assert judged_loss(profile, loss_db, 0.01, 1550).verdict is verdict

    def test_plain_rule_marks_instead(self) -> None:
        judged = judged_loss(default(), 0.19, 0.01, 1550)
        assert judged.verdict is Verdict.WITHIN
        assert judged.near_limit

    @given(st.integers(-100, 400), st.integers(0, 50), st.integers(1, 400))
    def test_guarded_never_contradicts_plain(self, loss: int, u: int, limit: int) -> None:
        args = (Decimal(loss) / 1000, Decimal(u) / 1000, Decimal(limit) / 1000)
        plain, guarded = held_against(*args, Rule.PLAIN), held_against(*args, Rule.GUARDED)
        assert guarded.verdict in (plain.verdict, Verdict.TOO_CLOSE)
        assert (guarded.verdict is Verdict.WITHIN) == (loss + u <= limit)


class TestWavelengths:
    """Carrier exhibit on fibre and splicing, City of Louisville CO, document 212893:
    0.20 dB at 1550 and/or 0.25 dB at 1310."""

    @pytest.mark.parametrize(
        ("loss_db", "nm", "verdict"),
        [
            (0.25, 1310, Verdict.WITHIN),
            (0.26, 1310, Verdict.OVER),
            (0.20, 1550, Verdict.WITHIN),
            (0.21, 1550, Verdict.OVER),
        ],
    )
    def test_own_limit_for_each(self, loss_db: float, nm: int, verdict: Verdict) -> None:
        assert judged_loss(load_shipped("two-wavelengths"), loss_db, 0.0, nm).verdict is verdict

    @pytest.mark.parametrize(("word", "verdict"), [("all", Verdict.OVER), ("any", Verdict.WITHIN)])
    def test_and_or_has_to_be_chosen(self, word: str, verdict: Verdict) -> None:
        profile = profile_of(
            f'[splice]\nlimit_db_at = {{ 1310 = 0.25, 1550 = 0.20 }}\nwavelengths = "{word}"\n'
        )
        judged = judge_place(profile, place(profile, nm1310=0.22, nm1550=0.22))
        assert combined(profile, judged).verdict is verdict
        assert judged[1310].verdict is Verdict.WITHIN

    def test_beyond_60_km_1310_is_information_only(self) -> None:
        profile = load_shipped("two-wavelengths")
        assert required_wavelengths(profile, 60_000) == (1310, 1550)
        assert required_wavelengths(profile, 60_001) == (1550,)
        assert (
            judged_loss(profile, 0.9, 0.0, 1310, length_m=70_000.0).verdict is Verdict.INFORMATION
        )
        assert judged_loss(profile, 0.9, 0.0, 1550, length_m=70_000.0).verdict is Verdict.OVER

    def test_information_does_not_spoil_the_place(self) -> None:
        profile = load_shipped("two-wavelengths")
        readings = {
            nm: PlaceReading(judged_loss(profile, db, 0.004, nm, length_m=70_000.0), db, 0.004)
            for nm, db in ((1310, 0.40), (1550, 0.10))
        }
        assert combined(profile, judge_place(profile, readings)).verdict is Verdict.WITHIN

    def test_fibre_type_decides(self) -> None:
        # Lease clauses (lawinsider.com): 1550 nm only for dispersion-shifted or mixed fibre.
        profile = load_shipped("span-mean")
        assert required_wavelengths(profile, 5000, "g.653") == (1550,)
        assert required_wavelengths(profile, 5000, "G.652.D") == (1310, 1550)

    def test_no_limit_for_a_wavelength_is_said(self) -> None:
        profile = profile_of("[splice]\nlimit_db_at = { 1550 = 0.20 }\n")
        judged = judged_loss(profile, 0.5, 0.0, 1625)
        assert judged.verdict is Verdict.NOT_JUDGED
        assert judged.reason == says("no-splice-limit", nominal_nm="1625")


class TestBend:
    """An offset splice loses 4.343·(d/w)² dB (Marcuse, Bell Syst. Tech. J. 56, 1977, from memory):
    with field radii of 4.6 and 5.2 µm less at 1550 than at 1310 nm. A bend loses more the longer
    the wavelength: ITU-T G.652 states its limit at the longest, 1625 nm (from memory). To dress it
    and test again is common practice, no source; so is the threshold."""

    PROFILE = "[splice]\nlimit_db = 0.20\n[bend]\nthreshold_db = 0.05\n"

    def test_bend_changes_the_advice(self) -> None:
        profile = profile_of(self.PROFILE)
        judged = judge_place(profile, place(profile, nm1310=0.05, nm1550=0.32))
        assert combined(profile, judged).verdict is Verdict.BEND
        assert combined(profile, judged).action is Action.RE_DRESS
        assert judged[1310].verdict is Verdict.WITHIN
        assert "0.270 dB more" in told(combined(profile, judged).reason)

    def test_bad_splice_is_no_bend(self) -> None:
        profile = profile_of(self.PROFILE)
        judged = judge_place(profile, place(profile, nm1310=0.31, nm1550=0.32))
        assert combined(profile, judged).verdict is Verdict.OVER

    def test_bad_splice_with_a_bend_is_still_spliced(self) -> None:
        profile = profile_of(self.PROFILE)
        judged = judge_place(profile, place(profile, nm1310=0.31, nm1550=0.62))
        assert combined(profile, judged).action is Action.RE_SPLICE
        assert judged[1550].verdict is Verdict.BEND

    def test_or_rule_does_not_hide_a_bend(self) -> None:
        profile = profile_of(
            '[splice]\nlimit_db = 0.20\nwavelengths = "any"\n[bend]\nthreshold_db = 0.05\n'
        )
        judged = judge_place(profile, place(profile, nm1310=0.05, nm1550=0.32))
        assert combined(profile, judged).verdict is Verdict.BEND

    @pytest.mark.parametrize(
        ("short", "long", "bend"),
        [
            ((0.05, 0.001), (0.100, 0.001), False),  # exactly the threshold
            ((0.05, 0.001), (0.101, 0.001), True),
            ((0.05, 0.030), (0.130, 0.030), False),  # 0.080 against U = 2·√2·0.03 = 0.085
            ((0.05, 0.030), (0.140, 0.030), True),
        ],
    )
    def test_threshold_and_uncertainty_both_count(
        self, short: tuple[float, float], long: tuple[float, float], bend: bool
    ) -> None:
        threshold_db = profile_of(self.PROFILE).bend.threshold_db
        assert is_bend(threshold_db, short, long) is bend

    def test_no_rule_no_bend(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.20\n")
        assert profile.bend.threshold_db is None
        judged = judge_place(profile, place(profile, nm1310=0.05, nm1550=0.32))
        assert combined(profile, judged).verdict is Verdict.OVER


BEYOND = (says("signal-ends", direction="B→A", into_m=900.0),)


class TestOneDirection:
    @pytest.mark.parametrize(
        ("reading_db", "verdict"),
        [(0.30, Verdict.WITHIN_ONE_WAY), (0.31, Verdict.OVER)],
    )
    @pytest.mark.parametrize(
        "known", [{"missing": BEYOND}, {"one_way_cause": OneWayCause.NOT_TERMINATED}]
    )
    def test_seen_or_recorded_and_allowed_cause(
        self, reading_db: float, verdict: Verdict, known: dict[str, Any]
    ) -> None:
        judged = judged_one_way(load_shipped("every-rule"), reading_db, **known)
        assert judged.verdict is verdict
        assert judged.rule == "one_way.splice_limit_db"
        assert judged.action is not Action.RE_SPLICE  # a step in the glass reads as loss

    @pytest.mark.parametrize(
        "code", ["no-partner", "fibre-ends", "in-dead-zone", "as-found", "not-reached"]
    )
    def test_any_other_cause_is_one_way_only(self, code: str) -> None:
        judged = judged_one_way(load_shipped("every-rule"), 0.05, missing=(says(code),))
        assert judged.verdict is Verdict.ONE_WAY
        assert judged.action is Action.SHOOT_AGAIN

    def test_a_cause_that_the_contract_does_not_name_is_one_way_only(self) -> None:
        judged = judged_one_way(default(), 0.05, missing=BEYOND)
        assert judged.verdict is Verdict.ONE_WAY

    def test_one_way_is_never_averaged_with_zero(self) -> None:
        judged = judged_one_way(default(), 0.30)
        assert judged.verdict is Verdict.ONE_WAY
        assert (judged.limit_db, judged.figure) == (Decimal("0.20"), None)

    def test_not_measured(self) -> None:
        assert judged_loss(default(), None, None).verdict is Verdict.NOT_MEASURED


class TestStages:
    """Louisville CO exhibit: a first check of 0.2 dB at 1550 nm from one end in construction."""

    @pytest.mark.parametrize(
        ("reading_db", "verdict"), [(0.20, Verdict.WITHIN_ONE_WAY), (0.21, Verdict.OVER)]
    )
    def test_construction_from_one_end(self, reading_db: float, verdict: Verdict) -> None:
        final = load_shipped("two-wavelengths")
        profile = replace(final, stage=final.stages["construction"])
        assert judged_one_way(profile, reading_db).verdict is verdict

    def test_final_stage_wants_both_ends(self) -> None:
        judged = judged_one_way(load_shipped("two-wavelengths"), 0.05)
        assert judged.verdict is Verdict.ONE_WAY


class TestMethods:
    def test_nominal_and_maximum(self) -> None:
        # UFGS 16768A, 3.1.6: fusion nominal 0.15, maximum 0.3; mechanical nominal 0.2.
        profile = load_shipped("nominal-and-maximum")
        assert judged_loss(profile, 0.15, 0.0).reason.more == ()
        above = judged_loss(profile, 0.16, 0.0, 1550)
        assert above.verdict is Verdict.WITHIN
        assert above.reason.more == (says("above-nominal", nominal_db=Decimal("0.15")),)
        assert judged_loss(profile, 0.30, 0.0, 1550).verdict is Verdict.WITHIN
        assert judged_loss(profile, 0.31, 0.0, 1550).verdict is Verdict.OVER
        assert judged_loss(profile, 0.20, 0.0, 1550, method=Method.MECHANICAL).reason.more == ()

    def test_limit_by_method(self) -> None:
        # Invented figures; more for ribbon than for single fibre is common practice, no source.
        profile = profile_of("[splice.fusion]\nlimit_db = 0.06\n[splice.ribbon]\nlimit_db = 0.09\n")
        assert judged_loss(profile, 0.07, 0.0, 1550, method=Method.FUSION).verdict is Verdict.OVER
        assert judged_loss(profile, 0.07, 0.0, 1550).verdict is Verdict.WITHIN

    def test_mechanical_only_as_temporary(self) -> None:
        # Carrier exhibit on acceptance testing, City of Ramsey MN, document 243017.
        profile = parse(
            HEAD + '[splice]\nlimit_db=0.3\n[splice.mechanical]\npermitted="temporary"\n', "t"
        )
        judged = judged_loss(profile, 0.1, 0.0, 1550, method=Method.MECHANICAL)
        assert (judged.verdict, judged.action) == (Verdict.TEMPORARY, Action.RE_SPLICE)

    def test_barred_method(self) -> None:
        profile = profile_of('[splice]\nlimit_db=0.3\n[splice.mechanical]\npermitted="no"\n')
        assert (
            judged_loss(profile, 0.1, 0.0, 1550, method=Method.MECHANICAL).verdict
            is Verdict.METHOD_BARRED
        )


class TestDoubts:
    def test_named_findings_stop_grading(self) -> None:
        codes = frozenset({"lengths-differ", "ghost"})
        judged = judged_loss(load_shipped("every-rule"), 0.05, 0.0, finding_codes=codes)
        assert judged.verdict is Verdict.NOT_GRADABLE
        assert judged.reason == says("not-gradable", findings="lengths-differ")
        assert judged.rule == "data.not_gradable"

    @pytest.mark.parametrize("code", sorted(NEVER_GRADED))
    def test_what_is_no_measurement_is_never_graded_whatever_the_contract_says(
        self, code: str
    ) -> None:
        judged = judged_loss(default(), 0.05, 0.0, finding_codes=frozenset({code}))
        assert (judged.verdict, judged.action) == (Verdict.NOT_GRADABLE, Action.LOOK)
        assert judged.limit_db == Decimal("0.20")

    def test_negative_average_is_no_pass_with_margin(self) -> None:
        judged = judged_loss(default(), -0.07, 0.004, 1550)
        assert judged.verdict is Verdict.IMPLAUSIBLE
        assert judged_loss(default(), -0.004, 0.004, 1550).verdict is Verdict.WITHIN

    def test_apparent_gain_from_one_end_is_no_fault(self) -> None:
        # 0.12 dB from one end and -0.04 dB from the other are a true loss of 0.04 (arithmetic).
        assert judged_loss(default(), (0.12 - 0.04) / 2, 0.004, 1550).verdict is Verdict.WITHIN

    def test_connector_is_not_judged_as_a_splice(self) -> None:
        judged = judged_loss(default(), 0.5, 0.004, 1550, Kind.CONNECTOR)
        assert judged.verdict is Verdict.NOT_JUDGED

    def test_group_over_limit_is_looked_at(self) -> None:
        judged = judged_loss(load_shipped("three-attempts"), 0.3, 0.0, 1550, Kind.GROUP, 3)
        assert (judged.verdict, judged.action) == (Verdict.OVER, Action.LOOK)


def test_default_says_that_it_is_one() -> None:
    assert default().is_default
    assert default().splice.limit_db.at(1550) == Decimal("0.20")
    stated = profile_of_limits(Limits.parse(["1310=0.25", "0.20"], Rule.GUARDED))
    assert not stated.is_default
    assert stated.rule is Rule.GUARDED
    assert judged_loss(stated, 0.24, 0.0, 1310).limit_db == Decimal("0.25")
    assert profile_of_limits(Limits()).is_default

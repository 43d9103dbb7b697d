"""Verdicts, limits and what to do next.

Readings here are invented and labelled simulated; the numbers beside a source are that
source's.
"""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pair_example import judged_as, reading, with_readings
from scipy import integrate

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.fit.reading import Kind
from otdravg.verdict.connector import mismatch_loss_db
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import (
    Action,
    PairReport,
    Verdict,
    judge,
)
from otdravg.verdict.limits import Limits, Rule
from otdravg.words.catalogue import Language, told


def verdict(loss_db: float, limit: str, *, u_db: float = 0.0, rule: Rule = Rule.PLAIN) -> Verdict:
    judged = judged_as(reading(loss_db, loss_db, u_db=u_db), Decimal(limit), rule)
    return judged.verdict


class TestLimitMeetsLoss:
    def test_mean_of_020_and_010_passes_015_despite_binary_floats(self) -> None:
        # Half of 0.20 + 0.10 is 0.15 (arithmetic).
        assert (0.20 + 0.10) / 2 > 0.15  # 0.15000000000000002: floats alone would fail it
        judged = judged_as(reading(0.20, 0.10, u_db=0.0), Decimal("0.15"), Rule.PLAIN)
        assert judged.verdict is Verdict.WITHIN
        assert judged.figure == Decimal("0.150")

    @pytest.mark.parametrize(
        ("loss_db", "expected"), [(0.10, Verdict.WITHIN), (0.11, Verdict.OVER)]
    )
    def test_objective_of_010(self, loss_db: float, expected: Verdict) -> None:
        # Carrier exhibit on splicing, testing and acceptance (2012): objective 0.10 dB a splice.
        assert verdict(loss_db, "0.10") is expected

    @pytest.mark.parametrize(
        ("loss_db", "expected"), [(0.20, Verdict.WITHIN), (0.21, Verdict.OVER)]
    )
    def test_fallback_of_020(self, loss_db: float, expected: Verdict) -> None:
        # Same exhibit: 0.20 dB after three attempts.
        assert verdict(loss_db, "0.20") is expected

    def test_comparison_is_of_the_reported_figure(self) -> None:
        assert verdict(0.1504, "0.15") is Verdict.WITHIN
        assert verdict(0.1506, "0.15") is Verdict.OVER

    def test_half_a_thousandth_rounds_up(self) -> None:
        assert verdict(0.1505, "0.15") is Verdict.OVER

    @given(
        st.integers(-500, 500), st.integers(-500, 500), st.integers(1, 500), st.sampled_from(Rule)
    )
    def test_plain_verdict_is_integer_arithmetic(
        self, ab_mdb: int, ba_mdb: int, limit_mdb: int, rule: Rule
    ) -> None:
        # Half a thousandth rounds away from zero; everything in integers of 0.001 dB.
        total = ab_mdb + ba_mdb
        reported_mdb = int(math.copysign((abs(total) + 1) // 2, total))
        if reported_mdb < 0:
            return  # another rule: implausible
        judged = judged_as(
            reading(ab_mdb / 1000, ba_mdb / 1000, u_db=0.0), Decimal(limit_mdb) / 1000, rule
        )
        expected = Verdict.WITHIN if reported_mdb <= limit_mdb else Verdict.OVER
        assert judged.verdict is expected
        assert judged.figure == Decimal(reported_mdb) / 1000


class TestDecisionWithUncertainty:
    """JCGM 106:2012, ILAC-G8:09/2019 (from memory): guarded acceptance is loss ≤ T - U."""

    @pytest.mark.parametrize(
        ("loss_db", "expected"),
        [
            (0.179, Verdict.WITHIN),
            (0.180, Verdict.WITHIN),  # exactly T - U
            (0.181, Verdict.TOO_CLOSE),
            (0.220, Verdict.TOO_CLOSE),  # the limit still touches the interval
            (0.221, Verdict.OVER),
        ],
    )
    def test_guarded_rule_with_u_of_002(self, loss_db: float, expected: Verdict) -> None:
        assert verdict(loss_db, "0.20", u_db=0.01, rule=Rule.GUARDED) is expected

    @pytest.mark.parametrize(
        ("loss_db", "expected"), [(0.181, Verdict.WITHIN), (0.201, Verdict.OVER)]
    )
    def test_plain_rule_decides_and_marks(self, loss_db: float, expected: Verdict) -> None:
        judged = judged_as(reading(loss_db, loss_db, u_db=0.01), Decimal("0.20"), Rule.PLAIN)
        assert judged.verdict is expected
        assert judged.near_limit

    def test_far_from_the_limit_there_is_no_mark(self) -> None:
        judged = judged_as(reading(0.05, 0.05, u_db=0.01), Decimal("0.20"), Rule.PLAIN)
        assert not judged.near_limit

    def test_too_close_asks_for_a_better_shot(self) -> None:
        report = judge(with_readings(reading(0.19, 0.19, u_db=0.01)), Limits(rule=Rule.GUARDED))
        assert report.exit_status == 1
        assert report.splices[0].action is Action.SHOOT_AGAIN
        assert report.next_steps[0].code == "shoot-too-close"


class TestWhatIsNotALoss:
    def test_one_way_only_is_never_within(self) -> None:
        causes = (says("in-dead-zone", direction="B→A"),)
        judged = judged_as(reading(0.05, None, missing=causes), Decimal("0.20"), Rule.PLAIN)
        assert judged.verdict is Verdict.ONE_WAY
        assert judged.figure is None
        assert judged.reason == says("one-way", causes=causes)
        assert judged.needs_work

    def test_not_measured_is_its_own_verdict(self) -> None:
        judged = judged_as(reading(None, None), Decimal("0.20"), Rule.PLAIN)
        assert judged.verdict is Verdict.NOT_MEASURED
        assert judged.reason == says("not-measured", causes=(says("not-reached"),))

    def test_one_way_does_not_count_in_sum_and_mean(self) -> None:
        report = judge(with_readings(reading(0.1, 0.1), reading(0.9, None)), Limits())
        assert report.sum_db == Decimal("0.100")
        assert (report.sum_count, report.mean_count) == (1, 1)

    def test_gain_from_one_end_is_no_fault(self) -> None:
        # 7 CFR 1755.404 (from memory): the average of both directions with the sign kept. Half of
        # 0.12 - 0.04 is 0.04 dB (arithmetic).
        report = judge(with_readings(reading(0.12, -0.04)), Limits())
        assert report.splices[0].reported_loss_db == Decimal("0.040")
        assert report.splices[0].gain_seen_from == "B"
        assert report.exit_status == 0

    def test_true_loss_clearly_below_zero_is_suspect(self) -> None:
        report = judge(with_readings(reading(0.02, -0.16, u_db=0.004)), Limits())
        assert report.splices[0].verdict is Verdict.IMPLAUSIBLE
        assert report.splices[0].action is Action.LOOK
        assert report.exit_status == 1
        assert report.answer is Answer.CHECK
        assert dict(report.next_steps[0].values)["finding"].code == "average-below-zero"

    def test_true_loss_below_zero_within_noise_passes(self) -> None:
        report = judge(with_readings(reading(-0.004, -0.004, u_db=0.004)), Limits())
        assert report.splices[0].verdict is Verdict.WITHIN

    def test_splice_limit_does_not_apply_to_a_connector(self) -> None:
        report = judge(with_readings(reading(0.25, 0.15, kind=Kind.CONNECTOR)), Limits())
        assert report.splices[0].verdict is Verdict.NOT_JUDGED
        assert report.splices[0].limit_db is None
        assert report.exit_status == 0
        assert report.sum_db is None

    def test_what_reflects_and_loses_more_than_a_splice_may_is_looked_at_not_cut(self) -> None:
        # It may be a mechanical splice (common practice, no source): no all-clear, no order.
        report = judge(with_readings(reading(0.25, 0.16, kind=Kind.CONNECTOR)), Limits())
        assert report.splices[0].verdict is Verdict.NOT_JUDGED
        assert report.splices[0].action is Action.LOOK
        assert report.splices[0].reason.code == "connector-lossy"
        assert report.next_steps[0].code == "look-connector"
        assert report.exit_status == 1

    @pytest.mark.parametrize(
        ("from_a_db", "from_b_db", "action"),
        [
            (0.394, 0.000, Action.SHOOT_AGAIN),  # 0.197: a hand, or l = b to a millidecibel
            (0.000, 0.394, Action.SHOOT_AGAIN),
            (0.390, 0.004, Action.NONE),  # B shows something, too
            (0.190, 0.000, Action.NONE),  # within, even if it were no splice but a hand
            (0.210, 0.000, Action.NONE),  # steps of 0.105 dB are common
        ],
    )
    def test_what_one_shot_alone_shows_is_not_closed_if_it_would_be_over(
        self, from_a_db: float, from_b_db: float, action: Action
    ) -> None:
        # Loss, step and hand are three unknowns for two readings.
        report = judge(with_readings(reading(from_a_db, from_b_db, u_db=0.0006)), Limits())
        assert report.splices[0].verdict is Verdict.WITHIN
        assert report.splices[0].action is action
        assert report.exit_status == (action is not Action.NONE)

    def test_group_over_limit_is_looked_at_not_cut(self) -> None:
        report = judge(with_readings(reading(0.3, 0.3, kind=Kind.GROUP)), Limits())
        assert report.splices[0].verdict is Verdict.OVER
        assert report.splices[0].action is Action.LOOK
        assert report.next_steps[0].code == "look-group"
        assert report.splices[0].reason.code == "group-over"

    def test_mean_is_of_single_splices(self) -> None:
        report = judge(
            with_readings(reading(0.1, 0.1), reading(0.2, 0.1), reading(0.3, 0.3, kind=Kind.GROUP)),
            Limits.parse(["0.4"]),
        )
        assert report.sum_db == Decimal("0.550")
        assert report.mean_db == Decimal("0.125")


def test_good_mean_never_excuses_a_bad_splice() -> None:
    # Lease clauses (lawinsider.com): span mean ≤ 0.15 dB; 0.05, 0.05, 0.35 has that mean.
    report = judge(
        with_readings(reading(0.05, 0.05), reading(0.05, 0.05), reading(0.35, 0.35)),
        Limits.parse(["0.15"]),
    )
    assert report.mean_db == Decimal("0.150")
    assert [j.verdict for j in report.splices] == [Verdict.WITHIN, Verdict.WITHIN, Verdict.OVER]
    assert report.exit_status == 1


class TestMismatch:
    @pytest.mark.parametrize(
        ("from_um", "to_um", "expected_db"),
        [(9.2, 8.6, 0.0197), (9.2, 10.4, 0.0651), (9.2, 8.4, 0.0359), (9.2, 9.6, 0.0079)],
    )
    def test_marcuse_values(self, from_um: float, to_um: float, expected_db: float) -> None:
        # D. Marcuse, Bell Syst. Tech. J. 56 (1977), from memory.
        assert mismatch_loss_db(to_um / from_um) == pytest.approx(expected_db, abs=5e-5)

    @pytest.mark.parametrize("ratio", [0.7, 0.9, 1.0, 1.13, 1.5])
    def test_equals_the_overlap_of_two_gaussian_modes(self, ratio: float) -> None:
        def mode(r: float, w: float) -> float:
            return math.sqrt(2 / math.pi) / w * math.exp(-((r / w) ** 2))

        overlap, _ = integrate.quad(
            lambda r: mode(r, 1.0) * mode(r, ratio) * 2 * math.pi * r, 0, 20
        )
        assert mismatch_loss_db(ratio) == pytest.approx(-20 * math.log10(overlap), abs=1e-9)

    def test_failed_splice_says_what_no_re_splice_removes(self) -> None:
        # 9.2 to 10.4 µm: step 0.5325 dB, mismatch 0.0651 dB (derived from both laws above).
        report = judge(with_readings(reading(0.30 + 0.5325, 0.30 - 0.5325)), Limits())
        assert report.next_steps[0].more == (says("unequal-fibre", mismatch_db=Decimal("0.065")),)

    def test_mismatch_above_the_limit_is_said_before_cutting(self) -> None:
        report = judge(with_readings(reading(0.10 + 0.5325, 0.10 - 0.5325)), Limits.parse(["0.05"]))
        assert report.next_steps[0].more[-1] == says("unequal-fibre-alone")
        assert told(report.next_steps[0]).endswith("ask whoever set it before cutting.")


class TestLimits:
    def test_default_says_that_it_is_one(self) -> None:
        assert Limits.parse([]).applying_to(1550) == (Decimal("0.20"), False)

    def test_per_wavelength(self) -> None:
        # City exhibit on fibre and splicing (Louisville CO): 0.20 dB at 1550, 0.25 dB at 1310.
        limits = Limits.parse(["1310=0.25", "1550=0.20"])
        assert limits.applying_to(1310) == (Decimal("0.25"), True)
        assert limits.applying_to(1550) == (Decimal("0.20"), True)
        assert limits.applying_to(1551) == (Decimal("0.20"), True)

    def test_a_limit_for_another_band_is_not_borrowed(self) -> None:
        limits = Limits.parse(["1310=0.25"])
        assert limits.applying_to(1625) == (Decimal("0.20"), False)

    def test_general_limit_serves_the_other_wavelengths(self) -> None:
        limits = Limits.parse(["0.15", "1310=0.25"])
        assert limits.applying_to(1625) == (Decimal("0.15"), True)
        assert limits.applying_to(1310) == (Decimal("0.25"), True)

    @pytest.mark.parametrize(
        "texts",
        [
            ["nan"],
            ["inf"],
            ["-0.1"],
            ["0"],
            ["0.000"],
            ["20"],
            ["0,15"],
            ["1_0"],
            ["1e-1"],
            ["٠.١"],
            [""],
            ["="],
            ["1310="],
            ["=0.2"],
            ["99=0.2"],
            ["13100=0.2"],
            ["0.1", "0.2"],
            ["1310=0.1", "1310=0.2"],
        ],
    )
    def test_nonsense_is_refused(self, texts: list[str]) -> None:
        with pytest.raises(BadSetting, match="limit"):
            Limits.parse(texts)


class TestNextSteps:
    def test_all_good(self) -> None:
        report = judge(with_readings(*[reading(0.1, 0.1)] * 5), Limits())
        (step,) = report.next_steps
        assert step == says("nothing-to-redo", count=5, limit_db=Decimal("0.20"))
        assert told(step) == "Nothing to redo: all 5 splices are within 0.20 dB."
        assert told(step, Language.GERMAN) == (
            "Nichts nachzuarbeiten: Alle 5 Spleiße halten 0,20 dB ein."
        )
        assert not report.needs_work

    def test_over_limit(self) -> None:
        report = judge(
            with_readings(reading(0.1, 0.1), reading(0.31, 0.31, u_db=0.01, distance_m=4210)),
            Limits(),
        )
        assert told(report.next_steps[0]) == (
            "Re-splice 2 at 4.210 km from the end of simulated_A.sor, 1.789 km from the end of "
            "simulated_B.sor: 0.310 dB ± 0.020, 0.110 dB over the limit."
        )
        assert told(report.next_steps[0], Language.GERMAN) == (
            "Spleiß 2 bei 4,210 km von dem Ende von simulated_A.sor, 1,789 km von dem Ende von "
            "simulated_B.sor, nachspleißen: 0,310 dB ± 0,020, 0,110 dB über dem Grenzwert."
        )
        assert report.next_steps[1] == says("whole-ribbon")

    def test_no_splice_found_is_not_all_good(self) -> None:
        report = judge(with_readings(), Limits())
        assert report.next_steps[0] == says("no-splice-shows")
        assert report.sum_db is None

    def test_sum_is_that_of_the_printed_column(self) -> None:
        report = judge(with_readings(*[reading(0.1004, 0.1004)] * 3), Limits())
        assert report.sum_db == Decimal("0.300")


class TestNamesInHeaders:
    """All fibres of a cable look alike, so a wrong pair shows only in its headers."""

    @staticmethod
    def report_for(from_a: str, from_b: str) -> PairReport:
        pair = with_readings(reading(0.1, 0.1))
        ab = replace(pair.ab, identity=replace(pair.ab.identity, fibre=from_a))
        ba = replace(pair.ba, identity=replace(pair.ba.identity, fibre=from_b))
        return judge(replace(pair, ab=ab, ba=ba), Limits())

    @pytest.mark.parametrize(
        ("from_a", "from_b"), [("003", "001"), ("F 12", "13 BL/OR"), ("north", "south")]
    )
    def test_two_fibres_need_a_look(self, from_a: str, from_b: str) -> None:
        report = self.report_for(from_a, from_b)
        assert report.exit_status == 1
        assert [doubt.code for doubt in report.doubts] == ["fibre-names-differ"]
        assert report.next_steps[0] == says("check-files", finding=report.doubts[0])
        assert told(report.next_steps[0]).startswith("Check the files first: the header from A")

    @pytest.mark.parametrize(
        ("from_a", "from_b"), [("012", "F12"), ("", "7"), ("12 BL/OR", "12"), ("North ", "NORTH")]
    )
    def test_ways_to_write_one_fibre_do_not(self, from_a: str, from_b: str) -> None:
        assert self.report_for(from_a, from_b).doubts == ()

"""Spans, connectors, changes, settings and completeness under a profile."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from otdravg.shot.settings import Direction, Identity, Settings
from otdravg.verdict import (
    Closures,
    Connector,
    Profile,
    ShotNeed,
    Span,
    SpliceVerdict,
    Where,
    default,
    load_shipped,
    parse,
)
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.limits import Rule

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'

Shot = tuple[Identity, Settings]


def profile_of(text: str) -> Profile:
    return parse(HEAD + text, "test.toml")


def only(verdicts: tuple[SpliceVerdict, ...], rule: str) -> SpliceVerdict:
    (found,) = [v for v in verdicts if v.rule == rule]
    return found


class TestSpanMean:
    """Lease clauses (lawinsider.com): average of all splices in the span at most 0.15 dB, 0.30
    from one direction; a breach asks for at least three documented attempts."""

    def test_005_005_035_passes_its_own_rule(self) -> None:
        judged = load_shipped("span-mean").judge_span(Span(1550, (0.05, 0.05, 0.35)))
        assert judged.mean_db == Decimal("0.150")
        assert only(judged.rules, "span.mean_limit_db").verdict is Verdict.WITHIN

    def test_and_never_excuses_the_splice(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.30\n[span]\nmean_limit_db = 0.15\n")
        span = profile.judge_span(Span(1550, (0.05, 0.05, 0.35)))
        assert span.worst is not None
        assert span.worst.verdict is Verdict.WITHIN
        assert profile.judge_splice(0.35, 0.0, 1550).verdict is Verdict.OVER

    @pytest.mark.parametrize(
        ("documented", "verdict"), [(0, Verdict.EVIDENCE_DUE), (2, Verdict.EVIDENCE_DUE)]
    )
    def test_breach_asks_for_evidence(self, documented: int, verdict: Verdict) -> None:
        span = Span(1550, (0.05, 0.05, 0.353), attempts_documented=documented)
        (judged,) = load_shipped("span-mean").judge_span(span).rules
        assert (judged.verdict, judged.action) == (verdict, Action.RECORD)

    def test_three_documented_attempts_settle_it(self) -> None:
        span = Span(1550, (0.05, 0.05, 0.353), attempts_documented=3)
        (judged,) = load_shipped("span-mean").judge_span(span).rules
        assert judged.verdict is Verdict.ACCEPTED

    def test_without_evidence_rule_it_is_over(self) -> None:
        profile = profile_of("[span]\nmean_limit_db = 0.15\n")
        assert profile.judge_span(Span(1550, (0.2, 0.2))).rules[0].verdict is Verdict.OVER

    @pytest.mark.parametrize(
        ("readings", "verdict"),
        [((0.30, 0.30), Verdict.WITHIN_ONE_WAY), ((0.31, 0.30), Verdict.EVIDENCE_DUE)],
    )
    def test_one_direction_has_its_own_limit(
        self, readings: tuple[float, ...], verdict: Verdict
    ) -> None:
        span = Span(1550, readings, one_way_reason="end not terminated")
        assert load_shipped("span-mean").judge_span(span).rules[0].verdict is verdict

    def test_missing_splice_leaves_the_mean_unknown(self) -> None:
        judged = load_shipped("span-mean").judge_span(Span(1550, (0.05, None, 0.05))).rules[0]
        assert judged.verdict is Verdict.NOT_MEASURED
        assert "1 of 3" in judged.reason

    def test_uncertainty_of_the_mean_is_smaller_than_that_of_a_splice(self) -> None:
        # Four splices of u = 0.01: u of the mean 0.005, U = 0.010.
        profile = profile_of("[span]\nmean_limit_db = 0.15\n").with_rule(Rule.GUARDED)
        span = Span(1550, (0.14,) * 4, (0.01,) * 4)
        assert profile.judge_span(span).rules[0].verdict is Verdict.WITHIN
        close = replace(span, losses_db=(0.141,) * 4)
        assert profile.judge_span(close).rules[0].verdict is Verdict.TOO_CLOSE


class TestSpanLoss:
    @pytest.mark.parametrize(
        ("length_m", "limit"),
        [(499.9, "1.5"), (500, "2.0"), (1500, "2.0"), (1500.1, None)],
    )
    def test_steps_of_length(self, length_m: float, limit: str | None) -> None:
        # Saint-Barthelemy guide p. 104/106: 1.5 dB below 500 m, 2 dB from 500 to 1500 m.
        found = load_shipped("building-drop").span_limit_db(1310, length_m, 2, 2)
        assert found == (None if limit is None else Decimal(limit))

    def test_beyond_the_steps_somebody_decides(self) -> None:
        span = Span(1310, (0.1,), length_m=2000, loss_db=2.4)
        judged = only(load_shipped("building-drop").judge_span(span).rules, "span.steps")
        assert (judged.verdict, judged.action) == (Verdict.NOT_JUDGED, Action.ASK)

    def test_formula_of_length_splices_and_connectors(self) -> None:
        # a·L + s·N + c·M (common practice, no source): 0.35·12 + 0.1·4 + 0.5·2 = 5.6 dB.
        profile = profile_of(
            "[span.formula]\nfibre_db_per_km_at = { 1310 = 0.35 }\n"
            "splice_db = 0.1\nconnector_db = 0.5\n"
        )
        assert profile.span_limit_db(1310, 12_000, 4, 2) == Decimal("5.600")
        span = Span(1310, (0.1,) * 4, length_m=12_000, loss_db=5.6, connectors=2)
        assert profile.judge_span(span).rules[0].verdict is Verdict.WITHIN
        over = replace(span, loss_db=5.601)
        assert profile.judge_span(over).rules[0].verdict is Verdict.OVER

    def test_twenty_splices(self) -> None:
        # 20 · (0.15 − 0.03) dB = 2.4 dB (arithmetic).
        profile = profile_of("[span.formula]\nfibre_db_per_km = 0.2\nsplice_db = 0.15\n")
        good = profile_of("[span.formula]\nfibre_db_per_km = 0.2\nsplice_db = 0.03\n")
        limits = [p.span_limit_db(1550, 10_000, 20, 0) for p in (profile, good)]
        assert limits[0] is not None
        assert limits[1] is not None
        assert limits[0] - limits[1] == Decimal("2.400")

    @pytest.mark.parametrize(("figure", "verdict"), [(0.35, Verdict.WITHIN), (0.351, Verdict.OVER)])
    def test_fibre_alone(self, figure: float, verdict: Verdict) -> None:
        # Lease clause, variant 3 (lawinsider.com): 0.35 at 1310, 0.25 at 1550.
        span = Span(1310, (), attenuation_db_per_km=figure)
        judged = load_shipped("span-mean").judge_span(span).rules
        assert only(judged, "fibre.attenuation_db_per_km").verdict is verdict

    @pytest.mark.parametrize(("count", "verdict"), [(5, Verdict.WITHIN), (6, Verdict.OVER)])
    def test_splices_per_km(self, count: int, verdict: Verdict) -> None:
        # UFGS 16768A 3.1.6.2: at most one splice per km, terminations excluded.
        span = Span(1550, (0.05,) * count, length_m=5000)
        judged = load_shipped("nominal-and-maximum").judge_span(span).rules
        assert only(judged, "span.splices_per_km").verdict is verdict

    def test_no_span_rule_no_verdict(self) -> None:
        judged = default().judge_span(Span(1550, (0.05, 0.10)))
        assert judged.rules == ()
        assert judged.worst is None
        assert judged.mean_db == Decimal("0.075")


class TestConnectors:
    @pytest.mark.parametrize(
        ("loss_db", "unequal", "verdict"),
        [
            (0.50, False, Verdict.WITHIN),
            (0.51, False, Verdict.OVER),
            (0.80, True, Verdict.WITHIN),
            (0.81, True, Verdict.OVER),
        ],
    )
    def test_pigtail_with_its_splice(self, loss_db: float, unequal: bool, verdict: Verdict) -> None:
        # Carrier exhibit (2012): 0.5 dB as one value, 0.8 dB with unequal mode fields.
        connector = Connector(loss_db=loss_db, with_splice=True, unequal_mode_fields=unequal)
        (judged,) = load_shipped("three-attempts").judge_connector(connector)
        assert judged.verdict is verdict

    def test_each_direction_alone(self) -> None:
        # Caltech 271323: 0.2 dB outward and 0.2 dB return, return loss at least 36 dB each.
        connector = Connector(loss_db=0.19, loss_ab_db=0.17, loss_ba_db=0.21, reflectance_db=-36.0)
        judged = load_shipped("campus-cabling").judge_connector(connector)
        assert [v.verdict for v in judged] == [Verdict.WITHIN, Verdict.OVER, Verdict.WITHIN]
        worse = replace(connector, reflectance_db=-35.9)
        assert load_shipped("campus-cabling").judge_connector(worse)[-1].verdict is Verdict.OVER

    @pytest.mark.parametrize("where", [Where.FIRST, Where.LAST])
    def test_end_connector_is_never_a_missing_direction(self, where: Where) -> None:
        # Lease clauses: first and last can only be measured one-way, at most 0.5 dB.
        near = {"loss_ab_db": 0.5} if where is Where.FIRST else {"loss_ba_db": 0.5}
        (judged,) = load_shipped("span-mean").judge_connector(Connector(where=where, **near))
        assert judged.verdict is Verdict.WITHIN
        assert "one-way by nature" in judged.reason

    def test_inside_connector_wants_the_average(self) -> None:
        connector = Connector(loss_ab_db=0.3)
        (judged,) = load_shipped("span-mean").judge_connector(connector)
        assert judged.verdict is Verdict.NOT_MEASURED

    def test_without_rules_nothing_is_judged(self) -> None:
        (judged,) = default().judge_connector(Connector(loss_db=3.0))
        assert judged.verdict is Verdict.NOT_JUDGED


class TestChange:
    @pytest.mark.parametrize(("after", "verdict"), [(0.15, Verdict.WITHIN), (0.151, Verdict.OVER)])
    def test_increase(self, after: float, verdict: Verdict) -> None:
        # RUS procedure for splice closures (usda.gov): more than 0.1 dB fails.
        profile = load_shipped("spliced-into-existing")
        assert profile.judge_increase((0.05, 0.0), (after, 0.0)).verdict is verdict

    @pytest.mark.parametrize(
        ("measured", "verdict"),
        [(5250.0, Verdict.WITHIN), (4750.0, Verdict.WITHIN), (5251.0, Verdict.OVER)],
    )
    def test_reel_record(self, measured: float, verdict: Verdict) -> None:
        # City of Santa Ana CA, project 25-6030: more than 5 % is reported in writing.
        judged = load_shipped("spliced-into-existing").judge_deviation(5000.0, measured, "length")
        assert judged.verdict is verdict
        assert judged.action is (Action.NONE if verdict is Verdict.WITHIN else Action.RECORD)


class TestSettings:
    @pytest.fixture
    def shot(self) -> Shot:
        """An invented shot: 100 ns at 1550 nm, index 1.4682, 4096 averages."""
        identity = Identity(
            path="simulated.sor",
            sha256="a" * 64,
            cable="SIM-RIDGE",
            fibre="012",
            location_a="Weir Hut",
            location_b="Kiln Lane",
            direction=Direction.A_TO_B,
            wavelength_nm=1550.0,
            nominal_wavelength_nm=1550,
            taken=None,
            operator="",
            comment="simulated",
            instrument="",
        )
        settings = Settings(
            pulse_ns=100.0,
            spacing_s=5e-9,
            acquisition_offset_s=0.0,
            user_offset_s=0.0,
            group_index=1.4682,
            backscatter_coefficient_db=-81.5,
            averages=4096,
            averaging_time_s=30.0,
            range_s=4e-5,
            quantum_db=0.001,
            distance_unit="mt",
            revision=200,
        )
        return identity, settings

    def codes(self, profile: Profile, shot: Shot, **changed: object) -> list[str]:
        settings = replace(shot[1], **changed)
        return [f.code for f in profile.setup_findings((shot[0], settings))]

    def test_pulse_of_100_ns(self, shot: Shot) -> None:
        # OTDR testing clause (markettransfer.info): at most 100 ns, at least 10,000 averages.
        profile = load_shipped("shot-settings")
        assert self.codes(profile, shot, pulse_ns=100.0, averages=10_000) == []
        assert self.codes(profile, shot, pulse_ns=101.0, averages=9_999) == [
            "pulse-outside-profile",
            "averages-outside-profile",
        ]

    def test_index_of_the_clause(self, shot: Shot) -> None:
        # Same clause: 1.4677 at 1310 nm for a common fibre; the tolerance is invented.
        profile = load_shipped("shot-settings")
        at_1310 = replace(shot[0], nominal_wavelength_nm=1310)
        settings = replace(shot[1], averages=20_000, group_index=1.4677)
        assert profile.setup_findings((at_1310, settings)) == ()
        (found,) = profile.setup_findings((at_1310, replace(settings, group_index=1.4684)))
        assert found.code == "index-outside-profile"
        assert found["asked_index"] == Decimal("1.4677")

    def test_range_of_10_km(self, shot: Shot) -> None:
        profile = load_shipped("shot-settings")
        speed = 299_792_458.0 / shot[1].group_index
        settings = replace(shot[1], averages=20_000, range_s=25_000 / speed)
        both = (shot[0], settings)
        (found,) = profile.setup_findings(both, fibre_length_m=6000.0)
        assert found.code == "range-outside-profile"
        assert profile.setup_findings(both, fibre_length_m=12_000.0) == ()

    @pytest.mark.parametrize(
        ("name", "length_m", "is_fault"),
        [
            ("two-wavelengths", 1000.0, False),  # Louisville: at least 1 km
            ("two-wavelengths", 999.0, True),
            ("two-wavelengths", 0.0, True),
            ("two-wavelengths", None, False),  # not known: nothing to say
            ("three-attempts", 0.0, False),  # exhibit of 2012: none for span traces
            ("three-attempts", 1000.0, True),
        ],
    )
    def test_launch_cord(
        self, shot: Shot, name: str, length_m: float | None, is_fault: bool
    ) -> None:
        found = load_shipped(name).setup_findings(shot, launch_m=length_m)
        assert bool(found) is is_fault

    def test_backscatter_coefficient(self, shot: Shot) -> None:
        profile = profile_of(
            "[setup]\nbackscatter_db_at = { 1550 = -82.0 }\nbackscatter_tolerance_db = 0.5\n"
        )
        assert self.codes(profile, shot, backscatter_coefficient_db=-81.5) == []
        assert self.codes(profile, shot, backscatter_coefficient_db=-81.4) == [
            "backscatter-outside-profile"
        ]


class TestCompleteness:
    def test_fibres_times_directions_times_wavelengths(self) -> None:
        profile = load_shipped("spliced-into-existing")
        assert len(profile.missing_shots(range(1, 13), ())) == 12 * 2 * 2
        taken = {
            ShotNeed(fibre, end, nm)
            for fibre in range(1, 13)
            for end in (Direction.A_TO_B, Direction.B_TO_A)
            for nm in (1310, 1550)
        }
        assert profile.missing_shots(range(1, 13), taken) == ()
        gone = ShotNeed(7, Direction.B_TO_A, 1550)
        assert profile.missing_shots(range(1, 13), taken - {gone}) == (gone,)

    def test_one_direction_is_enough_in_construction(self) -> None:
        profile = load_shipped("two-wavelengths").at_stage("construction")
        taken = {ShotNeed(1, Direction.B_TO_A, nm) for nm in (1310, 1550)}
        assert profile.missing_shots([1], taken) == ()

    def test_wavelengths_follow_the_length(self) -> None:
        taken = {ShotNeed(1, end, 1550) for end in (Direction.A_TO_B, Direction.B_TO_A)}
        profile = load_shipped("two-wavelengths")
        assert profile.missing_shots([1], taken, 70_000.0) == ()
        assert len(profile.missing_shots([1], taken, 7_000.0)) == 2

    def test_touched_fibres_are_shot_again(self) -> None:
        # City of Everett WA, document 31546: existing fibres spliced to are tested again.
        work = datetime(2025, 3, 4, 12)
        before = ShotNeed(3, Direction.A_TO_B, 1550)
        after = ShotNeed(4, Direction.A_TO_B, 1550)
        untouched = ShotNeed(5, Direction.A_TO_B, 1550)
        taken = {
            before: work - timedelta(hours=1),
            after: work + timedelta(hours=1),
            untouched: work - timedelta(days=9),
        }
        touched = {3: work, 4: work}
        assert load_shipped("spliced-into-existing").due_again(taken, touched) == (before,)
        assert default().due_again(taken, touched) == ()


def test_closures_have_to_be_closed() -> None:
    # Carrier exhibits: measured after the handhole is closed, to catch macrobends.
    profile = load_shipped("three-attempts")
    assert profile.stage_findings(Closures.CLOSED) == ()
    assert profile.stage_findings(Closures.OPEN)[0].code == "closures-outside-profile"
    assert profile.stage_findings(None)[0].code == "closures-not-recorded"
    assert default().stage_findings(None) == ()


def test_lengths_that_differ() -> None:
    profile = load_shipped("every-rule")
    assert profile.data_findings(6000.0, 6010.0) == ()
    assert profile.data_findings(6000.0, 6010.5)[0].code == "lengths-differ"
    assert default().data_findings(6000.0, 7000.0) == ()

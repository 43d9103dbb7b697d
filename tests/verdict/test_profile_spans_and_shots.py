"""Spans, connectors, changes, settings and completeness under a profile."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from pair_example import judged_loss, reading

from otdravg.findings import says
from otdravg.fit.reading import Kind, Reading
from otdravg.shot.detect import Event, EventKind
from otdravg.shot.settings import Direction, Identity, Settings
from otdravg.verdict import (
    Circumstances,
    Profile,
    ShotNeed,
    Span,
    SpliceVerdict,
    default,
    judge_reading,
    judge_span,
    load_shipped,
    parse,
)
from otdravg.verdict.connector import Where, connector_verdicts, end_event, end_verdicts
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.limits import Rule
from otdravg.verdict.place import judge_increase
from otdravg.verdict.rules import OneWayCause
from otdravg.verdict.shots import (
    data_findings,
    missing_shots,
    setup_findings,
    stage_findings,
)
from otdravg.verdict.span import span_limit_db, span_of
from otdravg.verdict.verdicts import worst_of
from otdravg.words.catalogue import told

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
        judged = judge_span(load_shipped("span-mean"), Span(1550, (0.05, 0.05, 0.35)))
        mean = only(judged, "span.mean_limit_db")
        assert (mean.figure, mean.verdict) == (Decimal("0.150"), Verdict.WITHIN)

    def test_and_never_excuses_the_splice(self) -> None:
        profile = profile_of("[splice]\nlimit_db = 0.30\n[span]\nmean_limit_db = 0.15\n")
        span = judge_span(profile, Span(1550, (0.05, 0.05, 0.35)))
        worst = worst_of(span)
        assert worst is not None
        assert worst.verdict is Verdict.WITHIN
        assert judged_loss(profile, 0.35, 0.0, 1550).verdict is Verdict.OVER

    @pytest.mark.parametrize(
        ("documented", "verdict"), [(0, Verdict.EVIDENCE_DUE), (2, Verdict.EVIDENCE_DUE)]
    )
    def test_breach_asks_for_evidence(self, documented: int, verdict: Verdict) -> None:
        span = Span(1550, (0.05, 0.05, 0.353), attempts_documented=documented)
        judged = judge_span(load_shipped("span-mean"), span)[0]
        assert (judged.verdict, judged.action) == (verdict, Action.RECORD)

    def test_three_documented_attempts_settle_it(self) -> None:
        span = Span(1550, (0.05, 0.05, 0.353), attempts_documented=3)
        judged = judge_span(load_shipped("span-mean"), span)[0]
        assert judged.verdict is Verdict.ACCEPTED

    def test_without_evidence_rule_it_is_over(self) -> None:
        profile = profile_of("[span]\nmean_limit_db = 0.15\n")
        assert judge_span(profile, Span(1550, (0.2, 0.2)))[0].verdict is Verdict.OVER

    @pytest.mark.parametrize(
        ("readings", "verdict"),
        [((0.30, 0.30), Verdict.WITHIN_ONE_WAY), ((0.31, 0.30), Verdict.EVIDENCE_DUE)],
    )
    def test_one_direction_has_its_own_limit(
        self, readings: tuple[float, ...], verdict: Verdict
    ) -> None:
        span = Span(1550, readings, one_way_cause=OneWayCause.NOT_TERMINATED)
        assert judge_span(load_shipped("span-mean"), span)[0].verdict is verdict

    def test_missing_splice_leaves_the_mean_unknown(self) -> None:
        judged = judge_span(load_shipped("span-mean"), Span(1550, (0.05, None, 0.05)))[0]
        assert judged.verdict is Verdict.NOT_MEASURED
        assert judged.reason == says("mean-not-measured", missing=1, count=3)

    def test_uncertainty_of_the_mean_is_smaller_than_that_of_a_splice(self) -> None:
        # Four splices of u = 0.01: u of the mean 0.005, U = 0.010.
        profile = replace(profile_of("[span]\nmean_limit_db = 0.15\n"), rule=Rule.GUARDED)
        span = Span(1550, (0.14,) * 4, (0.01,) * 4)
        assert judge_span(profile, span)[0].verdict is Verdict.WITHIN
        close = replace(span, losses_db=(0.141,) * 4)
        assert judge_span(profile, close)[0].verdict is Verdict.TOO_CLOSE


class TestSpanLoss:
    @pytest.mark.parametrize(
        ("length_m", "limit"),
        [(499.9, "1.5"), (500, "2.0"), (1500, "2.0"), (1500.1, None)],
    )
    def test_steps_of_length(self, length_m: float, limit: str | None) -> None:
        # Saint-Barthelemy guide p. 104/106: 1.5 dB below 500 m, 2 dB from 500 to 1500 m.
        found = span_limit_db(load_shipped("building-drop"), 1310, length_m, 2, 2)[0]
        assert found == (None if limit is None else Decimal(limit))

    def test_beyond_the_steps_somebody_decides(self) -> None:
        span = Span(1310, (0.1,), length_m=2000, loss_db=2.4)
        judged = only(judge_span(load_shipped("building-drop"), span), "span.steps")
        assert (judged.verdict, judged.action) == (Verdict.NOT_JUDGED, Action.ASK)

    def test_formula_of_length_splices_and_connectors(self) -> None:
        # a·L + s·N + c·M (common practice, no source): 0.35·12 + 0.1·4 + 0.5·2 = 5.6 dB.
        profile = profile_of(
            "[span.formula]\nfibre_db_per_km_at = { 1310 = 0.35 }\n"
            "splice_db = 0.1\nconnector_db = 0.5\n"
        )
        assert span_limit_db(profile, 1310, 12_000, 4, 2)[0] == Decimal("5.600")
        span = Span(1310, (0.1,) * 4, length_m=12_000, loss_db=5.6, connectors=2)
        assert judge_span(profile, span)[0].verdict is Verdict.WITHIN
        over = replace(span, loss_db=5.601)
        assert judge_span(profile, over)[0].verdict is Verdict.OVER

    def test_twenty_splices(self) -> None:
        # 20 · (0.15 − 0.03) dB = 2.4 dB (arithmetic).
        profile = profile_of("[span.formula]\nfibre_db_per_km = 0.2\nsplice_db = 0.15\n")
        good = profile_of("[span.formula]\nfibre_db_per_km = 0.2\nsplice_db = 0.03\n")
        limits = [span_limit_db(p, 1550, 10_000, 20, 0)[0] for p in (profile, good)]
        assert limits[0] is not None
        assert limits[1] is not None
        assert limits[0] - limits[1] == Decimal("2.400")

    @pytest.mark.parametrize(("figure", "verdict"), [(0.35, Verdict.WITHIN), (0.351, Verdict.OVER)])
    def test_fibre_alone(self, figure: float, verdict: Verdict) -> None:
        # Lease clause, variant 3 (lawinsider.com): 0.35 at 1310, 0.25 at 1550.
        span = Span(1310, (), attenuation_db_per_km=figure)
        judged = judge_span(load_shipped("span-mean"), span)
        assert only(judged, "fibre.attenuation_db_per_km").verdict is verdict

    def test_a_limit_of_what_was_not_measured_is_not_met(self) -> None:
        judged = judge_span(load_shipped("span-mean"), Span(1310, ()))
        assert only(judged, "fibre.attenuation_db_per_km").verdict is Verdict.NOT_MEASURED

    @pytest.mark.parametrize(("count", "verdict"), [(5, Verdict.WITHIN), (6, Verdict.OVER)])
    def test_splices_per_km(self, count: int, verdict: Verdict) -> None:
        # UFGS 16768A 3.1.6.2: at most one splice per km, terminations excluded.
        span = Span(1550, (0.05,) * count, length_m=5000)
        judged = judge_span(load_shipped("nominal-and-maximum"), span)
        assert only(judged, "span.splices_per_km").verdict is verdict

    def test_no_span_rule_no_verdict(self) -> None:
        judged = judge_span(default(), Span(1550, (0.05, 0.10)))
        assert judged == ()
        assert worst_of(judged) is None


def connector(
    ab_db: float | None, ba_db: float | None, *, kind: Kind = Kind.CONNECTOR,
    ratio: float = 1.0, height_db: float | None = -50.0, u_db: float | None = 0.0,
) -> Reading:  # fmt: skip
    """What reflects inside the span."""
    own = replace(reading(ab_db, ba_db, kind=kind), reflectance_db=height_db)
    return replace(own, mode_field_ratio=ratio, u_ab_db=u_db, u_ba_db=u_db, u_loss_db=u_db)


def judged_at(profile: Profile, own: Reading) -> SpliceVerdict:
    return judge_reading(own, profile, Circumstances(1550))


class TestConnectors:
    @pytest.mark.parametrize(
        ("loss_db", "ratio", "verdict"),
        # Mode fields of 9.2 and 10.4 µm lose 0.065 dB even so (Marcuse 1977, from memory).
        [(0.50, 1.0, Verdict.WITHIN), (0.51, 1.0, Verdict.OVER),
         (0.80, 10.4 / 9.2, Verdict.WITHIN), (0.81, 10.4 / 9.2, Verdict.OVER)],
    )  # fmt: skip
    def test_pigtail_with_its_splice(self, loss_db: float, ratio: float, verdict: Verdict) -> None:
        # Carrier exhibit (2012): 0.5 dB as one value, 0.8 dB with unequal mode fields.
        own = connector(loss_db, loss_db, kind=Kind.GROUP, ratio=ratio)
        (judged,) = connector_verdicts(load_shipped("three-attempts"), own)
        assert judged.verdict is verdict

    def test_each_direction_alone(self) -> None:
        # Caltech 271323: 0.2 dB outward and 0.2 dB return, return loss at least 36 dB each.
        profile = load_shipped("campus-cabling")
        judged = tuple(connector_verdicts(profile, connector(0.17, 0.21, height_db=-36.0)))
        assert [v.verdict for v in judged] == [Verdict.WITHIN, Verdict.OVER, Verdict.WITHIN]
        worse = tuple(connector_verdicts(profile, connector(0.17, 0.21, height_db=-35.9)))
        assert worse[-1].verdict is Verdict.OVER

    def test_a_reflection_of_unknown_height_does_not_meet_its_limit(self) -> None:
        """Files without a backscatter coefficient tell no reflectance: a low loss proves none."""
        profile = profile_of("[connector]\nlimit_db = 0.5\nreflectance_limit_db = -36\n")
        inside = judged_at(profile, connector(0.1, 0.1, height_db=None))
        assert (inside.verdict, inside.action) == (Verdict.NOT_MEASURED, Action.LOOK)
        assert judged_at(profile, connector(0.1, 0.1)).verdict is Verdict.WITHIN
        # At an end stands what reflects, or what is angled and shows nothing.
        event = Event(EventKind.REFLECTION, 1000.0, 0.5, 1010.0, 0.1, 0.0, None, 3.0, False)
        assert [v.verdict for v in end_verdicts(profile, Where.FIRST, event)] == [
            Verdict.NOT_MEASURED
        ]
        angled = replace(event, peak_height_db=None)
        assert list(end_verdicts(profile, Where.FIRST, angled)) == []

    @pytest.mark.parametrize("where", list(Where))
    @pytest.mark.parametrize(("loss_db", "verdict"), [(0.5, Verdict.WITHIN), (0.51, Verdict.OVER)])
    def test_end_connector_is_never_a_missing_direction(
        self, where: Where, loss_db: float, verdict: Verdict
    ) -> None:
        # Lease clauses: first and last can only be measured one-way, at most 0.5 dB.
        event = Event(EventKind.REFLECTION, 1000.0, 0.5, 1010.0, loss_db, 0.0, -55.0, None, False)
        (judged,) = end_verdicts(load_shipped("span-mean"), where, event)
        assert judged.verdict is verdict
        assert "one-way by nature" in told(judged.reason)

    def test_an_end_shows_behind_a_launch_cord_only(self) -> None:
        event = Event(EventKind.REFLECTION, 1000.0, 0.5, 1010.0, 0.3, 0.0, -55.0, None, False)
        assert end_event([event], 1003.0, 1.5) is event
        assert end_event([event], 1004.0, 1.5) is None
        assert end_event([replace(event, distance_m=0.0)], 0.0, 1.5) is None

    def test_inside_connector_wants_the_average(self) -> None:
        judged = judged_at(load_shipped("span-mean"), connector(0.3, None))
        assert (judged.verdict, judged.action) == (Verdict.ONE_WAY, Action.SHOOT_AGAIN)
        assert judged.limit_db == Decimal("0.5")

    def test_without_rules_nothing_is_judged_and_one_direction_is_no_fault(self) -> None:
        assert not list(connector_verdicts(default(), connector(3.0, 3.0)))
        judged = judged_at(default(), connector(0.1, None))
        assert (judged.verdict, judged.action) == (Verdict.ONE_WAY, Action.NONE)

    def test_its_own_limit_counts(self) -> None:
        profile = load_shipped("span-mean")  # no splice limit, connectors up to 0.5 dB
        assert judged_at(profile, connector(0.5, 0.5)).verdict is Verdict.WITHIN
        over = judged_at(profile, connector(0.51, 0.51))
        assert (over.verdict, over.action) == (Verdict.OVER, Action.LOOK)
        assert over.rule == "connector.limit_db"

    def test_what_reflects_above_the_splice_limit_is_neither_within_nor_cut(self) -> None:
        # It may be a mechanical splice (common practice, no source).
        profile = replace(load_shipped("every-rule"), rule=Rule.PLAIN)
        judged = judged_at(profile, connector(0.3, 0.3))  # splices 0.12, connectors 0.4
        assert (judged.verdict, judged.action) == (Verdict.NOT_JUDGED, Action.LOOK)
        assert judged.reason.code == "connector-lossy"

    def test_below_zero_it_is_implausible(self) -> None:
        judged = judged_at(default(), connector(-0.1, -0.1, u_db=0.01))
        assert (judged.verdict, judged.action) == (Verdict.IMPLAUSIBLE, Action.LOOK)


class TestUnknownUncertainty:
    """Unknown is not 0: under the guarded rule nothing is decided, under the plain one all is."""

    @pytest.mark.parametrize(("loss_db", "plain"), [(0.01, Verdict.WITHIN), (0.9, Verdict.OVER)])
    def test_of_a_splice_a_mean_an_end_to_end_loss_and_a_change(
        self, loss_db: float, plain: Verdict
    ) -> None:
        text = (
            "[splice]\nlimit_db = 0.2\n[span]\nmean_limit_db = 0.2\n[change]\n"
            "increase_limit_db = 0.2\n[span.formula]\nfibre_db_per_km = 0.2\n"
        )
        for rule, expected in ((Rule.PLAIN, plain), (Rule.GUARDED, Verdict.TOO_CLOSE)):
            profile = replace(profile_of(text), rule=rule)
            span = Span(1550, (loss_db,), length_m=1000.0, loss_db=loss_db)
            judged = (
                judged_loss(profile, loss_db, None),
                *judge_span(profile, span),
                judge_increase(profile, loss_db, None),
            )
            assert [j.verdict for j in judged] == [expected] * 4
            assert [j.expanded_u for j in judged] == [None] * 4


class TestChange:
    @pytest.mark.parametrize(
        ("increase_db", "verdict"), [(0.10, Verdict.WITHIN), (0.101, Verdict.OVER)]
    )
    def test_increase(self, increase_db: float, verdict: Verdict) -> None:
        # RUS procedure for splice closures (usda.gov): more than 0.1 dB fails.
        profile = load_shipped("spliced-into-existing")
        assert judge_increase(profile, increase_db, 0.0).verdict is verdict


class TestSpanOfReadings:
    def test_end_to_end_and_its_uncertainty(self) -> None:
        # 0.1 + 0.3 + 0.2·6 = 1.6 dB; u² = 2·0.003² + (6·0.001)² (arithmetic).
        readings = [reading(0.1, 0.1), reading(0.3, 0.3)]
        span = span_of(default(), readings, readings, 1550, 6000.0, (0.2, 0.001))
        assert span.loss_db == pytest.approx(1.6)
        assert span.u_loss_db == pytest.approx((2 * 0.003**2 + 0.006**2) ** 0.5)
        assert span_of(default(), readings, readings, 1550, 6000.0, (0.2, None)).u_loss_db is None
        part = [*readings, reading(0.1, None)]
        assert span_of(default(), part, part, 1550, 6000.0, (0.2, 0.001)).loss_db is None

    def test_one_direction_does_where_it_reads_all_and_the_other_does_not_reach(self) -> None:
        beyond = (says("signal-ends", direction="B→A", into_m=900.0),)
        readings = [reading(0.1, 0.3), reading(0.5, None, missing=beyond)]
        profile = load_shipped("span-mean")  # one direction: mean up to 0.30
        span = span_of(profile, readings, readings, 1550, 6000.0, (0.2, 0.001))
        assert span.losses_db == [0.1, 0.5]
        (judged,) = (r for r in judge_span(profile, span) if r.rule.startswith("one_way"))
        assert judged.verdict is Verdict.WITHIN_ONE_WAY
        broken = [readings[0], reading(0.5, None, missing=(says("fibre-ends"),))]
        span = span_of(profile, broken, broken, 1550, 6000.0, (0.2, 0.001))
        (judged,) = (r for r in judge_span(profile, span) if r.rule == "span.mean_limit_db")
        assert judged.verdict is Verdict.NOT_MEASURED


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
        return [f.code for f in setup_findings(profile, shot[0], settings)]

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
        assert setup_findings(profile, at_1310, settings) == ()
        (found,) = setup_findings(profile, at_1310, replace(settings, group_index=1.4684))
        assert found.code == "index-outside-profile"
        assert found["asked_index"] == Decimal("1.4677")

    def test_range_of_10_km(self, shot: Shot) -> None:
        profile = load_shipped("shot-settings")
        speed = 299_792_458.0 / shot[1].group_index
        settings = replace(shot[1], averages=20_000, range_s=25_000 / speed)
        (found,) = setup_findings(profile, shot[0], settings, fibre_length_m=6000.0)
        assert found.code == "range-outside-profile"
        assert setup_findings(profile, shot[0], settings, fibre_length_m=12_000.0) == ()

    @pytest.mark.parametrize(
        ("name", "length_m", "is_fault"),
        [
            ("two-wavelengths", 1000.0, False),  # Louisville: at least 1 km
            ("two-wavelengths", 999.0, True),
            ("two-wavelengths", 0.0, True),
            ("two-wavelengths", None, False),  # not known: nothing to say
            ("three-attempts", 0.0, False),  # exhibit of 2012: none for span traces
            ("three-attempts", 1000.0, False),  # used all the same: no fault
        ],
    )
    def test_launch_cord(
        self, shot: Shot, name: str, length_m: float | None, is_fault: bool
    ) -> None:
        found = setup_findings(load_shipped(name), *shot, launch_m=length_m)
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
        assert len(missing_shots(profile, range(1, 13), ())) == 12 * 2 * 2
        taken = {
            ShotNeed(fibre, end, nm)
            for fibre in range(1, 13)
            for end in (Direction.A_TO_B, Direction.B_TO_A)
            for nm in (1310, 1550)
        }
        assert missing_shots(profile, range(1, 13), taken) == ()
        gone = ShotNeed(7, Direction.B_TO_A, 1550)
        assert missing_shots(profile, range(1, 13), taken - {gone}) == (gone,)

    def test_one_direction_is_enough_in_construction(self) -> None:
        final = load_shipped("two-wavelengths")
        profile = replace(final, stage=final.stages["construction"])
        taken = {ShotNeed(1, Direction.B_TO_A, nm) for nm in (1310, 1550)}
        assert missing_shots(profile, [1], taken) == ()

    def test_wavelengths_follow_the_length(self) -> None:
        taken = {ShotNeed(1, end, 1550) for end in (Direction.A_TO_B, Direction.B_TO_A)}
        profile = load_shipped("two-wavelengths")
        assert missing_shots(profile, [1], taken, 70_000.0) == ()
        assert len(missing_shots(profile, [1], taken, 7_000.0)) == 2


def test_closures_have_to_be_closed() -> None:
    # Carrier exhibits: measured after the handhole is closed, to catch macrobends.
    profile = load_shipped("three-attempts")
    assert stage_findings(profile)[0].code == "closures-not-recorded"
    assert stage_findings(default()) == ()


def test_lengths_that_differ() -> None:
    profile = load_shipped("every-rule")
    assert data_findings(profile, 6000.0, 6010.0) == ()
    assert data_findings(profile, 6000.0, 6010.5)[0].code == "lengths-differ"
    assert data_findings(default(), 6000.0, 7000.0) == ()

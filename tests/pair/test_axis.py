"""Two shots' events in, one axis or a refusal out; the truth is what was put into the simulator.

Where cords end is common practice, no source: a crew puts one on both ends of a span or on none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from making import INDEX, Cords, both_ways, instrument, shot, span, with_cords
from simulated import Fibre, Instrument, Label

from otdravg.errors import BadSetting, Refusal, ShotsDoNotPair
from otdravg.findings import Finding, Severity
from otdravg.fit.side import Axis, SpanStart
from otdravg.pair.axis import (
    SHORTLIST,
    _candidates,
    _Marks,
    _refine,
    _scores,
    _shortlist,
    check_same_fibre_settings,
    find_axis,
)  # fmt: skip
from otdravg.shot.detect import Detection, EventKind, detect
from otdravg.shot.trace import Direction, Trace
from otdravg.words.catalogue import told

GLASS = span(
    [1500, 2300, 1100, 2600, 1900],
    [0.06, 0.11, 0.09, 0.05],
    levels_db=[0.0, -0.12, 0.06, -0.03, 0.08],
)
LENGTH_M = 9400.0
#: What two views of an event or an end may differ by here: some metres for 100 ns and 1 m points.
CLOSE_M = 4.0


def seen(ab: Trace, ba: Trace) -> tuple[Detection, Detection]:
    return (
        detect(ab.facing(Direction.A_TO_B), INDEX),
        detect(ba.facing(Direction.B_TO_A), INDEX),
    )


def axis_of(ab: Trace, ba: Trace, **stated: float | None) -> tuple[Axis, tuple[Finding, ...]]:
    return find_axis(*seen(ab, ba), **stated)


def of_link(
    link: Fibre, *, seed: int = 1, tool: Instrument | None = None, **stated: float | None
) -> tuple[Axis, tuple[Finding, ...]]:
    """The axis of a whole link, cords and all, shot from both of its ends."""
    return axis_of(*both_ways(link, tool, seed=seed), **stated)


def refused(ab: Trace, ba: Trace, **stated: float | None) -> ShotsDoNotPair:
    with pytest.raises(ShotsDoNotPair) as caught:
        axis_of(ab, ba, **stated)
    return caught.value


def linked(
    lengths_m: Sequence[float], connectors: dict[int, float], steps: dict[int, float]
) -> Fibre:
    """A link with connectors (reflectance by joint) and splices (loss by joint)."""
    losses = [0.2 if k in connectors else steps.get(k, 0.0) for k in range(len(lengths_m) - 1)]
    return span(list(lengths_m), losses, reflectances_db=connectors)


# What does not even need events


@pytest.fixture(scope="module")
def pair() -> tuple[Trace, Trace]:
    return both_ways(GLASS, seed=1)


class TestSettings:
    @staticmethod
    def named(trace: Trace, **identity: object) -> Trace:
        return replace(trace, identity=replace(trace.identity, **identity))  # type: ignore[arg-type]

    def test_two_shots_of_one_wavelength_are_let_through(self, pair: tuple[Trace, Trace]) -> None:
        check_same_fibre_settings(*pair)

    @pytest.mark.parametrize("apart_nm", [15.0, -15.0, 0.0])
    def test_lasers_up_to_15_nm_apart_are_of_one_wavelength(
        self, pair: tuple[Trace, Trace], apart_nm: float
    ) -> None:
        # Chosen: the windows of fibre optics are 60 nm and more apart.
        check_same_fibre_settings(
            self.named(pair[0], wavelength_nm=1550.0),
            self.named(pair[1], wavelength_nm=1550.0 + apart_nm),
        )

    @pytest.mark.parametrize("apart_nm", [15.1, -15.1, 240.0])
    def test_lasers_further_apart_are_not(self, pair: tuple[Trace, Trace], apart_nm: float) -> None:
        with pytest.raises(ShotsDoNotPair) as caught:
            check_same_fibre_settings(
                self.named(pair[0], wavelength_nm=1550.0),
                self.named(pair[1], wavelength_nm=1550.0 + apart_nm),
            )
        assert caught.value.reason is Refusal.WAVELENGTH
        assert "1550 nm" in told(caught.value.evidence)
        assert f"{1550.0 + apart_nm:.0f} nm" in told(caught.value.evidence)

    def test_one_file_under_two_names_is_one_file(self, pair: tuple[Trace, Trace]) -> None:
        with pytest.raises(ShotsDoNotPair) as caught:
            check_same_fibre_settings(pair[0], self.named(pair[0], path="copy.sor"))
        assert caught.value.reason is Refusal.SAME_CONTENT
        assert "copy.sor" in told(caught.value.evidence)
        assert "headers" not in told(caught.value.evidence)

    def test_the_points_are_what_is_the_same_where_headers_differ(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        with pytest.raises(ShotsDoNotPair, match="only the headers differ") as caught:
            check_same_fibre_settings(pair[0], self.named(pair[0], sha256="0"))
        assert caught.value.reason is Refusal.SAME_CONTENT
        assert str(pair[0].level_db.size) in told(caught.value.evidence)

    def test_traces_that_are_of_no_file_are_told_by_their_points(
        self, pair: tuple[Trace, Trace]
    ) -> None:
        ab, ba = (self.named(trace, sha256="") for trace in pair)
        check_same_fibre_settings(ab, ba)
        check_same_fibre_settings(ab, replace(ab, level_db=ab.level_db[:-1]))
        with pytest.raises(ShotsDoNotPair, match="only the headers differ"):
            check_same_fibre_settings(ab, ab)


# The axis itself


def test_every_event_seen_from_both_ends_leaves_a_residual() -> None:
    ab, ba = seen(*both_ways(GLASS, seed=1))
    axis, findings = find_axis(ab, ba)
    assert findings == ()
    total = axis.length_m + axis.start_a_m + axis.start_b_m
    steps = [[e.distance_m for e in d.events if e.kind is EventKind.STEP] for d in (ab, ba)]
    gaps = [a + b - total for a in steps[0] for b in steps[1] if abs(a + b - LENGTH_M) < 30]
    assert axis.matched == len(gaps) == 3  # the splice at 4900 m does not show from B
    assert sorted(axis.residuals_m) == pytest.approx(sorted(gaps), abs=1e-6)
    # The standard deviation of a mean (GUM 4.2.3), and no less than a tenth of what places allow.
    placing_m = ab.shot.placing_m + ba.shot.placing_m
    least = 0.1 * placing_m / np.sqrt(3)
    assert axis.u_length_m == pytest.approx(max(np.std(axis.residuals_m) / np.sqrt(3), least))


def test_stated_uncertainty_of_the_length_is_that_of_its_errors() -> None:
    # 20 lengths of three splices each: χ²/20 of their errors in units of u lies below 1.97 with
    # 99 in 100 (scipy: chi2.ppf(0.99, 20)/20 = 1.88); an u ten times too large is not wanted.
    pulls = []
    for seed in range(20):
        axis, _ = of_link(GLASS, seed=50 + seed)
        pulls.append((axis.length_m - LENGTH_M) / axis.u_length_m)
    assert 0.02 < float(np.mean(np.square(pulls))) < 1.97


def test_longer_pulses_know_the_length_less_well() -> None:
    short, _ = of_link(GLASS, tool=instrument(50, 1.0), seed=3)
    long, _ = of_link(GLASS, tool=instrument(1000, 1.0), seed=3)
    assert 0 < short.u_length_m < long.u_length_m < 100


def test_one_common_event_knows_the_length_less_well_than_three() -> None:
    # One reading has no scatter to go by (GUM 4.2.2 divides by n - 1): that is no certainty.
    one, _ = of_link(span([4000, 5400], [0.3]), seed=3)
    three, _ = of_link(span([1500, 2300, 2600, 3000], [0.3, 0.2, 0.3]), seed=3)
    assert (one.matched, three.matched) == (1, 3)
    assert one.u_length_m > three.u_length_m


@pytest.mark.parametrize("seed", range(3))
def test_the_shots_may_be_taken_in_either_order(seed: int) -> None:
    ab, ba = both_ways(GLASS, cords=Cords(520, 830), seed=20 + seed)
    there, _ = axis_of(ab, ba)
    back, _ = axis_of(ba, ab)
    assert back.length_m == pytest.approx(there.length_m, abs=1e-6)
    assert (back.start_a_m, back.start_b_m) == pytest.approx((there.start_b_m, there.start_a_m))
    assert back.matched == there.matched
    assert back.group_index == there.group_index == INDEX
    assert back.u_length_m == pytest.approx(there.u_length_m)


def test_where_no_event_is_common_the_length_alone_speaks_and_that_is_said() -> None:
    axis, findings = of_link(span([5000], []), seed=2)
    assert axis.length_m == pytest.approx(5000, abs=CLOSE_M)
    assert (axis.matched, axis.residuals_m) == (0, ())
    assert 0 < axis.u_length_m < 10
    (found,) = findings
    assert (found.code, found.severity) == ("pattern-unconfirmed", Severity.CAUTION)


def test_a_splice_that_the_glass_hides_from_one_end_raises_no_doubt_if_the_lengths_agree() -> None:
    # l = 0.08, b = 0.08: 0.16 dB from A, nothing from B. Long records show both ends.
    glass = span([1500, 3500], [0.08], levels_db=[0.0, -0.08])
    axis, findings = of_link(glass, seed=2)
    assert (axis.matched, findings) == (0, ())


def test_one_common_event_without_an_end_is_no_common_event() -> None:
    # Of 30 km both records show the first 20; any two events agree on some length.
    glass = span([12_000, 18_000], [0.3])
    far = instrument(point_count=20_000)
    _, findings = of_link(glass, tool=far, seed=4)
    assert [(f.code, f.case) for f in findings] == [("pattern-unconfirmed", "endless")]


def test_a_steep_backscatter_step_is_matched_by_place_not_by_size() -> None:
    # Reads 0.35 from A and −0.25 from B: the true loss is 0.05.
    glass = span([2100, 3300], [0.05], levels_db=[0.0, -0.30])
    axis, findings = of_link(glass, seed=4)
    assert (axis.matched, findings) == (1, ())
    assert axis.length_m == pytest.approx(5400, abs=CLOSE_M)


def test_a_connector_counts_though_only_one_shot_reaches_it_well() -> None:
    link = linked([3000, 4000, 2000], {0: -45.0, 1: -50.0}, {})
    axis, _ = of_link(link, tool=instrument(point_count=7500), seed=5)
    assert axis.length_m == pytest.approx(9000, abs=CLOSE_M)
    assert axis.matched == 2


@pytest.mark.parametrize(("points_a", "points_b"), [(7000, 2), (2, 7000), (7000, 7000)])
def test_a_record_that_stops_on_the_fibre_is_no_end_of_it(points_a: int, points_b: int) -> None:
    glass = span([1500, 2300, 600, 900, 2200, 1900], [0.06, 0.11, 0.15, 0.09, 0.05])
    tools = instrument(point_count=points_a), instrument(point_count=points_b)
    ab, ba = both_ways(glass, tools[0], tool_b=tools[1], seed=3)
    axis, findings = axis_of(ab, ba)
    assert axis.length_m == pytest.approx(9400, abs=CLOSE_M)
    assert findings == ()


def many_splices(seed: int) -> Fibre:
    """Sixteen reels of unequal length, whose splices all show from both ends."""
    rng = np.random.default_rng(seed)
    return span(
        [round(float(v), 1) for v in rng.uniform(300, 900, 16)],
        [float(v) for v in rng.uniform(0.08, 0.15, 15)],
        levels_db=[float(v) for v in rng.uniform(-0.02, 0.02, 16)],
    )


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("share", [0.7, 1.3])
def test_many_events_vote_for_one_length(seed: int, share: float) -> None:
    # Fifteen times fifteen pairs of events, or as many as two records of 70 % hold: the true
    # length is one candidate of some hundred.
    glass = many_splices(seed)
    tool = instrument(point_count=round(share * glass.length_m))
    axis, findings = of_link(glass, seed=30 + seed, tool=tool)
    assert axis.length_m == pytest.approx(glass.length_m, abs=CLOSE_M)
    assert axis.matched >= (13 if share > 1 else 4)
    assert np.max(np.abs(axis.residuals_m)) < 3 * CLOSE_M
    assert findings == ()


@pytest.mark.parametrize("share", [0.7, 1.3])
def test_reflections_vote_as_splices_do(share: float) -> None:
    rng = np.random.default_rng(9)
    lengths = [float(v) for v in rng.uniform(400, 900, 12)]
    link = linked(lengths, dict.fromkeys(range(0, 11, 2), -50.0), dict.fromkeys(range(11), 0.1))
    tool = instrument(point_count=round(share * link.length_m))
    axis, _ = of_link(link, seed=40, tool=tool, launch_m=0.0, receive_m=0.0)
    assert axis.length_m == pytest.approx(link.length_m, abs=CLOSE_M)
    assert axis.matched >= (10 if share > 1 else 3)


def test_splices_in_the_other_shots_dead_zone_do_not_speak_against_the_pair() -> None:
    # Three splices 20 to 130 m in front of B: a pulse of 10 ns from A shows them, one of 1 µs
    # from B, blind for its first 100 m and more, shows none.
    glass = span([5000, 40, 40, 30, 20], [0.0, 0.12, 0.12, 0.12])
    ab = shot(glass, instrument(10, 0.5), 41, far_noise_db=0.002)
    ba = shot(glass.reversed(), instrument(1000, 2.0), 42)
    assert len(detect(ab, INDEX).events) >= 3
    axis, findings = axis_of(ab, ba)
    assert axis.length_m == pytest.approx(glass.length_m, abs=25)
    assert [f.code for f in findings] == ["pattern-unconfirmed"]


def test_long_fibres_may_differ_by_the_share_that_indices_do() -> None:
    # An index typed 0.0008 too high makes 80 km 44 m shorter (arithmetic): one fibre all the same.
    glass = span([80_000], [])
    ab = shot(glass, instrument(100, 4.0), 43)
    ba = shot(glass.reversed(), instrument(100, 4.0, group_index=1.4690), 44)
    lengths = [d.end_m for d in (detect(ab), detect(ba))]
    assert abs(lengths[0] - lengths[1]) == pytest.approx(44, abs=CLOSE_M)
    axis, _ = find_axis(detect(ab), detect(ba))
    assert axis.length_m == pytest.approx(80_000, abs=50)


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(("apart_m", "one_fibre"), [(22.0, True), (33.0, False)])
def test_ends_may_lie_apart_by_places_and_two_time_bases(
    apart_m: float, one_fibre: bool, swapped: bool
) -> None:
    # Time bases off by 1e-4 each way make 16 m of 80 km (arithmetic), and each end may lie as far
    # from its place as the shots tell by themselves, twice: here 10.9 m.
    tool = instrument(20, 1.0)
    ab, ba = (
        shot(span([length_m], []), tool, 43 + k, far_noise_db=0.002)
        for k, length_m in enumerate((80_000.0, 80_000.0 + apart_m)[:: -1 if swapped else 1])
    )
    places_m = 2 * sum(d.shot.placing_m for d in seen(ab, ba))
    assert places_m < 22 < places_m + 16 < 33
    if one_fibre:
        axis, _ = axis_of(ab, ba)
        assert axis.length_m == pytest.approx(80_000, abs=apart_m)
    else:
        assert refused(ab, ba).reason is Refusal.LENGTH


# Cords


class TestCords:
    def test_none_on_either_end(self) -> None:
        axis, _ = of_link(GLASS, seed=6)
        assert (axis.start_a_m, axis.start_b_m) == (0, 0)
        assert axis.basis_a is axis.basis_b is SpanStart.FRONT_PANEL

    def test_one_on_each_end_is_where_the_other_instruments_light_stops_or_reflects(self) -> None:
        axis, findings = of_link(with_cords(GLASS, Cords(520, 830)), seed=7)
        assert axis.start_a_m == pytest.approx(520, abs=CLOSE_M)
        assert axis.start_b_m == pytest.approx(830, abs=CLOSE_M)
        assert axis.length_m == pytest.approx(LENGTH_M, abs=CLOSE_M)
        assert axis.basis_a is SpanStart.FIRST_CONNECTOR
        assert axis.basis_b is SpanStart.FIRST_CONNECTOR
        assert findings == ()

    @pytest.mark.parametrize("end", ["A", "B"])
    def test_a_lone_connector_is_the_spans_own(self, end: str) -> None:
        cords = Cords(520, None) if end == "A" else Cords(None, 520)
        axis, _ = of_link(with_cords(GLASS, cords), seed=8)
        assert (axis.start_a_m, axis.start_b_m) == (0, 0)
        assert axis.length_m == pytest.approx(LENGTH_M + 520, abs=CLOSE_M)
        own, other = (axis.basis_a, axis.basis_b) if end == "A" else (axis.basis_b, axis.basis_a)
        assert own is SpanStart.LONE_CONNECTOR
        assert axis.lone_connector_m == pytest.approx(520, abs=CLOSE_M)
        assert other is SpanStart.FRONT_PANEL

    def test_stated_ones_are_kept_to_the_metre(self) -> None:
        ab, ba = both_ways(GLASS, cords=Cords(520, 830), seed=9)
        axis, findings = axis_of(ab, ba, launch_m=522.5, receive_m=829.0)
        assert (axis.start_a_m, axis.start_b_m) == (522.5, 829.0)
        assert axis.basis_a is SpanStart.STATED_CORD
        assert axis.basis_b is SpanStart.STATED_CORD
        assert findings == ()

    @pytest.mark.parametrize("end", ["A", "B"])
    def test_a_stated_one_that_the_shot_does_not_show_is_doubted(self, end: str) -> None:
        ab, ba = both_ways(GLASS, cords=Cords(520, 830), seed=10)
        stated = {"launch_m": 300.0, "receive_m": 830.0} if end == "A" else {
            "launch_m": 520.0, "receive_m": 300.0
        }  # fmt: skip
        axis, findings = axis_of(ab, ba, **stated)
        assert 300.0 in (axis.start_a_m, axis.start_b_m)
        (found,) = [f for f in findings if f.code == "cord-unconfirmed"]
        assert found.severity is Severity.CAUTION
        assert (found["stated_m"], found["end"]) == (300.0, end)
        direction = Direction.A_TO_B if end == "A" else Direction.B_TO_A
        assert found.where is direction
        connector = 520 if end == "A" else 830
        assert found["first_m"] == pytest.approx(connector, abs=CLOSE_M)

    @pytest.mark.parametrize("stated_m", [0.0, 520.0])
    def test_a_stated_one_that_ends_at_the_panel_or_at_a_connector_is_not(
        self, stated_m: float
    ) -> None:
        ab, ba = both_ways(GLASS, cords=Cords(520, 830), seed=11)
        _, findings = axis_of(ab, ba, launch_m=stated_m, receive_m=830.0)
        assert [f.code for f in findings] == []

    def test_a_stated_one_is_not_doubted_where_no_connector_shows_at_all(self) -> None:
        ab, ba = both_ways(GLASS, seed=12)
        _, findings = axis_of(ab, ba, launch_m=300.0, receive_m=0.0)
        assert [f.code for f in findings] == []

    @pytest.mark.parametrize("stated", [{"launch_m": -1.0}, {"receive_m": -0.5},
                                        {"launch_m": 9500.0}, {"receive_m": 1e6}])  # fmt: skip
    def test_lengths_that_no_cord_can_have_are_refused(self, stated: dict[str, float]) -> None:
        ab, ba = both_ways(GLASS, seed=13)
        with pytest.raises(BadSetting, match=r"give 0 m to 9[34]"):
            axis_of(ab, ba, **stated)

    def test_no_cord_at_all_may_be_stated(self) -> None:
        axis, _ = of_link(GLASS, seed=14, launch_m=0.0, receive_m=0.0)
        assert (axis.start_a_m, axis.start_b_m) == (0.0, 0.0)
        assert axis.basis_a is SpanStart.STATED_CORD

    def test_stated_ones_that_leave_nothing_between_them_are_refused(self) -> None:
        error = refused(*both_ways(GLASS, seed=15), launch_m=6000.0, receive_m=5000.0)
        assert error.reason is Refusal.LENGTH
        assert "6000 m and 5000 m" in told(error.evidence)

    @pytest.mark.parametrize("end", ["A", "B"])
    def test_the_users_offset_goes_before_what_the_shot_shows(self, end: str) -> None:
        link = with_cords(GLASS, Cords(520, 830))
        files = [(link, 92, 527.0 if end == "A" else 0.0),
                 (link.reversed(), 93, 837.0 if end == "B" else 0.0)]  # fmt: skip
        ab, ba = (
            shot(glass, instrument(), seed, label=Label(user_offset_m=offset))
            for glass, seed, offset in files
        )
        axis, _ = axis_of(ab, ba)
        start, basis = (
            (axis.start_a_m, axis.basis_a) if end == "A" else (axis.start_b_m, axis.basis_b)
        )
        assert start == pytest.approx(527 if end == "A" else 837, abs=0.2)
        assert basis is SpanStart.USER_OFFSET

    def test_what_is_stated_goes_before_the_users_offset(self) -> None:
        link = with_cords(GLASS, Cords(520, 830))
        ab = shot(link, instrument(), 94, label=Label(user_offset_m=700))
        ba = shot(link.reversed(), instrument(), 95)
        axis, _ = axis_of(ab, ba, launch_m=520.0)
        assert axis.start_a_m == 520.0

    @pytest.mark.parametrize(("cord_m", "is_cord"), [(1500.0, True), (1700.0, False)])
    def test_a_first_connector_beyond_1600_m_is_part_of_the_span(
        self, cord_m: float, is_cord: bool
    ) -> None:
        # Chosen: launch cords of 1 km and more exist, of a mile and more hardly.
        axis, _ = of_link(with_cords(GLASS, Cords(cord_m, cord_m)), seed=16)
        expected = cord_m if is_cord else 0.0
        assert axis.start_a_m == pytest.approx(expected, abs=CLOSE_M)
        assert axis.start_b_m == pytest.approx(expected, abs=CLOSE_M)
        assert axis.length_m == pytest.approx(LENGTH_M + 2 * (cord_m - expected), abs=2 * CLOSE_M)

    @pytest.mark.parametrize(("splice_db", "is_cord"), [(0.03, True), (0.15, False)])
    def test_a_small_step_within_a_cord_does_not_end_it(
        self, splice_db: float, is_cord: bool
    ) -> None:
        link = linked([400, 500, 4000, 3000, 700], {1: -50.0, 3: -50.0}, {0: splice_db, 2: 0.1})
        axis, _ = of_link(link, seed=17)
        assert axis.start_a_m == pytest.approx(900 if is_cord else 0, abs=CLOSE_M)

    def test_each_crew_with_a_cord_of_its_own_that_goes_home_with_it(self) -> None:
        ab = shot(with_cords(GLASS, Cords(520, None)), instrument(), 96)
        ba = shot(with_cords(GLASS.reversed(), Cords(830, None)), instrument(), 97)
        axis, _ = axis_of(ab, ba)
        assert axis.start_a_m == pytest.approx(520, abs=CLOSE_M)
        assert axis.start_b_m == pytest.approx(830, abs=CLOSE_M)
        assert axis.length_m == pytest.approx(LENGTH_M, abs=CLOSE_M)

    @pytest.mark.parametrize("end", ["A", "B", "both"])
    def test_stated_ones_that_nothing_shows_still_tell_the_length(self, end: str) -> None:
        # Each crew's own launch cord, whose joint with the span neither reflects nor loses, and a
        # span without a splice: only the end of either shot and the stated cords are known.
        lengths_m = {"A": (520.0, 0.0), "B": (0.0, 830.0), "both": (520.0, 830.0)}[end]
        files = []
        for cord_m, seed in zip(lengths_m, (100, 101), strict=True):
            glass = span([5000 + cord_m], [])
            files.append(shot(glass, instrument(), seed))
        axis, _ = axis_of(*files, launch_m=lengths_m[0], receive_m=lengths_m[1])
        assert axis.length_m == pytest.approx(5000, abs=CLOSE_M)

    @pytest.mark.parametrize("end", ["A", "B", "both"])
    def test_offsets_in_the_files_that_nothing_shows_still_tell_the_length(self, end: str) -> None:
        # The same, with the cords as each crew set them at its instrument.
        lengths_m = {"A": (520.0, 0.0), "B": (0.0, 830.0), "both": (520.0, 830.0)}[end]
        files = [
            shot(
                span([5000 + cord_m], []), instrument(), 100 + k, label=Label(user_offset_m=cord_m)
            )
            for k, cord_m in enumerate(lengths_m)
        ]
        axis, _ = axis_of(*files)
        assert axis.length_m == pytest.approx(5000, abs=CLOSE_M)
        assert (axis.start_a_m, axis.start_b_m) == pytest.approx(lengths_m, abs=0.2)

    @pytest.mark.parametrize("end", ["A", "B"])
    def test_a_cord_of_two_pieces_ends_where_the_other_light_stops(self, end: str) -> None:
        # A span without a splice: the second of two connectors meets the end of the other shot.
        bare, patched = span([5000], []), linked([300, 400, 5000], {0: -50.0, 1: -50.0}, {})
        there, back = (patched, bare) if end == "A" else (bare, patched)
        axis, _ = axis_of(shot(there, instrument(), 98), shot(back, instrument(), 99))
        starts_m = (700.0, 0.0) if end == "A" else (0.0, 700.0)
        assert (axis.start_a_m, axis.start_b_m) == pytest.approx(starts_m, abs=CLOSE_M)
        assert axis.length_m == pytest.approx(5000, abs=CLOSE_M)

    def test_a_cord_at_one_instrument_alone_is_where_the_other_light_stops(self) -> None:
        # The shot from B ends where the cord of A began, and shows no connector there.
        ab = shot(with_cords(GLASS, Cords(520, None)), instrument(), 98)
        ba = shot(GLASS.reversed(), instrument(), 99)
        axis, _ = axis_of(ab, ba)
        assert axis.start_a_m == pytest.approx(520, abs=CLOSE_M)
        assert axis.start_b_m == 0
        assert axis.length_m == pytest.approx(LENGTH_M, abs=CLOSE_M)
        assert axis.basis_a is SpanStart.OTHER_SHOT_ENDS


# Refusals


class TestRefusals:
    @pytest.mark.parametrize("longer_m", [200.0, 2000.0])
    def test_unequal_lengths_are_told_by_both_of_them(self, longer_m: float) -> None:
        ab, _ = both_ways(span([4000, 5000], [0.1]), seed=18)
        _, ba = both_ways(span([4000, 5000 + longer_m], [0.1]), seed=19)
        error = refused(ab, ba, launch_m=0.0, receive_m=0.0)
        assert error.reason is Refusal.LENGTH
        figures = [float(w) for w in told(error.evidence).split() if w.replace(".", "").isdigit()]
        assert figures[0] == pytest.approx(9000, abs=CLOSE_M)
        assert figures[1] == pytest.approx(9000 + longer_m, abs=CLOSE_M)

    @pytest.mark.parametrize("stated", [{"launch_m": 0.0}, {"receive_m": 0.0},
                                        {"launch_m": 0.0, "receive_m": 0.0}])  # fmt: skip
    @pytest.mark.parametrize("swapped", [False, True])
    def test_no_cord_does_not_explain_more_fibre(
        self, stated: dict[str, float], swapped: bool
    ) -> None:
        # Two fibres of which nothing but the ends shows: one is a kilometre longer.
        lengths_m = (6000.0, 5000.0) if swapped else (5000.0, 6000.0)
        ab, ba = (shot(span([m], []), instrument(), 43 + k) for k, m in enumerate(lengths_m))
        assert refused(ab, ba, **stated).reason is Refusal.LENGTH

    def test_a_stated_cord_explains_more_fibre(self) -> None:
        # The other crew's receive cord is longer than this launch cord; its joint does not show.
        ab, ba = (shot(span([m], []), instrument(), 43 + k) for k, m in enumerate((5000.5, 6000.0)))
        axis, _ = axis_of(ab, ba, launch_m=0.5)
        assert axis.length_m == pytest.approx(5000, abs=CLOSE_M)

    def test_no_cord_explains_fibre_that_is_missing(self) -> None:
        # The fibre broke 4 km from A between the shots; both show the splices at 1.5 and 3.8 km.
        broken = span([1500, 2300, 200], [0.06, 0.11], levels_db=[0.0, -0.12, 0.06])
        ab = shot(with_cords(broken, Cords(520, None)), instrument(), 62)
        ba = shot(with_cords(GLASS, Cords(520, 830)).reversed(), instrument(), 63)
        assert refused(ab, ba, launch_m=520.0, receive_m=830.0).reason is Refusal.LENGTH

    @pytest.mark.parametrize("offsets_m", [(520.0, 0.0), (0.0, 830.0), (400.0, 600.0)])
    def test_an_offset_that_fits_nothing_is_told_by_its_file(
        self, offsets_m: tuple[float, float]
    ) -> None:
        # Both shots are of one fibre without a cord: the offset was left over from another job.
        files = [
            shot(span([5000], []), instrument(), 110 + k, label=Label(user_offset_m=offset_m),
                 path=f"{end}.sor")
            for k, (end, offset_m) in enumerate(zip("AB", offsets_m, strict=True))
        ]  # fmt: skip
        error = refused(*files)
        assert error.reason is Refusal.LENGTH
        said = told(error.evidence)
        for end, offset_m in zip("AB", offsets_m, strict=True):
            assert (f"{offset_m:.0f} m in {end}.sor" in said) is (offset_m > 0)
            assert (f"{end}.sor" in said) is (offset_m > 0)

    def test_fibre_that_both_shots_show_beyond_the_span_must_end_at_something(self) -> None:
        # A receive cord's connector makes it one, and the span ends there.
        link = linked([2500, 3500, 400], {1: -50.0}, {0: 0.1})
        ab = shot(link, instrument(), 60)
        ba = shot(span([2500, 3500], [0.1]).reversed(), instrument(), 61)
        axis, _ = axis_of(ab, ba)
        assert axis.length_m == pytest.approx(6000, abs=CLOSE_M)

    def test_another_fibre_with_as_much_glass_is_told_by_its_pattern(self) -> None:
        ab, _ = both_ways(GLASS, seed=17)
        _, ba = both_ways(span([2200, 500, 3400, 800, 2500], [0.12, 0.15, 0.10, 0.09]), seed=18)
        error = refused(ab, ba)
        assert error.reason is Refusal.PATTERN
        counts = [int(w) for w in told(error.evidence).split() if w.isdigit()]
        steps = [len(d.events) - 1 for d in seen(ab, ba)]
        assert counts[:2] == steps

    def test_two_events_that_do_not_meet_are_too_few_to_refuse(self) -> None:
        # One splice from either end that the other shot does not show: said, not refused.
        ab, _ = both_ways(span([2000, 4000], [0.1]), seed=22)
        _, ba = both_ways(span([3100, 2900], [0.1]), seed=23)
        axis, findings = axis_of(ab, ba)
        assert axis.length_m == pytest.approx(6000, abs=CLOSE_M)
        assert [f.code for f in findings] == ["pattern-unconfirmed"]

    @pytest.mark.parametrize("swapped", [False, True])
    @pytest.mark.parametrize(("splices", "is_refused"), [(2, False), (3, True)])
    def test_three_events_that_the_other_shot_does_not_show_are_another_fibre(
        self, splices: int, is_refused: bool, swapped: bool
    ) -> None:
        losses_db = ([0.1] * splices + [0.0])[:3]
        files = [shot(span([1500, 1500, 1000, 2000], losses_db), instrument(), 26),
                 shot(span([6000], []), instrument(), 27)]  # fmt: skip
        ab, ba = files[::-1] if swapped else files
        if is_refused:
            assert refused(ab, ba).reason is Refusal.PATTERN
        else:
            assert [f.code for f in axis_of(ab, ba)[1]] == ["pattern-unconfirmed"]

    @pytest.mark.parametrize("seed", range(3))
    def test_two_shots_from_one_end_of_a_symmetric_fibre_are_told_by_their_readings(
        self, seed: int
    ) -> None:
        # As many places agree one way as the other.
        glass = span(
            [2000, 2000, 2000, 2000], [0.05, 0.12, 0.30], levels_db=[0.0, -0.1, 0.05, -0.05]
        )
        ab, again = (shot(glass, instrument(), 230 + 2 * seed + k) for k in (0, 1))
        assert refused(ab, again).reason is Refusal.SAME_END

    @pytest.mark.parametrize("seed", range(5))
    def test_two_shots_from_one_end_are_refused(self, seed: int) -> None:
        error = refused(
            shot(GLASS, instrument(), 200 + seed), shot(GLASS, instrument(), 300 + seed)
        )
        assert error.reason is Refusal.SAME_END
        assert "+0.11" in told(error.evidence) or "+0.18" in told(error.evidence)

    @pytest.mark.parametrize("shift_m", [0, 150])
    def test_two_shots_from_one_end_with_other_cords_are_refused(self, shift_m: int) -> None:
        tool = instrument()
        ab = shot(with_cords(GLASS, Cords(520, None)), tool, 210)
        again = shot(with_cords(GLASS, Cords(520 + shift_m, None)), tool, 211)
        assert refused(ab, again).reason is Refusal.SAME_END

    @pytest.mark.parametrize("noise_db", [(0.002, 0.02), (0.02, 0.002)])
    def test_two_shots_from_one_end_of_unequal_noise_are_refused(
        self, noise_db: tuple[float, float]
    ) -> None:
        files = [
            shot(GLASS, instrument(), 220 + k, far_noise_db=noise)
            for k, noise in enumerate(noise_db)
        ]
        assert refused(*files).reason is Refusal.SAME_END

    def test_two_fibres_of_one_cable_from_one_end_are_told_from_one(self) -> None:
        # Joints at the same places, read differently: another fibre of the same ribbon.
        lengths_m = [1500, 2300, 1100, 2600, 1900]
        losses_db, levels_db = [0.15, 0.02, 0.20, 0.12], [0.0, 0.1, -0.06, 0.09, -0.1]
        other = span(lengths_m, losses_db, levels_db=levels_db)
        error = refused(shot(GLASS, instrument(), 5), shot(other, instrument(), 6))
        assert error.reason is Refusal.PATTERN
        assert error.advice.code == "compare-numbers"
        assert "as of two fibres" in told(error.evidence)

    def test_one_splice_at_the_same_place_is_no_proof_of_one_end(self) -> None:
        # Half-way along: two shots from opposite ends look alike, positions and readings.
        axis, _ = of_link(span([3000, 3000], [0.1]), seed=24)
        assert axis.length_m == pytest.approx(6000, abs=CLOSE_M)
        assert axis.matched == 1

    def test_a_mirrored_fibre_with_other_readings_is_not_refused(self) -> None:
        glass = span(
            [2000, 2000, 2000, 2000], [0.05, 0.12, 0.30], levels_db=[0.0, -0.1, 0.05, -0.05]
        )
        axis, _ = of_link(glass, seed=25)
        assert axis.length_m == pytest.approx(8000, abs=CLOSE_M)
        assert axis.matched >= 2


class TestVote:
    """What speaks for a total, by itself: marks made by hand, 5 m of tolerance, a total of 3 km."""

    TOLERANCE_M, TOTAL_M = 5.0, 3000.0

    def marks(
        self, at_m: Sequence[float], *, u_m: float = 0.1, loss_db: float = 0.1, u_db: float = 0.01
    ) -> _Marks:
        x = np.array(at_m)
        return _Marks(
            x, np.full(x.size, u_m), np.full(x.size, 0.1), 0.1, np.zeros(x.size, dtype=bool),
            np.full(x.size, loss_db), np.full(x.size, u_db), first_x=10.0, last_x=2990.0,
            end_seen=False, tolerance=self.TOLERANCE_M / 2, start=None,
        )  # fmt: skip

    def score(self, a: _Marks, b: _Marks) -> float:
        return float(_scores(a, b, np.array([self.TOTAL_M]), self.TOLERANCE_M)[0])

    @pytest.mark.parametrize("at_m", [[2000.0, 2003.0], [1998.0, 2000.0, 2003.0]])
    def test_an_event_has_one_partner_whichever_shot_comes_first(self, at_m: list[float]) -> None:
        # Which shot is called the first is the crew's choice: no score may depend on it.
        one, several = self.marks([1000.0]), self.marks(at_m)
        assert self.score(one, several) == pytest.approx(self.score(several, one))
        assert self.score(one, several) < self.score(one, self.marks([2000.0]))

    def test_places_agree_within_three_of_their_uncertainties(self) -> None:
        # Places known to 4 m each differ by 5.7 m (GUM 5.1.2); 12 m is two of those and 5 m more
        # is tolerated; 40 m is beyond three.
        near, far = (
            self.score(self.marks([1000.0], u_m=4.0), self.marks([2000.0 + gap_m], u_m=4.0))
            for gap_m in (12.0, 40.0)
        )
        assert near > 0 > far

    def test_a_pair_counts_less_the_further_its_places_disagree(self) -> None:
        # Half as much at the edge of the tolerance, by the square of the way there (chosen).
        whole, near, edge = (
            self.score(self.marks([1000.0]), self.marks([2000.0 + gap_m]))
            for gap_m in (0.0, 2.5, 5.0)
        )
        assert near / whole == pytest.approx(1 - 0.5 / 4)
        assert edge / whole == pytest.approx(0.5)

    def test_light_that_stops_at_the_other_shots_first_event_speaks_for_a_total(self) -> None:
        other = self.marks([300.0, 2000.0])
        right, wrong = (
            self.score(replace(self.marks([1000.0]), last_x=end_m, end_seen=True), other)
            for end_m in (2700.0, 2600.0)
        )
        assert right > wrong

    def test_totals_are_looked_at_in_the_order_of_the_pairs_that_agree(self) -> None:
        # Held against counting all pairs for each candidate.
        rng = np.random.default_rng(5)
        at_m = np.sort(rng.uniform(100, 2900, 25))
        a, b = self.marks(at_m), self.marks(np.sort(3000.0 - at_m + rng.normal(0, 3, 25)))
        a, b = (replace(m, reflective=rng.uniform(size=25) < 0.3) for m in (a, b))
        candidates = _candidates(a, b, [0.0, 120.0], [0.0])
        votes = [
            sum(
                1 + (a.reflective[i] and b.reflective[j])
                for i in range(25)
                for j in range(25)
                if abs(a.x[i] + b.x[j] - total) <= self.TOLERANCE_M
            )
            for total in candidates
        ]
        listed = _shortlist(a, b, candidates, self.TOLERANCE_M)
        most = sorted(votes, reverse=True)[SHORTLIST - 1]
        sure = {c for c, n in zip(candidates, votes, strict=True) if n > most}
        ends = set(candidates[-SHORTLIST // 2 :])
        assert len(sure) >= 5
        assert sure | ends <= set(listed)
        fewest = min(n for c, n in zip(candidates, votes, strict=True) if c in set(listed) - ends)
        assert fewest >= most
        assert len(listed) <= SHORTLIST + SHORTLIST // 2

    def test_an_end_may_lie_at_any_event_of_the_other_shot_or_behind_its_cord(self) -> None:
        a = replace(self.marks([1000.0, 1500.0]), last_x=2900.0, end_seen=True)
        b = self.marks([600.0, 2001.0])
        pairs = [1600.0, 2100.0, 3001.0, 3501.0]
        of_a, of_b = [3500.0, 4901.0, 2900.0, 3020.0], [3990.0, 4490.0, 2990.0, 3490.0]
        cords = [0.0, 500.0], [0.0, 120.0]
        for seen_b, expected in ((False, pairs + of_a), (True, pairs + of_a + of_b)):
            found = _candidates(a, replace(b, end_seen=seen_b), *cords)
            assert sorted(found) == pytest.approx(sorted(expected))
        # Where neither shot shows an end, the longer one is as good as any.
        neither = _candidates(replace(a, end_seen=False), b, *cords)
        assert sorted(neither) == pytest.approx(sorted([*pairs, 2990.0]))

    def test_the_total_is_the_mean_of_its_pairs_and_ends_by_how_well_each_is_known(self) -> None:
        # Weights 1/u² (GUM, and any handbook of least squares), u the delays of both views.
        a = replace(
            self.marks([1000.0, 1500.0]), delay=np.array([1.0, 4.0]), last_x=2991.0,
            end_seen=True, end_delay=2.0,
        )  # fmt: skip
        b = replace(self.marks([1503.0, 2001.0]), delay=np.array([0.5, 3.0]))
        total, found, residuals = _refine(a, b, 3000.0, 20.0)
        sums = np.array([3001.0, 3003.0, 2991.0])
        u2 = np.array([1.0 + 9.0, 16.0 + 0.25, 4.0])
        assert total == pytest.approx(float(np.sum(sums / u2) / np.sum(1 / u2)))
        assert len(found) == 2
        assert sorted(residuals) == pytest.approx(sorted(sums[:2] - total))

    def test_only_a_true_loss_clearly_below_zero_speaks_against_a_pair(self) -> None:
        # No splice amplifies light, but a reading of -0.02 ± 0.014 dB (k = 2) is noise and drift.
        scores = [
            self.score(*(self.marks([x], loss_db=loss_db) for x in (1000.0, 2000.0)))
            for loss_db in (0.1, 0.0, -0.02, -0.5)
        ]
        assert scores[0] == scores[1] == scores[2] > scores[3]

    def test_light_that_stops_where_the_other_cord_is_known_to_begin_speaks_for_a_total(
        self,
    ) -> None:
        # A crew takes its receive cord home: the fibre then ends where the launch cord began.
        ends = replace(self.marks([1000.0]), last_x=2900.0, end_seen=True)
        right, wrong, unknown = (
            self.score(ends, replace(self.marks([2000.0]), start=start_m))
            for start_m in (100.0, 500.0, None)
        )
        assert right > unknown == wrong

    def test_an_end_within_a_cord_that_a_dead_zone_hides_says_nothing(self) -> None:
        # Two tolerances before the other panel no event can be seen: neither for nor against.
        other = self.marks([2000.0])
        silent = self.score(self.marks([1000.0]), other)
        hidden, bare = (
            self.score(replace(self.marks([1000.0]), last_x=end_m, end_seen=True), other)
            for end_m in (2990.0, 2500.0)
        )
        assert hidden == silent > bare

"""One axis for two shots, and the reasons for which two shots are refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from making import Cords, both_ways, instrument, shot, shot_file, span, with_cords
from simulated import Fibre, Label

from otdravg.errors import BadSetting, Refusal, ShotsDoNotPair
from otdravg.findings import Severity
from otdravg.fit.side import SpanStart
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.trace import Trace, traces_from
from otdravg.simulate.fibre import true_joints
from otdravg.verdict.decision import Answer
from otdravg.verdict.judge import judge
from otdravg.words.catalogue import told

GLASS = span(
    [1500, 2300, 1100, 2600, 1900],
    [0.06, 0.11, 0.09, 0.05],
    levels_db=[0.0, -0.12, 0.06, -0.03, 0.08],
)


def refused(ab: Trace, ba: Trace, **how: float) -> ShotsDoNotPair:
    with pytest.raises(ShotsDoNotPair) as caught:
        measure(ab, ba, **how)
    error = caught.value
    assert told(error.evidence)
    assert error.advice
    assert error.reason.value in str(error)
    return error


def assert_in_place(m: Measurement, glass: Fibre, tolerance_m: float = 3) -> None:
    found = [r.distance_m for r in m.readings]
    assert found == pytest.approx(list(glass.joint_positions_m), abs=tolerance_m)
    losses = [r.loss_db for r in m.readings]
    assert losses == pytest.approx([j.loss_db for j in true_joints(glass)], abs=0.003)


# The axis


def test_axis_by_voting_with_its_residuals() -> None:
    m = measure(*both_ways(GLASS, seed=1))
    assert m.axis.length_m == pytest.approx(9400, abs=2)
    assert abs(m.axis.length_m - 9400) < 4 * m.axis.u_length_m
    assert m.axis.matched == 3  # the one at 4900 m reads 0.09 − 0.09 dB from B
    assert len(m.axis.residuals_m) == 3
    assert max(np.abs(m.axis.residuals_m)) < 5
    assert_in_place(m, GLASS)


def test_axis_without_any_event_comes_from_the_ends() -> None:
    m = measure(*both_ways(span([5000], []), seed=2))
    assert m.axis.length_m == pytest.approx(5000, abs=2)
    assert m.readings == ()
    assert "pattern-unconfirmed" in [f.code for f in m.findings]


def test_axis_from_one_common_event_when_both_records_stop_on_the_fibre() -> None:
    # Each record covers 7 of 9.4 km. The splices at 1500 m from A and 1900 m from B would also
    # agree on 3.4 km, but then either shot shows more fibre than there is.
    m = measure(*both_ways(GLASS, instrument(point_count=7000), seed=3))
    assert m.axis.length_m == pytest.approx(9400, abs=4)
    readings = {round(r.distance_m, -2): r.coverage.value for r in m.readings}
    assert readings == {
        1500: "A→B only", 3800: "both ways", 4900: "both ways", 7500: "B→A only"
    }  # fmt: skip


def test_axis_from_events_alone_when_both_records_stop_on_the_fibre() -> None:
    glass = span([1500, 2300, 600, 900, 2200, 1900], [0.06, 0.11, 0.15, 0.09, 0.05])
    m = measure(*both_ways(glass, instrument(point_count=7000), seed=3))
    assert m.axis.length_m == pytest.approx(9400, abs=4)
    coverage = [r.coverage.value for r in m.readings]
    assert coverage == ["A→B only", "both ways", "both ways", "both ways", "B→A only"]


def test_different_pulse_spacing_and_index_meet_on_one_axis() -> None:
    other = instrument(275, 2.3, group_index=1.4676)
    m = measure(*both_ways(GLASS, instrument(50, 0.7), tool_b=other, seed=4))
    assert m.axis.group_index == 1.4682
    assert m.axis.length_m == pytest.approx(9400, abs=5)
    assert_in_place(m, GLASS, 5)


def test_one_stated_index_serves_both_shots() -> None:
    m = measure(*both_ways(GLASS, seed=5), group_index=1.4700)
    assert m.axis.group_index == 1.4700
    assert m.axis.length_m == pytest.approx(9400 * 1.4682 / 1.4700, abs=3)


# Cords


def test_found_cords() -> None:
    m = measure(*both_ways(GLASS, cords=Cords(520, 830), seed=6))
    assert m.axis.start_a_m == pytest.approx(520, abs=3)
    assert m.axis.start_b_m == pytest.approx(830, abs=3)
    assert m.axis.length_m == pytest.approx(9400, abs=4)
    assert_in_place(m, GLASS)


def test_stated_cords_stand_as_stated() -> None:
    ab, ba = both_ways(GLASS, cords=Cords(520, 830), seed=7)
    m = measure(ab, ba, launch_m=520.0, receive_m=830.0)
    assert (m.axis.start_a_m, m.axis.start_b_m) == (520.0, 830.0)
    assert m.axis.basis_a is m.axis.basis_b is SpanStart.STATED_CORD
    assert_in_place(m, GLASS)


def test_launch_cord_at_one_end_only_as_stated() -> None:
    ab, ba = both_ways(GLASS, cords=Cords(520, None), seed=8)
    m = measure(ab, ba, launch_m=520, receive_m=0)
    assert (m.axis.start_a_m, m.axis.start_b_m) == (520, 0)
    assert m.axis.length_m == pytest.approx(9400, abs=4)
    assert_in_place(m, GLASS)


def test_lone_connector_near_one_end_belongs_to_the_span() -> None:
    # Cords come at both ends or at none (common practice, no source).
    m = measure(*both_ways(GLASS, cords=Cords(520, None), seed=8))
    assert (m.axis.start_a_m, m.axis.start_b_m) == (0, 0)
    assert m.axis.basis_a is SpanStart.LONE_CONNECTOR
    assert m.axis.lone_connector_m == pytest.approx(520, abs=3)
    assert m.readings[0].distance_m == pytest.approx(520, abs=3)


def test_each_crew_carries_its_launch_cord_and_there_is_no_receive_cord() -> None:
    tool = instrument()
    ab = shot(with_cords(GLASS, Cords(520, None)), tool, 90)
    ba = shot(with_cords(GLASS.reversed(), Cords(830, None)), tool, 91)
    m = measure(ab, ba)
    assert m.axis.start_a_m == pytest.approx(520, abs=3)
    assert m.axis.start_b_m == pytest.approx(830, abs=3)
    assert m.axis.length_m == pytest.approx(9400, abs=4)
    assert_in_place(m, GLASS)


@pytest.mark.parametrize("which", ["A", "B"])
def test_user_offset_in_one_file_only(which: str) -> None:
    tool = instrument()
    link = with_cords(GLASS, Cords(520, 830))
    offsets = {"A": (520.0, 0.0), "B": (0.0, 830.0)}[which]
    ab, ba = (
        shot(glass, tool, seed, label=Label(user_offset_m=offset))
        for glass, seed, offset in (
            (link, 92, offsets[0]),
            (link.reversed(), 93, offsets[1]),
        )
    )
    m = measure(ab, ba)
    assert m.axis.start_a_m == pytest.approx(520, abs=3)
    assert m.axis.start_b_m == pytest.approx(830, abs=3)
    basis = {"A": m.axis.basis_a, "B": m.axis.basis_b}[which]
    assert basis is SpanStart.USER_OFFSET
    assert_in_place(m, GLASS)


def test_cord_longer_than_the_fibre_is_refused_by_name() -> None:
    ab, ba = both_ways(GLASS, seed=9)
    with pytest.raises(BadSetting, match="cord length"):
        measure(ab, ba, launch_m=20_000)
    assert refused(ab, ba, launch_m=5000, receive_m=5000).reason is Refusal.LENGTH


# Refusals


def test_same_file_twice_is_refused() -> None:
    ab, _ = both_ways(GLASS, seed=10)
    assert refused(ab, ab).reason is Refusal.SAME_CONTENT


def test_same_waveform_under_an_edited_header_is_refused() -> None:
    original = shot_file(GLASS, instrument(), 11, path="one.sor")
    label = Label(cable="edited", fibre="99", location_a="B", location_b="A", revision=100)
    edited = shot_file(GLASS, instrument(), 11, label=label, path="two.sor")
    assert original.sha256 != edited.sha256
    error = refused(traces_from(original)[0], traces_from(edited)[0])
    assert error.reason is Refusal.SAME_CONTENT
    assert "one.sor" in told(error.evidence)
    assert "two.sor" in told(error.evidence)


def test_different_wavelengths_are_refused() -> None:
    ab, ba = both_ways(
        GLASS, instrument(wavelength_nm=1310), tool_b=instrument(wavelength_nm=1550), seed=12
    )
    error = refused(ab, ba)
    assert error.reason is Refusal.WAVELENGTH
    assert "1310 nm" in told(error.evidence)
    assert "1550 nm" in told(error.evidence)


def test_lasers_of_one_nominal_wavelength_may_differ_by_some_nanometres() -> None:
    tool = instrument(wavelength_nm=1548.5)
    m = measure(*both_ways(GLASS, tool, tool_b=instrument(wavelength_nm=1556.0), seed=13))
    assert len(m.readings) == 4


def test_different_lengths_are_refused_with_both() -> None:
    ab, _ = both_ways(GLASS, seed=14)
    longer = span([1700, 2600, 1100, 3600, 2500], [0.08, 0.06, 0.12, 0.09])
    _, ba = both_ways(longer, seed=15)
    error = refused(ab, ba)
    assert error.reason is Refusal.LENGTH
    assert "9400 m" in told(error.evidence)
    assert "11500 m" in told(error.evidence)


@pytest.mark.parametrize("seed", range(4))
def test_two_shots_from_one_end_are_refused(seed: int) -> None:
    tool = instrument()
    ab, again = shot(GLASS, tool, 200 + seed), shot(GLASS, tool, 300 + seed)
    assert refused(ab, again).reason is Refusal.SAME_END


def test_two_shots_from_one_end_with_other_settings_are_refused() -> None:
    ab = shot(GLASS, instrument(), 210)
    again = shot(GLASS, instrument(300, 2.0, group_index=1.4680), 211)
    assert refused(ab, again).reason is Refusal.SAME_END


def test_symmetric_fibre_is_not_taken_for_two_shots_from_one_end() -> None:
    # Equal reels: the positions fit unflipped as well; the readings tell.
    glass = span([2000, 2000, 2000, 2000], [0.05, 0.12, 0.30], levels_db=[0.0, -0.1, 0.05, -0.05])
    m = measure(*both_ways(glass, seed=16))
    assert_in_place(m, glass)


def test_another_fibre_of_the_same_length_is_refused_by_its_pattern() -> None:
    # A crossed fibre: the same sheath, other joints.
    ab, _ = both_ways(GLASS, seed=17)
    other = span([2200, 500, 3400, 800, 2500], [0.12, 0.15, 0.10, 0.09])
    _, ba = both_ways(other, seed=18)
    error = refused(ab, ba)
    assert error.reason is Refusal.PATTERN
    assert "mirror" in told(error.evidence)


def test_texts_in_the_header_do_not_decide_the_direction() -> None:
    ab, ba = both_ways(GLASS, seed=19)
    alike = [
        replace(t, identity=replace(t.identity, location_a="North", location_b="South"))
        for t in (ab, ba)
    ]
    m = measure(*alike)
    assert "ends-typed-alike" in [f.code for f in m.findings]
    assert_in_place(m, GLASS)


def test_an_index_that_no_fibre_has_is_doubted() -> None:
    """1.4862 for 1.4682: two digits exchanged put every splice a hundredth of its way off."""
    shots = both_ways(GLASS, seed=5)
    far = [f for f in measure(*shots, group_index=1.4862).findings if f.code == "index-differs"]
    assert [(f.case, f.severity) for f in far] == [("far", Severity.CAUTION)]
    assert judge(measure(*shots, group_index=1.4862)).answer is Answer.CHECK
    for usual in (1.4700, 1.4650):
        told = measure(*shots, group_index=usual).findings
        assert "index-differs" not in {finding.code for finding in told}

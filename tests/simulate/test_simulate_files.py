"""Simulated shots as trace files."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import (
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Label,
    Section,
    Shot,
    shoot,
    sor_file,
)

from otdravg import sor

SPEED_OF_LIGHT_M_PER_S = 299_792_458  # exact, SI


@pytest.fixture
def shot() -> Shot:
    sections = (Section(1000), Section(2000, 0.2, -0.2), Section(1500, 0.21, -0.19))
    joints = (Joint(0.1), Joint(0.005))
    link = Fibre(sections, joints, group_index=1.4682).with_cords(
        Section(500), None, Joint(0.3, -48.0, JointKind.CONNECTOR)
    )
    instrument = Instrument(group_index=1.4677, wavelength_nm=1551.3, point_count=12_000)
    return shoot(link, instrument, np.random.default_rng(1))


@pytest.mark.parametrize("revision", [100, 200])
def test_file_reads_back_without_findings_and_says_simulated(shot: Shot, revision: int) -> None:
    label = Label(
        cable="C", fibre="7", location_a="one", location_b="two", comment="x", revision=revision
    )
    data = sor.encode(sor_file(shot, label))
    read = sor.decode(data)
    assert read.findings == ()
    assert read.revision == revision
    assert read.general.comment.text == "SIMULATED x"
    assert read.supplier.supplier.text == "simulated instrument"
    assert (read.general.location_a.text, read.general.location_b.text) == ("one", "two")
    assert np.array_equal(read.waveforms[0].raw, shot.raw)


def test_settings_stand_in_the_file_as_the_operator_set_them(shot: Shot) -> None:
    read = sor_file(shot, Label(user_offset_m=500.0, nominal_wavelength_nm=1550))
    assert read.fixed.group_index == pytest.approx(1.4677)
    assert read.fixed.wavelength_nm == pytest.approx(1551.3)
    assert read.general.nominal_wavelength_nm == 1550
    assert read.fixed.pulse_widths_ns == (100,)
    # The cord's end by time: true metres at the true index, whatever index is set.
    expected_s = 500.0 * 1.4682 / SPEED_OF_LIGHT_M_PER_S
    assert read.general.user_offset_s == pytest.approx(expected_s, abs=0.51e-10)


def test_event_table_holds_one_way_readings_of_what_can_be_seen(shot: Shot) -> None:
    table = sor_file(shot, Label()).events
    assert table is not None
    codes = [event.code.text for event in table.events]
    assert codes == ["1F9999LS", "0F9999LS", "1E9999LS"]  # the third joint reads −0.005 dB
    # 0.3 dB of true loss into glass of the same level; then 0.1 dB and a step of 0.2 dB.
    assert [event.loss_mdb for event in table.events] == [300, 300, 0]
    assert [event.reflectance_mdb for event in table.events] == [-48_000, 0, -14_439]
    times_s = [event.time_100ps * 1e-10 for event in table.events]
    metres = [time_s * SPEED_OF_LIGHT_M_PER_S / 1.4682 for time_s in times_s]
    assert metres == [pytest.approx(at_m, abs=0.011) for at_m in (500, 1500, 5000)]
    # 0.3 + 0.1 + 0.005 dB of joints, 1.5 km at 0.19, 2 km at 0.20, 1.5 km at 0.21, step 0.19.
    assert table.total_loss_mdb == pytest.approx(405 + 285 + 400 + 315 + 190, abs=1)


def test_event_table_can_be_left_out(shot: Shot) -> None:
    assert sor_file(shot, Label(event_table=False)).events is None


def test_first_point_lies_at_the_acquisition_offset(shot: Shot) -> None:
    early = replace(shot.instrument, acquisition_offset_100ps=-2000)
    read = sor_file(shoot(shot.fibre, early, np.random.default_rng(1)), Label())
    assert read.fixed.acquisition_offset_s == pytest.approx(-2e-7)
    lit = int(np.flatnonzero(read.waveforms[0].level_db > -20)[0])
    # 200 ns one way before the panel at 2.5 ns per point.
    assert lit == pytest.approx(80, abs=2)

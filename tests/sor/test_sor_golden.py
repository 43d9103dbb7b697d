"""Every field of two hand-written files, revision 2.00 and 1.00."""

from __future__ import annotations

import binascii
import hashlib

import numpy as np
import pytest
import sor_golden as golden

from otdravg import sor
from otdravg.sor import Block, Text


@pytest.fixture(scope="module")
def file_2() -> sor.SorFile:
    return sor.decode(golden.REVISION_2, "golden.sor")


@pytest.fixture(scope="module")
def file_1() -> sor.SorFile:
    return sor.decode(golden.REVISION_1)


def crc_bit_by_bit(data: bytes) -> int:
    """CRC-16 from its definition: polynomial 0x1021, initial value 0xFFFF, unreflected."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def test_checksum_definition_gives_the_catalogue_check_value() -> None:
    # Check value 0x29B1 for "123456789": public CRC catalogue, CRC-16 with 0x1021 and 0xFFFF.
    assert crc_bit_by_bit(b"123456789") == 0x29B1
    assert binascii.crc_hqx(b"123456789", 0xFFFF) == 0x29B1


@pytest.mark.parametrize("data", [golden.REVISION_1, golden.REVISION_2])
def test_golden_checksum_is_that_of_the_definition(data: bytes) -> None:
    file = sor.decode(data)
    assert file.checksum == crc_bit_by_bit(data[:-2])
    assert "checksum-mismatch" not in {f.code for f in file.findings}


def test_revision_2_file_as_a_whole(file_2: sor.SorFile) -> None:
    assert file_2.path == "golden.sor"
    assert file_2.revision == 200
    assert file_2.is_revision_2
    assert file_2.sha256 == hashlib.sha256(golden.REVISION_2).hexdigest()
    assert file_2.map_bytes == golden.MAP_2
    assert file_2.trailing == b""
    assert file_2.checksum == 0x03E5
    assert file_2.blocks == (
        Block(Text(b"GenParams"), 200, golden.GENERAL_2),
        Block(Text(b"SupParams"), 200, golden.SUPPLIER_2),
        Block(Text(b"FxdParams"), 200, golden.FIXED_2),
        Block(Text(b"KeyEvents"), 200, golden.EVENTS_2),
        Block(Text(b"LnkParams"), 200, golden.LINK_2),
        Block(Text(b"AshMaker"), 200, golden.MAKER_2),
        Block(Text(b"DataPts"), 200, golden.POINTS_2),
        Block(Text(b"Cksum"), 200, golden.CHECKSUM_2),
    )
    assert file_2.blocks[5].body == b"\xde\xad\xbe\xef"


def test_revision_2_has_only_the_unknown_block_to_report(file_2: sor.SorFile) -> None:
    (finding,) = file_2.findings
    assert (finding.code, finding.where) == ("unknown-block", "AshMaker")
    assert (finding["bytes"], finding["offset"]) == (13, 503)


def test_revision_2_general_parameters(file_2: sor.SorFile) -> None:
    assert file_2.general == sor.GeneralParameters(
        language=Text(b"EN"),
        cable_id=Text(b"C-7"),
        fibre_id=Text(b"001"),
        fibre_type=657,
        nominal_wavelength_nm=1550,
        location_a=Text(b"Ash"),
        location_b=Text(b"Elm"),
        cable_code=Text(b"RB"),
        build_condition=Text(b"CC"),
        user_offset_100ps=4897,
        user_offset_distance=1000,
        operator=Text(b"Jo"),
        comment=Text(b"simulated"),
    )
    assert file_2.general.user_offset_s == pytest.approx(489.7e-9)


def test_supplier_parameters_of_both_revisions(file_1: sor.SorFile, file_2: sor.SorFile) -> None:
    expected = sor.SupplierParameters(
        supplier=Text(b"Maker"),
        mainframe_id=Text(b"MF1"),
        mainframe_serial=Text(b"S1"),
        module_id=Text(b"OM2"),
        module_serial=Text(b"S2"),
        software_revision=Text(b"1.0"),
        other=Text(b"-"),
    )
    assert file_1.supplier == expected
    assert file_2.supplier == expected


def test_revision_2_fixed_parameters(file_2: sor.SorFile) -> None:
    assert file_2.fixed == sor.FixedParameters(
        timestamp_s=1717243200,
        distance_unit=Text(b"mt"),
        wavelength_0p1nm=15513,
        acquisition_offset_100ps=-250,
        acquisition_offset_distance=-51,
        pulse_widths_ns=(100,),
        data_spacings=(25000,),
        point_counts=(5,),
        group_index_1e5=146820,
        backscatter_0p1db=815,
        averages=4096,
        averaging_time_0p1s=150,
        range_100ps=500000,
        range_distance=10210,
        front_panel_offset_100ps=17,
        noise_floor_mdb=43210,
        noise_floor_scale=-1000,
        power_offset_mdb=21,
        loss_threshold_mdb=50,
        reflectance_threshold_mdb=40000,
        end_threshold_mdb=3000,
        trace_type=Text(b"RF"),
        window=(1, -2, 3, -4),
    )


def test_settings_in_plain_units(file_2: sor.SorFile) -> None:
    assert file_2.wavelength_nm == 1551.3
    assert file_2.fixed.group_index == 1.4682
    assert file_2.fixed.acquisition_offset_s == pytest.approx(-25e-9)
    assert file_2.fixed.backscatter_db == -81.5
    assert file_2.waveforms[0].pulse_ns == 100
    # 25 000 counts of 1e-14 s: 100 ps for each of 10 000 points, 0.25 ns from point to point.
    assert file_2.waveforms[0].spacing_s == pytest.approx(0.25e-9)


def test_revision_2_events(file_2: sor.SorFile) -> None:
    assert file_2.events == sor.KeyEvents(
        events=(
            sor.KeyEvent(
                number=1,
                time_100ps=4897,
                slope_mdb_per_km=0,
                loss_mdb=215,
                reflectance_mdb=-45000,
                code=Text(b"1F9999LS"),
                markers_100ps=(0, 4890, 4950, 199990, 4900),
                comment=Text(b"launch"),
            ),
            sor.KeyEvent(
                number=2,
                time_100ps=200000,
                slope_mdb_per_km=190,
                loss_mdb=-41,
                reflectance_mdb=0,
                code=Text(b"0A9999LS"),
                markers_100ps=(4950, 199990, 200060, 489990, 0),
            ),
            sor.KeyEvent(
                number=3,
                time_100ps=490000,
                slope_mdb_per_km=191,
                loss_mdb=-32768,
                reflectance_mdb=-14436,
                code=Text(b"2E99992P"),
                markers_100ps=(200060, 489990, 490080, 0, 490010),
                comment=Text(b"end"),
            ),
        ),
        total_loss_mdb=12345,
        total_loss_start_100ps=-5,
        total_loss_finish_100ps=490000,
        return_loss_mdb=32100,
        return_loss_start_100ps=4897,
        return_loss_finish_100ps=490001,
    )


def test_revision_2_points(file_2: sor.SorFile) -> None:
    assert len(file_2.waveforms) == 1
    raw = file_2.waveforms[0].raw
    assert raw.dtype == np.uint16
    assert raw.tolist() == [0, 1000, 20000, 40000, 65535]
    level_db = file_2.waveforms[0].level_db
    assert level_db.dtype == np.float64
    # A point is dB x 1000 below the highest level.
    np.testing.assert_allclose(level_db, [0, -1, -20, -40, -65.535], rtol=1e-15)
    assert file_2.waveforms[0].quantum_db == 0.001


def test_points_are_a_read_only_view_of_the_blocks_bytes(file_2: sor.SorFile) -> None:
    (run,) = file_2.data.runs
    block = next(b for b in file_2.blocks if b.name.text == "DataPts")
    assert not run.raw.flags.owndata
    assert not run.raw.flags.writeable
    assert np.shares_memory(run.raw, np.frombuffer(block.content, np.uint8))


def test_revision_1_file_as_a_whole(file_1: sor.SorFile) -> None:
    assert file_1.revision == 100
    assert not file_1.is_revision_2
    assert file_1.map_bytes == golden.MAP_1
    assert file_1.checksum == 0x3E37
    assert [(b.name.text, b.revision, b.content) for b in file_1.blocks] == [
        ("GenParams", 100, golden.GENERAL_1),
        ("SupParams", 100, golden.SUPPLIER_1),
        ("FxdParams", 100, golden.FIXED_1),
        ("KeyEvents", 100, golden.EVENTS_1),
        ("AshMaker", 100, golden.MAKER_1),
        ("DataPts", 100, golden.POINTS_1),
        ("Cksum", 100, golden.CHECKSUM_1),
    ]
    assert [f.code for f in file_1.findings] == [
        "unknown-block",
        "text-not-utf8",
        "wavelength-unit",
    ]


def test_revision_1_general_parameters(file_1: sor.SorFile) -> None:
    assert file_1.general == sor.GeneralParameters(
        language=Text(b"EN"),
        cable_id=Text(b"C-7"),
        fibre_id=Text(b"F\xe4r 1"),
        fibre_type=0,  # not in revision 1
        nominal_wavelength_nm=1310,
        location_a=Text(b"Ash"),
        location_b=Text(b"Elm"),
        cable_code=Text(b"RB"),
        build_condition=Text(b"BC"),
        user_offset_100ps=4897,
        user_offset_distance=0,  # not in revision 1
        operator=Text(b"Jo"),
        comment=Text(b"simulated"),
    )
    assert file_1.general.fibre_id.text == "Fär 1"


def test_revision_1_fixed_parameters(file_1: sor.SorFile) -> None:
    assert file_1.fixed == sor.FixedParameters(
        timestamp_s=1717243200,
        distance_unit=Text(b"kf"),
        wavelength_0p1nm=1310,
        acquisition_offset_100ps=-250,
        acquisition_offset_distance=0,  # not in revision 1, nor the zeros below
        pulse_widths_ns=(100,),
        data_spacings=(25000,),
        point_counts=(5,),
        group_index_1e5=146820,
        backscatter_0p1db=815,
        averages=4096,
        averaging_time_0p1s=0,
        range_100ps=500000,
        range_distance=0,
        front_panel_offset_100ps=17,
        noise_floor_mdb=43210,
        noise_floor_scale=-1000,
        power_offset_mdb=21,
        loss_threshold_mdb=50,
        reflectance_threshold_mdb=40000,
        end_threshold_mdb=3000,
        trace_type=Text(),
        window=(0, 0, 0, 0),
    )
    assert file_1.wavelength_nm == 1310.0


def test_revision_1_events(file_1: sor.SorFile) -> None:
    assert file_1.events == sor.KeyEvents(
        events=(
            sor.KeyEvent(
                number=1,
                time_100ps=4897,
                slope_mdb_per_km=0,
                loss_mdb=215,
                reflectance_mdb=-45000,
                code=Text(b"1F9999LS"),
                comment=Text(b"launch"),
            ),
            sor.KeyEvent(
                number=2,
                time_100ps=200000,
                slope_mdb_per_km=190,
                loss_mdb=-41,
                reflectance_mdb=0,
                code=Text(b"0A9999LS"),
            ),
        ),
        total_loss_mdb=12345,
        total_loss_start_100ps=-5,
        total_loss_finish_100ps=490000,
        return_loss_mdb=32100,
        return_loss_start_100ps=4897,
        return_loss_finish_100ps=490001,
    )


def test_two_scale_factors_in_one_trace_are_joined(file_1: sor.SorFile) -> None:
    assert len(file_1.waveforms) == 1
    assert file_1.waveforms[0].raw.tolist() == [0, 1000, 20000, 40000, 65535]
    # The last two points count double: scale factor 2.000.
    np.testing.assert_allclose(file_1.waveforms[0].level_db, [0, -1, -20, -80, -131.07], rtol=1e-15)
    assert file_1.waveforms[0].quantum_db == 0.002


@pytest.mark.parametrize("data", [golden.REVISION_1, golden.REVISION_2])
def test_writing_gives_the_same_bytes(data: bytes) -> None:
    assert sor.encode(sor.decode(data)) == data


def test_text_is_utf8_else_latin_1_without_padding() -> None:
    assert Text("Žižkov ".encode()).text == "Žižkov"
    assert Text(b"S\xe4ge").text == "Säge"
    assert Text(b"  12 BL/OR ").text == "12 BL/OR"
    assert Text(b" ").text == ""
    assert Text(b"A\0").text == "A"
    assert str(Text.of("Fibre 12")) == "Fibre 12"

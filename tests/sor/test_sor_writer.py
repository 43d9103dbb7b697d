"""Writing: what the format cannot hold is refused by name; what is kept is kept exactly."""

from __future__ import annotations

import binascii
import stat
import struct
from dataclasses import replace as with_fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sor_golden as golden
from sor_assembly import PARTS_2, assemble

from otdravg import sor
from otdravg.errors import OutputRefused, UnwritableTrace
from otdravg.sor import Block, Text

GENERAL = sor.GeneralParameters(cable_id=Text.of("C-7"), fibre_id=Text.of("12 BL/OR"))
SUPPLIER = sor.SupplierParameters(supplier=Text.of("simulated"))
FIXED = sor.FixedParameters(data_spacings=(50_000,))
EVENT = sor.KeyEvent(1, 4897, 190, -41, 0, Text(b"0F9999LS"))
POINTS = np.arange(100, dtype=np.uint16)


def build(**changes: Any) -> sor.SorFile:
    parts: dict[str, Any] = {
        "general": GENERAL,
        "supplier": SUPPLIER,
        "fixed": FIXED,
        "points": POINTS,
        "events": sor.KeyEvents((EVENT,)),
    }
    return sor.build(**parts | changes)


def crc_is_right(data: bytes) -> bool:
    return binascii.crc_hqx(data[:-2], 0xFFFF) == int.from_bytes(data[-2:], "little")


# --- build -----------------------------------------------------------------------------


@pytest.mark.parametrize("revision", [100, 110, 200, 202])
def test_new_file_has_nothing_to_report(revision: int) -> None:
    file = build(revision=revision)
    assert file.findings == ()
    assert file.revision == revision
    assert [b.name.text for b in file.blocks] == [
        "GenParams",
        "SupParams",
        "FxdParams",
        "KeyEvents",
        "DataPts",
        "Cksum",
    ]
    assert {b.revision for b in file.blocks} == {revision}
    assert {bool(b.name_size) for b in file.blocks} == {revision >= 200}
    assert crc_is_right(sor.encode(file))
    assert file.general.fibre_id.text == "12 BL/OR"
    assert file.fixed.point_counts == (100,)
    assert file.waveforms[0].raw.tolist() == POINTS.tolist()


def test_golden_file_built_from_its_values_is_the_same_bytes() -> None:
    read = sor.decode(golden.REVISION_2)
    built = sor.build(
        revision=200,
        general=read.general,
        supplier=read.supplier,
        fixed=read.fixed,
        points=read.waveforms[0].raw,
        events=read.events,
        extra_blocks=[b for b in read.blocks if b.name.text in ("LnkParams", "AshMaker")],
    )
    assert sor.encode(built) == golden.REVISION_2
    assert built.sha256 == read.sha256


def test_revision_1_blocks_built_from_their_values_are_the_same_bytes() -> None:
    read = sor.decode(golden.REVISION_1)
    built = sor.build(
        revision=100,
        general=read.general,
        supplier=read.supplier,
        fixed=read.fixed,
        points=read.waveforms[0].raw,
        events=read.events,
    )
    assert [b.content for b in built.blocks[:4]] == [
        golden.GENERAL_1,
        golden.SUPPLIER_1,
        golden.FIXED_1,
        golden.EVENTS_1,
    ]


def test_file_without_events_and_checksum() -> None:
    file = build(events=None, checksum=False)
    assert [b.name.text for b in file.blocks] == ["GenParams", "SupParams", "FxdParams", "DataPts"]
    assert {f.code for f in file.findings} == {"block-missing", "checksum-missing"}


def test_several_pulse_widths_are_several_traces() -> None:
    fixed = sor.FixedParameters(pulse_widths_ns=(1000, 30), data_spacings=(50_000, 5_000))
    file = build(fixed=fixed, points=[POINTS, POINTS[:7] * 9], scale_1000=[1000, 500])
    assert file.findings == ()
    assert len(file.waveforms) == 2
    assert file.fixed.point_counts == (100, 7)
    assert file.waveforms[1].raw.tolist() == [0, 9, 18, 27, 36, 45, 54]
    assert [file.waveforms[i].quantum_db for i in range(2)] == [0.001, 0.0005]


def test_extra_blocks_stand_ahead_of_the_points() -> None:
    link = Block.of("LnkParams", b"\0\0")
    own = Block.of("AshMaker", b"\xde\xad")
    file = build(extra_blocks=[link, own])
    assert [b.name.text for b in file.blocks][4:7] == ["LnkParams", "AshMaker", "DataPts"]
    assert file.blocks[5].body == b"\xde\xad"
    assert {f.code for f in file.findings} == {"unknown-block"}


@pytest.mark.parametrize(
    ("part", "block", "field"),
    [
        ({"general": with_fields(GENERAL, fibre_type=65_536)}, "GenParams", "fibre_type"),
        ({"general": with_fields(GENERAL, nominal_wavelength_nm=-1)}, "GenParams", "nominal"),
        ({"general": with_fields(GENERAL, user_offset_100ps=2**31)}, "GenParams", "user_offset"),
        ({"general": with_fields(GENERAL, comment=Text(b"a\0b"))}, "GenParams", "comment"),
        ({"general": with_fields(GENERAL, language=Text(b"ENG"))}, "GenParams", "language"),
        ({"general": with_fields(GENERAL, build_condition=Text())}, "GenParams", "build_cond"),
        ({"supplier": with_fields(SUPPLIER, other=Text(b"\0"))}, "SupParams", "other"),
        ({"fixed": with_fields(FIXED, timestamp_s=-1)}, "FxdParams", "timestamp_s"),
        ({"fixed": with_fields(FIXED, timestamp_s=2**32)}, "FxdParams", "timestamp_s"),
        ({"fixed": with_fields(FIXED, averages=1.5)}, "FxdParams", "averages"),  # type: ignore[arg-type]
        ({"fixed": with_fields(FIXED, noise_floor_scale=-32_769)}, "FxdParams", "noise_floor"),
        ({"fixed": with_fields(FIXED, distance_unit=Text(b"m"))}, "FxdParams", "distance_unit"),
        ({"fixed": with_fields(FIXED, pulse_widths_ns=(70_000,))}, "FxdParams", "pulse_widths"),
        ({"fixed": with_fields(FIXED, pulse_widths_ns=())}, "FxdParams", "pulse_widths_ns"),
        ({"fixed": with_fields(FIXED, data_spacings=(0,))}, "FxdParams", "data_spacings"),
        ({"fixed": with_fields(FIXED, data_spacings=(5, 5))}, "FxdParams", "data_spacings"),
        ({"fixed": with_fields(FIXED, window=(0, 0, 0))}, "FxdParams", "window"),  # type: ignore[arg-type]
        ({"fixed": with_fields(FIXED, window=(0, 0, 0, 2**31))}, "FxdParams", "window[3]"),
        ({"points": [POINTS, POINTS]}, "FxdParams", "point_counts"),
        (
            {"events": sor.KeyEvents((EVENT, with_fields(EVENT, loss_mdb=32_768)))},
            "KeyEvents",
            "events[1].loss_mdb",
        ),
        (
            {"events": sor.KeyEvents((with_fields(EVENT, code=Text(b"0F9999L")),))},
            "KeyEvents",
            "events[0].code",
        ),
        (
            {"events": sor.KeyEvents((with_fields(EVENT, markers_100ps=(0, 0, -1, 0, 0)),))},
            "KeyEvents",
            "events[0].markers_100ps[2]",
        ),
        ({"events": sor.KeyEvents((EVENT,) * 65_536)}, "KeyEvents", "event_count"),
        ({"events": sor.KeyEvents(return_loss_mdb=-1)}, "KeyEvents", "return_loss_mdb"),
        ({"points": POINTS[:0]}, "DataPts", "points"),
        ({"points": POINTS * 1.0}, "DataPts", "points"),
        ({"points": [POINTS.reshape(10, 10)]}, "DataPts", "points"),
        ({"points": np.array([0, 65_536])}, "DataPts", "points"),
        ({"points": np.array([-1, 0])}, "DataPts", "points"),
        ({"scale_1000": 0}, "DataPts", "scale_1000"),
        ({"scale_1000": 65_536}, "DataPts", "scale_1000"),
        ({"scale_1000": [1000, 1000]}, "DataPts", "scale_1000"),
        ({"revision": 99}, "Map", "revision"),
        ({"revision": 300}, "Map", "revision"),
        ({"extra_blocks": [Block.of("DataPts", b"")]}, "Map", "extra_blocks"),
        ({"extra_blocks": [Block.of("Map", b"")]}, "Map", "extra_blocks"),
        ({"extra_blocks": [Block.of("", b"")]}, "Map", "extra_blocks"),
        ({"extra_blocks": [Block(Text(b"Own"), 200, b"no name")]}, "Own", "content"),
        ({"extra_blocks": [Block.of("Own", b"", revision=100)]}, "Own", "content"),
        ({"extra_blocks": [Block(Text(b"A\0B"), 200, b"A\0B\0")]}, "Map", "name"),
        ({"extra_blocks": [Block.of("Own", b"", revision=65_536)]}, "Map", "block revision"),
        ({"extra_blocks": [Block.of("Own", b"")] * 65_536}, "Map", "number of blocks"),
    ],
)
def test_what_the_format_cannot_hold_is_refused_by_name(
    part: dict[str, Any], block: str, field: str
) -> None:
    with pytest.raises(UnwritableTrace) as caught:
        build(**part)
    assert caught.value.block == block
    assert caught.value.field.startswith(field)
    assert caught.value.problem


def test_revision_1_does_not_check_fields_it_does_not_write() -> None:
    build(revision=100, general=with_fields(GENERAL, fibre_type=-1))


def test_extremes_of_every_number_are_written() -> None:
    events = sor.KeyEvents(
        (with_fields(EVENT, time_100ps=2**32 - 1, loss_mdb=-(2**15), reflectance_mdb=-(2**31)),)
    )
    assert build(events=events).events == events


# --- replace ---------------------------------------------------------------------------


@pytest.mark.parametrize("data", [golden.REVISION_1, golden.REVISION_2])
def test_changed_block_with_every_other_block_kept(data: bytes) -> None:
    old = sor.decode(data)
    new = sor.replace(old, general=with_fields(old.general, cable_id=Text.of("a longer name")))
    assert new.general.cable_id.text == "a longer name"
    assert with_fields(new.general, cable_id=old.general.cable_id) == old.general
    changed = {"GenParams", "Cksum"}
    assert old.blocks
    for before, after in zip(old.blocks, new.blocks, strict=True):
        assert (before.content == after.content) == (before.name.text not in changed)
    assert crc_is_right(sor.encode(new))
    assert {f.code for f in new.findings} <= {f.code for f in old.findings}
    assert sor.encode(old) == data


def test_every_block_that_has_values_can_be_changed() -> None:
    old = sor.decode(golden.REVISION_2)
    supplier = with_fields(old.supplier, other=Text.of("changed"))
    fixed = with_fields(old.fixed, group_index_1e5=146_750)
    events = sor.KeyEvents()
    new = sor.replace(old, supplier=supplier, fixed=fixed, events=events)
    assert (new.general, new.supplier, new.fixed, new.events) == (
        old.general,
        supplier,
        fixed,
        events,
    )
    assert new.fixed.group_index == 1.4675


def test_replacing_a_block_with_itself_changes_nothing() -> None:
    old = sor.decode(golden.REVISION_2)
    new = sor.replace(
        old, general=old.general, supplier=old.supplier, fixed=old.fixed, events=old.events
    )
    assert sor.encode(new) == golden.REVISION_2


def test_block_that_the_file_did_not_have_is_added() -> None:
    parts = [part for part in PARTS_2 if part[0] != "KeyEvents"]
    new = sor.replace(sor.decode(assemble(parts)), events=sor.KeyEvents((EVENT,)))
    assert new.findings == ()
    assert [b.name.text for b in new.blocks][3:5] == ["KeyEvents", "DataPts"]


def test_changed_file_gets_right_sizes_and_checksum_and_keeps_the_rest() -> None:
    data = assemble(PARTS_2, checksum=1, sizes={"SupParams": 5}, padding=b"\0\0", trailing=b"tail")
    old = sor.decode(data)
    assert {"checksum-mismatch", "map-size-disagrees"} <= {f.code for f in old.findings}
    new = sor.replace(old, general=with_fields(old.general, comment=Text.of("checked")))
    assert "checksum-mismatch" not in {f.code for f in new.findings}
    assert not [f for f in new.findings if f.where == "SupParams"]
    assert new.trailing == b"tail"
    assert new.map_bytes.endswith(b"\0\0")
    assert new.supplier == old.supplier


def test_file_without_checksum_stays_without() -> None:
    old = sor.decode(assemble(PARTS_2, checksum=False))
    assert sor.replace(old, general=GENERAL).checksum is None


def test_checksum_ahead_of_other_blocks_covers_what_is_before_it() -> None:
    parts = (PARTS_2[0], ("Cksum", b"\0\0"), *PARTS_2[1:])
    new = sor.replace(sor.decode(assemble(parts, checksum=False)), general=GENERAL)
    data = sor.encode(new)
    value_at = data.index(b"Cksum\0", len(new.map_bytes)) + 6
    stored = struct.unpack_from("<H", data, value_at)[0]
    assert stored == binascii.crc_hqx(data[:value_at], 0xFFFF)
    assert new.findings == ()


def test_replace_refuses_what_build_refuses() -> None:
    old = sor.decode(golden.REVISION_2)
    with pytest.raises(UnwritableTrace, match=r"GenParams\.language"):
        sor.replace(old, general=with_fields(old.general, language=Text(b"E")))
    with pytest.raises(UnwritableTrace, match=r"FxdParams\.data_spacings"):
        sor.replace(old, fixed=with_fields(old.fixed, data_spacings=(0,)))


# --- write -----------------------------------------------------------------------------


def test_written_file_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "out.sor"
    sor.write(build(), path)
    assert path.read_bytes() == sor.encode(build())
    assert sor.read(path).sha256 == build().sha256
    assert [p.name for p in tmp_path.iterdir()] == ["out.sor"]


def test_written_file_has_the_mode_of_an_ordinary_one(tmp_path: Path) -> None:
    sor.write(build(), tmp_path / "out.sor")
    (tmp_path / "plain").write_bytes(b"")
    modes = {stat.S_IMODE((tmp_path / n).stat().st_mode) for n in ("out.sor", "plain")}
    assert len(modes) == 1


def test_existing_file_is_not_replaced_unasked(tmp_path: Path) -> None:
    path = tmp_path / "out.sor"
    path.write_bytes(b"precious")
    with pytest.raises(OutputRefused, match="exists already"):
        sor.write(build(), path)
    assert path.read_bytes() == b"precious"
    sor.write(build(), path, overwrite=True)
    assert sor.read(path).sha256 == build().sha256


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "is not a regular file"),
        ("none/out.sor", "its folder does not exist"),
        ("a\0b.sor", "is no name of a file"),
    ],
)
def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(OutputRefused, match=said):
        sor.write(build(), tmp_path / name, overwrite=True)


def test_failed_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "out.sor"
    path.write_bytes(b"precious")

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full_disk)
    with pytest.raises(OutputRefused, match="No space left"):
        sor.write(build(), path, overwrite=True)
    assert path.read_bytes() == b"precious"
    assert [p.name for p in tmp_path.iterdir()] == ["out.sor"]

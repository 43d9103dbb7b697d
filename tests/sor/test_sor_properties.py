"""What must hold for any file: exact round trips, and no surprise whatever the bytes."""

from __future__ import annotations

from dataclasses import replace as with_fields

import numpy as np
import pytest
import sor_golden as golden
from hypothesis import given, settings
from hypothesis import strategies as st
from sor_assembly import PARTS_1, PARTS_2, assemble, points_block

from otdravg import sor
from otdravg.errors import UnreadableTrace
from otdravg.sor import Block, Text

thorough = settings(max_examples=150)

u16 = st.integers(0, 2**16 - 1)
i16 = st.integers(-(2**15), 2**15 - 1)
u32 = st.integers(0, 2**32 - 1)
i32 = st.integers(-(2**31), 2**31 - 1)
cstr = st.binary(max_size=12).map(lambda raw: Text(raw.replace(b"\0", b"0")))
c2 = st.binary(min_size=2, max_size=2).map(Text)
c8 = st.binary(min_size=8, max_size=8).map(Text)


@st.composite
def values(draw: st.DrawFn, long_form: bool) -> dict[str, object]:
    """Any content that a file of the revision can hold, as arguments of ``build``."""

    def only_2(strategy: st.SearchStrategy[object], otherwise: object) -> st.SearchStrategy[object]:
        return strategy if long_form else st.just(otherwise)

    general = st.builds(
        sor.GeneralParameters,
        language=c2,
        cable_id=cstr,
        fibre_id=cstr,
        fibre_type=only_2(u16, 0),
        nominal_wavelength_nm=u16,
        location_a=cstr,
        location_b=cstr,
        cable_code=cstr,
        build_condition=c2,
        user_offset_100ps=i32,
        user_offset_distance=only_2(i32, 0),
        operator=cstr,
        comment=cstr,
    )
    supplier = st.builds(sor.SupplierParameters, *[cstr] * 7)
    event = st.builds(
        sor.KeyEvent,
        number=u16,
        time_100ps=u32,
        slope_mdb_per_km=i16,
        loss_mdb=i16,
        reflectance_mdb=i32,
        code=c8,
        markers_100ps=only_2(st.tuples(*[u32] * 5), (0,) * 5),
        comment=cstr,
    )
    events = st.builds(
        sor.KeyEvents,
        events=st.lists(event, max_size=4).map(tuple),
        total_loss_mdb=i32,
        total_loss_start_100ps=i32,
        total_loss_finish_100ps=u32,
        return_loss_mdb=u16,
        return_loss_start_100ps=i32,
        return_loss_finish_100ps=u32,
    )
    pulses = draw(st.integers(1, 3))
    points = [
        np.array(draw(st.lists(u16, min_size=1, max_size=9)), dtype=np.uint16)
        for _ in range(pulses)
    ]

    def per_pulse(strategy: st.SearchStrategy[int]) -> st.SearchStrategy[tuple[int, ...]]:
        return st.tuples(*[strategy] * pulses)

    fixed = st.builds(
        sor.FixedParameters,
        timestamp_s=u32,
        distance_unit=c2,
        wavelength_0p1nm=u16,
        acquisition_offset_100ps=st.integers(-40_000_000, 40_000_000),  # 4 ms: within reach
        acquisition_offset_distance=only_2(i32, 0),
        pulse_widths_ns=per_pulse(u16),
        data_spacings=per_pulse(st.integers(1, 2**32 - 1)),
        point_counts=st.just(tuple(array.size for array in points)),
        group_index_1e5=u32,
        backscatter_0p1db=u16,
        averages=u32,
        averaging_time_0p1s=only_2(u16, 0),
        range_100ps=u32,
        range_distance=only_2(i32, 0),
        front_panel_offset_100ps=i32,
        noise_floor_mdb=u16,
        noise_floor_scale=i16,
        power_offset_mdb=u16,
        loss_threshold_mdb=u16,
        reflectance_threshold_mdb=u16,
        end_threshold_mdb=u16,
        trace_type=only_2(c2, Text()),
        window=only_2(st.tuples(i32, i32, i32, i32), (0, 0, 0, 0)),
    )
    return {
        "general": draw(general),
        "supplier": draw(supplier),
        "fixed": draw(fixed),
        "events": draw(st.none() | events),
        "points": points,
        "scale_1000": draw(per_pulse(st.integers(1, 2**16 - 1))),
        "checksum": draw(st.booleans()),
    }


@pytest.mark.parametrize("revision", [100, 202])
@thorough
@given(data=st.data())
def test_what_is_built_is_what_is_read(revision: int, data: st.DataObject) -> None:
    content = data.draw(values(revision >= 200))
    file = sor.build(revision=revision, **content)  # type: ignore[arg-type]
    encoded = sor.encode(file)
    again = sor.decode(encoded)
    assert sor.encode(again) == encoded
    for name in ("general", "supplier", "fixed", "events"):
        assert getattr(again, name) == content[name]
    points, scales = content["points"], content["scale_1000"]
    assert isinstance(points, list)
    assert isinstance(scales, tuple)
    assert len(again.waveforms) == len(points)
    for index, (expected, scale) in enumerate(zip(points, scales, strict=True)):
        np.testing.assert_array_equal(again.waveforms[index].raw, expected)
        np.testing.assert_allclose(
            again.waveforms[index].level_db, -expected.astype(float) * scale / 1e6, rtol=1e-14
        )
    structural = {"block-truncated", "count-disagrees", "layout-disagrees", "checksum-mismatch"}
    assert not structural & {f.code for f in again.findings}
    assert (again.checksum is not None) == content["checksum"]


names = st.sampled_from(["AshMaker", "LnkParams", "x", "", "GenParams"])


@pytest.mark.parametrize("revision", [100, 200])
@thorough
@given(data=st.data())
def test_unchanged_file_is_written_back_byte_for_byte(revision: int, data: st.DataObject) -> None:
    """Any order, unknown and repeated blocks, wrong sizes, counts and checksums, a tail."""
    parts = list(PARTS_1 if revision == 100 else PARTS_2)
    extra = data.draw(st.lists(st.tuples(names, st.binary(max_size=20)), max_size=3))
    parts = data.draw(st.permutations(parts + extra))
    raw = assemble(
        parts,
        revision,
        own_names=data.draw(st.none() | st.booleans()),
        map_name=data.draw(st.none() | st.booleans()),
        checksum=data.draw(st.booleans() | u16),
        map_size=data.draw(st.none() | st.integers(0, 400)),
        count=data.draw(st.none() | st.integers(0, 20)),
        sizes=data.draw(st.dictionaries(names, st.integers(0, 200), max_size=1)),
        padding=data.draw(st.binary(max_size=4)),
        trailing=data.draw(st.binary(max_size=20)),
    )
    try:
        file = sor.decode(raw)
    except UnreadableTrace:
        return  # sizes so wrong that FxdParams or DataPts cannot be found
    assert sor.encode(file) == raw


@thorough
@given(data=st.data())
def test_order_and_unknown_blocks_change_no_value(data: st.DataObject) -> None:
    extra = data.draw(
        st.lists(
            st.tuples(st.sampled_from(["AshMaker", "LnkParams", "x"]), st.binary(max_size=20)),
            max_size=3,
        )
    )
    file = sor.decode(assemble(data.draw(st.permutations([*PARTS_2, *extra]))))
    plain = sor.decode(assemble(PARTS_2))
    assert (file.general, file.supplier, file.fixed, file.events) == (
        plain.general,
        plain.supplier,
        plain.fixed,
        plain.events,
    )
    np.testing.assert_array_equal(file.waveforms[0].raw, plain.waveforms[0].raw)
    assert {f.code for f in file.findings} <= {"unknown-block", "block-repeated"}


@thorough
@given(comment=cstr, trailing=st.binary(max_size=8))
def test_change_keeps_unknown_blocks_and_tail(comment: Text, trailing: bytes) -> None:
    old = sor.decode(golden.REVISION_2 + trailing)
    new = sor.replace(old, general=with_fields(old.general, comment=comment))
    assert new.general.comment == comment
    assert new.blocks[4:7] == old.blocks[4:7]
    assert new.trailing == trailing
    back = sor.replace(new, general=old.general)
    assert sor.encode(back) == sor.encode(old)


# --- damage ----------------------------------------------------------------------------


def decode_or_refuse(data: bytes) -> sor.SorFile | None:
    """Decode; the only way to fail is an UnreadableTrace."""
    try:
        file = sor.decode(data)
    except UnreadableTrace:
        return None
    assert sor.encode(file) == data
    assert len(file.waveforms) >= 1
    for index in range(len(file.waveforms)):
        assert file.waveforms[index].level_db.size == file.waveforms[index].raw.size > 0
        assert file.waveforms[index].spacing_s > 0
    assert 2 * file.data.size <= len(data)
    assert file.fixed.group_index > 1
    return file


@pytest.mark.parametrize("golden_file", [golden.REVISION_1, golden.REVISION_2])
def test_truncation_at_every_byte(golden_file: bytes) -> None:
    first_point = golden_file.index(b"\x05\x00\x00\x00", golden_file.rindex(b"\xde\xad")) + 12
    assert len(golden_file) > first_point + 2
    for size in range(len(golden_file)):
        file = decode_or_refuse(golden_file[:size])
        # Usable from the first whole data point on; always with a finding that says so.
        assert (file is not None) == (size >= first_point + 2)
        if file is not None:
            assert "block-truncated" in {f.code for f in file.findings}


@settings(max_examples=500)
@given(st.binary(max_size=400))
def test_random_bytes(data: bytes) -> None:
    decode_or_refuse(data)


@settings(max_examples=500)
@given(st.binary(max_size=300), st.sampled_from([golden.MAP_1, golden.MAP_2]))
def test_random_bytes_behind_a_right_map(data: bytes, map_bytes: bytes) -> None:
    decode_or_refuse(map_bytes + data)


@settings(max_examples=1000)
@given(st.data(), st.sampled_from([golden.REVISION_1, golden.REVISION_2]))
def test_overwritten_bytes(data: st.DataObject, golden_file: bytes) -> None:
    changed = bytearray(golden_file)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(changed) - 1))
        patch = data.draw(st.sampled_from([b"\0", b"\xff", b"\xff\xff\xff\xff", b"\0\0\0\0"]))
        changed[at : at + len(patch)] = patch
    decode_or_refuse(bytes(changed))


@settings(max_examples=300)
@given(st.data())
def test_removed_and_inserted_bytes(data: st.DataObject) -> None:
    raw = golden.REVISION_2
    start = data.draw(st.integers(0, len(raw)))
    stop = data.draw(st.integers(start, min(len(raw), start + 40)))
    decode_or_refuse(raw[:start] + data.draw(st.binary(max_size=20)) + raw[stop:])


@thorough
@given(
    runs=st.lists(st.tuples(u16, st.lists(u16, max_size=6)), max_size=4),
    total=st.integers(0, 40) | u32,
    counts=st.lists(st.integers(0, 12) | u32, min_size=4, max_size=4),
)
def test_counts_never_make_up_points(
    runs: list[tuple[int, list[int]]], total: int, counts: list[int]
) -> None:
    body = points_block(*runs, total=total, counts=counts)
    parts = [(name, body if name == "DataPts" else old) for name, old in PARTS_2]
    decode_or_refuse(assemble(parts))


def test_extra_block_made_for_revision_2_begins_with_its_name() -> None:
    assert Block.of("Own", b"body").content == b"Own\0body"
    assert Block.of("Own", b"body").body == b"body"
    assert Block.of("Own", b"body", revision=100).content == b"body"

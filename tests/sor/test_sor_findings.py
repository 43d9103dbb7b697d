"""Odd but usable files: what is reported, and what is read all the same."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import pytest
import sor_golden as golden
from sor_assembly import PARTS_1, PARTS_2, assemble, changed, fixed_block_2, points_block

from otdravg import sor
from otdravg.errors import UnwritableTrace
from otdravg.findings import Finding, Scope, Severity
from otdravg.words import done, sentence

FORMAT_PAGE = Path(__file__).parents[2] / "docs" / "file-format.md"
POINTS = [0, 1000, 20000, 40000, 65535]
GENERAL_2 = dict(PARTS_2)["GenParams"]
EVENTS_2 = dict(PARTS_2)["KeyEvents"]

# One file for every code of the reader; the test below it makes sure that none is left out.
EXAMPLES: dict[str, bytes] = {
    "block-longer": assemble(changed(PARTS_2, SupParams=bytes(7) + b"more")),
    "block-missing": assemble(changed(PARTS_2, KeyEvents=None)),
    "block-name-missing": assemble(PARTS_2, own_names=False),
    "block-name-unexpected": assemble(PARTS_1, 100, own_names=True),
    "block-repeated": assemble((*PARTS_2, PARTS_2[0])),
    "block-truncated": golden.REVISION_2[:-1],
    "checksum-mismatch": assemble(PARTS_2, checksum=0xBEEF),
    "checksum-missing": assemble(PARTS_2, checksum=False),
    "code-unknown": assemble(changed(PARTS_2, GenParams=GENERAL_2.replace(b"CC", b"XY"))),
    "count-disagrees": assemble(
        changed(PARTS_2, FxdParams=fixed_block_2([(100, 25000, 7)]))  # DataPts holds 5
    ),
    "event-table-truncated": assemble(changed(PARTS_2, KeyEvents=b"\x04\0" + EVENTS_2[2:])),
    "group-index-unusable": assemble(
        changed(PARTS_2, FxdParams=fixed_block_2([(100, 25000, 5)], group_index=0))
    ),
    "layout-disagrees": assemble(PARTS_1, 200),
    "map-size-disagrees": assemble(PARTS_2, map_size=99),
    "pulse-width-zero": assemble(changed(PARTS_2, FxdParams=fixed_block_2([(0, 25000, 5)]))),
    "revision-unknown": assemble(PARTS_2, 300),
    "scale-zero": assemble(changed(PARTS_2, DataPts=points_block((0, POINTS)))),
    "text-not-utf8": assemble(changed(PARTS_2, SupParams=b"\xe4\0" + bytes(6))),
    "trace-empty": assemble(
        changed(PARTS_2, FxdParams=fixed_block_2([(100, 25000, 5), (10, 25000, 0)]))
    ),
    "trailing-bytes": assemble(PARTS_2, trailing=b"\0\0\0"),
    "unknown-block": assemble(changed(PARTS_2, AshMaker=b"\xde\xad")),
    "wavelength-disagrees": assemble(
        changed(PARTS_2, FxdParams=fixed_block_2([(100, 25000, 5)], wavelength=13100))
    ),
    "wavelength-missing": assemble(
        changed(PARTS_2, FxdParams=fixed_block_2([(100, 25000, 5)], wavelength=0))
    ),
    "wavelength-unit": assemble(PARTS_1, 100),
    "beyond-reach": assemble(
        changed(
            PARTS_2,
            FxdParams=fixed_block_2([(100, 25000, 5), (10, 2**32 - 1, 200)]),
            DataPts=points_block((1000, POINTS), (1000, [7] * 200)),
        )
    ),
    "zero-spacing": assemble(
        changed(
            PARTS_2,
            FxdParams=fixed_block_2([(100, 25000, 5), (10, 0, 2)]),
            DataPts=points_block((1000, POINTS), (1000, [1, 2])),
        )
    ),
}


def codes(file: sor.SorFile) -> set[str]:
    return {finding.code for finding in file.findings}


def finding(file: sor.SorFile, code: str, where: str) -> Finding:
    """Return the finding, which must be there exactly once."""
    (found,) = [f for f in file.findings if (f.code, f.where) == (code, where)]
    return found


def codes_of_the_reader() -> set[str]:
    source = "".join(p.read_text(encoding="utf-8") for p in Path(sor.__file__).parent.glob("*.py"))
    return set(re.findall(r'\b(?:note|caution|defect)\(\s*"([a-z0-9-]+)"', source))


def test_there_is_an_example_of_every_code() -> None:
    assert set(EXAMPLES) == codes_of_the_reader()


def test_every_code_is_documented() -> None:
    page = FORMAT_PAGE
    assert codes_of_the_reader() <= set(
        re.findall(r"^\| `([a-z0-9-]+)` \|", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    )


@pytest.mark.parametrize("code", sorted(EXAMPLES))
def test_the_oddity_is_reported_and_nothing_is_lost(code: str) -> None:
    data = EXAMPLES[code]
    file = sor.decode(data)
    found = [f for f in file.findings if f.code == code]
    assert found
    assert all(f.where and sentence(f) and done(f) for f in found)
    assert file.waveforms[0].raw.tolist() == POINTS
    assert sor.encode(file) == data


def test_a_plain_file_has_nothing_to_report() -> None:
    assert sor.decode(assemble(PARTS_2)).findings == ()


# --- blocks ----------------------------------------------------------------------------


def test_blocks_in_any_order() -> None:
    file = sor.decode(assemble(PARTS_2[::-1]))
    assert file.findings == ()
    assert file.general.cable_id.text == "C-7"
    assert file.waveforms[0].raw.tolist() == POINTS


def test_file_with_the_two_necessary_blocks_only() -> None:
    parts = [part for part in PARTS_2 if part[0] in ("FxdParams", "DataPts")]
    file = sor.decode(assemble(parts, checksum=False))
    assert [(f.where, f.severity) for f in file.findings] == [
        ("GenParams", Severity.CAUTION),
        ("SupParams", Severity.CAUTION),
        ("KeyEvents", Severity.NOTE),
        ("Cksum", Severity.NOTE),
    ]
    assert file.general.cable_id.text == ""
    assert file.general.nominal_wavelength_nm == 1551  # from FxdParams
    assert file.general.fibre_type == 0  # not stated is not G.652
    assert file.events is None
    assert file.checksum is None


def test_missing_checksum_is_not_a_wrong_one() -> None:
    assert codes(sor.decode(EXAMPLES["checksum-missing"])) == {"checksum-missing"}


def test_checksum_mismatch_states_both_values() -> None:
    file = sor.decode(EXAMPLES["checksum-mismatch"])
    right = sor.decode(assemble(PARTS_2)).checksum
    assert file.checksum == 0xBEEF
    found = finding(file, "checksum-mismatch", "Cksum")
    assert (found["stored"], found["computed"]) == (0xBEEF, right)
    assert f"0xBEEF at byte {found['offset']}, computed 0x{right:04X}" in sentence(found)


def test_one_changed_byte_is_noticed() -> None:
    data = bytearray(golden.REVISION_2)
    data[-20] ^= 1
    assert "checksum-mismatch" in codes(sor.decode(bytes(data)))


def test_checksum_with_bytes_behind_it_in_its_block() -> None:
    data = assemble(PARTS_2, sizes={"Cksum": 10}, trailing=b"\1\2")
    file = sor.decode(data)
    assert codes(file) == {"block-longer"}
    assert sor.encode(file) == data


def test_many_unknown_blocks_are_listed_in_short() -> None:
    parts = (*PARTS_2, *((f"Own{i}", b"x") for i in range(100)))
    file = sor.decode(assemble(parts))
    unknown = [f for f in file.findings if f.code == "unknown-block"]
    assert len(unknown) == 9
    assert (unknown[-1].where, unknown[-1]["more"]) == (Scope.FILE, 92)
    assert sentence(unknown[-1]).startswith("92 more findings of this kind are not listed")
    assert len(file.blocks) == 106


def test_unknown_name_with_control_characters_is_made_visible() -> None:
    file = sor.decode(assemble((("\x1b[31mX", b""), *PARTS_2)))
    (unknown,) = file.findings
    assert unknown.where == r"'\x1b[31mX'"


def test_repeated_block_the_first_counts() -> None:
    second = ("GenParams", GENERAL_2.replace(b"C-7", b"D-8"))
    file = sor.decode(assemble((*PARTS_2, second)))
    assert file.general.cable_id.text == "C-7"
    assert codes(file) == {"block-repeated"}


def test_revision_2_without_any_names_reads_the_same() -> None:
    file = sor.decode(assemble(PARTS_2, own_names=False, map_name=False))
    named = sor.decode(assemble(PARTS_2))
    assert codes(file) == {"block-name-missing"}
    assert {f.where for f in file.findings} == {
        "Map",
        "GenParams",
        "SupParams",
        "FxdParams",
        "KeyEvents",
        "DataPts",
        "Cksum",
    }
    assert (file.general, file.fixed, file.events) == (named.general, named.fixed, named.events)


def test_revision_1_with_names_reads_the_same() -> None:
    file = sor.decode(assemble(PARTS_1, 100, own_names=True, map_name=True))
    plain = sor.decode(assemble(PARTS_1, 100))
    assert "Map" in {f.where for f in file.findings if f.code == "block-name-unexpected"}
    assert (file.general, file.fixed, file.events) == (plain.general, plain.fixed, plain.events)


@pytest.mark.parametrize(("parts", "revision"), [(PARTS_1, 200), (PARTS_2, 110)])
def test_field_list_of_the_other_revision_is_used_where_only_it_fits(
    parts: tuple[tuple[str, bytes], ...], revision: int
) -> None:
    file = sor.decode(assemble(parts, revision))
    right = sor.decode(assemble(parts, 100 if parts is PARTS_1 else 200))
    where = {f.where for f in file.findings if f.code == "layout-disagrees"}
    assert where == {"GenParams", "FxdParams", "KeyEvents"}
    assert (file.general, file.fixed, file.events) == (right.general, right.fixed, right.events)


# --- sizes -----------------------------------------------------------------------------


def test_size_in_the_map_too_small_the_next_name_wins() -> None:
    right = sor.decode(assemble(PARTS_2))
    file = sor.decode(assemble(PARTS_2, sizes={"FxdParams": 40}))
    found = finding(file, "map-size-disagrees", "FxdParams")
    assert (found["stated"], found["found"]) == (40, 92)
    assert file.fixed == right.fixed
    assert file.events == right.events


def test_size_in_the_map_too_large_the_next_name_wins() -> None:
    data = assemble(PARTS_2, sizes={"GenParams": 3000})
    file = sor.decode(data)
    right = sor.decode(assemble(PARTS_2))
    assert "map-size-disagrees" in codes(file)
    assert "block-truncated" not in codes(file)
    assert (file.general, file.fixed, file.events) == (right.general, right.fixed, right.events)
    assert sor.encode(file) == data


@pytest.mark.parametrize("revision", [100, 200])
@pytest.mark.parametrize("map_size", [0, 99, 2**31])
def test_wrong_size_of_the_map_itself(revision: int, map_size: int) -> None:
    parts = PARTS_1 if revision == 100 else PARTS_2
    data = assemble(parts, revision, map_size=map_size)
    file = sor.decode(data)
    assert finding(file, "map-size-disagrees", "Map")
    assert file.waveforms[0].raw.tolist() == POINTS
    assert sor.encode(file) == data


@pytest.mark.parametrize("revision", [100, 200])
def test_map_that_counts_its_name_twice(revision: int) -> None:
    parts = PARTS_1 if revision == 100 else PARTS_2
    right = assemble(parts, revision)
    first = sor.decode(right).map_bytes
    file = sor.decode(assemble(parts, revision, map_size=len(first) + 4))
    assert file.general == sor.decode(right).general


@pytest.mark.parametrize("revision", [100, 200])
def test_bytes_between_the_map_and_the_first_block(revision: int) -> None:
    parts = PARTS_1 if revision == 100 else PARTS_2
    data = assemble(parts, revision, padding=b"\0\0\0")
    file = sor.decode(data)
    assert finding(file, "map-size-disagrees", "Map")
    assert file.map_bytes.endswith(b"\0\0\0")
    assert file.general == sor.decode(assemble(parts, revision)).general
    assert sor.encode(file) == data


@pytest.mark.parametrize("count", [3, 6, 8, 65535])
def test_wrong_number_of_blocks_in_the_map(count: int) -> None:
    file = sor.decode(assemble(PARTS_2, count=count))  # right: 7
    found = finding(file, "count-disagrees", "Map")
    assert (found.case, found["stated"], found["found"]) == ("blocks", count, 7)
    assert len(file.blocks) == 6
    assert file.waveforms[0].raw.tolist() == POINTS


def test_truncated_last_block_says_how_much_is_missing() -> None:
    file = sor.decode(golden.REVISION_2[:-1])
    cut = [f for f in file.findings if f.code == "block-truncated"]
    assert cut[0].where == "Cksum"
    assert (cut[0]["found"], cut[0]["stated"]) == (7, 8)
    assert file.checksum is None


def test_file_cut_inside_the_points_keeps_those_that_are_there() -> None:
    end = golden.REVISION_2.index(golden.POINTS_2) + len(golden.POINTS_2) - 3
    file = sor.decode(golden.REVISION_2[:end])
    assert file.waveforms[0].raw.tolist() == POINTS[:3]
    assert {"block-truncated", "count-disagrees", "block-longer"} <= codes(file)


def test_fields_missing_at_the_end_of_a_block_are_blank() -> None:
    file = sor.decode(assemble(changed(PARTS_2, GenParams=GENERAL_2[:20])))
    # The cut is inside location B, "Elm": what is there of it is kept.
    cut = finding(file, "block-truncated", "GenParams")
    assert cut.severity is Severity.DEFECT
    assert cut["field"] == "location_b"
    assert file.general.location_a.text == "Ash"
    assert file.general.location_b.raw == b"El"
    assert file.general.user_offset_100ps == 0
    assert file.general.operator == sor.Text()


# --- data points -----------------------------------------------------------------------


@pytest.mark.parametrize("stated", [0, 3, 6, 2**32 - 1])
def test_wrong_total_of_points(stated: int) -> None:
    body = points_block((1000, POINTS), total=stated)
    file = sor.decode(assemble(changed(PARTS_2, DataPts=body)))
    found = finding(file, "count-disagrees", "DataPts")
    assert (found.case, found["stated"], found["found"]) == ("points", stated, 5)
    assert file.waveforms[0].raw.tolist() == POINTS


@pytest.mark.parametrize("stated", [0, 3, 6, 2**32 - 1])
def test_wrong_count_under_the_scale_factor(stated: int) -> None:
    body = points_block((1000, POINTS), counts=[stated])
    file = sor.decode(assemble(changed(PARTS_2, DataPts=body)))
    found = finding(file, "count-disagrees", "DataPts")
    assert (found.case, found["factor"], found["stated"]) == ("points-of-factor", 1, stated)
    assert (found["room"], found["found"]) == (5, 5)
    assert file.waveforms[0].raw.tolist() == POINTS


def test_points_beyond_agreeing_counts_are_not_read() -> None:
    body = points_block((1000, POINTS)) + b"\1\2\3\4"
    file = sor.decode(assemble(changed(PARTS_2, DataPts=body)))
    assert codes(file) == {"block-longer"}
    assert file.waveforms[0].raw.tolist() == POINTS


@pytest.mark.parametrize("stated", [0, 2, 65535])
def test_wrong_number_of_scale_factors(stated: int) -> None:
    body = bytearray(points_block((1000, POINTS)))
    body[4:6] = struct.pack("<H", stated)
    file = sor.decode(assemble(changed(PARTS_2, DataPts=bytes(body))))
    found = finding(file, "count-disagrees", "DataPts")
    assert (found.case, found["stated"], found["found"]) == ("factors", stated, 1)
    assert file.waveforms[0].raw.tolist() == POINTS


def test_scale_zero_is_read_as_one() -> None:
    file = sor.decode(EXAMPLES["scale-zero"])
    assert finding(file, "scale-zero", "DataPts")["factor"] == 1  # counted from 1
    assert file.waveforms[0].level_db.tolist() == pytest.approx([0, -1, -20, -40, -65.535])


# --- several pulse widths --------------------------------------------------------------


def two_pulses(counts: tuple[int, int], *runs: tuple[int, list[int]]) -> sor.SorFile:
    fixed = fixed_block_2([(1000, 50000, counts[0]), (30, 5000, counts[1])])
    return sor.decode(assemble(changed(PARTS_2, FxdParams=fixed, DataPts=points_block(*runs))))


def test_two_pulse_widths_are_two_traces() -> None:
    file = two_pulses((3, 2), (1000, [1, 2, 3]), (2000, [4, 5]))
    assert file.findings == ()
    assert len(file.waveforms) == 2
    assert [file.waveforms[i].pulse_ns for i in range(2)] == [1000, 30]
    assert [file.waveforms[i].spacing_s for i in range(2)] == pytest.approx([0.5e-9, 0.05e-9])
    np.testing.assert_allclose(file.waveforms[0].level_db, [-0.001, -0.002, -0.003])
    np.testing.assert_allclose(file.waveforms[1].level_db, [-0.008, -0.010])
    assert [file.waveforms[i].quantum_db for i in range(2)] == [0.001, 0.002]


def test_traces_are_cut_at_the_counts_not_at_the_scale_factors() -> None:
    file = two_pulses((4, 1), (1000, [1, 2, 3]), (2000, [4, 5]))
    assert file.findings == ()
    np.testing.assert_allclose(file.waveforms[0].level_db, [-0.001, -0.002, -0.003, -0.008])
    np.testing.assert_allclose(file.waveforms[1].level_db, [-0.010])


def test_counts_that_do_not_add_up_one_scale_factor_each() -> None:
    file = two_pulses((9, 9), (1000, [1, 2, 3]), (2000, [4, 5]))
    assert finding(file, "count-disagrees", "FxdParams")
    assert [file.waveforms[i].raw.tolist() for i in range(2)] == [[1, 2, 3], [4, 5]]


def test_counts_that_do_not_add_up_without_a_scale_factor_each() -> None:
    file = two_pulses((3, 9), (1000, [1, 2, 3, 4, 5]))
    assert finding(file, "count-disagrees", "FxdParams")
    assert [file.waveforms[i].raw.tolist() for i in range(2)] == [[1, 2, 3], [4, 5]]


def test_trace_without_points_is_left_out() -> None:
    file = two_pulses((5, 0), (1000, POINTS))
    assert len(file.waveforms) == 1
    found = finding(file, "trace-empty", "DataPts")
    assert (found["trace"], found["pulse_ns"]) == (2, 30)


def test_trace_without_spacing_is_left_out() -> None:
    file = sor.decode(EXAMPLES["zero-spacing"])
    assert len(file.waveforms) == 1
    assert finding(file, "zero-spacing", "FxdParams").severity is Severity.DEFECT


def test_trace_beyond_all_reach_is_left_out() -> None:
    """1000 km: 5 ms × 299 792.458 km/s / 1.468 (arithmetic); no shot reaches it (no source)."""
    file = sor.decode(EXAMPLES["beyond-reach"])
    assert len(file.waveforms) == 1
    found = finding(file, "beyond-reach", "FxdParams")
    assert found.severity is Severity.DEFECT
    assert (found["trace"], found["first_ms"]) == (2, 0)
    assert found["last_ms"] == pytest.approx(200 * (2**32 - 1) * 1e-14 * 1e3)
    assert "trace 2 would lie 0.000 to 8.590 ms away" in sentence(found)


@pytest.mark.parametrize("offset_100ps", [50_000_001, -50_000_001])
def test_file_that_begins_beyond_all_reach_is_refused(offset_100ps: int) -> None:
    with pytest.raises(UnwritableTrace, match=r"FxdParams.*no shot reaches as far"):
        sor.build(
            general=sor.GeneralParameters(),
            supplier=sor.SupplierParameters(),
            fixed=sor.FixedParameters(
                data_spacings=(50_000,), acquisition_offset_100ps=offset_100ps
            ),
            points=np.array([1, 2, 3]),
        )


# --- events and settings ---------------------------------------------------------------


def test_table_without_events() -> None:
    file = sor.decode(assemble(changed(PARTS_2, KeyEvents=bytes(24))))
    assert file.findings == ()
    assert file.events == sor.KeyEvents()


@pytest.mark.parametrize("size", [0, 1, 2, 60, 100])
def test_cut_event_table_keeps_whole_events(size: int) -> None:
    file = sor.decode(assemble(changed(PARTS_2, KeyEvents=EVENTS_2[:size])))
    whole = {0: 0, 1: 0, 2: 0, 60: 1, 100: 2}[size]  # an event ends at 51 and at 94
    assert file.events is not None
    assert file.events.event_count == whole
    assert "block-truncated" in codes(file)
    assert ("event-table-truncated" in codes(file)) == (size >= 2)


def test_whole_nanometres_in_the_field_of_tenths() -> None:
    file = sor.decode(golden.REVISION_1)
    assert file.wavelength_nm == 1310.0
    assert "taken as 1310 nm" in done(finding(file, "wavelength-unit", "FxdParams"))


def test_wavelength_a_little_off_the_nominal_is_normal() -> None:
    assert sor.decode(golden.REVISION_2).wavelength_nm == 1551.3
    assert "wavelength-disagrees" not in codes(sor.decode(golden.REVISION_2))


def test_missing_wavelength_is_the_nominal_one() -> None:
    file = sor.decode(EXAMPLES["wavelength-missing"])
    assert file.wavelength_nm == 1550.0
    assert finding(file, "wavelength-missing", "FxdParams").severity is Severity.NOTE


def test_no_wavelength_at_all() -> None:
    general = GENERAL_2.replace(struct.pack("<H", 1550), b"\0\0")
    fixed = fixed_block_2([(100, 25000, 5)], wavelength=0)
    file = sor.decode(assemble(changed(PARTS_2, GenParams=general, FxdParams=fixed)))
    assert file.wavelength_nm == 0
    assert finding(file, "wavelength-missing", "FxdParams").severity is Severity.CAUTION


def test_impossible_group_index_is_not_used() -> None:
    file = sor.decode(EXAMPLES["group-index-unusable"])
    assert file.fixed.group_index_1e5 == 0
    assert file.fixed.group_index == 1.4682  # common practice, no source


def test_text_in_an_old_code_page_keeps_its_bytes() -> None:
    file = sor.decode(EXAMPLES["text-not-utf8"])
    assert file.supplier.supplier.raw == b"\xe4"
    assert file.supplier.supplier.text == "ä"
    found = finding(file, "text-not-utf8", "SupParams")
    assert found.severity is Severity.NOTE
    assert re.search(r"supplier at byte \d+", sentence(found))


def test_the_example_of_the_format_page_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    page = FORMAT_PAGE
    (example,) = re.findall(r"```python\n(.*?)```", page.read_text(encoding="utf-8"), re.DOTALL)
    monkeypatch.chdir(tmp_path)
    exec(compile(example, str(page), "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("12 BL/OR 1550.0 5e-10 [-3.")
    assert lines[1].startswith("note block-missing KeyEvents")
    assert len(lines) == 2

"""Files that cannot be used: one kind of error, naming file, block and byte offset."""

from __future__ import annotations

import builtins
import os
import struct
from pathlib import Path

import pytest
import sor_golden as golden
from sor_assembly import PARTS_1, PARTS_2, assemble, changed, fixed_block_2, points_block

from otdravg import sor
from otdravg.errors import OtdravgError, UnreadableTrace
from otdravg.words import told

# What cannot be read, the block at fault, and what the message must say.
UNREADABLE: list[tuple[str, bytes, str, str]] = [
    ("empty", b"", "file", "empty"),
    ("a text", b"Dear colleague, the trace is attached.\n", "Map", "found 'Dear col'"),
    ("a picture", b"\x89PNG\r\n\x1a\n" + bytes(40), "Map", "Map"),
    ("zeros", bytes(4096), "Map", "revision number 100 to 299"),
    ("name of the Map only", b"Map\0", "Map", "found 0"),
    ("revision only", b"\x64\0", "Map", "found 2"),
    ("cut inside the Map", golden.MAP_2[:60], "Map", "ends in entry 4"),
    ("the Map only", golden.MAP_2, "FxdParams", "field timestamp_s"),
    ("no blocks", struct.pack("<HIH", 100, 8, 1), "FxdParams", "no such block"),
    ("block count 0", struct.pack("<HIH", 100, 8, 0), "FxdParams", "no such block"),
    ("no FxdParams", assemble(changed(PARTS_2, FxdParams=None)), "FxdParams", "no such block"),
    ("no DataPts", assemble(changed(PARTS_2, DataPts=None)), "DataPts", "no such block"),
    (
        "no pulse entries",
        assemble(changed(PARTS_2, FxdParams=fixed_block_2([]))),
        "FxdParams",
        "0 pulse entries",
    ),
    (
        "more pulse entries than bytes",
        assemble(changed(PARTS_1, FxdParams=golden.FIXED_1[:12] + b"\xff\xff" + bytes(40)), 100),
        "FxdParams",
        "ends in the field pulse_widths_ns",
    ),
    (
        "spacing 0",
        assemble(changed(PARTS_2, FxdParams=fixed_block_2([(100, 0, 5)]))),
        "FxdParams",
        "data spacing of trace 1 is 0",
    ),
    ("no points", assemble(changed(PARTS_2, DataPts=bytes(6))), "DataPts", "found none"),
    ("DataPts cut short", assemble(changed(PARTS_2, DataPts=b"\5\0")), "DataPts", "found none"),
    (
        "count without points",
        assemble(changed(PARTS_2, DataPts=points_block((1000, []), counts=[2**32 - 1]))),
        "DataPts",
        "found none",
    ),
]


@pytest.mark.parametrize(
    ("data", "block", "says"),
    [pytest.param(*case, id=name) for name, *case in UNREADABLE],
)
def test_unusable_bytes_name_file_and_block(data: bytes, block: str, says: str) -> None:
    with pytest.raises(UnreadableTrace) as caught:
        sor.decode(data, "shot.sor")
    error = caught.value
    assert isinstance(error, OtdravgError)
    assert error.path == "shot.sor"
    assert error.block == block
    assert says in told(error.expected)
    assert str(error).startswith(f"shot.sor: {block}")
    assert "\n" not in str(error)
    assert error.offset is None or 0 <= error.offset <= len(data)


def test_offset_is_where_reading_stopped() -> None:
    with pytest.raises(UnreadableTrace, match=r"FxdParams at byte 113: "):
        sor.decode(golden.MAP_1)  # 113 bytes: all blocks are empty


def test_as_many_blocks_as_a_map_can_list() -> None:
    needed = [part for part in PARTS_2 if part[0] in ("FxdParams", "DataPts")]
    data = assemble([("", b"")] * 65_531 + needed)
    file = sor.decode(data, limits=sor.ANY_SIZE)
    assert len(file.blocks) == 65_534
    assert file.waveforms[0].raw.size == 5
    assert sor.encode(file) == data


def test_map_that_would_list_more_blocks_than_its_count_can_hold() -> None:
    entry = b"a\0" + bytes(6)
    data = struct.pack("<HIH", 100, 8 + 70_000 * len(entry), 1) + 70_000 * entry
    with pytest.raises(UnreadableTrace, match="FxdParams"):
        sor.decode(data)


def test_folder(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTrace, match="found a folder"):
        sor.read(tmp_path)


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(UnreadableTrace, match="No such file"):
        sor.read(tmp_path / "none.sor")


def test_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "empty.sor"
    path.touch()
    with pytest.raises(UnreadableTrace, match="empty file"):
        sor.read(path)


def test_oversized_file_is_not_even_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "large.sor"
    with path.open("wb") as file:
        file.truncate(2**31)  # a hole: takes no space on the disk

    def no_open(*_: object) -> None:
        raise AssertionError("opened")

    monkeypatch.setattr(builtins, "open", no_open)
    with pytest.raises(
        UnreadableTrace,
        match=r"at most 16,777,216 bytes, found 2,147,483,648; .* with --max-size 128",
    ):
        sor.read(path)


def test_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.sor"
    path.write_bytes(golden.REVISION_2)

    # The superuser may read everything, so the system's refusal is put in its place.
    def refuse(*_: object) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(builtins, "open", refuse)
    with pytest.raises(UnreadableTrace, match=r"locked\.sor: file: cannot be read \(Permission"):
        sor.read(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_named_pipe_is_refused_instead_of_waiting(tmp_path: Path) -> None:
    path = tmp_path / "pipe.sor"
    os.mkfifo(path)
    with pytest.raises(UnreadableTrace, match="ordinary file"):
        sor.read(path)


def test_path_that_no_file_can_have() -> None:
    with pytest.raises(UnreadableTrace, match="cannot be read"):
        sor.read("a\0b.sor")


@pytest.mark.parametrize("name", ["shot.sor", "SHOT.SOR", "Fibre 12", "Žižkov–Ælm.SoR"])
def test_file_of_any_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_bytes(golden.REVISION_2)
    assert sor.read(path).path == str(path)
    assert sor.read(str(path)).sha256 == sor.decode(golden.REVISION_2).sha256

"""How large a file may be: refused with the limit and what to do, read when more is allowed."""

from __future__ import annotations

import struct
import tracemalloc
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
import sor_golden as golden
from sor_assembly import PARTS_1, PARTS_2, Part, assemble, changed, fixed_block_2, points_block

from otdravg import sor
from otdravg.errors import UnreadableTrace
from otdravg.sor import SizeLimits
from otdravg.words import told

#: Small limits, so that the test files are small.
SMALL = SizeLimits(points=20, file_bytes=2000, blocks=8, traces=3)


def pulses(count: int, points: int = 2) -> bytes:
    """A file with so many pulse widths, each with its own scale factor and points."""
    fixed = fixed_block_2([(100, 50_000, points)] * count)
    body = points_block(*[(1000, [7] * points)] * count)
    return assemble(changed(PARTS_2, FxdParams=fixed, DataPts=body))


def blocks(count: int) -> bytes:
    """A file with so many blocks after the Map."""
    return assemble([*PARTS_2, *[("Own", b"")] * (count - 6)])


TOO_LARGE = [
    ("points", pulses(2, 10), pulses(2, 11), "DataPts", "at most 20 data points, found 22"),
    (
        "file",
        golden.REVISION_2 + bytes(2000 - len(golden.REVISION_2)),
        golden.REVISION_2 + bytes(2001 - len(golden.REVISION_2)),
        "file",
        "at most 2,000 bytes, found 2,001",
    ),
    ("blocks", blocks(8), blocks(9), "Map", "at most 8 blocks, found 9"),
    ("pulse widths", pulses(3), pulses(4), "FxdParams", "at most 3 pulse widths, found 4"),
    (
        "scale factors",
        assemble(changed(PARTS_2, DataPts=points_block(*[(1000, [7])] * 3))),
        assemble(changed(PARTS_2, DataPts=points_block(*[(1000, [7])] * 4))),
        "DataPts",
        "at most 3 scale factors, found 4",
    ),
]


@pytest.mark.parametrize(
    ("just_right", "too_large", "block", "says"),
    [pytest.param(*case, id=name) for name, *case in TOO_LARGE],
)
def test_limit_is_the_largest_that_is_read(
    just_right: bytes, too_large: bytes, block: str, says: str
) -> None:
    assert sor.decode(just_right, limits=SMALL).waveforms
    with pytest.raises(UnreadableTrace) as caught:
        sor.decode(too_large, "shot.sor", SMALL)
    assert caught.value.block == block
    assert says in told(caught.value.expected)
    assert "--max-size 2" in told(caught.value.advice)
    assert str(caught.value).startswith(f"shot.sor: {block}: ")
    again = sor.decode(too_large, "shot.sor", SMALL.times(2))
    assert sor.encode(again) == too_large


def test_advice_names_the_factor_that_suffices() -> None:
    with pytest.raises(UnreadableTrace) as caught:
        sor.decode(pulses(2, 100), limits=SMALL)
    factor = int(told(caught.value.advice).rsplit(" ", 1)[1])
    assert factor == 10
    assert sor.decode(pulses(2, 100), limits=SMALL.times(factor)).data.size == 200
    with pytest.raises(UnreadableTrace):
        sor.decode(pulses(2, 100), limits=SMALL.times(factor - 1))


def test_count_that_only_pretends_is_no_reason_to_refuse() -> None:
    """A stated number beyond the limit with bytes for few is read, as any wrong count is."""
    body = points_block((1000, [7] * 5), total=2**32 - 1, counts=[2**32 - 1])
    file = sor.decode(assemble(changed(PARTS_2, DataPts=body)), limits=SMALL)
    assert file.waveforms[0].raw.size == 5
    data = bytearray(golden.REVISION_2)
    struct.pack_into("<H", data, 10, 65_535)  # the Map's number of blocks
    assert len(sor.decode(bytes(data), limits=SMALL).blocks) == 8


def flat_file(points: int) -> sor.SorFile:
    return sor.build(
        general=sor.GeneralParameters(),
        supplier=sor.SupplierParameters(),
        fixed=sor.FixedParameters(data_spacings=(24_500,)),
        points=np.zeros(points, dtype=np.uint16),
    )


def test_long_trace_of_two_million_points_is_read() -> None:
    """100 km at every 5 cm; the limit itself is common practice, no source."""
    file = flat_file(2_000_000)
    assert sor.decode(sor.encode(file)).waveforms[0].raw.size == 2_000_000


def test_own_files_are_not_bounded() -> None:
    file = flat_file(2_000_001)
    with pytest.raises(UnreadableTrace, match="at most 2,000,000 data points, found 2,000,001"):
        sor.decode(sor.encode(file))


def test_file_read_from_disk_obeys_the_limits(tmp_path: Path) -> None:
    path = tmp_path / "shot.sor"
    path.write_bytes(pulses(2, 11))
    with pytest.raises(UnreadableTrace, match=r"shot\.sor: DataPts: expected at most 20"):
        sor.read(path, SMALL)
    assert len(sor.read(path, SMALL.times(2)).waveforms) == 2


@pytest.mark.parametrize(
    ("name", "data"),
    [
        (
            "events of odd bytes",
            changed(PARTS_1, KeyEvents=b"\xff\x1f" + (b"\xff" * 22 + b"\0") * 8191),
        ),
        ("scale factors of 0", changed(PARTS_1, DataPts=points_block(*[(0, [1])] * 256))),
        ("one long text", changed(PARTS_1, GenParams=b"\xff" * 200_000)),
        ("empty blocks", [*PARTS_1, *[("", b"")] * 249]),
        ("points", changed(PARTS_1, DataPts=points_block((1000, [1] * 100_000)))),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_memory_is_bounded_by_the_size_of_the_file(name: str, data: Sequence[Part]) -> None:
    """1 MiB and 40 bytes for each byte of the file, as the documentation says."""
    raw = assemble(data, 100)
    tracemalloc.start()
    try:
        sor.decode(raw)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak <= 2**20 + 40 * len(raw)


def test_block_name_of_any_length_is_shown_short() -> None:
    file = sor.decode(assemble([*PARTS_2, ("n" * 5000, b"")]))
    (finding,) = (f for f in file.findings if f.code == "unknown-block")
    assert finding.where == "n" * 40 + "…"

"""Put trace files together by hand, right or wrong, without the package's own writer."""

from __future__ import annotations

import binascii
import struct
from collections.abc import Mapping, Sequence

import sor_golden as golden

Part = tuple[str, bytes]


def _body(block: bytes, name: str) -> bytes:
    return block[len(name) + 1 :]


#: The blocks of the golden files without their own names, Cksum left out.
PARTS_2: tuple[Part, ...] = (
    ("GenParams", _body(golden.GENERAL_2, "GenParams")),
    ("SupParams", _body(golden.SUPPLIER_2, "SupParams")),
    ("FxdParams", _body(golden.FIXED_2, "FxdParams")),
    ("KeyEvents", _body(golden.EVENTS_2, "KeyEvents")),
    ("DataPts", _body(golden.POINTS_2, "DataPts")),
)
PARTS_1: tuple[Part, ...] = (
    ("GenParams", golden.GENERAL_1),
    ("SupParams", golden.SUPPLIER_1),
    ("FxdParams", golden.FIXED_1),
    ("KeyEvents", golden.EVENTS_1),
    ("DataPts", golden.POINTS_1),
)


def changed(parts: Sequence[Part], **bodies: bytes | None) -> tuple[Part, ...]:
    """Give blocks other bodies; ``None`` takes a block out, a new name adds one at the end."""
    names = {name for name, _ in parts}
    kept = [(name, bodies.get(name, body)) for name, body in parts]
    added = [(name, body) for name, body in bodies.items() if name not in names]
    return tuple((name, body) for name, body in kept + added if body is not None)


def assemble(
    parts: Sequence[Part],
    revision: int = 200,
    *,
    own_names: bool | None = None,
    map_name: bool | None = None,
    sizes: Mapping[str, int] | None = None,
    count: int | None = None,
    map_size: int | None = None,
    padding: bytes = b"",
    trailing: bytes = b"",
    checksum: bool | int = True,
) -> bytes:
    """Join blocks to a file; every figure of the Map can be set to a wrong one.

    ``sizes`` overrides the stated sizes of blocks by name, ``padding`` lies between the
    Map's entries and the first block, ``checksum`` is a wrong value or whether to have one.
    """
    own_names = revision >= 200 if own_names is None else own_names
    map_name = revision >= 200 if map_name is None else map_name
    contents = [
        (name, (name.encode() + b"\0" if own_names else b"") + body) for name, body in parts
    ]
    if checksum is not False:
        contents.append(("Cksum", b"Cksum\0\0\0" if own_names else b"\0\0"))
    entries = b"".join(
        name.encode() + b"\0" + struct.pack("<HI", revision, (sizes or {}).get(name, len(content)))
        for name, content in contents
    )
    front = b"Map\0" if map_name else b""
    if map_size is None:
        map_size = len(front) + 8 + len(entries) + len(padding)
    if count is None:
        count = len(contents) + 1
    data = front + struct.pack("<HIH", revision, map_size, count) + entries + padding
    data += b"".join(content for _, content in contents)
    if checksum is not False:
        covered = data[:-2]
        value = binascii.crc_hqx(covered, 0xFFFF) if checksum is True else checksum
        data = covered + struct.pack("<H", value)
    return data + trailing


def points_block(
    *runs: tuple[int, Sequence[int]], total: int | None = None, counts: Sequence[int] | None = None
) -> bytes:
    """Body of DataPts from runs of (scale factor x 1000, points), with wrong counts if given."""
    if total is None:
        total = sum(len(points) for _, points in runs)
    body = struct.pack("<IH", total, len(runs))
    for index, (scale, points) in enumerate(runs):
        stated = len(points) if counts is None else counts[index]
        body += struct.pack("<IH", stated, scale) + struct.pack(f"<{len(points)}H", *points)
    return body


def fixed_block_2(
    pulses: Sequence[tuple[int, int, int]],
    *,
    wavelength: int = 15513,
    group_index: int = 146820,
) -> bytes:
    """Body of a revision-2 FxdParams with pulse entries (width, spacing, points)."""
    widths, spacings, points = zip(*pulses, strict=True) if pulses else ((), (), ())
    n = len(pulses)
    return b"".join(
        (
            struct.pack("<I2sHii", 0, b"km", wavelength, 0, 0),
            struct.pack(f"<H{n}H{n}I{n}I", n, *widths, *spacings, *points),
            struct.pack("<IHIH", group_index, 815, 0, 0),
            struct.pack("<Iii", 0, 0, 0),
            struct.pack("<HhHHHH", 0, 0, 0, 0, 0, 0),
            b"ST",
            bytes(16),
        )
    )

"""Damage that knows the format: sizes, counts, names, blocks; so that deep code is reached.

A file is taken apart into its Map and blocks, changed in one to four ways, and joined again
with the Map and the checksum set right, unless they are what was changed. Then, sometimes,
bytes are changed without regard to the format.
"""

from __future__ import annotations

import binascii
import struct
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from random import Random

from specimens import specimens

__all__ = ["damaged", "mutated"]

NAMES = (
    *(b"GenParams", b"SupParams", b"FxdParams", b"KeyEvents", b"LnkParams", b"DataPts"),
    *(b"Cksum", b"Map", b"", b"Own", b"x" * 300, b"\xff\xfe", b"genparams", b"DataPts ", b"\x1b["),
)
U16 = (0, 1, 2, 3, 255, 256, 257, 1000, 0x7FFF, 0x8000, 0xFFFE, 0xFFFF)
U32 = (*U16, 10_000, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)
REVISIONS = (0, 1, 99, 100, 110, 199, 200, 201, 202, 299, 300, 0x7FFF, 0xFFFF)
TEXTS = (
    *(b"", b" ", b"\xff\xfe\xfd", b"A" * 2000, b"\n\r\t\x1b[31m", "‮Ž".encode(), b"=1+1"),
    *(b"<script>", b"../../x", b"nan", b"-inf", b"\x80", b"12 BL/OR"),
)


@dataclass
class Part:
    """A block: what the Map says of it, and its bytes."""

    name: bytes
    revision: int
    content: bytes
    stated_size: int | None = None  # None: the true one


@dataclass
class Draft:
    """A file in pieces; ``None`` stands for the true value."""

    revision: int
    map_name: bool
    parts: list[Part]
    stated_map: int | None = None
    stated_count: int | None = None
    padding: bytes = b""
    tail: bytes = b""
    right_checksum: bool = True
    done: list[str] = field(default_factory=list)

    def find(self, name: bytes) -> Part | None:
        """The first block of that name."""
        return next((part for part in self.parts if part.name == name), None)

    def joined(self) -> bytes:
        """The bytes of the file."""
        entries = b"".join(
            part.name
            + b"\0"
            + struct.pack(
                "<HI",
                part.revision,
                len(part.content) if part.stated_size is None else part.stated_size,
            )
            for part in self.parts
        )
        front = b"Map\0" if self.map_name else b""
        size = len(front) + 8 + len(entries) + len(self.padding)
        count = len(self.parts) + 1
        data = front + struct.pack(
            "<HIH",
            self.revision,
            size if self.stated_map is None else self.stated_map,
            (count if self.stated_count is None else self.stated_count) & 0xFFFF,
        )
        data += entries + self.padding
        for part in self.parts:
            if part.name == b"Cksum" and self.right_checksum and len(part.content) >= 2:
                own, value = part.content[:-2], binascii.crc_hqx(data + part.content[:-2], 0xFFFF)
                data += own + struct.pack("<H", value)
            else:
                data += part.content
        return data + self.tail


Change = Callable[[Random, Draft], None]


def mutated(rng: Random) -> bytes:
    """One damaged file; one in fifty is not damaged."""
    if rng.random() < 0.02:
        return rng.choice(specimens())
    return _changed(rng, _drawn(rng))


def damaged(rng: Random, data: bytes) -> bytes:
    """A valid file damaged in one to four ways."""
    return _changed(rng, _cut(data))


def _changed(rng: Random, draft: Draft) -> bytes:
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        rng.choice(_CHANGES)(rng, draft)
    draft.right_checksum = rng.random() < 0.8
    data = draft.joined()
    return rng.choice(_BLIND)(rng, data) if rng.random() < 0.2 else data


@lru_cache(maxsize=1)
def _opened() -> tuple[Draft, ...]:
    """The specimens in pieces, cut by their own Maps."""
    return tuple(_cut(data) for data in specimens())


def _cut(data: bytes) -> Draft:
    named = data.startswith(b"Map\0")
    at = 4 if named else 0
    revision, size, count = struct.unpack_from("<HIH", data, at)
    at += 8
    draft, start = Draft(revision, named, []), size
    for _ in range(count - 1):
        end = data.index(b"\0", at)
        block_revision, length = struct.unpack_from("<HI", data, end + 1)
        draft.parts.append(Part(data[at:end], block_revision, data[start : start + length]))
        at, start = end + 7, start + length
    return draft


def _drawn(rng: Random) -> Draft:
    old = rng.choice(_opened())
    parts = [Part(part.name, part.revision, part.content) for part in old.parts]
    return Draft(old.revision, old.map_name, parts)


def _part(rng: Random, draft: Draft) -> Part:
    return rng.choice(draft.parts) if draft.parts else Part(b"Own", 200, b"")


def _overwritten(content: bytes, at: int, patch: bytes) -> bytes:
    return content[:at] + patch + content[at + len(patch) :]


# --- the Map ---------------------------------------------------------------------------


def _wrong_size(rng: Random, draft: Draft) -> None:
    part = _part(rng, draft)
    near = len(part.content) + rng.randint(-12, 12)
    part.stated_size = max(rng.choice((near, near, rng.choice(U32))), 0)


def _wrong_count(rng: Random, draft: Draft) -> None:
    draft.stated_count = rng.choice((len(draft.parts) + 1 + rng.randint(-3, 3), rng.choice(U16)))


def _wrong_map_size(rng: Random, draft: Draft) -> None:
    draft.stated_map = rng.choice((rng.randint(0, 400), rng.choice(U32)))


def _gap(rng: Random, draft: Draft) -> None:
    draft.padding = rng.randbytes(rng.randint(1, 12))


def _renamed(rng: Random, draft: Draft) -> None:
    _part(rng, draft).name = rng.choice(NAMES)


def _block_revision(rng: Random, draft: Draft) -> None:
    _part(rng, draft).revision = rng.choice(REVISIONS)


def _file_revision(rng: Random, draft: Draft) -> None:
    draft.revision = rng.choice(REVISIONS)


def _map_name(rng: Random, draft: Draft) -> None:
    draft.map_name = not draft.map_name


# --- blocks as a whole -----------------------------------------------------------------


def _twice(rng: Random, draft: Draft) -> None:
    part = _part(rng, draft)
    for _ in range(rng.choice((1, 1, 1, 2, 300))):
        at = rng.randint(0, len(draft.parts))
        draft.parts.insert(at, Part(part.name, part.revision, part.content))


def _missing(rng: Random, draft: Draft) -> None:
    if draft.parts:
        draft.parts.pop(rng.randrange(len(draft.parts)))


def _reordered(rng: Random, draft: Draft) -> None:
    rng.shuffle(draft.parts)


def _foreign(rng: Random, draft: Draft) -> None:
    """A block of another file in place of one, or beside it."""
    other = _part(rng, _drawn(rng))
    at = rng.randint(0, len(draft.parts))
    draft.parts[at : at + rng.randint(0, 1)] = [other]


def _own_name(rng: Random, draft: Draft) -> None:
    part = _part(rng, draft)
    own = part.name + b"\0"
    bare = part.content.startswith(own)
    part.content = part.content[len(own) :] if bare else own + part.content


def _noise(rng: Random, draft: Draft) -> None:
    part = _part(rng, draft)
    part.content = rng.randbytes(rng.choice((0, 1, 2, 6, 40, 300)))


def _shorter(rng: Random, draft: Draft) -> None:
    part = _part(rng, draft)
    part.content = part.content[: rng.randint(0, len(part.content))]


def _longer(rng: Random, draft: Draft) -> None:
    _part(rng, draft).content += rng.randbytes(rng.choice((1, 2, 7, 60)))


def _shifted(rng: Random, draft: Draft) -> None:
    """Bytes taken out of a block, or put into it."""
    part = _part(rng, draft)
    at = rng.randint(0, len(part.content))
    put = rng.randbytes(rng.choice((0, 0, 1, 2, 5)))
    part.content = part.content[:at] + put + part.content[at + rng.randint(0, 5) :]


# --- fields ----------------------------------------------------------------------------


def _number(rng: Random, draft: Draft) -> None:
    """A number at the edge of its range, anywhere in a block."""
    part = _part(rng, draft)
    at = rng.randint(0, len(part.content))
    patch = struct.pack("<I", rng.choice(U32)) if rng.random() < 0.5 else b""
    part.content = _overwritten(part.content, at, patch or struct.pack("<H", rng.choice(U16)))


def _text(rng: Random, draft: Draft) -> None:
    """Another text in place of one, with or without its end."""
    part = draft.find(rng.choice((b"GenParams", b"SupParams", b"KeyEvents")))
    if part is None:
        return
    texts = part.content.split(b"\0")
    texts[rng.randrange(len(texts))] = rng.choice(TEXTS)
    part.content = b"\0".join(texts)
    if rng.random() < 0.1:
        part.content = part.content.rstrip(b"\0")


def _body_start(part: Part) -> int:
    own = part.name + b"\0"
    return len(own) if part.content.startswith(own) else 0


def _pulse_entries(rng: Random, draft: Draft) -> None:
    """The number of pulse widths, or a field of a pulse width."""
    part = draft.find(b"FxdParams")
    if part is not None:
        at = _body_start(part) + (16 if draft.revision >= 200 else 12)
        at += rng.choice((0, 0, 2, 4, 6, 8, 10, 12))
        patch = struct.pack("<H", rng.choice((*range(6), *U16)))
        part.content = _overwritten(part.content, at, patch)


def _point_counts(rng: Random, draft: Draft) -> None:
    """Total, number of scale factors, points under one, or a scale factor."""
    part = draft.find(b"DataPts")
    if part is not None:
        at = _body_start(part)
        form, offset = rng.choice((("<I", 0), ("<H", 4), ("<I", 6), ("<H", 10), ("<I", 0)))
        value = rng.choice((*range(40), *U16)) if form == "<H" else rng.choice((*range(40), *U32))
        part.content = _overwritten(part.content, at + offset, struct.pack(form, value))


def _many_runs(rng: Random, draft: Draft) -> None:
    """Hundreds of scale factors with few points each."""
    part = draft.find(b"DataPts")
    if part is not None:
        count = rng.choice((2, 50, 255, 256, 257, 3000))
        scale = rng.choice((0, 1, 1000, 0xFFFF))
        run = struct.pack("<IHH", 1, scale, rng.choice(U16))
        front = part.content[: _body_start(part)]
        part.content = front + struct.pack("<IH", count, count) + count * run


def _event_count(rng: Random, draft: Draft) -> None:
    """More events, or fewer, than the table has; or a table as long as can be."""
    part = draft.find(b"KeyEvents")
    if part is not None:
        at = _body_start(part)
        count = rng.choice((*range(6), *U16))
        filling = rng.choice((b"", b"", b"", bytes(2000), b"\xff\0" * 5000))
        part.content = _overwritten(part.content, at, struct.pack("<H", count)) + filling


# --- bytes -----------------------------------------------------------------------------


def _cut_short(rng: Random, data: bytes) -> bytes:
    return data[: rng.randint(0, len(data))]


def _extended(rng: Random, data: bytes) -> bytes:
    return data + rng.choice((b"\0", rng.randbytes(50), data, bytes(20_000)))


def _flipped(rng: Random, data: bytes) -> bytes:
    changed = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 8)) if changed else 0):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def _spliced(rng: Random, data: bytes) -> bytes:
    """The front of one file and the back of another."""
    other = rng.choice(specimens())
    return data[: rng.randint(0, len(data))] + other[rng.randint(0, len(other)) :]


def _moved(rng: Random, data: bytes) -> bytes:
    """A stretch of bytes at another place."""
    at, to = rng.randint(0, len(data)), rng.randint(0, len(data))
    size = rng.randint(1, 60)
    rest = data[:at] + data[at + size :]
    return rest[:to] + data[at : at + size] + rest[to:]


_BLIND = (_cut_short, _cut_short, _extended, _flipped, _flipped, _spliced, _moved)
_CHANGES: tuple[Change, ...] = (
    *(_wrong_size, _wrong_size, _wrong_count, _wrong_map_size, _gap, _renamed, _block_revision),
    *(_file_revision, _map_name, _twice, _missing, _reordered, _foreign, _own_name, _noise),
    *(_shorter, _longer, _shifted, _number, _number, _text, _pulse_entries, _point_counts),
    *(_point_counts, _many_runs, _event_count),
)

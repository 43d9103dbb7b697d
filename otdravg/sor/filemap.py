"""The Map at the beginning of a file, and cutting the file into blocks by it.

The Map's sizes are trusted first. Where a revision-2 block does not begin with its
own name at the place they point to, but that name stands elsewhere, the name wins.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from struct import Struct

from otdravg.errors import UnreadableTrace
from otdravg.findings import Finding, Scope, caution, defect, note, says
from otdravg.sor.cursor import Cursor, Shortage
from otdravg.sor.layout import (
    CHECKSUM,
    DATA_POINTS,
    FIXED,
    GENERAL,
    KEY_EVENTS,
    LINK,
    MAP,
    SUPPLIER,
    Kind,
)
from otdravg.sor.model import Block, Text
from otdravg.sor.oddities import shown
from otdravg.sor.records import encode_number, encode_text
from otdravg.sor.sizes import SizeLimits

#: The blocks that the standard defines, in its own order.
STANDARD_BLOCKS = (
    GENERAL.block,
    SUPPLIER.block,
    FIXED.block,
    KEY_EVENTS.block,
    LINK,
    DATA_POINTS,
    CHECKSUM,
)

_OWN_NAME = MAP.encode("ascii") + b"\0"
_HEAD = Struct("<HIH")  # revision, size of Map, number of blocks
_ENTRY_TAIL = Struct("<HI")  # revision, size
_NOT_A_TRACE = says("not-a-trace")


@dataclass(frozen=True, slots=True)
class MapEntry:
    """What the Map says of one block."""

    name: Text
    revision: int
    size: int


@dataclass(frozen=True, slots=True)
class FileMap:
    """The Map as read; ``end`` is the offset behind its last entry."""

    revision: int
    named: bool
    stated_size: int
    entries: tuple[MapEntry, ...]
    end: int
    findings: tuple[Finding, ...]

    @property
    def is_revision_2(self) -> bool:
        """Whether blocks begin with their own names and have the longer field lists."""
        return self.revision >= 200


@dataclass(frozen=True, slots=True)
class PlacedBlock:
    """A block, and the offset in the file at which it begins."""

    block: Block
    offset: int


def parse_map(data: bytes, path: str, limits: SizeLimits) -> FileMap:
    """Read the Map.

    Raises
    ------
    UnreadableTrace
        If there is no Map, the file ends inside it, or it lists too many blocks.
    """
    named = data.startswith(_OWN_NAME)
    cursor = Cursor(data, position=len(_OWN_NAME) if named else 0)
    if cursor.left < _HEAD.size:
        expected = says("expected-map-head", bytes=_HEAD.size, found=cursor.left)
        raise UnreadableTrace(path, MAP, cursor.offset, expected, _NOT_A_TRACE)
    revision, stated_size, stated_count = _HEAD.unpack_from(data, cursor.position)
    if not named and not 100 <= revision < 300:
        expected = says("expected-map", found=ascii(data[:8])[1:])
        raise UnreadableTrace(path, MAP, 0, expected, _NOT_A_TRACE)
    cursor.position += _HEAD.size

    entries: list[MapEntry] = []
    try:
        # A Map may end, by its own size, before the number of entries that it states.
        while len(entries) < stated_count - 1 and cursor.position != stated_size:
            entries.append(_entry(cursor))
            if len(entries) > limits.blocks:
                limits.check_blocks(stated_count - 1, path)
    except Shortage as shortage:
        expected = says("map-cut", entries=max(stated_count - 1, 0), last=len(entries) + 1)
        raise UnreadableTrace(path, MAP, shortage.offset, expected) from None
    further = _further_entries(data[:stated_size], cursor.position, limits.blocks - len(entries))
    if further:
        entries += further
        cursor.position = stated_size

    findings: list[Finding] = []
    if not 100 <= revision < 300:
        findings.append(
            caution("revision-unknown", MAP, stated=revision, used=2 if revision >= 200 else 1)
        )
    if named and revision < 200:
        findings.append(note("block-name-unexpected", MAP, offset=0))
    if not named and revision >= 200:
        findings.append(note("block-name-missing", MAP, offset=0))
    if len(entries) + 1 != stated_count:
        found = len(entries) + 1
        findings.append(caution("count-disagrees", MAP, "blocks", stated=stated_count, found=found))
    return FileMap(revision, named, stated_size, tuple(entries), cursor.position, tuple(findings))


def cut_blocks(
    data: bytes, file_map: FileMap
) -> tuple[bytes, tuple[PlacedBlock, ...], bytes, list[Finding]]:
    """Cut a file into the Map's bytes, the blocks and what follows them.

    The pieces joined together are the file, whatever the Map says.
    """
    starts = _starts(data, file_map)
    first = starts[0] if starts else _first_start(data, file_map)
    findings: list[Finding] = []
    if file_map.stated_size != file_map.end:
        findings.append(
            caution(
                "map-size-disagrees", MAP,
                stated=file_map.stated_size, found=file_map.end, start=first,
            )
        )  # fmt: skip
    placed: list[PlacedBlock] = []
    end = first
    for index, (entry, start) in enumerate(zip(file_map.entries, starts, strict=True)):
        is_last = index + 1 == len(starts)
        end = min(start + entry.size, len(data)) if is_last else starts[index + 1]
        block = Block(entry.name, entry.revision, data[start:end])
        placed.append(PlacedBlock(block, start))
        name, stated, found = shown(entry.name.text), entry.size, end - start
        if stated == found:
            continue
        findings.append(
            defect("block-truncated", name, stated=stated, found=found, offset=start)
            if end == len(data)
            else caution(
                "map-size-disagrees", name, "block", stated=stated, found=found, offset=start
            )
        )
    if end < len(data):
        left = len(data) - end
        findings.append(note("trailing-bytes", Scope.FILE, bytes=left, offset=end))
    return data[:first], tuple(placed), data[end:], findings


def encode_map(revision: int, blocks: Sequence[Block], named: bool, padding: bytes = b"") -> bytes:
    """Encode a Map that states the sizes the blocks have.

    Raises
    ------
    UnwritableTrace
        If a name, a revision or the number of blocks does not fit.
    """
    entries = b"".join(
        encode_text(MAP, "name", block.name.raw)
        + encode_number(MAP, "block revision", Kind.U16, block.revision)
        + encode_number(MAP, "block size", Kind.U32, len(block.content))
        for block in blocks
    )
    front = _OWN_NAME if named else b""
    size = len(front) + _HEAD.size + len(entries) + len(padding)
    return b"".join(
        (
            front,
            encode_number(MAP, "revision", Kind.U16, revision),
            encode_number(MAP, "size", Kind.U32, size),
            encode_number(MAP, "number of blocks", Kind.U16, len(blocks) + 1),
            entries,
            padding,
        )
    )


def _entry(cursor: Cursor) -> MapEntry:
    name = cursor.text()
    if cursor.left < _ENTRY_TAIL.size:
        raise Shortage(cursor.offset, b"")
    revision, size = _ENTRY_TAIL.unpack_from(cursor.data, cursor.position)
    cursor.position += _ENTRY_TAIL.size
    return MapEntry(Text(name), revision, size)


def _further_entries(map_bytes: bytes, position: int, most: int) -> list[MapEntry]:
    """Entries beyond the stated number, if they fill the Map's stated size exactly."""
    cursor = Cursor(map_bytes, position=position)
    entries: list[MapEntry] = []
    while cursor.left > 0:
        try:
            entry = _entry(cursor)
        except Shortage:
            return []
        if not entry.name.raw or len(entries) == most:
            return []
        entries.append(entry)
    return entries


def _first_start(data: bytes, file_map: FileMap) -> int:
    """Where the first block begins when the Map's size and its entries disagree."""
    by_entries, by_size = file_map.end, file_map.stated_size
    if not by_entries < by_size <= len(data) or not file_map.entries:
        return by_entries
    own_name = file_map.entries[0].name.raw + b"\0"
    total = sum(entry.size for entry in file_map.entries)
    if data.startswith(own_name, by_entries):
        return by_entries
    if data.startswith(own_name, by_size):
        return by_size
    return by_entries if by_entries + total == len(data) else by_size


def _starts(data: bytes, file_map: FileMap) -> list[int]:
    """Where each block begins; never before the one listed ahead of it."""
    searched: set[bytes] = set()
    starts: list[int] = []
    floor = expected = _first_start(data, file_map)
    for entry in file_map.entries:
        start = expected
        own_name = entry.name.raw + b"\0"
        if (
            file_map.is_revision_2
            and entry.name.text in STANDARD_BLOCKS
            and own_name not in searched  # once per name, so that time stays linear
            and not data.startswith(own_name, start)
        ):
            searched.add(own_name)
            found = data.find(own_name, floor)
            start = found if found >= 0 else start
        starts.append(start)
        floor = start
        expected = min(start + entry.size, len(data))
    return starts

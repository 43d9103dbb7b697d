"""Write trace files strictly: what the format cannot hold is refused by name.

A file that was read and not changed is written back byte for byte, with every
oddity it had. A changed file gets right sizes and a right checksum.
"""

from __future__ import annotations

import binascii
from collections.abc import Iterable, Sequence
from dataclasses import replace as with_fields
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from otdravg.errors import UnreadableTrace, UnwritableTrace
from otdravg.sor.filemap import STANDARD_BLOCKS, encode_map
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
    Record,
)
from otdravg.sor.model import (
    Block,
    FixedParameters,
    GeneralParameters,
    KeyEvents,
    SorFile,
    SupplierParameters,
)
from otdravg.sor.reader import CRC_START, decode
from otdravg.sor.records import decode_record, encode_record
from otdravg.sor.sizes import ANY_SIZE
from otdravg.sor.waveform import encode_points
from otdravg.system.atomic import check_targets, write_atomic

Points = npt.NDArray[np.integer[Any]]


def encode(sor_file: SorFile) -> bytes:
    """Return the bytes of a trace file: for one that was read, exactly those read."""
    contents = (block.content for block in sor_file.blocks)
    return b"".join((sor_file.map_bytes, *contents, sor_file.trailing))


def write(sor_file: SorFile, path: str | PathLike[str], overwrite: bool = False) -> None:
    """Write a trace file in one step: at no time is there half a file under its name.

    Parameters
    ----------
    sor_file : SorFile
        What to write.
    path : path or str
        Where to; its folder must exist.
    overwrite : bool
        Whether a file that is already there may be replaced.

    Raises
    ------
    OutputRefused
        If something is there already, or it cannot be written; see :mod:`otdravg.system.atomic`.
    """
    target = Path(path)
    check_targets([target], inputs=(), overwrite=overwrite)
    write_atomic(target, encode(sor_file), overwrite=overwrite)


def build(
    *,
    revision: int = 200,
    general: GeneralParameters,
    supplier: SupplierParameters,
    fixed: FixedParameters,
    points: Points | Sequence[Points],
    scale_1000: int | Sequence[int] = 1000,
    events: KeyEvents | None = None,
    extra_blocks: Iterable[Block] = (),
    checksum: bool = True,
    path: str = "<new>",
) -> SorFile:
    """Make a new trace file that keeps to the standard.

    Parameters
    ----------
    revision : int
        100 to 199 for revision 1.x, 200 to 299 for revision 2.x.
    general, supplier, fixed : GeneralParameters, SupplierParameters, FixedParameters
        The settings. ``fixed.point_counts`` is set from ``points``.
    points : array of int, shape (n,), or one such array for each pulse width
        Level below the highest in dB x 1000 x 1000 / ``scale_1000``, 0 to 65535.
    scale_1000 : int, or one for each pulse width
        Scale factor x 1000.
    events : KeyEvents, optional
        The event table; ``None`` leaves the block out.
    extra_blocks : iterable of Block
        LnkParams or makers' own blocks, written ahead of DataPts; see :meth:`Block.of`.
    checksum : bool
        Whether to end the file with a Cksum block.
    path : str
        What to call the file in messages.

    Returns
    -------
    SorFile
        The new file as the reader sees it, its hash included.

    Raises
    ------
    UnwritableTrace
        If the format cannot hold a value; names the block and the field.
    """
    if not 100 <= revision < 300:
        raise UnwritableTrace(MAP, "revision", f"{revision} is outside 100 to 299")
    long_form = revision >= 200
    runs = _checked_runs(points, scale_1000)
    fixed = with_fields(fixed, point_counts=tuple(array.size for _, array in runs))
    _check_fixed(fixed)

    def block(name: str, body: bytes) -> Block:
        return Block.of(name, body, revision)

    blocks = [
        block(GENERAL.block, encode_record(GENERAL, general, long_form)),
        block(SUPPLIER.block, encode_record(SUPPLIER, supplier, long_form)),
        block(FIXED.block, encode_record(FIXED, fixed, long_form)),
    ]
    if events is not None:
        blocks.append(block(KEY_EVENTS.block, encode_record(KEY_EVENTS, events, long_form)))
    blocks += [_checked_extra(extra, long_form) for extra in extra_blocks]
    blocks.append(block(DATA_POINTS, encode_points(runs)))
    if checksum:
        blocks.append(block(CHECKSUM, bytes(Kind.U16.form.size)))
    return _read_back(_assembled(revision, blocks, long_form), blocks, path)


def replace(
    sor_file: SorFile,
    *,
    general: GeneralParameters | None = None,
    supplier: SupplierParameters | None = None,
    fixed: FixedParameters | None = None,
    events: KeyEvents | None = None,
) -> SorFile:
    """Return a trace file with some blocks changed and every other block kept as it is.

    The Map's sizes and the checksum, where there is one, are set right. A block that the
    file did not have is put ahead of DataPts.

    Parameters
    ----------
    sor_file : SorFile
        The file to start from; it is not changed.
    general, supplier, fixed, events : optional
        The new content of the block; ``None`` keeps the block as it is.

    Returns
    -------
    SorFile
        The changed file as the reader sees it, its hash included.

    Raises
    ------
    UnwritableTrace
        If the format cannot hold a value; names the block and the field. Also if the file is
        so damaged that a reader would no longer find the blocks that were to be kept.
    """
    if fixed is not None:
        _check_fixed(fixed)
    changes = ((GENERAL, general), (SUPPLIER, supplier), (FIXED, fixed), (KEY_EVENTS, events))
    bodies = {
        record.block: encode_record(record, content, _has_long(sor_file, record))
        for record, content in changes
        if content is not None
    }

    blocks: list[Block] = []
    for old in sor_file.blocks:
        body = bodies.pop(old.name.text, None)  # of blocks of one name the first counts
        if body is not None:
            old = with_fields(old, content=old.content[: old.name_size] + body)
        blocks.append(old)
    at = next(i for i, block in enumerate(blocks) if block.name.text == DATA_POINTS)
    blocks[at:at] = [Block.of(name, body, sor_file.revision) for name, body in bodies.items()]

    named = sor_file.map_bytes.startswith(MAP.encode("ascii") + b"\0")
    old_entries = encode_map(sor_file.revision, sor_file.blocks, named)
    padding = sor_file.map_bytes[len(old_entries) :]
    data = _assembled(sor_file.revision, blocks, named, padding, sor_file.trailing)
    return _read_back(data, blocks, sor_file.path)


def _has_long(sor_file: SorFile, record: Record[Any]) -> bool:
    """Whether a block has the fields of revision 2, whatever revision the file states."""
    long_form = sor_file.is_revision_2
    old = next((block for block in sor_file.blocks if block.name.text == record.block), None)
    return long_form if old is None else decode_record(record, old.body, 0, long_form).long_form


def _read_back(data: bytes, blocks: Sequence[Block], path: str) -> SorFile:
    """Read a file just made, and make sure that its blocks are found where they were put."""
    try:
        new = decode(data, path, ANY_SIZE)
    except UnreadableTrace as error:
        raise UnwritableTrace(error.block, "content", error.expected) from None
    if [block.content for block in new.blocks] != [block.content for block in blocks]:
        raise UnwritableTrace(MAP, "entries", "the file's own damage hides where blocks begin")
    return new


def _assembled(
    revision: int,
    blocks: list[Block],
    named: bool,
    padding: bytes = b"",
    trailing: bytes = b"",
) -> bytes:
    """Join blocks to a file with a Map that fits and, if it has a checksum, the right one."""
    checksum_at = next(
        (i for i, block in enumerate(blocks) if block.name.text == CHECKSUM), len(blocks)
    )
    size = Kind.U16.form.size
    for old in blocks[checksum_at : checksum_at + 1]:
        # Reserve the value first: the Map, which it covers, states the block's size.
        front, rest = old.content[: old.name_size], old.body[size:]
        blocks[checksum_at] = with_fields(old, content=front + bytes(size) + rest)
    front = encode_map(revision, blocks, named, padding)
    covered = b"".join((front, *(block.content for block in blocks[:checksum_at])))
    for block in blocks[checksum_at : checksum_at + 1]:
        own_name = block.content[: block.name_size]
        crc = binascii.crc_hqx(covered + own_name, CRC_START)
        content = own_name + Kind.U16.form.pack(crc) + block.body[size:]
        blocks[checksum_at] = with_fields(block, content=content)
    return b"".join((front, *(block.content for block in blocks), trailing))


def _check_fixed(fixed: FixedParameters) -> None:
    if not fixed.pulse_widths_ns:
        raise UnwritableTrace(FIXED.block, "pulse_widths_ns", "no pulse width")
    if 0 in fixed.data_spacings:
        raise UnwritableTrace(FIXED.block, "data_spacings", "a spacing of 0 places no points")


def _checked_runs(
    points: Points | Sequence[Points], scale_1000: int | Sequence[int]
) -> list[tuple[int, npt.NDArray[np.uint16]]]:
    """Data points and their scale factors, one pair for each pulse width."""
    several = not (isinstance(points, np.ndarray) and points.ndim == 1)
    arrays = [np.asarray(array) for array in (points if several else [points])]
    scales = list(scale_1000) if isinstance(scale_1000, Sequence) else [scale_1000] * len(arrays)
    if len(scales) != len(arrays):
        problem = f"{len(scales)} scale factors for {len(arrays)} pulse widths"
        raise UnwritableTrace(DATA_POINTS, "scale_1000", problem)
    runs: list[tuple[int, npt.NDArray[np.uint16]]] = []
    for array, scale in zip(arrays, scales, strict=True):
        low, high = Kind.U16.limits
        if not 1 <= scale <= high:
            problem = f"{scale} is outside 1 to {high}"
            raise UnwritableTrace(DATA_POINTS, "scale_1000", problem)
        if array.ndim != 1 or not array.size or not np.issubdtype(array.dtype, np.integer):
            problem = f"expected whole numbers in one row, found {array.dtype} {array.shape}"
            raise UnwritableTrace(DATA_POINTS, "points", problem)
        if array.min() < low or array.max() > high:
            problem = f"{array.min()} to {array.max()} is outside {low} to {high}"
            raise UnwritableTrace(DATA_POINTS, "points", problem)
        runs.append((scale, array.astype(np.uint16)))
    return runs


def _checked_extra(block: Block, long_form: bool) -> Block:
    """Refuse an extra block that the reader would take for something else."""
    name = block.name.text
    if not name or (name in (MAP, *STANDARD_BLOCKS) and name != LINK):
        raise UnwritableTrace(MAP, "extra_blocks", f"{name!r} is no name for an extra block")
    if bool(block.name_size) != long_form:
        problem = "must begin with its own name" if long_form else "must not begin with its name"
        raise UnwritableTrace(name, "content", f"{problem} in this revision")
    return block

"""Read trace files liberally: what is odd but usable becomes a finding."""

from __future__ import annotations

import binascii
import hashlib
import os
import stat
from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import TypeVar

from otdravg.errors import UnreadableTrace
from otdravg.findings import Finding, Severity, caution, defect, note, says, values
from otdravg.sor.filemap import STANDARD_BLOCKS, PlacedBlock, cut_blocks, parse_map
from otdravg.sor.layout import (
    CHECKSUM,
    DATA_POINTS,
    FIXED,
    GENERAL,
    KEY_EVENTS,
    SUPPLIER,
    Kind,
    Record,
)
from otdravg.sor.model import (
    DataPoints,
    FixedParameters,
    GeneralParameters,
    KeyEvents,
    SorFile,
    SupplierParameters,
    Text,
    Waveform,
)
from otdravg.sor.oddities import capped, shown
from otdravg.sor.records import Reading, decode_record
from otdravg.sor.sizes import SizeLimits
from otdravg.sor.waveform import decode_points, waveforms_of
from otdravg.system.ordinary import openable

_USUAL = SizeLimits()

#: Initial value of the file's CRC-16 (polynomial 0x1021, unreflected, no final XOR).
CRC_START = 0xFFFF

#: Actual and nominal wavelength further apart than this are not the same laser.
_SAME_WAVELENGTH_NM = 30

T = TypeVar("T")


def read(path: str | PathLike[str], limits: SizeLimits = _USUAL) -> SorFile:
    """Read a trace file.

    Parameters
    ----------
    path : path or str
        The file, of any name.
    limits : SizeLimits
        How large it may be.

    Returns
    -------
    SorFile
        Its content; whatever was odd is in ``findings``.

    Raises
    ------
    UnreadableTrace
        If the path is no readable file, or holds no usable trace.
    """
    if not isinstance(path, (str, PathLike)):
        problem = says("expected-a-name", kind=type(path).__name__)
        raise UnreadableTrace(repr(path), "file", None, problem, says("give-a-name"))
    name = os.fspath(path)
    try:
        place = openable(name)
        status = os.stat(place)
        if stat.S_ISDIR(status.st_mode):
            advice = says("name-inside", pattern=str(Path(name) / "*.sor"))
            raise UnreadableTrace(name, "file", None, says("found-a-folder"), advice)
        if not stat.S_ISREG(status.st_mode):
            raise UnreadableTrace(
                name, "file", None, says("not-ordinary"), says("copy-to-ordinary")
            )
        _check_size(status.st_size, name, limits)
        with open(place, "rb") as file:
            data = file.read(status.st_size)  # no more, should it have grown since
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        expected = says("not-readable", why=reason or "")
        raise UnreadableTrace(name, "file", None, expected, says("check-path")) from None
    return decode(data, name, limits)


def decode(
    data: bytes, path: str | PathLike[str] = "<bytes>", limits: SizeLimits = _USUAL
) -> SorFile:
    """Decode the bytes of a trace file.

    Parameters
    ----------
    data : bytes
        The whole file.
    path : path or str
        What to call it in messages.
    limits : SizeLimits
        How large it may be.

    Returns
    -------
    SorFile
        Its content; whatever was odd is in ``findings``.

    Raises
    ------
    UnreadableTrace
        If the bytes hold no usable trace; nothing else is raised, whatever the bytes.
    """
    name = os.fspath(path)
    _check_size(len(data), name, limits)
    file_map = parse_map(data, name, limits)
    map_bytes, placed, trailing, cutting = cut_blocks(data, file_map)
    blocks = _Blocks(file_map.revision, placed)
    fixed = _fixed_of(blocks, name, limits)
    points, waveforms, pointing = _points_of(blocks, fixed, name, limits)
    general = _general_of(blocks, fixed)
    return SorFile(
        path=name,
        sha256=hashlib.sha256(data).hexdigest(),
        revision=file_map.revision,
        map_bytes=map_bytes,
        blocks=tuple(one.block for one in placed),
        trailing=trailing,
        general=general,
        supplier=_supplier_of(blocks),
        fixed=fixed,
        events=_events_of(blocks),
        data=points,
        waveforms=waveforms,
        checksum=_checksum_of(data, blocks),
        findings=capped(
            [
                *file_map.findings,
                *cutting,
                *blocks.findings,
                *_settings_findings(general, fixed),
                *pointing,
            ]
        ),
    )


class _Blocks:
    """The standard blocks of one file by name; collects what is odd about them."""

    def __init__(self, revision: int, placed: tuple[PlacedBlock, ...]) -> None:
        self.revision = revision
        self.findings: list[Finding] = []
        self._first: dict[str, PlacedBlock] = {}
        for one in placed:
            name, offset = one.block.name.text, one.offset
            if name not in STANDARD_BLOCKS:
                size = len(one.block.content)
                self.findings.append(note("unknown-block", shown(name), bytes=size, offset=offset))
                continue
            if name in self._first:
                self.findings.append(caution("block-repeated", name, offset=offset))
                continue
            self._first[name] = one
            if one.block.name_size and revision < 200:
                self.findings.append(note("block-name-unexpected", name, offset=offset))
            elif not one.block.name_size and revision >= 200:
                self.findings.append(note("block-name-missing", name, offset=offset))

    def find(self, name: str) -> PlacedBlock | None:
        """Return the first block of that name."""
        return self._first.get(name)

    def read(self, record: Record[T]) -> Reading[T] | None:
        """Read a block by its field list; ``None`` if the file has none."""
        placed = self._first.get(record.block)
        if placed is None:
            return None
        block = placed.block
        start = placed.offset + block.name_size
        reading = decode_record(record, block.body, start, self.revision >= 200)
        name = record.block
        if reading.long_form != (self.revision >= 200):
            self.findings.append(
                caution("layout-disagrees", name, stated=self.revision, used=1 + reading.long_form)
            )
        if reading.missing is not None:
            self.findings.append(
                defect("block-truncated", name, "field", field=reading.missing, offset=reading.end)
            )
        elif reading.left:
            self.findings.append(note("block-longer", name, bytes=reading.left, offset=reading.end))
        if reading.not_utf8:
            fields = tuple(values(field=f, offset=offset) for f, offset in reading.not_utf8)
            self.findings.append(note("text-not-utf8", name, fields=fields))
        for field, raw, offset in reading.unknown_codes:
            found = ascii(raw.decode("latin-1"))[1:-1]
            self.findings.append(
                note("code-unknown", name, field=field, found=found, offset=offset)
            )
        return reading


def _check_size(size: int, path: str, limits: SizeLimits) -> None:
    if size == 0:
        raise UnreadableTrace(path, "file", 0, says("found-empty"))
    limits.check_file(size, path)


def _fixed_of(blocks: _Blocks, path: str, limits: SizeLimits) -> FixedParameters:
    """FxdParams, without which points have no positions."""
    reading = blocks.read(FIXED)
    if reading is None:
        raise UnreadableTrace(path, FIXED.block, None, says("no-such-block"))
    limits.check_traces(FIXED.block, "pulse widths", reading.value.pulse_entries, path)
    if reading.value.data_spacings:
        return reading.value
    if reading.missing is not None:
        found = says("ends-in-field", field=reading.missing)
    else:
        found = says("found-pulses", entries=reading.value.pulse_entries)
    raise UnreadableTrace(path, FIXED.block, reading.end, says("expected-pulse", found=found))


def _points_of(
    blocks: _Blocks, fixed: FixedParameters, path: str, limits: SizeLimits
) -> tuple[DataPoints, tuple[Waveform, ...], list[Finding]]:
    """DataPts, and its points shared out to the pulse widths."""
    placed = blocks.find(DATA_POINTS)
    if placed is None:
        raise UnreadableTrace(path, DATA_POINTS, None, says("no-such-block"))
    content = placed.block.content
    points, end, findings = decode_points(
        content, placed.block.name_size, sum(fixed.point_counts), path, limits
    )
    if not points.size:
        raise UnreadableTrace(path, DATA_POINTS, placed.offset + end, says("no-points"))
    if end < len(content):
        left, offset = len(content) - end, placed.offset + end
        findings.append(note("block-longer", DATA_POINTS, bytes=left, offset=offset))
    waveforms, more = waveforms_of(fixed, points)
    if not waveforms:
        found = next(f for f in more if f.severity is Severity.DEFECT)
        raise UnreadableTrace(path, FIXED.block, None, says("no-usable-trace", found=found))
    return points, waveforms, findings + more


def _general_of(blocks: _Blocks, fixed: FixedParameters) -> GeneralParameters:
    """GenParams; without that block only the wavelength is known, from FxdParams."""
    reading = blocks.read(GENERAL)
    if reading is not None:
        return reading.value
    blocks.findings.append(caution("block-missing", GENERAL.block, "identity"))
    return GeneralParameters(
        language=Text(),
        fibre_type=0,
        nominal_wavelength_nm=round(fixed.wavelength_nm),
        build_condition=Text(),
    )


def _supplier_of(blocks: _Blocks) -> SupplierParameters:
    reading = blocks.read(SUPPLIER)
    if reading is not None:
        return reading.value
    blocks.findings.append(caution("block-missing", SUPPLIER.block, "instrument"))
    return SupplierParameters()


def _events_of(blocks: _Blocks) -> KeyEvents | None:
    placed, reading = blocks.find(KEY_EVENTS.block), blocks.read(KEY_EVENTS)
    if placed is None or reading is None:
        blocks.findings.append(note("block-missing", KEY_EVENTS.block, "table"))
        return None
    stated = int.from_bytes(placed.block.body[:2], "little")
    found = reading.value.event_count
    if reading.missing != "event_count" and found < stated:
        blocks.findings.append(
            defect(
                "event-table-truncated", KEY_EVENTS.block,
                stated=stated, found=found, offset=reading.end,
            )
        )  # fmt: skip
    return reading.value


def _settings_findings(general: GeneralParameters, fixed: FixedParameters) -> Iterator[Finding]:
    """What is odd about values that were read without trouble."""
    block, actual, nominal = FIXED.block, fixed.wavelength_nm, general.nominal_wavelength_nm
    if fixed.wavelength_in_whole_nm:
        yield note("wavelength-unit", block, actual_nm=fixed.wavelength_0p1nm)
    if not actual and nominal:
        yield note("wavelength-missing", block, nominal_nm=nominal)
    elif not actual:
        yield caution("wavelength-missing", block, "neither")
    elif nominal and abs(actual - nominal) > _SAME_WAVELENGTH_NM:
        yield caution("wavelength-disagrees", block, actual_nm=actual, nominal_nm=nominal)
    if not fixed.has_group_index:
        stated, used = fixed.group_index_1e5 / 100_000, fixed.group_index
        yield caution("group-index-unusable", block, stated_index=stated, used_index=used)


def _checksum_of(data: bytes, blocks: _Blocks) -> int | None:
    """Return the checksum stored in the file, compared with the one of its bytes."""
    placed = blocks.find(CHECKSUM)
    if placed is None:
        blocks.findings.append(note("checksum-missing", CHECKSUM))
        return None
    body = placed.block.body
    offset = placed.offset + placed.block.name_size
    size = Kind.U16.form.size
    if len(body) < size:
        blocks.findings.append(
            defect("block-truncated", CHECKSUM, "field", field="checksum", offset=offset)
        )
        return None
    if len(body) > size:
        left = len(body) - size
        blocks.findings.append(note("block-longer", CHECKSUM, bytes=left, offset=offset + size))
    stored = int.from_bytes(body[:size], "little")
    computed = binascii.crc_hqx(memoryview(data)[:offset], CRC_START)
    if stored != computed:
        blocks.findings.append(
            caution("checksum-mismatch", CHECKSUM, stored=stored, computed=computed, offset=offset)
        )
    return stored

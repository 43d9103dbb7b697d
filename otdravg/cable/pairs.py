"""Pairs of shots out of folders and files named one by one, told as a cable review tells them."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from otdravg.cable.files.archive import ARCHIVE_SUFFIX
from otdravg.cable.files.attempts import stands_of
from otdravg.cable.files.folder import FoundFile, find_files, load, read_header
from otdravg.cable.location import Location
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse
from otdravg.cable.run import Options, placed_shots
from otdravg.errors import BadSetting
from otdravg.findings import Severity
from otdravg.shot.files import read
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits

__all__ = ["Pairing", "pair_up", "shot_of"]


@dataclass(frozen=True, slots=True)
class Pairing:
    """What became of every shot.

    Parameters
    ----------
    pairs : tuple of (ShotRecord, ShotRecord)
        The newest shots from A and from B of each fibre and wavelength, in that order.
    left : tuple of ShotRecord
        Files that are in no pair; their use and remark say why.
    findings : tuple of CableFinding
        What is odd about names and headers and asks for a look.
    """

    pairs: tuple[tuple[ShotRecord, ShotRecord], ...]
    left: tuple[ShotRecord, ...]
    findings: tuple[CableFinding, ...]


def _is_collection(path: Path) -> bool:
    """Tell a folder or an archive from a trace file."""
    return path.is_dir() or path.suffix.lower() == ARCHIVE_SUFFIX


def pair_up(paths: Sequence[Path], size_limits: SizeLimits) -> Pairing:
    """Pair the shots in some folders, and of files named one by one.

    Raises
    ------
    BadSetting
        If a folder cannot be listed.
    """
    collections = [path for path in paths if _is_collection(path)]
    named = [path for path in paths if not _is_collection(path)]
    files = [*find_files(collections), *_named(named)]
    raw = [read_header(file, size_limits) for file in files]
    records, findings = placed_shots(raw, Options())
    pairs = []
    lone: list[ShotRecord] = []
    for stand in stands_of(records):
        ab, ba = stand.pair(stand.attempts)
        if ab is not None and ba is not None:
            pairs.append((ab, ba))
        else:
            remark = "the shot from the other end is missing"
            lone += [one.used_as(ShotUse.UNPAIRED, remark) for one in (ab, ba) if one is not None]
    unused = [
        record
        for record in records
        if record.use not in (ShotUse.USED, ShotUse.NOT_A_SHOT)
        or (record.use is ShotUse.NOT_A_SHOT and Path(record.location.path) in named)
    ]
    remarks = [*findings, *(finding for record in records for finding in record.findings)]
    return Pairing(
        tuple(pairs),
        tuple(sorted([*lone, *unused], key=lambda record: record.path)),
        tuple(finding for finding in remarks if finding.severity is not Severity.NOTE),
    )


def shot_of(record: ShotRecord, trace_number: int | None, size_limits: SizeLimits) -> Trace:
    """Read the shot of a record with its points.

    Raises
    ------
    UnreadableTrace
        If the file is gone or has changed.
    BadSetting
        If it holds no trace of that number.
    """
    if record.location.member is None:
        return read(record.location.path, trace_number, size_limits=size_limits)
    if trace_number is not None:
        raise BadSetting("trace", trace_number, "unpack the archive first")
    return load(record.location)


def _named(paths: Sequence[Path]) -> list[FoundFile]:
    """List files named one by one; the folders above all of them say nothing of a shot."""
    if not paths:
        return []
    top = os.path.commonpath([os.path.dirname(os.path.abspath(path)) for path in paths])
    found = []
    for path in dict.fromkeys(paths):
        shown = os.path.relpath(os.path.abspath(path), top).replace(os.sep, "/")
        size = path.stat().st_size if path.is_file() else 0
        found.append(FoundFile(0, shown, Location(os.fspath(path), size)))
    return found

"""Pairs of shots out of folders and files named one by one, told as a cable review tells them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.files.archive import ARCHIVE_SUFFIX
from otdravg.cable.files.attempts import Stand, stands_of
from otdravg.cable.files.folder import FoundFile, find_files, load, read_header
from otdravg.cable.location import Location
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.cable.run import Options, placed_shots
from otdravg.errors import BadSetting, UnreadableTrace
from otdravg.findings import Severity
from otdravg.shot.files import read
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits

__all__ = ["PairOfShots", "Pairing", "pair_up", "shot_of"]

#: Shots of one kind that follow each other within this time are one attempt. Chosen, not derived:
#: a launch is cleaned and shot again in minutes; no splice is opened and remade so soon.
ONE_ATTEMPT = timedelta(minutes=20)


@dataclass(frozen=True, slots=True)
class PairOfShots:
    """The newest shots of one fibre at one wavelength.

    Parameters
    ----------
    key, wavelength_nm : FibreKey, int
        The fibre, and the nominal wavelength.
    ab, ba : ShotRecord
        From A and from B.
    stale : Direction or None
        The shot that is older than a second attempt from the other end.
    """

    key: FibreKey
    wavelength_nm: int
    ab: ShotRecord
    ba: ShotRecord
    stale: Direction | None


@dataclass(frozen=True, slots=True)
class Pairing:
    """What became of every shot.

    Parameters
    ----------
    pairs : tuple of PairOfShots
        Of each fibre and wavelength.
    left : tuple of ShotRecord
        Files that are in no pair; their use and remark say why.
    findings : tuple of CableFinding
        What is odd about names and headers and asks for a look.
    """

    pairs: tuple[PairOfShots, ...]
    left: tuple[ShotRecord, ...]
    findings: tuple[CableFinding, ...]


def _stale(stand: Stand) -> Direction | None:
    """Tell the direction whose only shots are older than what was shot again from the other end.

    Work may have been done between the two; without a time nothing says that it was not.
    """
    sides = {Direction.A_TO_B: stand.ab, Direction.B_TO_A: stand.ba}
    for direction, other in zip(sides, reversed(sides), strict=True):
        newest, again = sides[direction][-1].taken, [shot.taken for shot in sides[other]]
        if len(again) <= len(sides[direction]):
            continue
        last, before = again[-1], again[-2]
        if newest is None or last is None or before is None:
            return direction
        if newest < last and last - before > ONE_ATTEMPT:
            return direction
    return None


def _soon_again(stands: Sequence[Stand]) -> Iterator[CableFinding]:
    """Shots of one name that follow each other so soon that they may be of several fibres.

    A connector is cleaned and shot again in minutes; so is the next fibre, by a crew that leaves
    the number in the header as it is.
    """
    for stand in stands:
        for shots in (stand.ab, stand.ba):
            times = [shot.taken for shot in shots]
            soon = [
                one is None or two is None or abs(two - one) < ONE_ATTEMPT
                for one, two in pairwise(times)
            ]
            if any(soon):
                yield about_shot(
                    shots[-1], Severity.CAUTION, "shots-under-one-name",
                    f"{len(shots)} shots {shots[-1].taken_for.direction.value} are named fibre "
                    f"{stand.key.fibre} at {stand.wavelength_nm} nm, less than "
                    f"{ONE_ATTEMPT.seconds // 60} minutes apart or without a time; the newest "
                    "was taken",
                    "if they are several fibres, put the number of each into its file name; if "
                    "one was shot again, set the first shot aside",
                    *shots[:-1],
                )  # fmt: skip


def _is_collection(path: Path) -> bool:
    """Tell a folder or an archive from a trace file."""
    return path.is_dir() or path.suffix.lower() == ARCHIVE_SUFFIX


def pair_up(paths: Sequence[Path], size_limits: SizeLimits) -> Pairing:
    """Pair the shots in some folders, and of files named one by one.

    Raises
    ------
    BadSetting
        If a folder cannot be listed.
    UnreadableTrace
        If there is no file of a name that was given: a word of the command was mistyped.
    """
    collections = [path for path in paths if _is_collection(path)]
    named = [path for path in paths if not _is_collection(path)]
    files = [*find_files(collections), *_named(named)]
    raw = [read_header(file, size_limits) for file in files]
    records, findings = placed_shots(raw, Options())
    pairs = []
    lone: list[ShotRecord] = []
    stands = stands_of(records)
    for stand in stands:
        ab, ba = stand.pair(stand.attempts)
        if ab is not None and ba is not None:
            pairs.append(PairOfShots(stand.key, stand.wavelength_nm, ab, ba, _stale(stand)))
        else:
            remark = "the shot from the other end is missing"
            lone += [one.used_as(ShotUse.UNPAIRED, remark) for one in (ab, ba) if one is not None]
    unused = [
        record
        for record in records
        if record.use not in (ShotUse.USED, ShotUse.NOT_A_SHOT)
        or (record.use is ShotUse.NOT_A_SHOT and Path(record.location.path) in named)
    ]
    # What is odd about a file that is not used is said by its remark.
    used = [record for record in records if record.use is ShotUse.USED]
    remarks = [
        *findings,
        *_soon_again(stands),
        *(finding for record in used for finding in record.findings),
    ]
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
    top = os.path.commonpath([path.absolute().parent for path in paths])
    found = []
    for path in dict.fromkeys(paths):
        shown = path.absolute().relative_to(top).as_posix()
        if not path.exists():
            advice = "check what was typed; nothing was measured"
            raise UnreadableTrace(str(path), "file", None, "there is no such file", advice)
        size = path.stat().st_size
        found.append(FoundFile(0, shown, Location(os.fspath(path), size)))
    return found

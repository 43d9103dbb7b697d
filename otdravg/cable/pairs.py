"""Pairs of shots out of folders and files named one by one, told as a cable review tells them."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from otdravg.cable.checks.states import States
from otdravg.cable.files.archive import ARCHIVE_SUFFIX
from otdravg.cable.files.attempts import Stand, stands_of
from otdravg.cable.files.folder import FoundFile, find_files, load, read_header
from otdravg.cable.location import Location
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.standing import MeasuringSetup, measure_stands
from otdravg.cable.model import CableFinding, Closure, FibreKey, ShotRecord, ShotUse
from otdravg.cable.run import Options, placed_shots
from otdravg.errors import BadSetting, OtdravgError, UnreadableTrace
from otdravg.findings import Finding, Scope, Severity, caution, says
from otdravg.pair.measure import Measurement
from otdravg.shot.files import read
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits

#: How far a splice may lie from where it did, m. Chosen, not derived: fibre that was cut off when
#: it was made again, and what a shot places it to.
_NEAR_M = 15.0


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
        The shot that is older than work which shots from the other end show.
    doubts : tuple of Finding
        Why it may be another fibre, or not its newest shots.
    """

    key: FibreKey
    wavelength_nm: int
    ab: ShotRecord
    ba: ShotRecord
    stale: Direction | None = None
    doubts: tuple[Finding, ...] = ()


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


def _states_of(stand: Stand) -> list[CableFinding]:
    """What shots taken again say: pairs of two states, and shots whose order nobody knows."""
    if not (stand.ab and stand.ba and stand.attempts > 1):
        return []
    (one,) = measure_stands([stand], MeasuringSetup(), None, lambda count: None)
    axis, cable, fibre = one.outcome.axis, stand.key.cable, stand.key.fibre
    if axis is None:
        return []
    places = {n: r.distance_m for n, r in enumerate(one.outcome.readings, start=1)}
    closures = (
        Closure(cable, n, (1,), str(n), at_m, 0.0, (fibre,), 1) for n, at_m in places.items()
    )
    own_map = CableMap(
        cable, tuple(closures), {fibre: 1}, {fibre: places}, {1: axis.length_m}, {fibre: _NEAR_M}
    )
    found = States([one], {cable: own_map}, None).findings()
    return [replace(f, closure="") for f in found if f.severity is not Severity.NOTE]


def _told(
    ab: ShotRecord, ba: ShotRecord, states: Sequence[CableFinding], of_set: Sequence[CableFinding]
) -> PairOfShots:
    """A pair with what speaks against its number and its age."""
    taken = ab.taken_for
    assert taken.key is not None
    assert taken.wavelength_nm is not None
    mixed = [f.direction for f in states if f.code == "pair-of-two-states"]
    stale = next((d for d in Direction if d.value in mixed), None)
    doubts = []
    if any(f.code == "fibre-claims-differ" for record in (ab, ba) for f in record.findings):
        doubts.append(caution("number-doubtful", Scope.PAIR, "claims", fibre=taken.key.fibre))
    if any(f.code == "shots-under-one-name" and {ab.path, ba.path} & set(f.files) for f in of_set):
        doubts.append(caution("number-doubtful", Scope.PAIR, "shared", fibre=taken.key.fibre))
    if any(f.code == "order-unknown" for f in states) or (mixed and stale is None):
        doubts.append(caution("number-doubtful", Scope.PAIR, "order", fibre=taken.key.fibre))
    return PairOfShots(taken.key, taken.wavelength_nm, ab, ba, stale, tuple(doubts))


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
    remarks: list[CableFinding] = [*findings]
    lone: list[ShotRecord] = []
    for stand in stands_of(records):
        ab, ba = stand.pair(stand.attempts)
        if ab is not None and ba is not None:
            states = _states_of(stand)
            remarks += [f for f in states if f.code == "order-unknown"]
            pairs.append(_told(ab, ba, states, findings))
        else:
            remark = says("no-partner")
            lone += [one.used_as(ShotUse.UNPAIRED, remark) for one in (ab, ba) if one is not None]
    unused = [
        record
        for record in records
        if record.use not in (ShotUse.USED, ShotUse.NOT_A_SHOT)
        or (record.use is ShotUse.NOT_A_SHOT and Path(record.location.path) in named)
    ]
    # What is odd about a file that is not used is said by its remark.
    used = [record for record in records if record.use is ShotUse.USED]
    remarks += [finding for record in used for finding in record.findings]
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
        raise BadSetting("trace", trace_number, says("unpack-first"))
    return load(record.location)


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredPair:
    """A pair that could be measured.

    Parameters
    ----------
    pair : PairOfShots
    ab, ba : Trace
        As they were read.
    measurement : Measurement
    shorter : Measurement or None
        The same fibre at its shortest wavelength, if this is a longer one.
    """

    pair: PairOfShots
    ab: Trace
    ba: Trace
    measurement: Measurement
    shorter: Measurement | None = None

    @property
    def beside(self) -> dict[str, Any]:
        """What :func:`otdravg.verdict.judge.judge` has to know beside the measurement."""
        return {
            "stale": self.pair.stale, "shorter": self.shorter, "more_doubts": self.pair.doubts,
        }  # fmt: skip


def measure_pairs(
    pairs: Sequence[PairOfShots],
    read_shot: Callable[[ShotRecord], Trace],
    measured: Callable[[Trace, Trace], Measurement],
    progress: Callable[[str, int, int], None],
) -> tuple[list[MeasuredPair], list[tuple[PairOfShots, OtdravgError]]]:
    """Measure pairs one after the other.

    Returns
    -------
    list of MeasuredPair, list of (PairOfShots, OtdravgError)
        What was measured, in order, and what could not be, each with the reason.
    """
    found: list[MeasuredPair] = []
    failed: list[tuple[PairOfShots, OtdravgError]] = []
    shortest: dict[FibreKey, MeasuredPair] = {}
    for done, pair in enumerate(pairs):
        progress("measure", done, len(pairs))
        try:
            ab, ba = read_shot(pair.ab), read_shot(pair.ba)
            one = MeasuredPair(pair, ab, ba, measured(ab, ba))
        except OtdravgError as error:
            failed.append((pair, error))
            continue
        found.append(one)
        known = shortest.setdefault(pair.key, one)
        if pair.wavelength_nm < known.pair.wavelength_nm:
            shortest[pair.key] = one
    return [_beside(one, shortest[one.pair.key]) for one in found], failed


def _beside(one: MeasuredPair, shortest: MeasuredPair) -> MeasuredPair:
    is_longer = shortest.pair.wavelength_nm < one.pair.wavelength_nm
    return replace(one, shorter=shortest.measurement) if is_longer else one


def _named(paths: Sequence[Path]) -> list[FoundFile]:
    """List files named one by one; the folders above all of them say nothing of a shot."""
    if not paths:
        return []
    top = os.path.commonpath([path.absolute().parent for path in paths])
    found = []
    for path in dict.fromkeys(paths):
        shown = path.absolute().relative_to(top).as_posix()
        if not path.exists():
            advice = says("check-what-was-typed")
            raise UnreadableTrace(str(path), "file", None, says("no-such-file"), advice)
        size = path.stat().st_size
        found.append(FoundFile(0, shown, Location(os.fspath(path), size)))
    return found

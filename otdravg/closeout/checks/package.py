"""The traces in a closeout held against what its tables say of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from otdravg.cable.files.folder import FoundFile, RawShot, find_files, read_header
from otdravg.cable.model import ShotRecord
from otdravg.closeout.attachments import ATTACHED
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.closeout import PAPERS
from otdravg.closeout.json_file import Closeout
from otdravg.closeout.traces import NAMES_TABLE, renamed, trace_pattern
from otdravg.findings import Statement, says
from otdravg.sor import ANY_SIZE
from otdravg.system.manifest import EVIDENCE, files_below

#: What a closeout holds beside its CSV tables, which are held against the results by name.
_OWN = frozenset({"closeout.json", *PAPERS, EVIDENCE, "traces.zip"})

#: Folders of a closeout, each of which is held against a list of its own.
_FOLDERS = ("traces/", f"{ATTACHED}/")


def strangers(folder: Path) -> Check:
    """Nothing lies in the folder that no part of a closeout is, and no part twice."""
    names = files_below(folder)
    problems = [
        at(name, says("wrong-stranger"))
        for name in names
        if name not in _OWN and not name.startswith(_FOLDERS) and not _is_table(name)
    ]
    if (folder / "traces").is_dir() and (folder / "traces.zip").exists():
        problems.append(says("wrong-traces-twice"))
    return checked(says("check-strangers"), len(names), problems)


def _is_table(name: str) -> bool:
    return name.endswith(".csv") and "/" not in name


def raw_shots(folder: Path, closeout: Closeout) -> dict[str, tuple[ShotRecord, RawShot | None]]:
    """Read the header of every trace that the results name, under the name it had.

    Returns
    -------
    dict
        By name in the closeout: what the results say of the file, and what is there.
    """
    there = _files(folder)
    pattern = trace_pattern(closeout.review, closeout.template.trace_name)
    shots: dict[str, tuple[ShotRecord, RawShot | None]] = {}
    for file in renamed(closeout.review.shots, pattern):
        if file.new_name and file.new_name not in shots:
            found = there.get(file.new_name)
            shot = file.shot
            if found is not None:
                found = replace(found, batch=shot.batch, path=shot.path)
            shots[file.new_name] = shot, None if found is None else read_header(found, ANY_SIZE)
    return shots


def _files(folder: Path) -> Mapping[str, FoundFile]:
    """Trace files of a closeout by name, whether they lie in a folder or in an archive."""
    places = [path for path in (folder / "traces", folder / "traces.zip") if path.exists()]
    found = {}
    for place in places:
        for file in find_files([place]):
            found[file.path.removeprefix("traces/")] = file
    return found


def traces_against_rows(
    folder: Path, closeout: Closeout, shots: Mapping[str, tuple[ShotRecord, RawShot | None]]
) -> Check:
    """Every file is there, is what the tables hash, and says of itself what they say of it."""
    problems = [text for name, own in shots.items() for text in _trace_problems(name, *own)]
    extra = sorted(set(_files(folder)) - set(shots) - {NAMES_TABLE})
    problems += [at(f"traces/{name}", says("wrong-unlisted")) for name in extra]
    return checked(says("check-traces"), len(shots), problems)


def _trace_problems(name: str, shot: ShotRecord, raw: RawShot | None) -> Iterator[Statement]:
    taken = shot.taken_for
    file = says(
        "trace-of", file=f"traces/{name}", fibre=taken.fibre, wavelength_nm=taken.wavelength_nm,
        direction=taken.direction.value,
    )  # fmt: skip
    if raw is None:
        yield at(file, says("wrong-missing"))
        return
    if raw.sha256 != shot.sha256:
        yield at(file, says("wrong-trace"))
        return
    identity = None if raw.identity is None else replace(raw.identity, path=shot.path)
    for what, found, wanted in (
        (says("wrong-identity"), identity, shot.identity),
        (says("wrong-settings"), raw.settings, shot.settings),
        (says("wrong-point-count"), raw.point_count, shot.point_count),
    ):
        if shot.trace_number == 1 and shot.identity is not None and found != wanted:
            yield at(file, what)
    if shot.trace_number == 1 and raw.waveform_sha256 != shot.waveform_sha256:
        yield at(file, says("wrong-points"))

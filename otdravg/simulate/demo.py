"""A simulated cable run on disk: trace files of both directions, with their truth.

Below 48 fibres it is a short route for trying one pair after the other. From 48 fibres on
it is a whole cable as a crew brings it home: ten closures, two wavelengths, and mistakes.
"""

from __future__ import annotations

import os
import secrets
import shlex
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from otdravg.errors import BadSetting, OutputRefused
from otdravg.findings import plain, says
from otdravg.simulate.cable_run import CABLE_RUN, SET_FIBRES, TRUNK_RUN, CableRun, faulty_trunk_run
from otdravg.simulate.mix_ups import faulty_takes
from otdravg.simulate.papers import faults_of_the_glass, planted_csv, readme, truth_csv
from otdravg.simulate.takes import BACKSCATTER_DB, Site, Take, content_of, file_name, path_of
from otdravg.simulate.van import ROLLED_RIBBON, as_rolled, van_papers
from otdravg.system.workers import local_workers

_MOST_FIBRES = 9999
#: What the sets of faults are laid out for.
_FAULTY_NM = (1310, 1550)
_FAULTY_RIBBON = 12
#: Files from which on several processes are worth their start.
_SHARED_FROM = 96
#: Files that a process makes before it says that they are done.
_BATCH = 16


@dataclass(frozen=True, slots=True)
class DemoSummary:
    """What a demo run consists of.

    ``pairs`` holds the two files of every fibre and wavelength, the shot from A first; of a run
    with faults, only those of fibres that are shot as they should be. ``truth`` and ``planted``
    are ``None`` where they were not asked for.
    """

    directory: Path
    cable: str
    end_a: str
    end_b: str
    closures: tuple[str, ...]
    fibres: int
    wavelengths_nm: tuple[int, ...]
    files: int
    pairs: tuple[tuple[Path, Path], ...]
    truth: Path | None
    planted: Path | None
    faulty: bool
    readme: Path
    van: Path | None  # a job with the crew's lists


def write_demo(
    directory: str | os.PathLike[str],
    *,
    fibres: int = 12,
    ribbon_size: int = 12,
    wavelengths: Sequence[int] | None = None,
    faults: bool | None = None,
    answers: str | os.PathLike[str] | None = None,
    van: str | os.PathLike[str] | None = None,
    seed: int = 20240514,
    spacing_m: float | None = None,
    workers: int = 1,
    overwrite: bool = False,
) -> DemoSummary:
    """Write a simulated cable run: every fibre from both ends.

    The files are made in a hidden folder and moved when all are complete, so a run that
    fails leaves nothing behind.

    Parameters
    ----------
    directory : path
        Where to write; made if it is not there.
    fibres : int
        1 to 9999. From 48 on the route has ten closures instead of four.
    ribbon_size : int
        Fibres of a ribbon, 1 to 36; 12 with faults.
    wavelengths : sequence of int, optional
        In nm, out of 1310, 1490, 1550, 1625. With more than one, a bend is planted. Default:
        1550, from 48 fibres on 1310 and 1550.
    faults : bool, optional
        Whether a cable's faults and a crew's mistakes are planted; needs 48 fibres, ribbons of
        12, 1310 and 1550 nm. Default: wherever these are given.
    answers : path, optional
        Folder for what was planted: ``planted.csv`` and ``truth.csv``. It must not lie in
        ``directory``. Without faults ``truth.csv`` is always written, by default beside the shots.
    van : path, optional
        Folder for a job with the crew's lists: ``as-typed``, with typing errors, and ``mended``.
        It must not lie in ``directory``. With it, and without faults, the second ribbon is turned
        over by plan.
    seed : int
        Same seed, same bytes.
    spacing_m : float, optional
        Distance between points, 0.2 to 10 m. Default: what makes 24,000 points of the long
        route's record, and 12,500 of the short one's.
    workers : int
        Processes that make the files; the bytes do not depend on it.
    overwrite : bool
        Whether the folder may hold files already; those of the same name are replaced,
        others are left alone.

    Raises
    ------
    BadSetting
        For numbers or wavelengths outside the above.
    OutputRefused
        If the folder is not empty and ``overwrite`` is not set, or cannot be written.
    """
    large = fibres >= SET_FIBRES
    usual_nm = _FAULTY_NM if large else (1550,)
    wavelengths_nm = usual_nm if wavelengths is None else tuple(wavelengths)
    fits = large and ribbon_size == _FAULTY_RIBBON and wavelengths_nm == _FAULTY_NM
    faulty = fits if faults is None else faults
    _check_settings(fibres, ribbon_size, wavelengths_nm, seed, spacing_m, workers, faulty=faulty)
    target = Path(directory)
    aside = None if answers is None else Path(answers)
    lists = None if van is None else Path(van)
    _check_target(target, overwrite)
    for folder in (aside, lists):
        if folder is not None:
            _check_answers(folder, target, overwrite)

    run = (faulty_trunk_run(fibres) if faulty else TRUNK_RUN) if large else CABLE_RUN
    site = Site(run, seed, ribbon_size, len(wavelengths_nm) > 1, spacing_m)
    takes, papers = _planned(site, fibres, wavelengths_nm, faulty)
    rolled = lists is not None and not faulty and fibres >= ROLLED_RIBBON * ribbon_size
    if rolled:
        takes = tuple(as_rolled(take, ribbon_size) for take in takes)
    pairs = _pairs(target, run, takes)
    beside = not faulty and aside is None
    note = readme(
        run,
        fibres,
        wavelengths_nm,
        _commands(run, target, pairs, faulty),
        truth_beside=beside,
        faulty=faulty,
    )
    shown = {"README.txt": note.encode("utf-8")} | (papers if beside else {})
    draft = _draft_folder(target)
    try:
        draft.mkdir()
        _make_all(draft, takes, site, workers)
        _write_papers(draft, shown)
        if aside is not None:
            aside.mkdir(exist_ok=True)
            _write_papers(aside, papers)
        if lists is not None:
            shots = Path(os.path.relpath(target, lists / "mended")).as_posix()
            _write_papers(lists, van_papers(site, fibres, wavelengths_nm, shots, rolled=rolled))
        _move_into_place(draft, target)
    except OSError as error:
        raise OutputRefused(
            target, says("write-failed", why=str(error.strerror)), says("free-space")
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    place = target if beside else aside
    return DemoSummary(
        directory=target,
        cable=run.cable,
        end_a=run.end_a,
        end_b=run.end_b,
        closures=run.closures,
        fibres=fibres,
        wavelengths_nm=wavelengths_nm,
        files=len(takes),
        pairs=tuple(pairs.values()),
        truth=place / "truth.csv" if place else None,
        planted=aside / "planted.csv" if aside and faulty else None,
        faulty=faulty,
        readme=target / "README.txt",
        van=lists,
    )


def _check_settings(
    fibres: int,
    ribbon_size: int,
    wavelengths_nm: tuple[int, ...],
    seed: int,
    spacing_m: float | None,
    workers: int,
    *,
    faulty: bool,
) -> None:
    known = ", ".join(str(nm) for nm in BACKSCATTER_DB)
    once = bool(wavelengths_nm) and len(set(wavelengths_nm)) == len(wavelengths_nm)
    unknown = next((nm for nm in wavelengths_nm if nm not in BACKSCATTER_DB), None)
    in_range = spacing_m is None or 0.2 <= spacing_m <= 10
    checks: list[tuple[str, object, bool, str]] = [
        ("fibres", fibres, 1 <= fibres <= _MOST_FIBRES, f"give 1 to {_MOST_FIBRES}"),
        ("ribbon_size", ribbon_size, 1 <= ribbon_size <= 36, "give 1 to 36"),
        ("wavelengths", wavelengths_nm, once, f"give each once, out of {known} nm"),
        ("wavelengths", unknown, unknown is None, f"give {known} nm"),
        ("seed", seed, seed >= 0, "give zero or more"),
        ("spacing_m", spacing_m, in_range, "give 0.2 to 10 m"),
        ("workers", workers, workers >= 1, "give one or more"),
    ]
    if faulty:
        few, ribbons = fibres < SET_FIBRES, ribbon_size == _FAULTY_RIBBON
        both = wavelengths_nm == _FAULTY_NM
        checks += [
            ("fibres", fibres, not few, f"a run with faults has at least {SET_FIBRES}"),
            ("ribbon_size", ribbon_size, ribbons, "a run with faults has ribbons of 12"),
            ("wavelengths", wavelengths_nm, both, "a run with faults has 1310 and 1550 nm"),
        ]
    for name, value, usable, allowed in checks:
        if not usable:
            raise BadSetting(name, value, plain(allowed))


def _check_answers(aside: Path, target: Path, overwrite: bool) -> None:
    """Refuse a folder for the answers in which the review would read them, or that is full."""
    place, shots = aside.resolve(), target.resolve()
    if place == shots or shots in place.parents or place in shots.parents:
        raise OutputRefused(aside, says("around-shots"), says("choose-another"))
    _check_target(aside, overwrite)


def _check_target(target: Path, overwrite: bool) -> None:
    """Refuse a place that would lose something or cannot be used, before any work is done."""
    try:
        is_there = os.path.lexists(target)
        empty = not target.is_dir() or next(target.iterdir(), None) is None
    except OSError as error:
        raise OutputRefused(
            target, says("not-readable", why=str(error.strerror)), says("other-folder")
        ) from error
    if is_there and not target.is_dir():
        raise OutputRefused(target, says("no-folder"), says("name-other-folder"))
    if not target.absolute().parent.is_dir():
        raise OutputRefused(target, says("no-parent"), says("make-folder"))
    if not empty and not overwrite:
        raise OutputRefused(target, says("folder-full"), says("name-other-folder"))


def _draft_folder(target: Path) -> Path:
    """Name a hidden folder on the target's own disk, so that moving is only renaming."""
    real = target.resolve()
    place = real if real.is_dir() else real.parent
    return place / f".demo-{secrets.token_hex(4)}.part"


def _move_into_place(draft: Path, target: Path) -> None:
    if not target.exists():
        draft.rename(target)
        return
    for made in sorted(path for path in draft.rglob("*") if path.is_file()):
        place = target / made.relative_to(draft)
        place.parent.mkdir(exist_ok=True)
        made.replace(place)


def _planned(
    site: Site, fibres: int, wavelengths_nm: Sequence[int], faulty: bool
) -> tuple[tuple[Take, ...], dict[str, bytes]]:
    """Say which shots the crew takes, and write down the truth of them."""
    papers = {"truth.csv": truth_csv(site, fibres, wavelengths_nm)}
    if faulty:
        takes, plants = faulty_takes(site, fibres, wavelengths_nm)
        papers["planted.csv"] = planted_csv((*plants, *faults_of_the_glass(site, fibres)))
        return takes, papers
    takes = tuple(
        Take(number, nm, direction)
        for number in range(1, fibres + 1)
        for nm in wavelengths_nm
        for direction in ("AB", "BA")
    )
    return takes, papers


def _write_papers(folder: Path, papers: Mapping[str, bytes]) -> None:
    for name, content in papers.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


Pairs = dict[tuple[int, int], tuple[Path, Path]]


def _pairs(target: Path, run: CableRun, takes: Sequence[Take]) -> Pairs:
    """Files by fibre and wavelength, where it was shot as it should be from both ends."""
    usual = {(t.fibre, t.nm, t.direction) for t in takes if t == Take(t.fibre, t.nm, t.direction)}
    return {
        (fibre, nm): (
            target / file_name(run, fibre, nm, "AB"),
            target / file_name(run, fibre, nm, "BA"),
        )
        for fibre, nm, direction in sorted(usual)
        if direction == "AB" and (fibre, nm, "BA") in usual
    }


def _make_all(draft: Path, takes: Sequence[Take], site: Site, workers: int) -> None:
    """Make the files of all takes, in several processes if there are many."""
    for folder in sorted({take.folder for take in takes} - {""}):
        (draft / folder).mkdir(parents=True)
    batches = [takes[n : n + _BATCH] for n in range(0, len(takes), _BATCH)]
    make = partial(_make, draft, site)
    if workers == 1 or len(takes) < _SHARED_FROM:
        for batch in batches:
            make(batch)
        return
    with local_workers(workers) as executor:
        for _ in executor.map(make, batches):
            pass


def _make(draft: Path, site: Site, takes: Sequence[Take]) -> None:
    for take in takes:
        (draft / path_of(take, site.run)).write_bytes(content_of(take, site))


def _commands(run: CableRun, target: Path, pairs: Pairs, faulty: bool) -> list[str]:
    """Commands for the note: the pairs worth a look, or the whole cable."""
    if faulty:
        folder = shlex.quote(target.name)
        return [
            f"otdravg cable {folder} --list",
            f"otdravg cable {folder} --out result --profile two-wavelengths",
        ]
    commands: dict[int, str] = {}
    for (fibre, _), (from_a, from_b) in pairs.items():
        if fibre in {1, *(plant.fibre for plant in run.planted)}:
            commands.setdefault(fibre, f"otdravg pair {from_a.name} {from_b.name}")
    return list(commands.values())

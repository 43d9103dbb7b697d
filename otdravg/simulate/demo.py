"""A small simulated cable run on disk: trace files of both directions, with their truth."""

from __future__ import annotations

import csv
import io
import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from otdravg import sor
from otdravg.errors import BadSetting, OutputRefused
from otdravg.simulate.cable_run import CABLE_RUN, CORD_M, CableRun, fibre_of, with_demo_cords
from otdravg.simulate.fibre import Fibre
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.instrument import Instrument, point_count_for, spacing_counts_for
from otdravg.simulate.physics import shoot, with_far_end_noise
from otdravg.simulate.truth import true_joints

__all__ = ["DemoSummary", "write_demo"]

#: Backscatter coefficient for a 1 ns pulse in dB (common practice, no source).
_BACKSCATTER_DB = {1310: -79.0, 1490: -81.0, 1550: -81.5, 1625: -82.0}

_MOST_FIBRES = 9999
_FIRST_SHOT = datetime(2024, 5, 14, 7, 30, tzinfo=timezone.utc)
_TRUTH_COLUMNS = (
    "fibre",
    "ribbon",
    "wavelength_nm",
    "closure",
    "distance_m",
    "loss_db",
    "backscatter_step_db",
    "kind",
)


@dataclass(frozen=True, slots=True)
class DemoSummary:
    """What a demo run consists of.

    ``pairs`` holds the two files of every fibre and wavelength, the shot from A first.
    """

    directory: Path
    cable: str
    end_a: str
    end_b: str
    closures: tuple[str, ...]
    fibres: int
    wavelengths_nm: tuple[int, ...]
    pairs: tuple[tuple[Path, Path], ...]
    truth: Path
    readme: Path


def write_demo(
    directory: str | os.PathLike[str],
    *,
    fibres: int = 12,
    ribbon_size: int = 12,
    wavelengths: Sequence[int] = (1550,),
    seed: int = 20240514,
    overwrite: bool = False,
) -> DemoSummary:
    """Write a simulated cable run: every fibre from both ends, with the truth beside it.

    The files are made in a hidden folder and moved when all are complete, so a run that
    fails leaves nothing behind.

    Parameters
    ----------
    directory : path
        Where to write; made if it is not there.
    fibres : int
        1 to 9999.
    ribbon_size : int
        Fibres of a ribbon, 1 to 36.
    wavelengths : sequence of int
        In nm, out of 1310, 1490, 1550, 1625. With more than one, a bend is planted.
    seed : int
        Same seed, same bytes.
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
    wavelengths_nm = tuple(wavelengths)
    _check_settings(fibres, ribbon_size, wavelengths_nm, seed)
    target = Path(directory)
    _check_target(target, overwrite)
    draft = _draft_folder(target)
    names: list[tuple[str, str]] = []
    try:
        draft.mkdir()
        rows = []
        for number in range(1, fibres + 1):
            for wavelength_nm in wavelengths_nm:
                span = fibre_of(
                    CABLE_RUN,
                    number,
                    ribbon_size=ribbon_size,
                    wavelength_nm=wavelength_nm,
                    bend=len(wavelengths_nm) > 1,
                    seed=seed,
                )
                made = dict(_shoot_both_ways(CABLE_RUN, span, number, wavelength_nm, seed))
                for name, content in made.items():
                    (draft / name).write_bytes(content)
                from_a, from_b = made
                names.append((from_a, from_b))
                rows += _truth_rows(CABLE_RUN, span, number, ribbon_size, wavelength_nm)
        (draft / "truth.csv").write_bytes(_csv_bytes(rows))
        readme = _readme(CABLE_RUN, fibres, wavelengths_nm, names[:: len(wavelengths_nm)])
        (draft / "README.txt").write_bytes(readme.encode("utf-8"))
        _move_into_place(draft, target)
    except OSError as error:
        raise OutputRefused(
            target, f"could not be written ({error.strerror})", "free space or choose another place"
        ) from error
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return DemoSummary(
        directory=target,
        cable=CABLE_RUN.cable,
        end_a=CABLE_RUN.end_a,
        end_b=CABLE_RUN.end_b,
        closures=CABLE_RUN.closures,
        fibres=fibres,
        wavelengths_nm=wavelengths_nm,
        pairs=tuple((target / a, target / b) for a, b in names),
        truth=target / "truth.csv",
        readme=target / "README.txt",
    )


def _check_settings(
    fibres: int, ribbon_size: int, wavelengths_nm: tuple[int, ...], seed: int
) -> None:
    if not 1 <= fibres <= _MOST_FIBRES:
        raise BadSetting("fibres", fibres, f"give 1 to {_MOST_FIBRES}")
    if not 1 <= ribbon_size <= 36:
        raise BadSetting("ribbon_size", ribbon_size, "give 1 to 36")
    known = ", ".join(str(nm) for nm in _BACKSCATTER_DB)
    if not wavelengths_nm or len(set(wavelengths_nm)) != len(wavelengths_nm):
        raise BadSetting("wavelengths", wavelengths_nm, f"give each once, out of {known} nm")
    for wavelength_nm in wavelengths_nm:
        if wavelength_nm not in _BACKSCATTER_DB:
            raise BadSetting("wavelengths", wavelength_nm, f"give {known} nm")
    if seed < 0:
        raise BadSetting("seed", seed, "give zero or more")


def _check_target(target: Path, overwrite: bool) -> None:
    """Refuse a place that would lose something or cannot be used, before any work is done."""
    try:
        is_there = os.path.lexists(target)
        empty = not target.is_dir() or next(target.iterdir(), None) is None
    except OSError as error:
        raise OutputRefused(
            target, f"cannot be looked into ({error.strerror})", "choose another folder"
        ) from error
    if is_there and not target.is_dir():
        raise OutputRefused(target, "is not a folder", "name a new folder")
    if not target.absolute().parent.is_dir():
        raise OutputRefused(target, "its parent folder does not exist", "make that folder first")
    if not empty and not overwrite:
        raise OutputRefused(target, "the folder is not empty", "name a new folder")


def _draft_folder(target: Path) -> Path:
    """Name a hidden folder on the target's own disk, so that moving is only renaming."""
    real = target.resolve()
    place = real if real.is_dir() else real.parent
    return place / f".demo-{secrets.token_hex(4)}.part"


def _move_into_place(draft: Path, target: Path) -> None:
    if not target.exists():
        draft.rename(target)
        return
    for made in sorted(draft.iterdir()):
        made.replace(target / made.name)


def _instrument(link: Fibre, wavelength_nm: int) -> Instrument:
    """Give the crew's instrument: the same settings for every fibre of the run."""
    spacing_counts = spacing_counts_for(1.0, link.group_index)
    instrument = Instrument(
        pulse_ns=100,
        spacing_counts=spacing_counts,
        point_count=point_count_for(12_500, spacing_counts, link.group_index),
        group_index=link.group_index,
        wavelength_nm=wavelength_nm,
        backscatter_coefficient_db=_BACKSCATTER_DB[wavelength_nm],
        ripple_db=0.0015,
    )
    return with_far_end_noise(instrument, link, 0.008)


def _shoot_both_ways(
    run: CableRun, span: Fibre, number: int, wavelength_nm: int, seed: int
) -> Iterator[tuple[str, bytes]]:
    """Yield file name and bytes of the shot from A, then of the one from B."""
    # Fibre after fibre; the crew shoots from the other end the day after.
    taken = _FIRST_SHOT + timedelta(minutes=number, seconds=(wavelength_nm - 1310) // 10)
    label = Label(
        cable=run.cable,
        fibre=f"{number:03d}",
        location_a=run.end_a,
        location_b=run.end_b,
        comment="invented cable run, not a measurement",
        operator="simulated crew",
        user_offset_m=CORD_M,
    )
    for sense, (direction, shot_span) in enumerate((("AB", span), ("BA", span.reversed()))):
        link = with_demo_cords(shot_span, wavelength_nm)
        rng = np.random.default_rng((seed, 2, number, wavelength_nm, sense))
        shot = shoot(link, _instrument(link, wavelength_nm), rng)
        ends = (run.end_a, run.end_b) if sense == 0 else (run.end_b, run.end_a)
        own = replace(
            label,
            location_a=ends[0],
            location_b=ends[1],
            taken=taken + timedelta(days=sense),
        )
        name = f"{run.cable}_F{number:03d}_{wavelength_nm}_{direction}.sor"
        yield name, sor.encode(sor_file(shot, own, name))


def _truth_rows(
    run: CableRun, span: Fibre, number: int, ribbon_size: int, wavelength_nm: int
) -> list[tuple[object, ...]]:
    ribbon = (number - 1) // ribbon_size + 1
    return [
        (
            number,
            ribbon,
            wavelength_nm,
            closure,
            f"{joint.position_m:.2f}",
            f"{joint.loss_db:.4f}",
            f"{joint.step_db:.4f}",
            joint.kind.value,
        )
        for closure, joint in zip(run.closures, true_joints(span), strict=True)
    ]


def _csv_bytes(rows: list[tuple[object, ...]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_TRUTH_COLUMNS)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def _readme(
    run: CableRun, fibres: int, wavelengths_nm: tuple[int, ...], names: list[tuple[str, str]]
) -> str:
    worth_trying = sorted({1, *(plant.fibre for plant in run.planted if plant.fibre <= fibres)})
    commands = "\n".join(f"  otdravg pair {' '.join(names[n - 1])}" for n in worth_trying)
    closures = "\n".join(f"  {name}" for name in run.closures)
    shots = ", ".join(f"{nm} nm" for nm in wavelengths_nm)
    return f"""SIMULATED CABLE RUN: not a measurement

Every trace here was computed. Cable, places, crew and dates are invented.

Cable {run.cable}, {fibres} fibres, from A = {run.end_a} to B = {run.end_b}, at {shots},
spliced in
{closures}

Files are named cable_Ffibre_wavelength_direction.sor: AB was shot from A, BA from B.
Each shot went through a launch cord of {CORD_M:g} m, into a receive cord of {CORD_M:g} m;
the user offset is set to the end of the launch cord.

truth.csv holds what was planted: distance_m from A without the cord, loss_db is the
true loss, backscatter_step_db the level before less the level behind for light from A.
A perfect shot from A reads loss_db + backscatter_step_db, one from B reads
loss_db - backscatter_step_db.

To try:
{commands}
"""

"""What lies beside the shots of a demo: a note to whoever opens the folder, and the answers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import fields
from itertools import chain

from otdravg.simulate.cable_run import CableRun, closures_of_joints
from otdravg.simulate.fibre import true_joints
from otdravg.simulate.planted import Plant
from otdravg.simulate.takes import Site

__all__ = ["planted_csv", "readme", "truth_csv", "truth_of_fibre"]

_TRUTH_COLUMNS = (
    "fibre", "ribbon", "wavelength_nm", "closure", "distance_m", "loss_db", "backscatter_step_db",
    "kind",
)  # fmt: skip


def truth_csv(site: Site, fibres: int, wavelengths_nm: Sequence[int]) -> bytes:
    """Write every true splice loss as CSV, events between closures included."""
    rows = (
        truth_of_fibre(site, fibre, nm) for fibre in range(1, fibres + 1) for nm in wavelengths_nm
    )
    return _csv_bytes(_TRUTH_COLUMNS, chain.from_iterable(rows))


def truth_of_fibre(site: Site, fibre: int, wavelength_nm: int) -> list[tuple[object, ...]]:
    """Make the rows of one fibre at one wavelength."""
    names = closures_of_joints(site.run, fibre, bend=site.bend)
    return [
        (
            fibre,
            (fibre - 1) // site.ribbon_size + 1,
            wavelength_nm,
            closure,
            f"{joint.position_m:.2f}",
            f"{joint.loss_db:.4f}",
            f"{joint.step_db:.4f}",
            joint.kind.value,
        )
        for closure, joint in zip(names, true_joints(site.glass(fibre, wavelength_nm)), strict=True)
    ]


def planted_csv(plants: Sequence[Plant]) -> bytes:
    """Write what was planted as CSV; files are set apart by ``; ``."""
    columns = [column.name for column in fields(Plant)]
    rows = [
        [plant.fault.value, *(getattr(plant, name) or "" for name in columns[1:-1]),
         "; ".join(plant.files)]
        for plant in plants
    ]  # fmt: skip
    return _csv_bytes(columns, rows)


def _csv_bytes(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


_TRUTH_BESIDE = """
truth.csv holds what was planted: distance_m from A without the cord, loss_db is the
true loss, backscatter_step_db the level before less the level behind for light from A.
A perfect shot from A reads loss_db + backscatter_step_db, one from B reads
loss_db - backscatter_step_db.
"""

_FAULTS_TO_FIND = """
The cable has faults, and the crew that shot it made mistakes: files are missing, mixed up
or wrongly labelled. Finding them is the exercise. What was planted is written where
"otdravg demo DIR --answers DIR" says, with the same number of fibres.
"""


def readme(
    run: CableRun,
    fibres: int,
    wavelengths_nm: Sequence[int],
    commands: Sequence[str],
    *,
    truth_beside: bool,
    faulty: bool,
) -> str:
    """Write the note that lies in the folder of the shots."""
    closures = "\n".join(f"  {name}" for name in run.closures)
    shots = ", ".join(f"{nm} nm" for nm in wavelengths_nm)
    to_try = "\n".join(f"  {command}" for command in commands)
    more = (_TRUTH_BESIDE if truth_beside else "") + (_FAULTS_TO_FIND if faulty else "")
    return f"""SIMULATED CABLE RUN: not a measurement

Every trace here was computed. Cable, places, crew and dates are invented.

Cable {run.cable}, {fibres} fibres, from A = {run.end_a} to B = {run.end_b}, at {shots},
spliced in
{closures}

Files are named cable_Ffibre_wavelength_direction.sor: AB was shot from A, BA from B.
Each shot went through a launch cord of {run.cord_m:g} m, into a receive cord of {run.cord_m:g} m;
the user offset is set to the end of the launch cord.
{more}
To try:
{to_try}
"""

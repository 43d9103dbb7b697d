"""What is planted in a demo, and what lies beside its shots: a note, and the answers."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields
from enum import Enum
from itertools import chain

from otdravg.simulate.cable_run import CableRun, closures_of_joints
from otdravg.simulate.fibre import JointKind, TrueJoint, true_joints
from otdravg.simulate.takes import Site

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


#: Splices that nothing went wrong with lose clearly less than this, bad ones more, dB.
BAD_SPLICE_DB = 0.2


class Fault(Enum):
    """What was planted, in the words of the trade."""

    DIRECTION_MISSING = "shot from one end missing"
    WAVELENGTH_MISSING = "wavelength missing"
    FIBRE_MISSING = "fibre missing"
    TRUNCATED = "file cut off while it was copied"
    OVERWRITTEN = "file overwritten in part"
    COPY = "same file under two names"
    HEADER_EDITED = "same trace with an edited header"
    SAME_END = "both shots taken from one end"
    CROSSED = "fibres crossed between A and B"
    NAMES_EXCHANGED = "files of two fibres exchanged at one wavelength"
    OTHER_CABLE = "shot of another cable"
    WRONG_LASER = "wrong wavelength label"
    ODD_PULSE = "another pulse than agreed"
    OTHER_INDEX = "another group index"
    CLOCK = "clock years off"
    CORD_FORGOTTEN = "launch cord forgotten"
    OTHER_CORD = "shorter launch cord than agreed"
    HEADER_FIBRE = "fibre number in header and name disagree"
    ENDS_SWAPPED = "ends typed the wrong way round"
    SHOT_AGAIN = "shot again from one end"
    BROKEN = "fibre broken between closures"
    REMADE = "ribbon made again and shot again"
    BAD_SPLICE = "bad splice"
    BEND_IN_TRAY = "bend in a tray"
    DAMAGE = "damage between closures"
    BEND_IN_CABLE = "bend between closures"
    SPOILT_RIBBON = "mass splice bad as a whole"
    WEAK_POSITION = "position of the splicer loses more"
    WEAK_EDGES = "both edges of the ribbon lose more"


@dataclass(frozen=True, slots=True)
class Plant:
    """One planted fault: what, where, how large, and in which files; a row of the answers."""

    fault: Fault
    fibre: int | None = None
    other_fibre: int | None = None
    wavelength_nm: int | None = None
    direction: str = ""
    closure: str = ""
    detail: str = ""
    files: tuple[str, ...] = ()


def faults_of_the_glass(site: Site, fibres: int) -> tuple[Plant, ...]:
    """List what is wrong with the cable itself: bad splices, bends, damage, patterns.

    Splices of a mass splice that is bad as a whole are not listed one by one.
    """
    run = site.run
    plants = []
    for fibre in range(1, fibres + 1):
        ribbon = (fibre - 1) // site.ribbon_size + 1
        spoilt = {run.closures[s.closure - 1] for s in run.spoilt if s.ribbon == ribbon}
        names = closures_of_joints(run, fibre, bend=site.bend)
        joints = true_joints(site.glass(fibre, 1310))
        for closure, joint in zip(names, joints, strict=True):
            fault = _fault_at(closure, joint, spoilt)
            if fault is not None:
                detail = f"{joint.loss_db:.3f} dB at {joint.position_m:.0f} m"
                if joint.kind is JointKind.BEND:
                    detail = f"more at longer wavelengths, at {joint.position_m:.0f} m"
                plants.append(Plant(fault, fibre, closure=closure, detail=detail))
    for splice in run.spoilt:
        first = (splice.ribbon - 1) * site.ribbon_size + 1
        closure = run.closures[splice.closure - 1]
        detail = f"fibres {first} to {first + site.ribbon_size - 1} lose 0.26 to 0.40 dB"
        plants.append(Plant(Fault.SPOILT_RIBBON, closure=closure, detail=detail))
    for weak in run.weak:
        fault = Fault.WEAK_POSITION if len(weak.positions) == 1 else Fault.WEAK_EDGES
        where = " and ".join(map(str, weak.positions))
        detail = f"position {where} of all ribbons, {weak.extra_db:.3f} dB at every closure"
        plants.append(Plant(fault, detail=detail))
    return tuple(plants)


def _fault_at(closure: str, joint: TrueJoint, spoilt: Collection[str]) -> Fault | None:
    """Say what is wrong at one place of a fibre, if anything is."""
    bent = joint.kind is JointKind.BEND
    if not closure:
        return Fault.BEND_IN_CABLE if bent else Fault.DAMAGE
    if bent:
        return Fault.BEND_IN_TRAY
    if joint.loss_db >= BAD_SPLICE_DB and closure not in spoilt:
        return Fault.BAD_SPLICE
    return None

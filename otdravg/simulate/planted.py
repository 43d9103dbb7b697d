"""What is planted in a demo with faults, in the words of the trade."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum

from otdravg.simulate.cable_run import closures_of_joints
from otdravg.simulate.fibre import JointKind, TrueJoint, true_joints
from otdravg.simulate.takes import Site

__all__ = ["BAD_SPLICE_DB", "Fault", "Plant", "faults_of_the_glass"]

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

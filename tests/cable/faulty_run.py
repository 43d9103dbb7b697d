"""A simulated cable run with every mix-up planted that a crew can bring home.

Route, names, people and measurements are invented. Fibre glass comes from the package's
simulator, which knows nothing of the code that is tested here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np

from otdravg import sor
from otdravg.simulate.cable_run import CABLE_RUN, CORD_M, fibre_of, with_demo_cords
from otdravg.simulate.fibre import FRESNEL_REFLECTANCE_DB, Fibre, Joint, Section
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.instrument import Instrument, point_count_for, spacing_counts_for
from otdravg.simulate.physics import shoot, with_far_end_noise
from otdravg.simulate.truth import true_joints

SEED = 20240514
FIRST = datetime(2024, 5, 14, 7, 30, tzinfo=timezone.utc)
END_A, END_B = CABLE_RUN.end_a, CABLE_RUN.end_b
WAVELENGTHS = (1310, 1550)


@dataclass(frozen=True, slots=True)
class Take:
    """One shot as the crew took it; what differs from the usual is a fault."""

    fibre: int
    nm: int
    direction: str = "AB"
    span: Fibre | None = None  # what was really shot; None: the fibre of that number
    shot_nm: int | None = None  # what the laser really was
    pulse_ns: float = 100
    cords: bool = True
    noise: int = 0  # another number is another shot of the same glass
    taken: datetime | None = None


def glass(fibre: int, nm: int, seed: int = SEED) -> Fibre:
    """The fibre of that number, bend in the tray included."""
    return fibre_of(CABLE_RUN, fibre, ribbon_size=12, wavelength_nm=nm, bend=True, seed=seed)


def name_of(take: Take) -> str:
    return f"{CABLE_RUN.cable}_F{take.fibre:03d}_{take.nm}_{take.direction}.sor"


def made(take: Take, **header: object) -> sor.SorFile:
    """Shoot and label as the crew does; ``header`` changes the label."""
    nm = take.shot_nm or take.nm
    span = take.span if take.span is not None else glass(take.fibre, nm)
    from_b = take.direction == "BA"
    way = span.reversed() if from_b else span
    link = with_demo_cords(way, nm) if take.cords else way
    counts = spacing_counts_for(2.0, link.group_index)
    instrument = with_far_end_noise(
        Instrument(
            pulse_ns=take.pulse_ns,
            spacing_counts=counts,
            point_count=point_count_for(12_500, counts, link.group_index),
            group_index=link.group_index,
            wavelength_nm=take.nm,
            ripple_db=0.0015,
        ),
        link,
        0.008,
    )
    rng = np.random.default_rng((SEED, 7, take.fibre, nm, from_b, take.noise))
    label = Label(
        cable=CABLE_RUN.cable,
        fibre=f"{take.fibre:03d}",
        location_a=END_B if from_b else END_A,
        location_b=END_A if from_b else END_B,
        comment="invented cable run, not a measurement",
        operator="simulated crew",
        user_offset_m=CORD_M if take.cords else 0.0,
        taken=take.taken or FIRST + timedelta(minutes=take.fibre, days=from_b),
    )
    return sor_file(shoot(link, instrument, rng), replace(label, **header), name_of(take))


def write(folder: Path, take: Take, name: str | None = None, **header: object) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / (name or name_of(take))
    path.write_bytes(sor.encode(made(take, **header)))
    return path


def write_all(folder: Path, fibres: int, wavelengths: tuple[int, ...] = WAVELENGTHS) -> None:
    """A run without faults of its own."""
    for fibre in range(1, fibres + 1):
        for nm in wavelengths:
            for direction in ("AB", "BA"):
                write(folder, Take(fibre, nm, direction))


def with_event(span: Fibre, section: int, share: float, loss_db: float) -> Fibre:
    """A span with one more loss, at a share of the length of one of its sections."""
    old = span.sections[section]
    first = replace(old, length_m=old.length_m * share)
    second = replace(old, length_m=old.length_m * (1 - share))
    return Fibre(
        (*span.sections[:section], first, second, *span.sections[section + 1 :]),
        (*span.joints[:section], Joint(loss_db), *span.joints[section:]),
        end_b_reflectance_db=FRESNEL_REFLECTANCE_DB,
    )


def with_loss(span: Fibre, closure: int, loss_db: float) -> Fibre:
    """A span with another loss at one of its closures (from 1)."""
    joints = list(span.joints)
    joints[closure - 1] = replace(joints[closure - 1], loss_db=loss_db)
    return replace(span, joints=tuple(joints))


def other_cable(nm: int) -> Fibre:
    """A fibre of a shorter cable with splices elsewhere."""
    typical = {1310: 0.33, 1550: 0.19}[nm]
    lengths = (1200.0, 1900.0, 1500.0)
    return Fibre(
        tuple(
            Section(length, typical, level)
            for length, level in zip(lengths, (0.0, 0.05, -0.02), strict=True)
        ),
        (Joint(0.06), Joint(0.09)),
        end_b_reflectance_db=FRESNEL_REFLECTANCE_DB,
    )


def true_loss_db(fibre: int, closure: int, nm: int) -> float:
    return true_joints(glass(fibre, nm))[closure - 1].loss_db


def plant_faults(folder: Path) -> None:
    """Write 36 fibres at two wavelengths with the faults that the tests look for."""
    write_all(folder, 36)

    def file(fibre: int, nm: int, direction: str) -> Path:
        return folder / name_of(Take(fibre, nm, direction))

    file(2, 1550, "BA").unlink()  # a missing direction
    file(4, 1310, "AB").unlink()  # a missing wavelength
    file(4, 1310, "BA").unlink()
    for nm in WAVELENGTHS:  # a missing fibre
        file(20, nm, "AB").unlink()
        file(20, nm, "BA").unlink()
    whole = file(6, 1550, "AB").read_bytes()  # cut while copying
    file(6, 1550, "AB").write_bytes(whole[:900])
    (folder / "notes.txt").write_text("crew's notes, invented\n", encoding="utf-8")
    (folder / "copies").mkdir()  # a plain copy
    (folder / "copies" / "copy of F007.SOR").write_bytes(file(7, 1550, "AB").read_bytes())
    # The shot of fibre 8 under fibre 30's number: the header was edited.
    edited = made(Take(8, 1550, "BA"), fibre="030", taken=FIRST + timedelta(days=2))
    file(30, 1550, "BA").write_bytes(sor.encode(edited))
    # Shot from A once more and called a shot from B.
    same_end = made(Take(12, 1310, "AB", noise=1), location_a=END_B, location_b=END_A)
    file(12, 1310, "BA").write_bytes(sor.encode(same_end))
    for nm in WAVELENGTHS:  # fibres 14 and 15 are crossed on their way to B
        a, b = glass(14, nm), glass(15, nm)
        write(folder, Take(14, nm, "BA", span=b))
        write(folder, Take(15, nm, "BA", span=a))
        write(folder, Take(13, nm, "AB", span=with_event(glass(13, nm), 2, 0.4, 0.15)))
        write(folder, Take(13, nm, "BA", span=with_event(glass(13, nm), 2, 0.4, 0.15)))
    write(folder, Take(18, 1550, "AB", span=other_cable(1550)))  # another cable's shot
    write(
        folder, Take(19, 1550, "BA", shot_nm=1310, noise=3)
    )  # the wrong laser under the right label
    write(folder, Take(21, 1550, "AB", pulse_ns=300))  # another setting than agreed
    shot = made(Take(22, 1550, "BA"))  # another index
    fixed = replace(shot.fixed, group_index_1e5=147_500)
    file(22, 1550, "BA").write_bytes(sor.encode(sor.replace(shot, fixed=fixed)))
    write(folder, Take(23, 1550, "BA", taken=FIRST - timedelta(days=2500)))  # a clock gone wrong
    write(folder, Take(24, 1550, "AB", cords=False))  # the cord forgotten
    write(folder, Take(25, 1550, "AB"), fibre="052")  # header and name disagree


def plant_repair(folder: Path) -> None:
    """Fibre 3 spliced again at closure 2 and shot again, in a folder of its own."""
    for nm in WAVELENGTHS:
        for direction in ("AB", "BA"):
            span = with_loss(glass(3, nm), 2, 0.05)
            days = timedelta(days=20)
            write(folder, Take(3, nm, direction, span=span, noise=2, taken=FIRST + days))

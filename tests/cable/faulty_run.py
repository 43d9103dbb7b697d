"""Small simulated cable runs for the tests, with a crew's mistakes where a test wants one.

Route, names, people and measurements are invented. Shots come from the package's simulator,
which knows nothing of the code that is tested here; its takes say what was really shot.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from otdravg import sor
from otdravg.simulate.cable_run import CABLE_RUN
from otdravg.simulate.fibre import Fibre, true_joints
from otdravg.simulate.takes import FIRST_SHOT, Site, Take, path_of
from otdravg.simulate.takes import made as made_at

FIRST = FIRST_SHOT
WAVELENGTHS = (1310, 1550)
#: Four closures; points every two metres keep the tests short.
SITE = Site(CABLE_RUN, seed=20240514, spacing_m=2.0)


def glass(fibre: int, nm: int) -> Fibre:
    """The fibre of that number, bend in the tray included."""
    return SITE.glass(fibre, nm)


def name_of(take: Take) -> str:
    return path_of(take, CABLE_RUN)


def made(take: Take, **header: object) -> sor.SorFile:
    """Shoot and label as the crew does; ``header`` changes the label."""
    return made_at(take, SITE, **header)


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


def write_crossed(folder: Path, fibres: int, one: int, other: int) -> None:
    """A run in which two fibres are crossed on their way to B."""
    write_all(folder, fibres)
    for nm in WAVELENGTHS:
        write(folder, Take(one, nm, "BA", of_fibre=other))
        write(folder, Take(other, nm, "BA", of_fibre=one))


def with_loss(span: Fibre, closure: int, loss_db: float) -> Fibre:
    """A span with another loss at one of its closures (from 1)."""
    joints = list(span.joints)
    joints[closure - 1] = replace(joints[closure - 1], loss_db=loss_db)
    return replace(span, joints=tuple(joints))


def true_loss_db(fibre: int, closure: int, nm: int) -> float:
    return true_joints(glass(fibre, nm))[closure - 1].loss_db


def plant_repair(folder: Path) -> None:
    """Fibre 3 spliced again at closure 2 and shot again, in a folder of its own."""
    for nm in WAVELENGTHS:
        for direction in ("AB", "BA"):
            span = with_loss(glass(3, nm), 2, 0.05)
            days = timedelta(days=20)
            write(folder, Take(3, nm, direction, span=span, again=2, taken=FIRST + days))

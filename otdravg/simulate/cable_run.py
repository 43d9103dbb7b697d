"""An invented ribbon cable run: its closures, and the glass of every fibre in it.

Names and places do not exist. Each fibre is drawn from its own generator, so fibre 5
is the same glass whether the run has 12 fibres or 864.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from otdravg.simulate.fibre import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Joint,
    JointKind,
    Section,
    mode_field_level_db,
)

__all__ = ["CABLE_RUN", "CORD_M", "CableRun", "Planted", "fibre_of", "with_demo_cords"]

#: Length of the launch and of the receive cord in metres.
CORD_M = 500.0

#: Attenuation in dB/km of the cable's glass (common practice, no source).
_ATTENUATION_DB_PER_KM = {1310: 0.33, 1490: 0.22, 1550: 0.19, 1625: 0.20}

#: Added loss of one planted bend by wavelength, rising with it as macrobends do (invented).
_BEND_DB = {1310: 0.01, 1490: 0.07, 1550: 0.11, 1625: 0.24}


@dataclass(frozen=True, slots=True)
class Planted:
    """A splice that is not left to chance: what a crew should meet at least once.

    ``step_db`` is the backscatter step for light from A; ``None`` leaves it to the glass.
    """

    fibre: int
    closure: int
    loss_db: float
    step_db: float | None = None


@dataclass(frozen=True, slots=True)
class CableRun:
    """A route with closures between two ends; ``lengths_m`` are the cable's, reel by reel."""

    cable: str
    end_a: str
    end_b: str
    closures: tuple[str, ...]
    lengths_m: tuple[float, ...]
    planted: tuple[Planted, ...]
    bend_fibre: int
    bend_closure: int


CABLE_RUN = CableRun(
    cable="SIMQB1",
    end_a="Quillhaven hut",
    end_b="Brackenfold hut",
    closures=("J1 Tansy Lane", "J2 Otterstone", "J3 Millrace", "J4 Hobb's Gate"),
    lengths_m=(1870.0, 2410.0, 1655.0, 2120.0, 1390.0),
    planted=(
        Planted(fibre=3, closure=2, loss_db=0.310),
        Planted(fibre=9, closure=4, loss_db=0.245),
        # A gain from A and an alarming loss from B; the splice itself is good.
        Planted(fibre=5, closure=1, loss_db=0.055, step_db=-0.215),
        # Reads nothing at all from A.
        Planted(fibre=8, closure=3, loss_db=0.120, step_db=-0.120),
        # Looks fine from B and is not.
        Planted(fibre=11, closure=2, loss_db=0.260, step_db=0.180),
    ),
    bend_fibre=10,
    bend_closure=3,
)


def fibre_of(
    run: CableRun, number: int, *, ribbon_size: int, wavelength_nm: int, bend: bool, seed: int
) -> Fibre:
    """Draw the glass of one fibre of a run, from end A to end B without cords.

    Parameters
    ----------
    run : CableRun
        The route.
    number : int
        Fibre number from 1.
    ribbon_size : int
        Fibres of a ribbon: those of a ribbon share the luck of each mass-fusion splice.
    wavelength_nm : int
        One of 1310, 1490, 1550, 1625; splice losses and steps are alike at all of them.
    bend : bool
        Whether the planted bend is in its tray.
    seed : int
        Names the cable.
    """
    ribbon, position = divmod(number - 1, ribbon_size)
    own = np.random.default_rng((seed, 0, number))
    shared = np.random.default_rng((seed, 1, ribbon))
    count = len(run.lengths_m)
    # Fibre is a little longer than its cable and never quite the same for all.
    lengths_m = np.asarray(run.lengths_m) * (1.003 + own.normal(0, 0.0003, count))
    fields_um = 9.2 + own.normal(0, 0.09, count)
    levels_db = [mode_field_level_db(float(field_um)) for field_um in fields_um]
    spread_db_per_km = own.normal(0, 0.002, count)

    luck = np.exp(shared.normal(0, 0.2, count - 1)) * np.exp(own.normal(0, 0.45, count - 1))
    edge = 1.2 if position in (0, ribbon_size - 1) else 1.0
    losses_db = np.minimum(0.17, 0.045 * edge * luck)
    spoilt = own.random(count - 1) < 0.008  # dust, a poor cleave
    losses_db = np.where(spoilt, own.uniform(0.22, 0.45, count - 1), losses_db).round(4)
    for plant in run.planted:
        if plant.fibre == number:
            losses_db[plant.closure - 1] = plant.loss_db
            if plant.step_db is not None:
                levels_db[plant.closure] = levels_db[plant.closure - 1] - plant.step_db

    joints = [Joint(float(loss_db)) for loss_db in losses_db]
    if bend and number == run.bend_fibre:
        bent_db = joints[run.bend_closure - 1].loss_db + _BEND_DB[wavelength_nm]
        joints[run.bend_closure - 1] = Joint(round(bent_db, 4), kind=JointKind.BEND)
    typical = _ATTENUATION_DB_PER_KM[wavelength_nm]
    sections = tuple(
        Section(float(length_m), typical + float(spread), level_db)
        for length_m, spread, level_db in zip(lengths_m, spread_db_per_km, levels_db, strict=True)
    )
    return Fibre(sections, tuple(joints), end_b_reflectance_db=FRESNEL_REFLECTANCE_DB)


def with_demo_cords(span: Fibre, wavelength_nm: int) -> Fibre:
    """Put the crew's launch and receive cords on a span; they fit either end."""
    cord = Section(CORD_M, _ATTENUATION_DB_PER_KM[wavelength_nm], 0.03)
    return span.with_cords(cord, cord, Joint(0.22, -52.0, JointKind.CONNECTOR))

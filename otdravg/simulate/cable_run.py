"""Invented ribbon cable runs: their closures, and the glass of every fibre in them.

Names and places do not exist. Each fibre is drawn from its own generator, so fibre 5
is the same glass whether the run has 12 fibres or 864.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from otdravg.simulate.fibre import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Joint,
    JointKind,
    Section,
    mode_field_level_db,
)

FloatArray = npt.NDArray[np.float64]

#: Attenuation in dB/km of the cable's glass (common practice, no source).
_ATTENUATION_DB_PER_KM = {1310: 0.33, 1490: 0.22, 1550: 0.19, 1625: 0.20}

#: Added loss of one planted bend by wavelength, rising with it as macrobends do (invented).
_BEND_DB = {1310: 0.01, 1490: 0.07, 1550: 0.11, 1625: 0.24}

#: A splice that nothing went wrong with loses at most this, dB (invented).
_MOST_USUAL_DB = 0.17

#: Fibres that one set of planted faults needs, and how far apart two sets begin.
SET_FIBRES = 48
_BETWEEN_SETS = 432


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
class Bend:
    """A fibre that is bent too tightly in a closure's tray."""

    fibre: int
    closure: int


@dataclass(frozen=True, slots=True)
class Damage:
    """A loss between two closures.

    ``section`` is the reel, from 1 at A, and ``share`` how far along it. ``loss_db`` is the
    same at all wavelengths; ``None`` makes it a bend of the cable.
    """

    fibre: int
    section: int
    share: float
    loss_db: float | None


@dataclass(frozen=True, slots=True)
class WeakPositions:
    """Positions of the ribbon whose splices lose more, in every ribbon at every closure."""

    positions: tuple[int, ...]
    extra_db: float


@dataclass(frozen=True, slots=True)
class MassSplice:
    """One ribbon at one closure: what is cut and spliced as a whole."""

    ribbon: int
    closure: int


@dataclass(frozen=True, slots=True)
class CableRun:
    """A route with closures between two ends; ``lengths_m`` are the cable's, reel by reel.

    ``spoilt`` mass splices are bad as a whole. ``remade`` ones were bad at first and are good
    now: shots from before the repair see other losses there.
    """

    cable: str
    end_a: str
    end_b: str
    closures: tuple[str, ...]
    lengths_m: tuple[float, ...]
    cord_m: float  # length of the launch and of the receive cord
    record_m: float  # how far the instrument records
    spacing_m: float  # between its points
    planted: tuple[Planted, ...] = ()
    bends: tuple[Bend, ...] = ()
    damages: tuple[Damage, ...] = ()
    weak: tuple[WeakPositions, ...] = ()
    spoilt: tuple[MassSplice, ...] = ()
    remade: tuple[MassSplice, ...] = ()
    edge_factor: float = 1.2  # how much more the first and last position of a ribbon lose


CABLE_RUN = CableRun(
    cable="SIMQB1",
    end_a="Quillhaven hut",
    end_b="Brackenfold hut",
    closures=("J1 Tansy Lane", "J2 Otterstone", "J3 Millrace", "J4 Hobb's Gate"),
    lengths_m=(1870.0, 2410.0, 1655.0, 2120.0, 1390.0),
    cord_m=500.0,
    record_m=12_500.0,
    spacing_m=1.0,
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
    bends=(Bend(fibre=10, closure=3),),
)

#: Ten closures; its record has 24,000 points.
TRUNK_RUN = CableRun(
    cable="SIMQB2",
    end_a="Quillhaven hut",
    end_b="Gorsemoor hut",
    closures=(
        "J01 Tansy Lane", "J02 Otterstone", "J03 Millrace", "J04 Hobb's Gate", "J05 Wrenfield",
        "J06 Larch Hollow", "J07 Tinker's Ford", "J08 Nettle Cross", "J09 Cobble End",
        "J10 Saltern Bank",
    ),
    lengths_m=(
        1870.0, 2410.0, 1655.0, 2120.0, 1390.0, 2245.0, 1760.0, 2030.0, 1585.0, 2310.0, 1480.0,
    ),
    cord_m=1050.0,
    record_m=29_998.0,
    spacing_m=1.25,
    edge_factor=1.0,
)  # fmt: skip


def sets_in(fibres: int) -> tuple[int, ...]:
    """Return the number before the first fibre of each set of faults that a cable has room for."""
    return tuple(range(0, fibres - SET_FIBRES + 1, _BETWEEN_SETS))


def faulty_trunk_run(fibres: int) -> CableRun:
    """Return the run of ten closures with everything in it that a crew does wrong in the field.

    In each set of 48 fibres: bad splices, some of which look good from one end, bends, damage
    between closures, a spoilt ribbon and one that was made again. In the whole cable: a
    position of the splicer that loses more, and both edges. Ribbons have 12 fibres.
    """
    run = TRUNK_RUN
    for before in sets_in(fibres):
        ribbons = before // 12
        own = CABLE_RUN.planted
        run = replace(
            run,
            planted=(*run.planted, *(replace(p, fibre=p.fibre + before) for p in own)),
            bends=(*run.bends, Bend(before + 10, 3)),
            damages=(
                *run.damages,
                Damage(before + 13, 3, 0.4, 0.150),
                Damage(before + 16, 8, 0.55, None),
            ),
            spoilt=(*run.spoilt, MassSplice(ribbons + 3, 5)),
            remade=(*run.remade, MassSplice(ribbons + 4, 7)),
        )
    return replace(run, weak=(WeakPositions((7,), 0.045), WeakPositions((1, 12), 0.040)))


def fibre_of(
    run: CableRun,
    number: int,
    *,
    ribbon_size: int,
    wavelength_nm: int,
    bend: bool,
    seed: int,
    before_repair: bool = False,
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
        Whether the planted bends are there.
    seed : int
        Names the cable.
    before_repair : bool
        Whether to show remade splices as they were before.
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
    edge = run.edge_factor if position in (0, ribbon_size - 1) else 1.0
    weakness_db = sum(w.extra_db for w in run.weak if position + 1 in w.positions)
    losses_db = np.minimum(_MOST_USUAL_DB, 0.045 * edge * luck + weakness_db)
    spoilt = own.random(count - 1) < 0.008  # dust, a poor cleave
    losses_db = np.where(spoilt, own.uniform(0.22, 0.45, count - 1), losses_db).round(4)
    for plant in run.planted:
        if plant.fibre == number:
            losses_db[plant.closure - 1] = plant.loss_db
            if plant.step_db is not None:
                levels_db[plant.closure] = levels_db[plant.closure - 1] - plant.step_db
    _remake(losses_db, run, ribbon + 1, before_repair, np.random.default_rng((seed, 3, number)))

    joints = [Joint(float(loss_db)) for loss_db in losses_db]
    if bend:
        for bent in run.bends:
            if bent.fibre == number:
                bent_db = joints[bent.closure - 1].loss_db + _BEND_DB[wavelength_nm]
                joints[bent.closure - 1] = Joint(round(bent_db, 4), kind=JointKind.BEND)
    typical = _ATTENUATION_DB_PER_KM[wavelength_nm]
    sections = [
        Section(float(length_m), typical + float(spread), level_db)
        for length_m, spread, level_db in zip(lengths_m, spread_db_per_km, levels_db, strict=True)
    ]
    for damage in _damages(run, number, bend):
        _damage(sections, joints, damage, wavelength_nm)
    return Fibre(tuple(sections), tuple(joints), end_b_reflectance_db=FRESNEL_REFLECTANCE_DB)


def _remake(
    losses_db: FloatArray,
    run: CableRun,
    ribbon: int,
    before_repair: bool,
    luck: np.random.Generator,
) -> None:
    """Spoil the mass splices that are bad as a whole, or were before the repair."""
    for splice in run.spoilt:
        if splice.ribbon == ribbon:
            losses_db[splice.closure - 1] = round(float(luck.uniform(0.26, 0.40)), 4)
    for splice in run.remade:
        if splice.ribbon == ribbon and before_repair:
            losses_db[splice.closure - 1] = round(float(luck.uniform(0.18, 0.36)), 4)


def _damages(run: CableRun, number: int, bend: bool) -> Sequence[Damage]:
    """Damages of a fibre, the farthest from A first: cutting it leaves earlier reels alone."""
    own = [d for d in run.damages if d.fibre == number and (bend or d.loss_db is not None)]
    return sorted(own, key=lambda d: -d.section)


def _damage(
    sections: list[Section], joints: list[Joint], damage: Damage, wavelength_nm: int
) -> None:
    """Cut a section in two and put a loss between its parts."""
    index = damage.section - 1
    whole = sections[index]
    first_m = whole.length_m * damage.share
    sections[index : index + 1] = [
        replace(whole, length_m=first_m),
        replace(whole, length_m=whole.length_m - first_m),
    ]
    joint = (
        Joint(1.3 * _BEND_DB[wavelength_nm], kind=JointKind.BEND)
        if damage.loss_db is None
        else Joint(damage.loss_db)
    )
    joints.insert(index, joint)


def closures_of_joints(run: CableRun, number: int, *, bend: bool) -> tuple[str, ...]:
    """Name the closure of every joint of a fibre in order from A; empty between closures."""
    names = list(run.closures)
    for damage in _damages(run, number, bend):
        names.insert(damage.section - 1, "")
    return tuple(names)


def with_demo_cords(
    span: Fibre, wavelength_nm: int, launch_m: float, receive_m: float | None = None
) -> Fibre:
    """Put the crew's cords on a span; they fit either end.

    Lengths in metres, 0 = none; the receive cord is as long as the launch cord unless it is
    stated.
    """
    lengths_m = launch_m, launch_m if receive_m is None else receive_m
    launch, receive = (
        Section(length_m, _ATTENUATION_DB_PER_KM[wavelength_nm], 0.03) if length_m > 0 else None
        for length_m in lengths_m
    )
    return span.with_cords(launch, receive, Joint(0.22, -52.0, JointKind.CONNECTOR))

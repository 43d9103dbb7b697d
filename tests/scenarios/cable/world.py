"""The small simulated cables: their glass, how a crew numbers and shoots them, and the files.

Glass, instruments and files are those of ``otdravg.simulate`` and of the catalogue of pairs.
Everything is invented, and every file says that it is simulated.

A fibre is numbered as end A numbers it. What end B calls it is another matter: ``at_b`` of a
:class:`Cable` says so.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from simulated import Fibre, Joint, JointKind, Label

from scenarios.pair.world import (
    ATTENUATION_DB_PER_KM,
    CONNECTOR,
    HUTS,
    MORNING,
    draw_losses,
    draw_places,
    instrument_for,
    shot_bytes,
    span_of,
    spread_levels,
    with_cords,
    with_level_step,
    with_loss,
    with_point,
)

__all__ = [
    "HUTS",
    "MORNING",
    "NIGHT",
    "STICK",
    "Cable",
    "Files",
    "Slot",
    "Take",
    "again",
    "at_wavelength",
    "changed",
    "crossed",
    "draw_cable",
    "exchanged",
    "files_of",
    "folder_of",
    "inside",
    "labelled",
    "text_file",
    "usual",
    "with_all_steps",
    "with_bad",
    "with_bend",
    "with_length",
    "with_loss",
    "with_mid_splice",
]

Rng = np.random.Generator

#: Paths below the reviewer's folder, with forward slashes, and contents.
Files = tuple[tuple[str, bytes], ...]
#: Fibre by end A's number, nominal wavelength, end.
Slot = tuple[int, int, str]

#: The folder that the crew's stick was copied into.
STICK = "stick"
#: Between the shots from A and those from B.
NIGHT = timedelta(days=1)

#: Fibre is longer than its cable, and no two are quite alike (common practice, no source).
_EXCESS, _LENGTH_SPREAD = 1.003, 3e-4
_SLOPE_SPREAD_DB_PER_KM = 0.002
#: What a bend at 1550 nm still loses at 1310 nm (invented, as macrobends do).
_BEND_SHARE_AT_1310 = 0.1
#: Points of a record: enough for ten to a pulse of 100 ns on the longest route here.
_POINTS = 4_000


@dataclass(frozen=True, slots=True)
class Cable:
    """A cable of known truth.

    Parameters
    ----------
    name : str
        As the headers give it.
    glass : mapping
        Fibre number at A → its glass at 1550 nm from A, without cords.
    closures_m : tuple of float
        Cable metres from A.
    ribbon : int
        Fibres of a ribbon.
    at_b : mapping
        Fibre number at A → number that end B types for it; those not named are alike.
    """

    name: str
    glass: Mapping[int, Fibre]
    closures_m: tuple[float, ...]
    ribbon: int = 12
    at_b: Mapping[int, int] = field(default_factory=dict)

    @property
    def numbers(self) -> tuple[int, ...]:
        """Fibre numbers at A, in order."""
        return tuple(sorted(self.glass))

    def ribbon_of(self, fibre: int) -> int:
        """Give the ribbon of a fibre, from 1."""
        return (fibre - 1) // self.ribbon + 1

    def fibres_of(self, ribbon: int) -> tuple[int, ...]:
        """Give the fibres of a ribbon, from 1."""
        return tuple(n for n in self.numbers if self.ribbon_of(n) == ribbon)


@dataclass(frozen=True, slots=True)
class Take:
    """One shot as a crew takes it, and what is typed in.

    Parameters
    ----------
    glass : Fibre
        At 1550 nm, seen from A, without cords.
    end : str
        ``A`` or ``B``: where the instrument really stands.
    nm : int
        Wavelength on the label.
    path : str
        Of the file.
    label : mapping
        Fields of :class:`Label`.
    cords_m : tuple of float or None
        At the instrument and at the far end; ``None`` = none.
    connector_a, connector_b : Joint
        Where the cords meet the span.
    laser_nm : int or None
        What really shines; ``None`` = as labelled.
    settings : mapping
        Of the instrument.
    """

    glass: Fibre
    end: str
    nm: int
    path: str
    label: Mapping[str, Any]
    cords_m: tuple[float | None, float | None] = (300.0, 300.0)
    connector_a: Joint = CONNECTOR
    connector_b: Joint = CONNECTOR
    laser_nm: int | None = None
    settings: Mapping[str, Any] = field(default_factory=dict)

    @property
    def way(self) -> Fibre:
        """What the light meets, cords included."""
        glass = at_wavelength(self.glass, self.laser_nm or self.nm)
        near_m, far_m = self.cords_m
        if self.end == "A":
            return with_cords(
                with_cords(glass, None, far_m, self.connector_b), near_m, None, self.connector_a
            )
        seen = glass.reversed()
        return with_cords(
            with_cords(seen, None, far_m, self.connector_a), near_m, None, self.connector_b
        )


# -- glass -----------------------------------------------------------------------------


def draw_cable(
    rng: Rng,
    *,
    fibres: int = 12,
    closures: int = 3,
    name: str = "SIM-12",
    ribbon: int = 12,
    length_m: float | None = None,
    closures_m: Sequence[float] | None = None,
    sigma_b_db: float = 0.07,
    alike: bool = False,
    losses_db: tuple[float, float] = (0.03, 0.11),
    first: int = 1,
) -> Cable:
    """Draw an ordinary good cable: 3 to 5 km, every splice well within 0.20 dB.

    ``alike`` makes all fibres of one drawing: equal lengths, equal glass.
    """
    if length_m is None:
        length_m = float(rng.uniform(3_000, 5_000))
    if closures_m is None:
        closures_m = draw_places(rng, length_m, closures, gap_m=450.0)
    reels_m = np.diff([0.0, *closures_m, length_m])
    count = len(reels_m)
    glass = {}
    for number in range(first, first + fibres):
        spread = 0.0 if alike else _LENGTH_SPREAD
        lengths_m = reels_m * (_EXCESS + rng.normal(0, spread, count))
        slopes = ATTENUATION_DB_PER_KM[1550] + rng.normal(
            0, 0.0 if alike else _SLOPE_SPREAD_DB_PER_KM, count
        )
        ends_m = np.cumsum(lengths_m)
        glass[number] = span_of(
            float(ends_m[-1]),
            [float(x) for x in ends_m[:-1]],
            draw_losses(rng, count - 1, *losses_db),
            spread_levels(rng, count, sigma_b_db),
            attenuation_db_per_km=[float(x) for x in slopes],
        )
    return Cable(name, glass, tuple(float(x) for x in closures_m), ribbon)


def at_wavelength(glass: Fibre, nm: int) -> Fibre:
    """Return glass that was drawn at 1550 nm as it is at another wavelength."""
    if nm == 1550:
        return glass
    more = ATTENUATION_DB_PER_KM[nm] - ATTENUATION_DB_PER_KM[1550]
    return replace(
        glass,
        sections=tuple(
            replace(s, attenuation_db_per_km=s.attenuation_db_per_km + more) for s in glass.sections
        ),
        joints=tuple(
            replace(j, loss_db=round(0.05 + (j.loss_db - 0.05) * _BEND_SHARE_AT_1310, 3))
            if j.kind is JointKind.BEND and nm == 1310
            else j
            for j in glass.joints
        ),
    )


def changed(cable: Cable, fibres: Iterable[int], change: Callable[[Fibre], Fibre]) -> Cable:
    """Return the cable with other glass in some of its fibres."""
    return replace(cable, glass={**cable.glass, **{n: change(cable.glass[n]) for n in fibres}})


def with_bad(cable: Cable, fibre: int, closure: int, loss_db: float) -> Cable:
    """Return the cable with this loss at one splice; closures count from 1."""
    return changed(cable, (fibre,), lambda glass: with_loss(glass, closure - 1, loss_db))


def with_bend(cable: Cable, fibre: int, closure: int, loss_db: float) -> Cable:
    """Return the cable with a fibre bent in a tray: this loss at 1550 nm, next to none at 1310."""

    def bent(glass: Fibre) -> Fibre:
        joints = list(glass.joints)
        joints[closure - 1] = Joint(loss_db, kind=JointKind.BEND)
        return replace(glass, joints=tuple(joints))

    return changed(cable, (fibre,), bent)


def with_mid_splice(cable: Cable, losses_db: Mapping[int, float], reel: int, share: float) -> Cable:
    """Return the cable with a splice of some fibres inside a reel (counted from 1)."""

    def spliced(number: int) -> Fibre:
        glass = cable.glass[number]
        start_m, end_m = glass.boundaries_m[reel - 1 : reel + 1]
        return with_point(glass, start_m + share * (end_m - start_m), losses_db[number])

    return replace(cable, glass={**cable.glass, **{n: spliced(n) for n in losses_db}})


def with_length(cable: Cable, fibres: Iterable[int], reel: int, more_m: float) -> Cable:
    """Return the cable with more fibre in one reel (counted from 1) of some fibres: slack."""

    def longer(glass: Fibre) -> Fibre:
        sections = list(glass.sections)
        old = sections[reel - 1]
        sections[reel - 1] = replace(old, length_m=old.length_m + more_m)
        return replace(glass, sections=tuple(sections))

    return changed(cable, fibres, longer)


def crossed(cable: Cable, swaps: Mapping[int, int], closure: int) -> Cable:
    """Return the cable with fibres spliced to other fibres at a closure (counted from 1).

    ``swaps`` maps a fibre to the one it goes on as; the glass before keeps A's numbers, the
    glass behind keeps B's. Splice losses stay with the fibre that comes from A.
    """

    def path(number: int) -> Fibre:
        near, far = cable.glass[number], cable.glass[swaps[number]]
        return replace(
            near,
            sections=near.sections[:closure] + far.sections[closure:],
            joints=near.joints[:closure] + far.joints[closure:],
        )

    at_b = {n: cable.at_b.get(m, m) for n, m in swaps.items()}
    return replace(
        cable,
        glass={**cable.glass, **{n: path(n) for n in swaps}},
        at_b={**cable.at_b, **at_b},
    )


def exchanged(*pairs: tuple[int, int]) -> dict[int, int]:
    """Map each of two fibres to the other."""
    return {**dict(pairs), **{b: a for a, b in pairs}}


def with_all_steps(cable: Cable, draw: Callable[[], float]) -> Cable:
    """Return the cable with a backscatter step drawn for every splice."""

    def stepped(glass: Fibre) -> Fibre:
        for k in range(len(glass.joints)):
            glass = with_level_step(glass, k, draw())
        return glass

    return changed(cable, cable.numbers, stepped)


# -- what a crew does ------------------------------------------------------------------


def usual(
    cable: Cable,
    nms: Sequence[int] = (1550,),
    *,
    folder: str = STICK,
    day: datetime = MORNING,
    cord_m: float | None = 300.0,
) -> dict[Slot, Take]:
    """Shoot a cable as it should be: all from A, all from B the day after, tidy names."""
    takes = {}
    for number in cable.numbers:
        for nm in nms:
            for end in "AB":
                typed = number if end == "A" else cable.at_b.get(number, number)
                near, far = HUTS if end == "A" else HUTS[::-1]
                label = {
                    "cable": cable.name,
                    "fibre": f"{typed:03d}",
                    "location_a": near,
                    "location_b": far,
                    "operator": "crew 4",
                    "user_offset_m": cord_m or 0.0,
                    "taken": day
                    + (NIGHT if end == "B" else timedelta())
                    + timedelta(minutes=typed, seconds=10 * nms.index(nm)),
                }
                way = "AB" if end == "A" else "BA"
                path = f"{folder}/{cable.name}_F{typed:03d}_{nm}_{way}.sor"
                glass = cable.glass[number]
                takes[number, nm, end] = Take(glass, end, nm, path, label, (cord_m, cord_m))
    return takes


def labelled(take: Take, path: str | None = None, **texts: Any) -> Take:
    """Return a take with other texts in its header, and perhaps another name."""
    return replace(take, label={**take.label, **texts}, path=path or take.path)


def again(take: Take, later: timedelta, *, glass: Fibre | None = None, mark: str = "_2") -> Take:
    """Return the same shot taken once more, later, under a name of its own."""
    return replace(
        take,
        glass=take.glass if glass is None else glass,
        path=take.path.replace(".sor", f"{mark}.sor"),
        label={**take.label, "taken": take.label["taken"] + later},
    )


def folder_of(take: Take, folder: str) -> Take:
    """Return a take whose file lies in another folder under the same name."""
    return replace(take, path=f"{folder}/{take.path.rpartition('/')[2]}")


def files_of(rng: Rng, takes: Mapping[Any, Take] | Sequence[Take]) -> Files:
    """Shoot: one instrument, whose range the crew chose for the longest fibre."""
    every = list(takes.values()) if isinstance(takes, Mapping) else list(takes)
    longest = max((take.way for take in every), key=lambda way: way.length_m)
    return tuple(
        (
            take.path,
            shot_bytes(
                rng,
                take.way,
                instrument_for(longest, nm=take.nm, **{"points": _POINTS, **take.settings}),
                Label(**take.label),
            ),
        )
        for take in every
    )


@contextlib.contextmanager
def inside(folder: str) -> Iterator[None]:
    """Work in a folder, and return to where it was."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def text_file(path: str, *lines: str) -> Files:
    """Give a small text file: a table, a profile, a note."""
    return ((path, ("\n".join(lines) + "\n").encode()),)

"""Short cables of two fibres, each with the one thing that some key of a profile asks about.

Everything is invented and simulated: three reels of 700 m, two closures, both fibres shot from
both ends at 1310 and 1550 nm. Fibre 1 loses 0.25 dB in closure 2, all others 0.05 dB.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from simulated import (
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Label,
    Section,
    point_count_for,
    shoot,
    sor_file,
    spacing_counts_for,
    with_far_end_noise,
)

from otdravg import sor

MORNING = datetime(2024, 5, 14, 8, 0, tzinfo=timezone.utc)
WAVELENGTHS = (1310, 1550)
ATTENUATION_DB_PER_KM = {1310: 0.34, 1550: 0.19}
#: A connector as crews mate it (common practice, no source): 0.3 dB, -50 dB.
CONNECTOR = Joint(0.3, -50.0, JointKind.CONNECTOR)
CORD_M = 500.0


def glass(fibre: int, nm: int, *joints: Joint) -> Fibre:
    """A fibre of three reels; what its joints are, if not splices."""
    levels_db = np.random.default_rng((7, fibre)).normal(0, 0.06, 3)
    sections = tuple(
        Section(length_m, ATTENUATION_DB_PER_KM[nm], float(level_db))
        for length_m, level_db in zip((690.0, 720.0, 705.0), levels_db, strict=True)
    )
    return Fibre(sections, joints or (Joint(0.05), Joint(0.25 if fibre == 1 else 0.05)))


def write(
    folder: Path,
    fibre: int,
    nm: int,
    end: str,
    span: Fibre | None = None,
    *,
    days: int = 0,
    noise_db: float = 0.004,
    cord: bool = False,
    spacing_m: float = 1.0,
) -> None:
    """Shoot a fibre from one end."""
    way = span or glass(fibre, nm)
    link = way if end == "A" else way.reversed()
    reach_m = way.length_m + 800.0
    if cord:
        piece = Section(CORD_M, ATTENUATION_DB_PER_KM[nm], 0.0)
        link, reach_m = link.with_cords(piece, piece, CONNECTOR), reach_m + 2 * CORD_M
    counts = spacing_counts_for(spacing_m, link.group_index)
    instrument = Instrument(
        pulse_ns=50.0 * spacing_m,
        spacing_counts=counts,
        point_count=point_count_for(reach_m, counts, link.group_index),
        wavelength_nm=nm,
        backscatter_coefficient_db={1310: -79.0, 1550: -81.5}[nm],
        ripple_db=0.001,
    )
    later = timedelta(days=days, hours=end == "B", minutes=fibre)
    ends = ("Alder hut", "Birch hut")
    label = Label(
        "SIM-KEYS", str(fibre), *(ends if end == "A" else ends[::-1]),
        comment="invented cable, not a measurement", taken=MORNING + later,
        user_offset_m=CORD_M if cord else 0.0,
    )  # fmt: skip
    name = f"F{fibre}_{nm}_{end}_{days}.sor"
    seen = shoot(
        link,
        with_far_end_noise(instrument, link, noise_db),
        np.random.default_rng((fibre, nm, end == "B", days)),
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(sor.encode(sor_file(seen, label, name)))


def plain(folder: Path, **how: object) -> None:
    for fibre in (1, 2):
        for nm in WAVELENGTHS:
            for end in "AB":
                write(folder, fibre, nm, end, **how)  # type: ignore[arg-type]


def cords(folder: Path) -> None:
    """Launch and receive fibres, with connectors at both ends of the span."""
    plain(folder, cord=True)


def bent(folder: Path) -> None:
    """Fibre 2 loses far more at the longer wavelength in closure 2."""
    plain(folder)
    for end in "AB":
        write(folder, 2, 1550, end, glass(2, 1550, Joint(0.05), Joint(0.2)))


def unequal(folder: Path) -> None:
    """The shots from B show fibre 1 five metres longer than those from A."""
    plain(folder)
    for nm in WAVELENGTHS:
        span = glass(1, nm)
        first, *others = span.sections
        longer = (replace(first, length_m=first.length_m + 5), *others)
        write(folder, 1, nm, "B", replace(span, sections=longer))


def single(folder: Path) -> None:
    """Shot from A alone."""
    for fibre in (1, 2):
        for nm in WAVELENGTHS:
            write(folder, fibre, nm, "A")


def beyond(folder: Path) -> None:
    """Reels of 14 km; the shots from B sink into the noise before they reach closure 1."""
    for fibre in (1, 2):
        for nm in WAVELENGTHS:
            span = glass(fibre, nm)
            long = tuple(replace(own, length_m=20 * own.length_m) for own in span.sections)
            for end, noise_db in (("A", 0.02), ("B", 10.0)):
                span = Fibre(long, (Joint(0.05), Joint(0.05)))
                write(folder, fibre, nm, end, span, noise_db=noise_db, spacing_m=8.0)


def plugged(folder: Path) -> None:
    """Closure 2 holds connectors."""
    for fibre in (1, 2):
        for nm in WAVELENGTHS:
            for end in "AB":
                write(folder, fibre, nm, end, glass(fibre, nm, Joint(0.05), CONNECTOR))


def pigtails(folder: Path) -> None:
    """In closure 2 a connector and its splice stand too close to be told apart."""
    for fibre in (1, 2):
        for nm in WAVELENGTHS:
            span = glass(fibre, nm)
            first, second, last = span.sections
            other = replace(last, backscatter_db=second.backscatter_db + 0.35)
            short = replace(other, length_m=4.0)
            joints = (Joint(0.05), CONNECTOR, Joint(0.1))
            for end in "AB":
                write(folder, fibre, nm, end, Fibre((first, second, short, other), joints))


def repaired(folder: Path) -> None:
    """Closure 2 was spliced again for fibre 1, and only fibre 1 was shot again."""
    plain(folder)
    for nm in WAVELENGTHS:
        for end in "AB":
            write(folder, 1, nm, end, glass(1, nm, Joint(0.05), Joint(0.22)), days=3)


MAKERS: dict[str, Callable[[Path], None]] = {
    maker.__name__: maker
    for maker in (plain, cords, bent, unequal, single, beyond, plugged, pigtails, repaired)
}

"""One shot as a crew took it and typed it in, and the file that came of it.

What differs from the usual is a mistake: the wrong fibre, end, laser, pulse, cord or label.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone

import numpy as np

from otdravg import sor
from otdravg.simulate.cable_run import CableRun, fibre_of, with_demo_cords
from otdravg.simulate.fibre import Fibre
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.instrument import Instrument, point_count_for, spacing_counts_for
from otdravg.simulate.physics import shoot, with_far_end_noise

#: Backscatter coefficient for a 1 ns pulse in dB (common practice, no source).
BACKSCATTER_DB = {1310: -79.0, 1490: -81.0, 1550: -81.5, 1625: -82.0}

FIRST_SHOT = datetime(2024, 5, 14, 7, 30, tzinfo=timezone.utc)

#: Receiver noise at the far end of the fibre, one-way dB.
_FAR_END_NOISE_DB = 0.008


@dataclass(frozen=True, slots=True)
class Site:
    """Where a crew works: the route, how its fibres are drawn, and how dense points lie."""

    run: CableRun
    seed: int
    ribbon_size: int = 12
    bend: bool = True  # whether the planted bends are there
    spacing_m: float | None = None  # other than the run's

    def glass(self, fibre: int, nm: int, *, before_repair: bool = False) -> Fibre:
        """Return a fibre of the route, from A to B without cords."""
        return fibre_of(
            self.run,
            fibre,
            ribbon_size=self.ribbon_size,
            wavelength_nm=nm,
            bend=self.bend,
            seed=self.seed,
            before_repair=before_repair,
        )


@dataclass(frozen=True, slots=True)
class Take:
    """One shot: what it is meant to be, and what else it really is.

    ``fibre``, ``nm`` and ``direction`` (``AB``: shot from A) are what the crew meant. ``None``
    elsewhere means "as meant".
    """

    fibre: int
    nm: int
    direction: str = "AB"
    folder: str = ""  # below the run's folder
    name: str | None = None
    # What was really shot, and from where.
    of_fibre: int | None = None
    span: Fibre | None = None  # other glass altogether, seen from A
    from_end: str | None = None  # "A" or "B"
    broken_at_m: float | None = None  # from A
    before_repair: bool = False
    # How.
    shot_nm: int | None = None  # of the laser
    pulse_ns: float = 100.0
    launch_m: float | None = None  # 0: the cord was forgotten
    group_index: float | None = None  # as set on the instrument
    noisier: float = 1.0  # factor on the receiver's noise
    again: int = 0  # another number is another shot of the same glass
    # What was typed in.
    taken: datetime | None = None
    header_fibre: int | None = None
    header_direction: str | None = None
    # What became of the file.
    kept_share: float = 1.0  # of its bytes; below 1 it was cut off while it was copied
    overwritten: bool = False


def file_name(run: CableRun, fibre: int, nm: int, direction: str) -> str:
    """Name a file as the crew does: cable, fibre, wavelength, direction."""
    return f"{run.cable}_F{fibre:03d}_{nm}_{direction}.sor"


def path_of(take: Take, run: CableRun) -> str:
    """Return the path of a take's file below the run's folder, with forward slashes."""
    name = take.name or file_name(run, take.fibre, take.nm, take.direction)
    return f"{take.folder}/{name}" if take.folder else name


def usual_time(take: Take) -> datetime:
    """Say when a crew takes a shot: fibre after fibre, the day after from the other end."""
    return FIRST_SHOT + timedelta(
        days=take.direction == "BA", minutes=take.fibre, seconds=(take.nm - 1310) // 10
    )


def made(take: Take, site: Site, **label: object) -> sor.SorFile:
    """Shoot and label as the crew does; ``label`` changes fields of the :class:`Label`."""
    run = site.run
    nm = take.shot_nm or take.nm
    launch_m = run.cord_m if take.launch_m is None else take.launch_m
    way = _way_of(take, site, nm)
    link = with_demo_cords(way, nm, launch_m, run.cord_m)
    instrument = _instrument(link, take, site)
    if take.broken_at_m is not None:
        seen = _up_to_break(way, take, take.broken_at_m)
        link = with_demo_cords(seen, nm, launch_m, 0.0)
    from_b = take.direction == "BA"
    again = (take.again,) if take.again else ()
    rng = np.random.default_rng((site.seed, 2, take.fibre, nm, from_b, *again))
    shot = shoot(link, instrument, rng)
    ends = run.end_a, run.end_b
    typed = Label(
        cable=run.cable,
        fibre=f"{take.header_fibre or take.fibre:03d}",
        location_a=ends[(take.header_direction or take.direction) == "BA"],
        location_b=ends[(take.header_direction or take.direction) == "AB"],
        comment="invented cable run, not a measurement",
        operator="simulated crew",
        user_offset_m=launch_m,
        taken=take.taken or usual_time(take),
    )
    labelled = replace(typed, **label)  # type: ignore[arg-type]
    return sor_file(shot, labelled, path_of(take, run))


def content_of(take: Take, site: Site) -> bytes:
    """Return the bytes of a take's file as they lie on the disk."""
    content = sor.encode(made(take, site))
    if take.overwritten:
        content = bytes(min(512, len(content))) + content[512:]
    return content[: round(take.kept_share * len(content))]


def _end_of(take: Take) -> str:
    """Say which end a shot was really taken from."""
    return take.from_end or ("B" if take.direction == "BA" else "A")


def _way_of(take: Take, site: Site, nm: int) -> Fibre:
    """Return the glass in the order in which the light of a take meets it."""
    span = take.span
    if span is None:
        span = site.glass(take.of_fibre or take.fibre, nm, before_repair=take.before_repair)
    return span.reversed() if _end_of(take) == "B" else span


def _up_to_break(way: Fibre, take: Take, broken_at_m: float) -> Fibre:
    """Return what light sees of a broken fibre."""
    at_m = way.length_m - broken_at_m if _end_of(take) == "B" else broken_at_m
    return way.broken_at(at_m, way.end_b_reflectance_db)


def _instrument(link: Fibre, take: Take, site: Site) -> Instrument:
    """Give the crew's instrument: the same settings for every fibre of the run."""
    spacing_counts = spacing_counts_for(site.spacing_m or site.run.spacing_m, link.group_index)
    # A wrong label is typed; the laser behind it scatters as it does.
    laser_nm = take.shot_nm or take.nm
    instrument = Instrument(
        pulse_ns=take.pulse_ns,
        spacing_counts=spacing_counts,
        point_count=point_count_for(site.run.record_m, spacing_counts, link.group_index),
        group_index=take.group_index or link.group_index,
        wavelength_nm=take.nm,
        backscatter_coefficient_db=BACKSCATTER_DB[laser_nm],
        ripple_db=0.0015,
    )
    return with_far_end_noise(instrument, link, _FAR_END_NOISE_DB * take.noisier)

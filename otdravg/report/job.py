"""A job in plain words, and what remains to be shot of it."""

from __future__ import annotations

from collections.abc import Sequence

from otdravg.cable.model import ShotToTake
from otdravg.job.lists import LISTS
from otdravg.job.model import Job
from otdravg.quantities import distance_text
from otdravg.report.causes import span_text, wavelengths_text
from otdravg.report.page import Page
from otdravg.shot.settings import Direction

__all__ = ["job_page", "remaining"]


def remaining(
    shots: Sequence[ShotToTake], ends: tuple[str, str] = ("", ""), *, several: bool = False
) -> list[tuple[str, str]]:
    """Say what remains to be shot, end by end: where to stand, and fibres with wavelengths.

    Fibres that lack the same wavelengths stand together. The cable is named if there are
    ``several``, among these shots or beside them.
    """
    several |= len({shot.cable for shot in shots}) > 1
    places: dict[tuple[str, Direction], dict[int, set[int]]] = {}
    for shot in shots:
        own = places.setdefault((shot.cable, shot.direction), {})
        own.setdefault(shot.fibre, set()).add(shot.wavelength_nm)
    lines = []
    for (cable, direction), fibres in places.items():
        groups: dict[tuple[int, ...], list[int]] = {}
        for fibre, wavelengths_nm in fibres.items():
            groups.setdefault(tuple(sorted(wavelengths_nm)), []).append(fibre)
        far = direction is Direction.B_TO_A
        end = ("B" if far else "A") + (f" ({ends[far]})" if ends[far] else "")
        label = f"{cable}, {end}" if several else end
        parts = [f"{span_text(own)} at {wavelengths_text(nm)}" for nm, own in groups.items()]
        noun = "fibre" if len(fibres) == 1 else "fibres"
        lines.append((label, f"{noun} {'; '.join(parts)}"))
    return lines


def job_page(job: Job, *, ascii_only: bool = False, columns: int = 80) -> Page:
    """Begin a page with everything that a job says."""
    page = Page(ascii_only=ascii_only, colour=False, columns=columns)
    ribbon = {None: "as in the profile", 0: "none, loose tube"}.get(job.ribbon, str(job.ribbon))
    page.entry("Cable", f"{job.cable}, {job.fibres} fibres, ribbon: {ribbon}")
    page.entry("Ends", f"A = {job.ends[0] or 'not said'}, B = {job.ends[1] or 'not said'}")
    page.entry("Wavelengths", wavelengths_text(job.wavelengths_nm))
    stage = f", stage {job.stage}" if job.stage else ""
    page.entry("Profile", (job.profile or "none: a default limit, the contract decides") + stage)
    page.entry("Colours", ", ".join(job.colours) or "TIA-598")
    for label, names in (
        ("Instruments", [one.name for one in job.instruments]),
        ("Shots", job.shots),
        ("Reels", [f"{reel.name} {reel.fibre_type}" for reel in job.reels]),
        ("Closures", [f"{c.name} {distance_text(c.distance_m, km=True)}" for c in job.closures]),
    ):
        if names:
            page.entry(label, ", ".join(names))
    for own in LISTS:
        if not own.option and (count := len(getattr(job, own.name))):
            page.entry(own.file, f"{count} row{'s' * (count > 1)}")
    for label, length_m in (("Launch", job.launch_m), ("Receive", job.receive_m)):
        if length_m is not None:
            page.entry(label, distance_text(length_m, km=False))
    return page

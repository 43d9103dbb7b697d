"""A job in plain words, and what remains to be shot of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from otdravg.cable.checks.missing import in_shooting_order
from otdravg.cable.files.names import same_text
from otdravg.cable.model import ShotToTake
from otdravg.cable.planned import NumberAtB
from otdravg.job.lists import LISTS
from otdravg.job.model import Job
from otdravg.quantities import distance_text
from otdravg.report.causes import span_text, wavelengths_text
from otdravg.report.page import Page
from otdravg.shot.settings import Direction

__all__ = ["job_page", "remaining"]


def remaining(
    shots: Sequence[ShotToTake],
    ends: tuple[str, str] = ("", ""),
    *,
    several: bool = False,
    at_b: Sequence[NumberAtB] = (),
) -> list[tuple[str, str]]:
    """Say what remains to be shot, end by end: where to stand, and fibres with wavelengths.

    Fibres that lack the same wavelengths stand together. The cable is named if there are
    ``several``, among these shots or beside them. Whoever stands at B is told the numbers that
    fibres have ``at_b``.
    """
    there = {one.at_a: one for one in at_b}
    numbered = {_as_at_its_end(shot, there) for shot in shots}
    is_renumbered = numbered != set(shots)
    shots = sorted(numbered, key=in_shooting_order)
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
        said = f"{noun} {'; '.join(parts)}"
        lines.append((label, f"{said}, as numbered at B" if far and is_renumbered else said))
    return lines


def _as_at_its_end(shot: ShotToTake, there: Mapping[int, NumberAtB]) -> ShotToTake:
    """Return a shot under the cable and number that somebody finds at the end it is taken from."""
    own = there.get(shot.fibre)
    if own is None or shot.direction is not Direction.B_TO_A:
        return shot
    is_same = same_text(own.cable) == same_text(shot.cable)
    return replace(shot, cable=shot.cable if is_same else own.cable, fibre=own.number)


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

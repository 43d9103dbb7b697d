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
from otdravg.quantities import distance
from otdravg.report.causes import wavelengths_text
from otdravg.report.page import Page
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text
from otdravg.words.headings import Words

#: Where nobody asked for a language.
ENGLISH = Words()


def remaining(
    shots: Sequence[ShotToTake],
    ends: tuple[str, str] = ("", ""),
    words: Words = ENGLISH,
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
    cables = {shot.cable for shot in shots}
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
        is_branch = cable not in cables  # its far end is none of the job's
        end = ("B" if far else "A") + (f" ({ends[far]})" if ends[far] and not is_branch else "")
        label = f"{cable}, {end}" if several or is_branch else end
        parts = "; ".join(
            numbers_text(own) + words.say("cable", "at", wavelengths=wavelengths_text(nm, words))
            for nm, own in groups.items()
        )
        noun = words.say("cable", "fibre" if len(fibres) == 1 else "fibres")
        there_b = words.say("cable", "as-numbered-at-b") if far and is_renumbered else ""
        lines.append((label, f"{noun} {parts}{there_b}"))
    return lines


def _as_at_its_end(shot: ShotToTake, there: Mapping[int, NumberAtB]) -> ShotToTake:
    """Return a shot under the cable and number that somebody finds at the end it is taken from."""
    own = there.get(shot.fibre)
    if own is None or shot.direction is not Direction.B_TO_A:
        return shot
    is_same = same_text(own.cable) == same_text(shot.cable)
    return replace(shot, cable=shot.cable if is_same else own.cable, fibre=own.number)


def job_page(job: Job, words: Words = ENGLISH, *, ascii_only: bool = False) -> Page:
    """Begin a page with everything that a job says."""
    page = Page(ascii_only=ascii_only, colour=False)

    def entry(label: str, text: str) -> None:
        page.entry(words.say("job", f"label-{label}"), text)

    def length(length_m: float, km: bool) -> str:
        return words.told(distance(length_m, km=km))

    unsaid = words.say("job", "unsaid")
    ribbon = {None: words.say("job", "as-profile"), 0: words.say("job", "loose-tube")}.get(
        job.ribbon, str(job.ribbon)
    )
    entry("cable", words.say("job", "cable", cable=job.cable, fibres=job.fibres, ribbon=ribbon))
    entry("ends", words.say("cable", "ends", a=job.ends[0] or unsaid, b=job.ends[1] or unsaid))
    entry("wavelengths", wavelengths_text(job.wavelengths_nm, words))
    stage = words.say("job", "stage", stage=job.stage) if job.stage else ""
    entry("profile", (job.profile or words.say("job", "no-profile")) + stage)
    entry("colours", ", ".join(words.value(own) for own in job.colours) or "TIA-598")
    for label, names in (
        ("instruments", [one.name for one in job.instruments]),
        ("shots", job.shots),
        ("reels", [f"{reel.name} {reel.fibre_type}" for reel in job.reels]),
        ("closures", [f"{c.name} {length(c.distance_m, km=True)}" for c in job.closures]),
    ):
        if names:
            entry(label, ", ".join(names))
    for own in LISTS:
        if not own.option and (count := len(getattr(job, own.name))):
            page.entry(own.file, words.say("job", "rows", count=count))
    for label, length_m in (("launch", job.launch_m), ("receive", job.receive_m)):
        if length_m is not None:
            entry(label, length(length_m, km=False))
    return page

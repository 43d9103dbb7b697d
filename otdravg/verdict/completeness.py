"""Which shots have to exist, and which have to be taken again."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from otdravg.shot.settings import Direction
from otdravg.verdict.limits import same_band
from otdravg.verdict.rules import Directions

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["ShotNeed", "due_again", "missing_shots"]


@dataclass(frozen=True, slots=True)
class ShotNeed:
    """One shot that has to exist."""

    fibre: int
    direction: Direction
    wavelength_nm: int


def missing_shots(
    profile: Profile,
    fibres: Iterable[int],
    taken: Collection[ShotNeed],
    length_m: float | None,
    fibre_type: str,
) -> tuple[ShotNeed, ...]:
    """List the shots asked and not taken; see :meth:`otdravg.verdict.Profile.missing_shots`."""
    by_fibre: dict[int, list[ShotNeed]] = {}
    for shot in taken:
        by_fibre.setdefault(shot.fibre, []).append(shot)
    wanted = fibres if profile.completeness.every_fibre else by_fibre
    wavelengths_nm = profile.required_wavelengths(length_m, fibre_type)
    missing = []
    for fibre in sorted(wanted):
        own = by_fibre.get(fibre, [])
        for nm in wavelengths_nm or sorted({shot.wavelength_nm for shot in taken}):
            missing += _missing_at(fibre, nm, own, profile.stage.directions)
    return tuple(missing)


def _missing_at(
    fibre: int, nm: int, own: Iterable[ShotNeed], directions: Directions
) -> list[ShotNeed]:
    have = {shot.direction for shot in own if same_band(shot.wavelength_nm, nm)}
    ends = (Direction.A_TO_B, Direction.B_TO_A)
    if directions is Directions.ONE:
        return [] if have & set(ends) else [ShotNeed(fibre, Direction.A_TO_B, nm)]
    return [ShotNeed(fibre, end, nm) for end in ends if end not in have]


def due_again(
    profile: Profile, taken: Mapping[ShotNeed, datetime], touched: Mapping[int, datetime]
) -> tuple[ShotNeed, ...]:
    """List shots older than the work on their fibre; see :meth:`otdravg.verdict.Profile.due_again`.

    An existing fibre that was spliced to is no longer the fibre that was shot.
    """
    if not profile.completeness.retest_touched:
        return ()
    due = [
        shot for shot, when in taken.items() if shot.fibre in touched and when < touched[shot.fibre]
    ]
    return tuple(sorted(due, key=lambda s: (s.fibre, s.wavelength_nm, s.direction.value)))

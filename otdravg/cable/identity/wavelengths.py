"""Stories of numbering, told over all wavelengths of a cable jointly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from otdravg.cable.identity.fingerprint import Comparison, Features
from otdravg.cable.identity.stories import CLEAR, Story, numbering_told

__all__ = ["Told", "told_over"]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """A story, and the wavelength at which alone it is true, if it is so."""

    story: Story
    wavelength_nm: int | None


def told_over(
    sides: Mapping[int, tuple[list[Features | None], list[Features | None]]],
    ribbon_size: int | None,
) -> tuple[list[Told], tuple[Story, ...], Comparison]:
    """Tell stories of all wavelengths together, and before them those of one wavelength alone.

    All shots of a fibre are of the same two ends, whatever their wavelength: what is told at
    one of them only must be false at all others, where the labels themselves are proved.

    Parameters
    ----------
    sides : mapping
        By wavelength in nm the features of all shots from A and from B, in the order of numbers.
    ribbon_size : int or None
        None in loose tube.

    Returns
    -------
    list of Told
        The surest first.
    tuple of Story
        What may be a slip and is not proved.
    Comparison
        Of all wavelengths together, without what is wrong at one of them only.
    """
    told: list[Told] = []
    tables = {nm: Comparison([a], [b]) for nm, (a, b) in sides.items()}
    for nm, table in tables.items() if len(tables) > 1 else ():
        others = [other for own, other in tables.items() if own != nm]
        told += [
            Told(story, nm)
            for story in numbering_told(table, ribbon_size).stories
            if all(_as_labelled(other, story) for other in others)
        ]
    without = {
        (one.wavelength_nm, int(n)) for one in told for n in (*one.story.rows, *one.story.partner)
    }
    from_a, from_b = (
        [
            [None if (nm, n) in without else f for n, f in enumerate(both[side])]
            for nm, both in sides.items()
        ]
        for side in (0, 1)
    )
    together = Comparison(from_a, from_b)
    numbering = numbering_told(together, ribbon_size)
    told += [Told(story, None) for story in numbering.stories]
    return sorted(told, key=lambda one: -one.story.odds), numbering.doubts, together


def _as_labelled(table: Comparison, story: Story) -> bool:
    """Whether a wavelength's shots prove that the fibres of a story are as they are labelled."""
    rows, partner = story.rows[story.partner >= 0], story.partner[story.partner >= 0]
    new, own = (
        float(np.maximum(np.nan_to_num(table.of_pairs(rows, other)), -CLEAR).sum())
        for other in (partner, rows)
    )
    return own >= CLEAR and own - new >= CLEAR

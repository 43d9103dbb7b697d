"""Why a pair may not be what its files say: what is in doubt before any figure is believed.

A doubt withholds every order to cut and every all-clear. Each one names what would settle it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from otdravg.findings import Finding, caution
from otdravg.pair.checks import pair_findings
from otdravg.pair.measure import Measurement
from otdravg.shot.settings import Identity

__all__ = ["doubts_of"]

#: Findings of the measuring itself that leave open what the figures are of, or where.
_OF_THE_AXIS = frozenset({"pattern-unconfirmed", "cord-unconfirmed"})


def doubts_of(measurement: Measurement) -> tuple[Finding, ...]:
    """Return why both shots may not be one fibre from both ends, or not as stated.

    Parameters
    ----------
    measurement : Measurement

    Returns
    -------
    tuple of Finding
        Empty for a pair that nothing speaks against.
    """
    return (
        *_names(measurement.ab.identity, measurement.ba.identity),
        *(f for f in measurement.findings if f.code in _OF_THE_AXIS),
        *pair_findings(measurement),
    )


def _names(ab: Identity, ba: Identity) -> Iterator[Finding]:
    """Compare what the headers say of the fibre.

    All fibres of a cable are spliced at the same places, so shots of two of them pair
    without a fault to see, and only the headers tell.
    """
    for code, from_a, from_b in (
        ("fibre-names-differ", ab.fibre, ba.fibre),
        ("cable-names-differ", ab.cable, ba.cable),
    ):
        if _name_different_things(from_a, from_b):
            yield caution(code, "GenParams", from_a=from_a, from_b=from_b)


def _name_different_things(one: str, other: str) -> bool:
    """Tell 012 from 013, but not 012 from ``F12``; an empty name says nothing."""
    keys = [[int(digits) for digits in re.findall("[0-9]+", name)] for name in (one, other)]
    if all(keys):
        return keys[0] != keys[1]
    letters = ["".join(filter(str.isalnum, name)).casefold() for name in (one, other)]
    return all(letters) and letters[0] != letters[1]

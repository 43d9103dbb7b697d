"""One place judged at all its wavelengths: a bend told from a splice, and/or between limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from math import hypot
from typing import TYPE_CHECKING

from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded
from otdravg.verdict.rules import Combination
from otdravg.verdict.verdicts import PlaceReading, PlaceVerdict, SpliceVerdict, severity

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["combined", "is_bend", "judge_place"]

_UNJUDGED = (Verdict.NOT_JUDGED, Verdict.INFORMATION)


def is_bend(
    threshold_db: Decimal | None,
    short: tuple[float, float],
    long: tuple[float, float],
) -> bool:
    """Tell whether the loss at a longer wavelength points to a bend.

    Parameters
    ----------
    threshold_db : Decimal or None
        Difference above which a bend is suspected; None: the profile has no such rule.
    short, long : tuple of float
        True loss and its standard uncertainty in dB at the shorter and longer wavelength.

    Returns
    -------
    bool
        True if the difference as reported exceeds both the threshold and its own expanded
        uncertainty (k = 2).
    """
    difference_db = reported(long[0] - short[0], Quantity.LOSS_DB)
    if threshold_db is None or difference_db is None:
        return False
    return difference_db > max(threshold_db, expanded(hypot(short[1], long[1])))


def judge_place(profile: Profile, readings: Mapping[int, PlaceReading]) -> PlaceVerdict:
    """Judge a place; see :meth:`otdravg.verdict.Profile.judge_place`."""
    in_order = dict(sorted(readings.items()))
    verdicts = {nm: reading.verdict for nm, reading in in_order.items()}
    verdicts.update(_bends(profile, in_order))
    return PlaceVerdict(combined(profile, verdicts), verdicts)


def combined(profile: Profile, verdicts: Mapping[int, SpliceVerdict]) -> SpliceVerdict:
    """Combine the verdicts of one place by wavelength as the profile says; not empty.

    A bend is no matter of "all" or "any": it is undone by hand, whatever the other wavelength
    reads.
    """
    judged = [v for v in verdicts.values() if v.verdict not in _UNJUDGED]
    if not judged:
        return next(iter(verdicts.values()))
    pick = min if profile.splice.wavelengths is Combination.ANY else max
    overall = pick(judged, key=lambda v: severity(v.verdict))
    bends = [v for v in judged if v.verdict is Verdict.BEND]
    return max([overall, *bends], key=lambda v: severity(v.verdict))


def _bends(profile: Profile, readings: Mapping[int, PlaceReading]) -> dict[int, SpliceVerdict]:
    """Find the longer wavelengths at which the place loses far more than at the shortest."""
    measured = [
        (nm, reading, (reading.loss_db, reading.u_db or 0.0))
        for nm, reading in readings.items()
        if reading.loss_db is not None and reading.verdict.verdict is not Verdict.NOT_GRADABLE
    ]
    if profile.bend is None or len(measured) < 2:
        return {}
    shortest_nm, _, short = measured[0]
    bends = {}
    for nm, reading, long in measured[1:]:
        if not is_bend(profile.bend_threshold_db, short, long):
            continue
        more_db = reported(long[0] - short[0], Quantity.LOSS_DB)
        reason = (
            f"{more_db} dB more at {nm} nm than at {shortest_nm} nm, above "
            f"{profile.bend_threshold_db} dB: a bend is suspected. Open, re-dress the fibre and "
            "shoot again before any cutting."
        )
        bends[nm] = replace(
            reading.verdict,
            verdict=Verdict.BEND,
            reason=reason,
            action=Action.RE_DRESS,
            rule="bend.threshold_db",
        )
    return bends

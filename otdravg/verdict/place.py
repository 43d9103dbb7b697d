"""One place at all its wavelengths, or now and before: bends, and/or between limits, changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from math import hypot
from typing import TypeVar

from otdravg.findings import says
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded
from otdravg.verdict.rules import Combination, Profile
from otdravg.verdict.verdicts import PlaceReading, SpliceVerdict, held, severity

V = TypeVar("V", bound=SpliceVerdict)
_UNJUDGED = (Verdict.NOT_JUDGED, Verdict.INFORMATION)


def is_bend(
    threshold_db: Decimal | None,
    short: tuple[float, float | None],
    long: tuple[float, float | None],
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
        uncertainty (k = 2). Where that is not known, the threshold is enough to suspect one.
    """
    difference_db = reported(long[0] - short[0], Quantity.LOSS_DB)
    if threshold_db is None or difference_db is None:
        return False
    return difference_db > max(threshold_db, expanded(_both(short[1], long[1])) or threshold_db)


def _both(one: float | None, other: float | None) -> float | None:
    """Standard uncertainty of a difference; None if one of the two is not known."""
    return None if one is None or other is None else hypot(one, other)


#: Nominal wavelength, true loss and its standard uncertainty.
At = tuple[int, float, "float | None"]


def as_bend(judged: V, threshold_db: Decimal | None, short: At, long: At) -> V | None:
    """Return a verdict as that of a suspected bend; None if :func:`is_bend` sees none.

    ``short`` and ``long`` are the readings of its place at a shorter wavelength and at its own.
    """
    if not is_bend(threshold_db, short[1:], long[1:]):
        return None
    reason = says(
        "bend", more_db=reported(long[1] - short[1], Quantity.LOSS_DB),
        threshold_db=threshold_db, long_nm=long[0], short_nm=short[0],
    )  # fmt: skip
    rule, action = "bend.threshold_db", Action.RE_DRESS
    return replace(judged, verdict=Verdict.BEND, reason=reason, action=action, rule=rule)


def judge_place(profile: Profile, readings: Mapping[int, PlaceReading]) -> dict[int, SpliceVerdict]:
    """Judge one place at all its wavelengths together.

    Parameters
    ----------
    profile : Profile
    readings : mapping of int to PlaceReading
        By nominal wavelength in nm, each with its own verdict already.

    Returns
    -------
    dict of int to SpliceVerdict
        By wavelength: a longer one that loses more than the shortest by both the bend threshold
        and its expanded uncertainty is a suspected bend: re-dress, do not cut.
    """
    verdicts = {nm: reading.verdict for nm, reading in sorted(readings.items())}
    measured = [
        (nm, own.loss_db, own.u_db)
        for nm, own in sorted(readings.items())
        if own.loss_db is not None and own.verdict.verdict is not Verdict.NOT_GRADABLE
    ]
    for long in measured[1:]:
        own = verdicts[long[0]]
        verdicts[long[0]] = as_bend(own, profile.bend.threshold_db, measured[0], long) or own
    return verdicts


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


def judge_increase(profile: Profile, increase_db: float, u_db: float | None) -> SpliceVerdict:
    """Judge how a loss has grown, with the standard uncertainty of the difference, in dB."""
    key, limit_db = "change.increase_limit_db", profile.change.increase_limit_db
    shown_db = reported(increase_db, Quantity.LOSS_DB)
    if limit_db is None or shown_db is None:
        return SpliceVerdict(Verdict.NOT_JUDGED, says("no-change-limit"), rule=key)
    return held(shown_db, expanded(u_db), limit_db, profile.rule, key, says("change"))

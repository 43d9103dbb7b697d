"""Connectors held against a profile: average, each direction alone, or with their splice."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from enum import Enum
from typing import TYPE_CHECKING

from otdravg.findings import Statement, says
from otdravg.fit.reading import Kind, Reading
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, expanded
from otdravg.verdict.limits import Rule
from otdravg.verdict.rules import Profile
from otdravg.verdict.verdicts import SpliceVerdict, held

if TYPE_CHECKING:
    from otdravg.shot.detect import Event

#: An estimate below this is lost in its own uncertainty. Chosen, not derived: a mode field ratio
#: of 1.05 (Marcuse 1977), 0.2 dB of backscatter step, of which the glasses' scattering may be as
#: much.
MISMATCH_WORTH_SAYING_DB = Decimal("0.010")

#: Beside that, a cord's stated length may be off, m. Chosen, not derived: cords are stated to the
#: metre; the first splice of a span is farther.
_START_SLACK_M = 2.0


class Where(Enum):
    """Which end of the span a connector stands at."""

    FIRST = "first"
    LAST = "last"


def mismatch_loss_db(ratio: float) -> float:
    """Loss of a perfect splice between fibres of unequal mode field.

    Parameters
    ----------
    ratio : float
        w after / w before; the order does not matter.

    Returns
    -------
    float
        -20·log10(2r/(1 + r²)) in dB, never negative [1]_.

    References
    ----------
    .. [1] D. Marcuse, "Loss analysis of single-mode fiber splices", Bell Syst. Tech. J. 56
       (1977): loss between two Gaussian modes of unequal width.
    """
    return -20 * math.log10(2 * ratio / (1 + ratio * ratio))


def is_with_splice(profile: Profile, reading: Reading) -> bool:
    """Tell whether a reading is a connector and its splice, too close to part, under a rule."""
    return (
        reading.kind is Kind.GROUP
        and reading.reflectance_db is not None
        and profile.connector.with_splice_limit_db is not None
    )


def connector_verdicts(profile: Profile, reading: Reading) -> Iterator[SpliceVerdict]:
    """Judge a connector inside the span by every rule of the profile; none if it has none."""
    rule, part = profile.connector, "connector-alone"
    limit_db, key = rule.limit_db, "connector.limit_db"
    if reading.kind is Kind.GROUP:
        part, limit_db, key = (
            "connector-with-splice", rule.with_splice_limit_db, "connector.with_splice_limit_db",
        )  # fmt: skip
        ratio, unequal_db = reading.mode_field_ratio, rule.with_splice_mismatch_limit_db
        mismatch_db = None if ratio is None else reported(mismatch_loss_db(ratio), Quantity.LOSS_DB)
        if unequal_db is not None and (mismatch_db or 0) >= MISMATCH_WORTH_SAYING_DB:
            part, limit_db, key = (
                "connector-mismatch", unequal_db, "connector.with_splice_mismatch_limit_db",
            )  # fmt: skip
    if limit_db is not None:
        yield _held(profile, says(part), reading.loss_db, reading.u_loss_db, limit_db, key)
    if rule.per_direction_limit_db is not None and reading.kind is Kind.CONNECTOR:
        for end, loss_db, u_db in (
            ("A→B", reading.loss_ab_db, reading.u_ab_db),
            ("B→A", reading.loss_ba_db, reading.u_ba_db),
        ):
            what, key = says("connector-one-way", direction=end), "connector.per_direction_limit_db"
            yield _held(profile, what, loss_db, u_db, rule.per_direction_limit_db, key)
    # What stands alone here reflects, or it would be a splice.
    reflects = reading.kind is Kind.CONNECTOR
    yield from _reflectance(profile, says("connector-alone"), reading.reflectance_db, reflects)


def _held(
    profile: Profile,
    what: Statement,
    loss_db: float | None,
    u_db: float | None,
    limit_db: Decimal,
    key: str,
) -> SpliceVerdict:
    shown_db = reported(loss_db, Quantity.LOSS_DB)
    return held(shown_db, expanded(u_db), limit_db, profile.rule, key, what)


def _reflectance(
    profile: Profile, what: Statement, reflectance_db: float | None, reflects: bool
) -> Iterator[SpliceVerdict]:
    """Hold a reflectance that shows against its limit, plainly: see :func:`guards_all`.

    Of what reflects by an unknown amount, as where a file states no backscatter coefficient,
    nobody knows.
    """
    limit_db = profile.connector.reflectance_limit_db
    shown_db = reported(reflectance_db, Quantity.REFLECTANCE_DB)
    if limit_db is not None and (reflects or shown_db is not None):
        what = says("reflectance-of", what=what)
        key = "connector.reflectance_limit_db"
        judged = held(shown_db, None, limit_db, Rule.PLAIN, key, what)
        yield judged if shown_db is not None else replace(judged, action=Action.LOOK)


def guards_all(profile: Profile) -> bool:
    """Tell whether the guarded rule, if it is the profile's, guards every limit of it.

    How sure a reflectance is nobody knows: it rests on the backscatter coefficient that was typed
    in. Its limit is held by the plain rule, and outputs say so once.
    """
    return profile.rule is Rule.PLAIN or profile.connector.reflectance_limit_db is None


def end_event(events: Sequence[Event], start_m: float, placing_m: float) -> Event | None:
    """Return what a shot shows where its span begins behind a launch cord.

    Parameters
    ----------
    events : sequence of Event
        Of the shot from that end.
    start_m, placing_m : float
        Where the span begins, from the front panel, and how surely the shot places an event.

    Returns
    -------
    Event or None
        None without a launch cord, or where nothing shows.
    """
    slack_m = placing_m + _START_SLACK_M
    near = [e for e in events if e.loss_db is not None and abs(e.distance_m - start_m) <= slack_m]
    if start_m <= 0 or not near:
        return None
    return min(near, key=lambda e: abs(e.distance_m - start_m))


def asks_for_ends(profile: Profile) -> bool:
    """Tell whether the profile limits the first and the last connector."""
    return _end_limit(profile)[0] is not None


def _end_limit(profile: Profile) -> tuple[Decimal | None, str]:
    """Return the limit of an end: its own; else with its splice, which no pulse parts from it."""
    rule = profile.connector
    for limit_db, key in (
        (rule.end_limit_db, "connector.end_limit_db"),
        (rule.with_splice_limit_db, "connector.with_splice_limit_db"),
    ):
        if limit_db is not None:
            return limit_db, key
    return rule.per_direction_limit_db, "connector.per_direction_limit_db"


def end_verdicts(profile: Profile, where: Where, event: Event) -> Iterator[SpliceVerdict]:
    """Judge the first or last connector: one reading by nature, never a missing direction."""
    limit_db, key = _end_limit(profile)
    what = says({Where.FIRST: "connector-first", Where.LAST: "connector-last"}[where])
    if limit_db is not None:
        yield _held(profile, what, event.loss_db, event.u_loss_db, limit_db, key)
    yield from _reflectance(profile, what, event.reflectance_db, event.peak_height_db is not None)

"""Connectors held against a profile: average, each direction alone, or with their splice."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import TYPE_CHECKING

from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded, held_against
from otdravg.verdict.verdicts import SpliceVerdict

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["Connector", "Where", "judge_connector"]


class Where(Enum):
    """Where on the span a connector stands."""

    INSIDE = "inside"
    FIRST = "first"
    LAST = "last"


@dataclass(frozen=True, slots=True)
class Connector:
    """What was measured at a connector, in dB; ``None`` is not measured.

    ``loss_db`` is the average of both directions with standard uncertainty ``u_db``. A first
    or last connector has one reading by nature: from its own end.
    """

    where: Where = Where.INSIDE
    loss_db: float | None = None
    u_db: float | None = None
    loss_ab_db: float | None = None
    u_ab_db: float | None = None
    loss_ba_db: float | None = None
    u_ba_db: float | None = None
    reflectance_db: float | None = None
    with_splice: bool = False  # the figure includes the pigtail's splice
    unequal_mode_fields: bool = False


def judge_connector(profile: Profile, connector: Connector) -> tuple[SpliceVerdict, ...]:
    """Judge a connector; see :meth:`otdravg.verdict.Profile.judge_connector`."""
    verdicts = tuple(_all_rules(profile, connector))
    if verdicts:
        return verdicts
    reason = "The profile sets no limit for this connector."
    return (SpliceVerdict(Verdict.NOT_JUDGED, None, False, reason, Action.NONE, "connector"),)


def _all_rules(profile: Profile, connector: Connector) -> Iterator[SpliceVerdict]:
    rule = profile.connector
    if connector.where is not Where.INSIDE and not connector.with_splice:
        yield from _end(profile, connector)
    else:
        yield from _averaged(profile, connector)
        for direction, loss_db, u_db in (
            ("A→B", connector.loss_ab_db, connector.u_ab_db),
            ("B→A", connector.loss_ba_db, connector.u_ba_db),
        ):
            if rule.per_direction_limit_db is not None:
                key = "connector.per_direction_limit_db"
                limit_db = rule.per_direction_limit_db
                yield _held(profile, f"Connector {direction}", loss_db, u_db, limit_db, key)
    if rule.reflectance_limit_db is not None:
        yield _reflectance(profile, connector, rule.reflectance_limit_db)


def _end(profile: Profile, connector: Connector) -> Iterator[SpliceVerdict]:
    """Judge a first or last connector: one reading by nature, never a missing direction."""
    limit_db = profile.connector.end_limit_db
    if limit_db is None:
        return
    readings = (
        (connector.loss_ab_db, connector.u_ab_db),
        (connector.loss_ba_db, connector.u_ba_db),
    )
    own = readings if connector.where is Where.FIRST else readings[::-1]
    loss_db, u_db = next((pair for pair in own if pair[0] is not None), (None, None))
    what = f"{connector.where.value.capitalize()} connector, one-way by nature,"
    yield _held(profile, what, loss_db, u_db, limit_db, "connector.end_limit_db")


def _averaged(profile: Profile, connector: Connector) -> Iterator[SpliceVerdict]:
    rule = profile.connector
    what, limit_db, key = "Connector", rule.limit_db, "connector.limit_db"
    if connector.with_splice:
        what, limit_db = "Connector with its splice", rule.with_splice_limit_db
        key = "connector.with_splice_limit_db"
        if connector.unequal_mode_fields and rule.with_splice_mismatch_limit_db is not None:
            what, limit_db = f"{what}, unequal mode fields,", rule.with_splice_mismatch_limit_db
            key = "connector.with_splice_mismatch_limit_db"
    if limit_db is not None:
        yield _held(profile, what, connector.loss_db, connector.u_db, limit_db, key)


def _held(
    profile: Profile,
    what: str,
    loss_db: float | None,
    u_db: float | None,
    limit_db: Decimal,
    key: str,
) -> SpliceVerdict:
    shown_db = reported(loss_db, Quantity.LOSS_DB)
    if shown_db is None:
        reason = f"{what} not measured."
        return SpliceVerdict(Verdict.NOT_MEASURED, limit_db, False, reason, Action.SHOOT_AGAIN, key)
    expanded_db = expanded(u_db)
    held = held_against(shown_db, expanded_db, limit_db, profile.rule)
    action, ending = {
        Verdict.WITHIN: (Action.NONE, "at or below the limit"),
        Verdict.TOO_CLOSE: (Action.SHOOT_AGAIN, "the limit lies inside the uncertainty"),
        Verdict.OVER: (Action.LOOK, f"{shown_db - limit_db} dB over: inspect and clean first"),
    }[held.verdict]
    reason = f"{what} {shown_db} ± {expanded_db} dB against {limit_db} dB: {ending}."
    return SpliceVerdict(held.verdict, limit_db, held.near_limit, reason, action, key)


def _reflectance(profile: Profile, connector: Connector, limit_db: Decimal) -> SpliceVerdict:
    """Hold the reflectance against its limit; no uncertainty is known for it."""
    key = "connector.reflectance_limit_db"
    shown_db = reported(connector.reflectance_db, Quantity.REFLECTANCE_DB)
    if shown_db is None:
        reason = "No reflection shows: nothing to hold against the limit."
        return SpliceVerdict(Verdict.NOT_JUDGED, limit_db, False, reason, Action.NONE, key)
    held = held_against(shown_db, Decimal(0), limit_db, profile.rule)
    action = Action.NONE if held.verdict is Verdict.WITHIN else Action.LOOK
    reason = f"Reflectance {shown_db} dB, at most {limit_db} dB allowed."
    return SpliceVerdict(held.verdict, limit_db, False, reason, action, key)

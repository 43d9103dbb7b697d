"""Change against a reference: an earlier shot, or the reel's shipping record."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal
from math import hypot
from typing import TYPE_CHECKING

from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded, held_against
from otdravg.verdict.verdicts import SpliceVerdict

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["judge_deviation", "judge_increase"]


def judge_increase(
    profile: Profile,
    before: tuple[float, float | None],
    after: tuple[float, float | None],
) -> SpliceVerdict:
    """Judge an increase; see :meth:`otdravg.verdict.Profile.judge_increase`."""
    key = "change.increase_limit_db"
    limit_db = profile.change.increase_limit_db
    increase_db = reported(after[0] - before[0], Quantity.LOSS_DB)
    if limit_db is None or increase_db is None:
        reason = "The profile sets no limit for a change."
        return SpliceVerdict(Verdict.NOT_JUDGED, limit_db, False, reason, Action.NONE, key)
    expanded_db = expanded(hypot(before[1] or 0.0, after[1] or 0.0))
    held = held_against(increase_db, expanded_db, limit_db, profile.rule)
    action, ending = {
        Verdict.WITHIN: (Action.NONE, "not above it"),
        Verdict.TOO_CLOSE: (Action.SHOOT_AGAIN, "the limit lies inside the uncertainty"),
        Verdict.OVER: (Action.LOOK, "above it"),
    }[held.verdict]
    reason = f"Change {increase_db} ± {expanded_db} dB, limit {limit_db} dB: {ending}."
    return SpliceVerdict(held.verdict, limit_db, held.near_limit, reason, action, key)


def judge_deviation(profile: Profile, recorded: float, measured: float, what: str) -> SpliceVerdict:
    """Judge a deviation; see :meth:`otdravg.verdict.Profile.judge_deviation`."""
    key = "change.deviation_limit_percent"
    limit = profile.change.deviation_limit_percent
    if limit is None or recorded == 0:
        reason = f"Nothing to hold the {what} against."
        return SpliceVerdict(Verdict.NOT_JUDGED, None, False, reason, Action.NONE, key)
    exact = (
        100 * abs(Decimal(repr(measured)) - Decimal(repr(recorded))) / abs(Decimal(repr(recorded)))
    )
    percent = exact.quantize(Decimal("0.01"), ROUND_HALF_UP)
    held = held_against(percent, Decimal(0), limit, profile.rule)
    action = Action.NONE if held.verdict is Verdict.WITHIN else Action.RECORD
    reason = f"The {what} deviates by {percent} % from the record; {limit} % is allowed."
    return SpliceVerdict(held.verdict, None, False, reason, action, key)

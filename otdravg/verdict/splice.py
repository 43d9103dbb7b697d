"""One splice held against a profile."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from otdravg.fit.reading import Coverage, Kind
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded, held_against, is_implausible
from otdravg.verdict.rules import DbByWavelength, Directions, Method, MethodRule, Permission
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["judge_splice", "over_after_attempts"]


def judge_splice(
    profile: Profile,
    loss_db: float | None,
    u_db: float | None,
    wavelength_nm: float,
    kind: Kind,
    attempt: int,
    coverage: Coverage,
    known: Circumstances,
) -> SpliceVerdict:
    """Judge one splice; see :meth:`otdravg.verdict.Profile.judge_splice`."""
    if kind is Kind.CONNECTOR:
        reason = "A connector: the splice limit does not apply to it."
        return SpliceVerdict(Verdict.NOT_JUDGED, None, False, reason, Action.NONE, "splice")
    doubts = sorted(known.finding_codes & profile.data.not_gradable)
    if doubts:
        reason = f"The data are in doubt ({', '.join(doubts)}): settle that before grading."
        return SpliceVerdict(
            Verdict.NOT_GRADABLE, None, False, reason, Action.LOOK, "data.not_gradable"
        )
    method = known.method or profile.splice.method
    own = profile.splice.methods.get(method, MethodRule())
    if not profile.bears_on_acceptance(wavelength_nm, known.length_m, known.fibre_type):
        reason = f"{wavelength_nm:g} nm does not bear on the acceptance of this span."
        return SpliceVerdict(
            Verdict.INFORMATION, None, False, reason, Action.NONE, "wavelengths.required"
        )
    if own.permitted is Permission.NO:
        reason = f"A {method.value} splice is not allowed."
        key = f"splice.{method.value}.permitted"
        return SpliceVerdict(Verdict.METHOD_BARRED, None, False, reason, Action.RE_SPLICE, key)
    if coverage is not Coverage.BOTH or loss_db is None:
        return _without_loss(profile, wavelength_nm, kind, attempt, coverage, known)
    if is_implausible(loss_db, u_db):
        reason = (
            "The average of both directions is below zero by more than noise explains, and no "
            "splice amplifies: a wrong pair of shots or a crossed fibre is suspected."
        )
        return SpliceVerdict(Verdict.IMPLAUSIBLE, None, False, reason, Action.LOOK, "splice")
    limit_db, key = _limit(profile, own, method, wavelength_nm)
    if limit_db is None:
        reason = f"The profile sets no splice limit at {wavelength_nm:g} nm."
        return SpliceVerdict(
            Verdict.NOT_JUDGED, None, False, reason, Action.NONE, "splice.limit_db"
        )
    judged = _tiered(profile, loss_db, u_db, wavelength_nm, kind, attempt, limit_db, key)
    if judged.verdict is not Verdict.WITHIN:
        return judged
    if own.permitted is Permission.TEMPORARY:
        reason = f"{judged.reason} A {method.value} splice is temporary and has to be replaced."
        key = f"splice.{method.value}.permitted"
        return SpliceVerdict(
            Verdict.TEMPORARY, limit_db, judged.near_limit, reason, Action.RE_SPLICE, key
        )
    return _with_nominal(profile, own, loss_db, judged)


def _limit(
    profile: Profile, own: MethodRule, method: Method, wavelength_nm: float
) -> tuple[Decimal | None, str]:
    """Return the limit that applies and its key: the method's, then the stage's, then general."""
    candidates: tuple[tuple[DbByWavelength, str], ...] = (
        (own.limit_db, f"splice.{method.value}.limit_db"),
        (profile.stage.limit_db, f"stages.{profile.stage.name}.limit_db"),
        (profile.splice.limit_db, "splice.limit_db"),
    )
    for limits, key in candidates:
        limit_db = limits.at(wavelength_nm)
        if limit_db is not None:
            return limit_db, key
    return None, "splice.limit_db"


def _tiered(
    profile: Profile,
    loss_db: float,
    u_db: float | None,
    wavelength_nm: float,
    kind: Kind,
    attempt: int,
    limit_db: Decimal,
    key: str,
) -> SpliceVerdict:
    """Hold against the limit, and after the allowed attempts against the fallback."""
    shown_db = reported(loss_db, Quantity.LOSS_DB) or Decimal(0)
    expanded_db = expanded(u_db)
    held = held_against(shown_db, expanded_db, limit_db, profile.rule)
    figures = f"{shown_db} ± {expanded_db} dB against {limit_db} dB"
    if kind is Kind.GROUP:
        figures = f"The sum of several splices, {figures}"
    if held.verdict is Verdict.WITHIN:
        reason = f"{figures}: at or below the limit."
        return SpliceVerdict(held.verdict, limit_db, held.near_limit, reason, Action.NONE, key)
    if held.verdict is Verdict.TOO_CLOSE:
        reason = f"{figures}: the limit lies inside the uncertainty."
        return SpliceVerdict(
            held.verdict, limit_db, held.near_limit, reason, Action.SHOOT_AGAIN, key
        )
    over = f"{figures}: {shown_db - limit_db} dB over the limit"
    if kind is Kind.GROUP:
        return SpliceVerdict(held.verdict, limit_db, held.near_limit, f"{over}.", Action.LOOK, key)
    later = over_after_attempts(profile, shown_db, expanded_db, wavelength_nm, attempt, over)
    if later is not None:
        return later
    rule = profile.splice.attempts
    count = "" if rule is None else f", attempt {attempt} of {rule.allowed}"
    return SpliceVerdict(
        held.verdict, limit_db, held.near_limit, f"{over}{count}.", Action.RE_SPLICE, key
    )


def over_after_attempts(
    profile: Profile,
    shown_db: Decimal,
    expanded_db: Decimal,
    wavelength_nm: float,
    attempt: int,
    over: str,
) -> SpliceVerdict | None:
    """Judge a splice that missed the objective; None while attempts are left."""
    rule = profile.splice.attempts
    if rule is None or attempt < rule.allowed:
        return None
    fallback_db = rule.fallback_db.at(wavelength_nm)
    key = "splice.attempts.fallback_db"
    if fallback_db is None:
        reason = f"{over} after attempt {attempt}; the profile has no fallback limit."
        return SpliceVerdict(
            Verdict.FAILED, None, False, reason, Action.ASK, "splice.attempts.allowed"
        )
    held = held_against(shown_db, expanded_db, fallback_db, profile.rule)
    after = f"{over} after attempt {attempt}"
    if held.verdict is Verdict.WITHIN:
        reason = f"{after}, within the fallback of {fallback_db} dB: out of specification."
        return SpliceVerdict(
            Verdict.ACCEPTED, fallback_db, held.near_limit, reason, Action.RECORD, key
        )
    if held.verdict is Verdict.TOO_CLOSE:
        reason = f"{after}; the fallback of {fallback_db} dB lies inside the uncertainty."
        return SpliceVerdict(
            Verdict.TOO_CLOSE, fallback_db, held.near_limit, reason, Action.SHOOT_AGAIN, key
        )
    reason = f"{after}, and over the fallback of {fallback_db} dB too."
    return SpliceVerdict(Verdict.FAILED, fallback_db, held.near_limit, reason, Action.ASK, key)


def _without_loss(
    profile: Profile,
    wavelength_nm: float,
    kind: Kind,
    attempt: int,
    coverage: Coverage,
    known: Circumstances,
) -> SpliceVerdict:
    """Judge a splice that has no true loss: by the one-way rules, if they allow it."""
    cause = known.one_way_reason.rstrip(".") or "no cause is recorded"
    if coverage in (Coverage.NONE, Coverage.BOTH) or known.one_way_db is None:
        verdict = Verdict.ONE_WAY if _is_one_way(coverage) else Verdict.NOT_MEASURED
        reason = f"Not measured from both ends ({cause})."
        return SpliceVerdict(verdict, None, False, reason, Action.SHOOT_AGAIN, "splice")
    limit_db, key = _one_way_limit(profile, wavelength_nm, known)
    if limit_db is None:
        reason = f"A reading from one end is not the loss ({cause})."
        return SpliceVerdict(Verdict.ONE_WAY, None, False, reason, Action.SHOOT_AGAIN, key)
    shown_db = reported(known.one_way_db, Quantity.LOSS_DB) or Decimal(0)
    expanded_db = expanded(known.u_one_way_db)
    held = held_against(shown_db, expanded_db, limit_db, profile.rule)
    figures = f"One-way reading {shown_db} ± {expanded_db} dB against {limit_db} dB one-way"
    verdict, action, ending = {
        Verdict.WITHIN: (Verdict.WITHIN_ONE_WAY, Action.NONE, "at or below it"),
        Verdict.TOO_CLOSE: (Verdict.TOO_CLOSE, Action.SHOOT_AGAIN, "too close to call"),
        # From one end a step in the glass reads as loss: cutting on it would be guesswork.
        Verdict.OVER: (Verdict.OVER, Action.LOOK, "over it; a step in the glass may be the cause"),
    }[held.verdict]
    return SpliceVerdict(verdict, limit_db, held.near_limit, f"{figures}: {ending}.", action, key)


def _is_one_way(coverage: Coverage) -> bool:
    return coverage in (Coverage.ONLY_AB, Coverage.ONLY_BA)


def _one_way_limit(
    profile: Profile, wavelength_nm: float, known: Circumstances
) -> tuple[Decimal | None, str]:
    """Return the limit for a one-way reading: by the stage, or by a recorded and allowed cause."""
    if profile.stage.directions is Directions.ONE:
        own_db = profile.stage.limit_db.at(wavelength_nm)
        if own_db is not None:
            return own_db, f"stages.{profile.stage.name}.limit_db"
        return profile.splice.limit_db.at(wavelength_nm), "splice.limit_db"
    rule = profile.one_way
    if rule is None or known.one_way_reason.strip().casefold() not in {
        reason.casefold() for reason in rule.reasons
    }:
        return None, "one_way.reasons"
    return rule.splice_limit_db.at(wavelength_nm), "one_way.splice_limit_db"


def _with_nominal(
    profile: Profile, own: MethodRule, loss_db: float, judged: SpliceVerdict
) -> SpliceVerdict:
    """Remark on a splice that passes the maximum but lies above what is nominal."""
    nominal_db = own.nominal_db if own.nominal_db is not None else profile.splice.nominal_db
    shown_db = reported(loss_db, Quantity.LOSS_DB)
    if nominal_db is None or shown_db is None or shown_db <= nominal_db:
        return judged
    reason = f"{judged.reason} It lies above the nominal {nominal_db} dB."
    return SpliceVerdict(
        judged.verdict, judged.limit_db, judged.near_limit, reason, judged.action, judged.rule
    )

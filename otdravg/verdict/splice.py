"""One reading held against a profile: the one judge of a pair and of a whole cable."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from functools import partial
from math import hypot

from otdravg.findings import Statement, says
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.quantities import Quantity, reported
from otdravg.verdict.connector import connector_verdicts, is_with_splice
from otdravg.verdict.decision import (
    NEVER_GRADED,
    Action,
    Verdict,
    expanded,
    held_against,
    is_implausible,
)
from otdravg.verdict.rules import (
    Directions,
    Method,
    MethodRule,
    OneWayCause,
    Permission,
    Profile,
    bears_on_acceptance,
)
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict, held, worst_of

#: Noise that the search took for a splice stands out by less than this many standard uncertainties.
#: Benchmark: pair_scenarios, ten of them by 4.1 to 5.0; two fibres taken for one by 33 and more.
FOUND_SIGMAS = 6.0


def judge_reading(reading: Reading, profile: Profile, known: Circumstances) -> SpliceVerdict:
    """Judge one position of a fibre at one wavelength.

    Parameters
    ----------
    reading : Reading
        What was measured there.
    profile : Profile
        The contract's rules; limits as typed are a small profile.
    known : Circumstances
        Wavelength, attempt, method, span, and what speaks against the data.

    Notes
    -----
    In order: doubts about the data, wavelengths that do not bear on acceptance, method,
    missing direction, implausible loss, connector, limit, fallback after the allowed attempts,
    temporary method, nominal loss.
    """
    is_connector = reading.kind is Kind.CONNECTOR
    limit_db, key = splice_limit(profile, known)
    shown_db, expanded_db = (
        reported(reading.loss_db, Quantity.LOSS_DB), expanded(reading.u_loss_db),
    )  # fmt: skip
    answer = partial(
        SpliceVerdict,
        rule=key,
        limit_db=profile.connector.limit_db if is_connector else limit_db,
        figure=shown_db,
        expanded_u=expanded_db,
    )
    if doubts := known.finding_codes & (profile.data.not_gradable | NEVER_GRADED):
        reason = says("not-gradable", findings=", ".join(sorted(doubts)))
        return answer(Verdict.NOT_GRADABLE, reason, Action.LOOK, rule="data.not_gradable")
    if not bears_on_acceptance(profile, known.wavelength_nm, known.length_m, known.fibre_type):
        reason = says("information-only", nominal_nm=f"{known.wavelength_nm:g}")
        return answer(Verdict.INFORMATION, reason, rule="wavelengths.judge_others", limit_db=None)
    method = known.method or profile.splice.method
    own = profile.splice.methods.get(method, MethodRule())
    permitted = f"splice.{method.value}.permitted"
    if own.permitted is Permission.NO and not is_connector:
        reason = says("method-barred", method=method_name(method))
        return answer(Verdict.METHOD_BARRED, reason, Action.RE_SPLICE, rule=permitted)
    if reading.coverage is not Coverage.BOTH or shown_db is None:
        return _without_loss(reading, profile, known, answer)
    if is_below_zero(reading):
        return answer(Verdict.IMPLAUSIBLE, says("implausible"), Action.LOOK)
    if is_connector or is_with_splice(profile, reading):
        return _connector(reading, profile, limit_db, shown_db, answer)
    if limit_db is None:
        return answer(
            Verdict.NOT_JUDGED, says("no-splice-limit", nominal_nm=f"{known.wavelength_nm:g}")
        )
    judged = _tiered(reading.kind, profile, known, shown_db, expanded_db, limit_db, key)
    if judged.verdict is not Verdict.WITHIN:
        return judged
    if own.permitted is Permission.TEMPORARY:
        more = says("method-temporary", method=method_name(method))
        judged = replace(judged, verdict=Verdict.TEMPORARY, action=Action.RE_SPLICE, rule=permitted)
        return with_more(judged, more)
    nominal_db = own.nominal_db if own.nominal_db is not None else profile.splice.nominal_db
    if nominal_db is not None and shown_db > nominal_db:
        return with_more(judged, says("above-nominal", nominal_db=nominal_db))
    return judged


def is_below_zero(reading: Reading) -> bool:
    """Tell whether an average is below zero, which no splice can be, of a place that is no noise.

    A search finds where noise is largest, and every other time below zero.
    """
    loss_db, u_db, step_db = reading.loss_db, reading.u_loss_db, reading.backscatter_step_db
    if loss_db is None or u_db is None or not is_implausible(loss_db, u_db):
        return False
    return hypot(loss_db, step_db or 0.0) > FOUND_SIGMAS * u_db


def method_name(method: Method) -> Statement:
    """Say how a splice was made."""
    return says(
        {
            Method.FUSION: "method-fusion",
            Method.RIBBON: "method-ribbon",
            Method.MECHANICAL: "method-mechanical",
        }[method]
    )


def with_more(judged: SpliceVerdict, more: Statement) -> SpliceVerdict:
    """Return a verdict with something said behind its reason."""
    reason = replace(judged.reason, more=(*judged.reason.more, more))
    return replace(judged, reason=reason)


def splice_limit(profile: Profile, known: Circumstances) -> tuple[Decimal | None, str]:
    """Return the limit that applies and its key: the method's, then the stage's, then general."""
    method = known.method or profile.splice.method
    for limits, key in (
        (
            profile.splice.methods.get(method, MethodRule()).limit_db,
            f"splice.{method.value}.limit_db",
        ),
        (profile.stage.limit_db, f"stages.{profile.stage.name}.limit_db"),
    ):
        limit_db = limits.at(known.wavelength_nm)
        if limit_db is not None:
            return limit_db, key
    return profile.splice.limit_db.at(known.wavelength_nm), "splice.limit_db"


def _connector(
    reading: Reading,
    profile: Profile,
    limit_db: Decimal | None,
    shown_db: Decimal,
    answer: partial[SpliceVerdict],
) -> SpliceVerdict:
    """Judge what reflects by the connector's rules; it may be a splice, so none lets it pass.

    A mechanical splice reflects too: above the splice limit it is neither within nor cut.
    """
    worst = worst_of(connector_verdicts(profile, reading))
    passes = worst is None or worst.verdict is Verdict.WITHIN
    if passes and limit_db is not None and shown_db > limit_db:
        expanded_db, own_db = expanded(reading.u_loss_db), worst and worst.limit_db
        reason = says(
            "connector-lossy", loss_db=shown_db, expanded_db=expanded_db, limit_db=limit_db
        )
        key = "splice.limit_db"
        return answer(Verdict.NOT_JUDGED, reason, Action.LOOK, rule=key, limit_db=own_db)
    not_judged = says("connector-not-judged")
    return worst or answer(Verdict.NOT_JUDGED, not_judged, rule="connector", limit_db=None)


def _tiered(
    kind: Kind,
    profile: Profile,
    known: Circumstances,
    shown_db: Decimal,
    expanded_db: Decimal | None,
    limit_db: Decimal,
    key: str,
) -> SpliceVerdict:
    """Hold against the limit, and after the allowed attempts against the fallback."""
    is_group = kind is Kind.GROUP
    over, prefix = (Action.LOOK, "group-") if is_group else (Action.RE_SPLICE, "")
    judged = held(shown_db, expanded_db, limit_db, profile.rule, key, prefix, over)
    rule = profile.splice.attempts
    if judged.verdict is not Verdict.OVER or is_group or rule is None:
        return judged
    if known.attempt < rule.allowed:
        return with_more(judged, says("attempt", attempt=known.attempt, allowed=rule.allowed))
    return _after_attempts(profile, known, judged)


def _after_attempts(profile: Profile, known: Circumstances, over: SpliceVerdict) -> SpliceVerdict:
    """Judge a splice that missed the objective when no attempt is left."""
    rule, figure = profile.splice.attempts, over.figure
    fallback_db = None if rule is None else rule.fallback_db.at(known.wavelength_nm)
    if fallback_db is None or figure is None:
        failed = replace(
            over, verdict=Verdict.FAILED, action=Action.ASK, rule="splice.attempts.allowed"
        )
        return with_more(failed, says("no-fallback", attempt=known.attempt))
    found = held_against(figure, over.expanded_u, fallback_db, profile.rule)
    verdict, action, code = {
        Verdict.WITHIN: (Verdict.ACCEPTED, Action.RECORD, "fallback-within"),
        Verdict.TOO_CLOSE: (Verdict.TOO_CLOSE, Action.SHOOT_AGAIN, "fallback-too-close"),
        Verdict.OVER: (Verdict.FAILED, Action.ASK, "fallback-over"),
    }[found.verdict]
    judged = replace(
        over, verdict=verdict, action=action, rule="splice.attempts.fallback_db",
        limit_db=fallback_db, near_limit=found.near_limit,
    )  # fmt: skip
    return with_more(judged, says(code, attempt=known.attempt, fallback_db=fallback_db))


def _without_loss(
    reading: Reading, profile: Profile, known: Circumstances, answer: partial[SpliceVerdict]
) -> SpliceVerdict:
    """Judge a position without a true loss: by the one-way rules, if they allow it.

    A connector without a limit of its own has nothing to be shot again for.
    """
    rule = profile.connector
    is_idle = reading.kind is Kind.CONNECTOR and (
        rule.limit_db is None and rule.per_direction_limit_db is None
    )
    again = Action.NONE if is_idle else Action.SHOOT_AGAIN
    causes = reading.missing or (says("not-reached"),)
    by_coverage = {
        Coverage.ONLY_AB: (reading.loss_ab_db, reading.u_ab_db),
        Coverage.ONLY_BA: (reading.loss_ba_db, reading.u_ba_db),
    }
    one_db, u_one_db = by_coverage.get(reading.coverage, (None, None))
    shown_db = reported(one_db, Quantity.LOSS_DB)
    if shown_db is None:
        if reading.coverage in by_coverage:
            return answer(Verdict.ONE_WAY, says("one-way", causes=causes), again)
        return answer(Verdict.NOT_MEASURED, says("not-measured", causes=causes), again)
    limit_db, key = None, "one_way.reasons"
    if profile.stage.directions is Directions.ONE:
        limit_db, key = splice_limit(profile, known)
    elif is_one_way_allowed(profile, reading.missing, known.one_way_cause):
        limit_db, key = profile.one_way.splice_limit_db.at(known.wavelength_nm), (
            "one_way.splice_limit_db"
        )  # fmt: skip
    if limit_db is None or reading.kind is Kind.CONNECTOR:
        return answer(Verdict.ONE_WAY, says("one-way", causes=causes), again, rule=key)
    # From one end a step in the glass reads as loss: cutting on it would be guesswork.
    judged = held(shown_db, expanded(u_one_db), limit_db, profile.rule, key, "one-way-")
    if judged.verdict is Verdict.WITHIN:
        return replace(judged, verdict=Verdict.WITHIN_ONE_WAY)
    return judged


def is_one_way_allowed(
    profile: Profile, missing: tuple[Statement, ...], recorded: OneWayCause | None = None
) -> bool:
    """Tell whether the contract is content with one direction, by what was seen or recorded.

    That a shot does not reach a place shows in the shot; that an end is not terminated has to
    be recorded: a shot that is missing proves nothing.
    """
    seen = bool(missing) and all(cause.code == "signal-ends" for cause in missing)
    causes = {recorded} | ({OneWayCause.BEYOND_RANGE} if seen else set())
    return bool(causes & set(profile.one_way.reasons))

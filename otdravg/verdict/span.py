"""A whole fibre held against a profile's span rules. None of them excuses a single splice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import sqrt
from typing import TYPE_CHECKING

from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded, held_against
from otdravg.verdict.rules import LengthStep, LossFormula
from otdravg.verdict.verdicts import SpanVerdict, SpliceVerdict

if TYPE_CHECKING:
    from otdravg.verdict.profile import Profile

__all__ = ["Span", "judge_span", "span_limit_db"]


@dataclass(frozen=True, slots=True)
class Span:
    """What is known of one fibre at one wavelength.

    ``losses_db`` are the true losses of its splices, ``None`` where not measured both ways,
    and ``u_db`` their standard uncertainties. With ``one_way_reason`` they are the readings
    of the one direction that exists.
    """

    wavelength_nm: float
    losses_db: Sequence[float | None]
    u_db: Sequence[float | None] = ()
    length_m: float | None = None
    loss_db: float | None = None  # end to end, averaged over both directions
    u_loss_db: float | None = None
    connectors: int = 0
    attenuation_db_per_km: float | None = None  # of the fibre alone
    u_attenuation_db_per_km: float | None = None
    attempts_documented: int = 0  # to reduce the mean
    one_way_reason: str = ""
    fibre_type: str = ""


def judge_span(profile: Profile, span: Span) -> SpanVerdict:
    """Judge a fibre; see :meth:`otdravg.verdict.Profile.judge_span`."""
    mean_db, u_mean_db, missing = _mean(span)
    if not profile.bears_on_acceptance(span.wavelength_nm, span.length_m, span.fibre_type):
        reason = f"{span.wavelength_nm:g} nm does not bear on the acceptance of this span."
        only = SpliceVerdict(
            Verdict.INFORMATION, None, False, reason, Action.NONE, "wavelengths.required"
        )
        return SpanVerdict((only,), mean_db)
    verdicts = (
        *_judge_mean(profile, span, mean_db, u_mean_db, missing),
        *_judge_loss(profile, span),
        *_judge_attenuation(profile, span),
        *_judge_density(profile, span),
    )
    return SpanVerdict(verdicts, mean_db)


def _mean(span: Span) -> tuple[Decimal | None, float | None, int]:
    """Return the mean of the losses as reported, its standard uncertainty, and what is missing.

    The mean is of rounded losses, so that anyone can redo it from the printed column. Splices
    are taken as independent: u = √(Σ u²)/n.
    """
    pairs = [
        (reported(loss_db, Quantity.LOSS_DB), u_db)
        for loss_db, u_db in zip(
            span.losses_db, list(span.u_db) or [None] * len(span.losses_db), strict=True
        )
    ]
    known = [(loss_db, u_db) for loss_db, u_db in pairs if loss_db is not None]
    missing = len(pairs) - len(known)
    if not known:
        return None, None, missing
    total = sum((loss_db for loss_db, _ in known), Decimal(0))
    u_mean_db = sqrt(sum((u_db or 0.0) ** 2 for _, u_db in known)) / len(known)
    return reported(float(total / len(known)), Quantity.LOSS_DB), u_mean_db, missing


def _judge_mean(
    profile: Profile,
    span: Span,
    mean_db: Decimal | None,
    u_mean_db: float | None,
    missing: int,
) -> Iterator[SpliceVerdict]:
    """Hold the mean against its limit; a breach may be covered by documented attempts."""
    limit_db, key = _mean_limit(profile, span)
    if limit_db is None or not span.losses_db:
        return
    if mean_db is None or missing:
        reason = (
            f"{missing} of {len(span.losses_db)} splices are not measured: "
            "the mean over the span is not known."
        )
        yield SpliceVerdict(Verdict.NOT_MEASURED, limit_db, False, reason, Action.SHOOT_AGAIN, key)
        return
    expanded_db = expanded(u_mean_db)
    held = held_against(mean_db, expanded_db, limit_db, profile.rule)
    figures = (
        f"Mean of {len(span.losses_db)} splices {mean_db} ± {expanded_db} dB against {limit_db} dB"
    )
    wanted = profile.span.evidence_attempts
    verdict, action, ending = held.verdict, Action.NONE, "at or below the limit"
    if span.one_way_reason and verdict is Verdict.WITHIN:
        verdict, ending = Verdict.WITHIN_ONE_WAY, "at or below the limit for one direction"
    elif verdict is Verdict.TOO_CLOSE:
        action, ending = Action.SHOOT_AGAIN, "the limit lies inside the uncertainty"
    elif verdict is Verdict.OVER and wanted is None:
        action, ending = Action.RE_SPLICE, "over the limit"
    elif verdict is Verdict.OVER and wanted is not None:
        done = span.attempts_documented
        key = "span.evidence_attempts"
        if done >= wanted:
            verdict, action = Verdict.ACCEPTED, Action.RECORD
            ending = f"over the limit, with {done} documented attempts to reduce it"
        else:
            verdict, action = Verdict.EVIDENCE_DUE, Action.RECORD
            ending = (
                f"over the limit; {wanted} attempts to reduce it have to be documented, {done} are"
            )
    yield SpliceVerdict(verdict, limit_db, held.near_limit, f"{figures}: {ending}.", action, key)


def _mean_limit(profile: Profile, span: Span) -> tuple[Decimal | None, str]:
    """Return the mean's limit: that for one direction only for a recorded and allowed cause."""
    one_way = profile.one_way
    if span.one_way_reason:
        allowed = one_way is not None and span.one_way_reason.strip().casefold() in {
            reason.casefold() for reason in one_way.reasons
        }
        if one_way is None or not allowed:
            return None, "one_way.reasons"
        return one_way.span_mean_limit_db.at(span.wavelength_nm), "one_way.span_mean_limit_db"
    return profile.span.mean_limit_db.at(span.wavelength_nm), "span.mean_limit_db"


def span_limit_db(
    profile: Profile, wavelength_nm: float, length_m: float, splices: int, connectors: int
) -> tuple[Decimal | None, str]:
    """Return the end-to-end limit for a fibre and its key; None where the profile leaves it open.

    Notes
    -----
    Steps come first: the limit of the first step that the length falls into. Beyond them, or
    without them, the formula a·L + s·N + c·M.
    """
    for step in profile.span.steps:
        if _falls_into(step, length_m):
            return step.limit_db, "span.steps"
    formula = profile.span.formula
    if formula is None:
        return None, "span.steps"
    return _by_formula(formula, wavelength_nm, length_m, splices, connectors), "span.formula"


def _falls_into(step: LengthStep, length_m: float) -> bool:
    return length_m < step.end_m or (step.includes_end and length_m == step.end_m)


def _by_formula(
    formula: LossFormula, wavelength_nm: float, length_m: float, splices: int, connectors: int
) -> Decimal | None:
    per_km = formula.fibre_db_per_km.at(wavelength_nm)
    length = reported(length_m, Quantity.DISTANCE_M)
    if per_km is None or length is None:
        return None
    exact = per_km * length / 1000 + formula.splice_db * splices + formula.connector_db * connectors
    return reported(float(exact), Quantity.LOSS_DB)


def _judge_loss(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    """Hold the end-to-end loss against the stepped or the computed limit."""
    if not profile.span.steps and profile.span.formula is None:
        return
    loss_db = reported(span.loss_db, Quantity.LOSS_DB)
    if span.length_m is None or loss_db is None:
        reason = "End-to-end loss or length is not known."
        yield SpliceVerdict(
            Verdict.NOT_MEASURED, None, False, reason, Action.SHOOT_AGAIN, "span.steps"
        )
        return
    limit_db, key = span_limit_db(
        profile, span.wavelength_nm, span.length_m, len(span.losses_db), span.connectors
    )
    if limit_db is None:
        reason = f"The profile leaves {span.length_m:.0f} m at {span.wavelength_nm:g} nm open."
        yield SpliceVerdict(Verdict.NOT_JUDGED, None, False, reason, Action.ASK, key)
        return
    yield _plainly(profile, "End to end", loss_db, expanded(span.u_loss_db), limit_db, "dB", key)


def _judge_attenuation(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    limit = profile.fibre.attenuation_db_per_km.at(span.wavelength_nm)
    figure = reported(span.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM)
    if limit is None or figure is None:
        return
    u_figure = span.u_attenuation_db_per_km
    expanded_u = reported(
        None if u_figure is None else 2 * u_figure, Quantity.U_ATTENUATION_DB_PER_KM
    ) or Decimal(0)
    key = "fibre.attenuation_db_per_km"
    yield _plainly(profile, "Fibre alone", figure, expanded_u, limit, "dB/km", key)


def _judge_density(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    most = profile.span.splices_per_km
    if most is None or span.length_m is None:
        return
    length = reported(span.length_m, Quantity.DISTANCE_M) or Decimal(0)
    count = len(span.losses_db)
    allowed = most * length / 1000
    verdict, action = Verdict.WITHIN, Action.NONE
    if count > allowed:
        verdict, action = Verdict.OVER, Action.ASK
    reason = f"{count} splices in {length} m; at most {most} per km are allowed."
    yield SpliceVerdict(verdict, None, False, reason, action, "span.splices_per_km")


def _plainly(
    profile: Profile,
    what: str,
    figure: Decimal,
    expanded_u: Decimal,
    limit: Decimal,
    unit: str,
    key: str,
) -> SpliceVerdict:
    """Hold a span's figure against its limit; over it somebody has to look where it comes from."""
    held = held_against(figure, expanded_u, limit, profile.rule)
    action, ending = {
        Verdict.WITHIN: (Action.NONE, "at or below the limit"),
        Verdict.TOO_CLOSE: (Action.SHOOT_AGAIN, "the limit lies inside the uncertainty"),
        Verdict.OVER: (Action.LOOK, f"{figure - limit} {unit} over the limit"),
    }[held.verdict]
    reason = f"{what} {figure} ± {expanded_u} {unit} against {limit} {unit}: {ending}."
    return SpliceVerdict(held.verdict, limit, held.near_limit, reason, action, key)

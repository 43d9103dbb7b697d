"""A whole fibre held against a profile's span rules. None of them excuses a single splice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import zip_longest
from math import sqrt

from otdravg.findings import says
from otdravg.fit.reading import Kind, Reading
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict, expanded
from otdravg.verdict.group import Losses, held_mean
from otdravg.verdict.rules import OneWayCause, Profile, SpanReading, bears_on_acceptance
from otdravg.verdict.splice import is_one_way_allowed, with_more
from otdravg.verdict.verdicts import SpliceVerdict, held


@dataclass(frozen=True, slots=True)
class PowerLoss:
    """Loss of a fibre from end to end by light source and power meter, end connectors included."""

    loss_db: float
    expanded_db: float | None = None  # k = 2, as the tester's papers have it


#: Connectors that a power reading holds beside those on the span. Derived: one at either end.
_END_CONNECTORS = 2


@dataclass(frozen=True, slots=True)
class Span:
    """What is known of one fibre at one wavelength.

    ``losses_db`` are the true losses of its splices, ``None`` where not measured both ways,
    and ``u_db`` their standard uncertainties. With ``one_way_cause`` they are the readings
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
    one_way_cause: OneWayCause | None = None
    fibre_type: str = ""
    loss_ab_db: float | None = None  # end to end as one shot shows it
    loss_ba_db: float | None = None
    power: PowerLoss | None = None  # what source and meter read, if they did

    @property
    def splices(self) -> Losses:
        """Loss as reported and standard uncertainty of each splice."""
        shown = [reported(loss_db, Quantity.LOSS_DB) for loss_db in self.losses_db]
        return list(zip_longest(shown, self.u_db[: len(shown)]))


def span_of(
    profile: Profile,
    readings: Sequence[Reading],
    splices: Sequence[Reading],
    wavelength_nm: float,
    length_m: float,
    attenuation: tuple[float | None, float | None],
    fibre_type: str = "",
    attempts: int = 1,
    power: PowerLoss | None = None,
) -> Span:
    """Gather what span rules ask of one fibre.

    Parameters
    ----------
    profile : Profile
        It says whether readings of one direction will do where the other does not reach.
    readings, splices : sequence of Reading
        Everything that stands on the span, and its splices among them.
    attenuation : tuple
        Of the fibre alone and its standard uncertainty, dB/km.

    Notes
    -----
    End to end is Σ loss + α·L, for both directions and for each. Steps and attenuation are taken
    as independent: u² = Σ u² + (L·u_α)². A fit that has one too high has the other too low, so
    that this is an upper estimate.
    """
    losses, cause = [(r.loss_db, r.u_loss_db) for r in splices], None
    short = [r for r in splices if r.loss_db is None]
    if short and all(is_one_way_allowed(profile, r.missing) for r in short):
        for one_way in (
            [(r.loss_ab_db, r.u_ab_db) for r in splices],
            [(r.loss_ba_db, r.u_ba_db) for r in splices],
        ):
            if all(loss_db is not None for loss_db, _ in one_way):
                losses, cause = one_way, OneWayCause.BEYOND_RANGE
    per_km, u_per_km = attenuation
    length_km, u_loss_db = length_m / 1000, None
    through_db = None if per_km is None else per_km * length_km
    loss_db = _sum([through_db, *(r.loss_db for r in readings)])
    shares = [r.u_loss_db for r in readings if r.u_loss_db is not None]
    if u_per_km is not None and loss_db is not None and len(shares) == len(readings):
        u_loss_db = sqrt(sum(u * u for u in shares) + (u_per_km * length_km) ** 2)
    return Span(
        wavelength_nm,
        [loss for loss, _ in losses],
        [u for _, u in losses],
        length_m,
        loss_db,
        u_loss_db,
        connectors=sum(r.kind is Kind.CONNECTOR for r in readings),
        attenuation_db_per_km=per_km,
        u_attenuation_db_per_km=u_per_km,
        attempts_documented=attempts,
        one_way_cause=cause,
        fibre_type=fibre_type,
        loss_ab_db=_sum([through_db, *(r.loss_ab_db for r in readings)]),
        loss_ba_db=_sum([through_db, *(r.loss_ba_db for r in readings)]),
        power=power,
    )


def _sum(parts: Sequence[float | None]) -> float | None:
    """Sum of all parts; None if one is not known."""
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None


def judge_span(profile: Profile, span: Span) -> tuple[SpliceVerdict, ...]:
    """Judge one fibre by every span rule that the profile has."""
    if not bears_on_acceptance(profile, span.wavelength_nm, span.length_m, span.fibre_type):
        reason = says("information-only", nominal_nm=f"{span.wavelength_nm:g}")
        return (SpliceVerdict(Verdict.INFORMATION, reason, rule="wavelengths.judge_others"),)
    return (
        *_judge_mean(profile, span),
        *_judge_loss(profile, span),
        *_judge_attenuation(profile, span),
        *_judge_density(profile, span),
    )


def _judge_mean(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    """Hold the mean against its limit; a breach may be covered by documented attempts."""
    limits, key = profile.span.mean_limit_db, "span.mean_limit_db"
    is_one_way = span.one_way_cause in profile.one_way.reasons
    if is_one_way:
        limits, key = profile.one_way.span_mean_limit_db, "one_way.span_mean_limit_db"
    limit_db = limits.at(span.wavelength_nm)
    if (
        limit_db is None
        or not span.losses_db
        or (span.one_way_cause is not None and not is_one_way)
    ):
        return
    judged = held_mean(profile, span.splices, limit_db, key, Action.RE_SPLICE)
    wanted, done = profile.span.evidence_attempts, span.attempts_documented
    if judged.verdict is Verdict.WITHIN and is_one_way:
        judged = replace(judged, verdict=Verdict.WITHIN_ONE_WAY)
    elif judged.verdict is Verdict.OVER and wanted is not None:
        verdict = Verdict.ACCEPTED if done >= wanted else Verdict.EVIDENCE_DUE
        judged = replace(
            judged, verdict=verdict, action=Action.RECORD, rule="span.evidence_attempts"
        )
        judged = with_more(judged, says("evidence", wanted=wanted, done=done))
    yield judged


def span_limit_db(
    profile: Profile, wavelength_nm: float, length_m: float, splices: int, connectors: int
) -> tuple[Decimal | None, str]:
    """Return the end-to-end limit for a fibre and its key; None where the profile leaves it open.

    Notes
    -----
    Steps come first: the limit of the first step that the length falls into. Beyond them, or
    without them, the formula a·L + s·N + c·M + d.
    """
    for step in profile.span.steps:
        if step.holds(length_m):
            return step.limit_db, "span.steps"
    formula = profile.span.formula
    if formula is None:
        return None, "span.steps"
    per_km = formula.fibre_db_per_km.at(wavelength_nm)
    length = reported(length_m, Quantity.DISTANCE_M)
    if per_km is None or length is None:
        return None, "span.formula"
    exact = per_km * length / 1000 + formula.splice_db * splices + formula.connector_db * connectors
    exact += formula.constant_db
    return reported(float(exact), Quantity.LOSS_DB), "span.formula"


def _judge_loss(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    """Hold the end-to-end loss against the stepped or the computed limit."""
    if not profile.span.steps and profile.span.formula is None:
        return
    loss_db, what = reported(span.loss_db, Quantity.LOSS_DB), says("end-to-end")
    expanded_db, connectors = expanded(span.u_loss_db), span.connectors
    if profile.span.reading is SpanReading.POWER:
        if span.power is None:
            reason = says("no-power-reading")
            yield SpliceVerdict(Verdict.NOT_MEASURED, reason, Action.RECORD, "span.reading")
            return
        loss_db, what = reported(span.power.loss_db, Quantity.LOSS_DB), says("by-power-meter")
        expanded_db = reported(span.power.expanded_db, Quantity.UNCERTAINTY_DB)
        connectors += _END_CONNECTORS
    if span.length_m is None or loss_db is None:
        reason = says("part-not-measured", what=what)
        yield SpliceVerdict(Verdict.NOT_MEASURED, reason, Action.SHOOT_AGAIN, "span.steps")
        return
    limit_db, key = span_limit_db(
        profile, span.wavelength_nm, span.length_m, len(span.losses_db), connectors
    )
    if limit_db is None:
        reason = says(
            "length-left-open", length_m=span.length_m, nominal_nm=f"{span.wavelength_nm:g}"
        )
        yield SpliceVerdict(
            Verdict.NOT_JUDGED, reason, Action.ASK, key, figure=loss_db, expanded_u=expanded_db
        )
        return
    yield held(loss_db, expanded_db, limit_db, profile.rule, key, what)


def _judge_attenuation(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    """Hold the attenuation against its limit; over it somebody has to look where it comes from."""
    limit = profile.fibre.attenuation_db_per_km.at(span.wavelength_nm)
    figure = reported(span.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM)
    if limit is not None:
        expanded_u = expanded(span.u_attenuation_db_per_km, Quantity.U_ATTENUATION_DB_PER_KM)
        key, what = "fibre.attenuation_db_per_km", says("fibre-alone")
        yield held(figure, expanded_u, limit, profile.rule, key, what, unit="dB/km")


def _judge_density(profile: Profile, span: Span) -> Iterator[SpliceVerdict]:
    most = profile.span.splices_per_km
    length = reported(span.length_m, Quantity.DISTANCE_M)
    if most is None or length is None:
        return
    count = len(span.losses_db)
    verdict, action = Verdict.WITHIN, Action.NONE
    if count > most * length / 1000:
        verdict, action = Verdict.OVER, Action.ASK
    reason = says("splices-per-km", count=count, length_m=length, most=most)
    yield SpliceVerdict(verdict, reason, action, "span.splices_per_km")

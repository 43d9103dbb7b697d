"""The verdicts of one pair: every reading held against its limit, and what to do next.

The limit is the contract's and comes from the user; the package knows none but a
stated default. The comparison itself is :func:`otdravg.verdict.decision.held_against`.

References
----------
.. [1] D. Marcuse, "Loss analysis of single-mode fiber splices", Bell Syst. Tech. J. 56
   (1977): loss between two Gaussian modes of unequal width.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal

from otdravg.findings import Finding, Severity, Statement, Values, says, values
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.forecast.settle import place_of, settling_steps
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, distance, in_km, reported
from otdravg.shot.trace import Trace
from otdravg.verdict.decision import Action, Answer, Verdict, expanded, held_against, is_implausible
from otdravg.verdict.doubts import doubts_of, shown_from
from otdravg.verdict.ends import Ends, ends_of
from otdravg.verdict.limits import LimitDb, Limits, Rule

__all__ = [
    "Action",
    "Judged",
    "Limits",
    "PairReport",
    "Rule",
    "Verdict",
    "judge",
    "judge_reading",
    "mismatch_loss_db",
]

#: An estimate below this is lost in its own uncertainty. Chosen, not derived: a mode field ratio
#: of 1.05 (Marcuse 1977), 0.2 dB of backscatter step, of which the glasses' scattering may be as
#: much.
_MISMATCH_WORTH_SAYING_DB = Decimal("0.010")


#: What an action makes of the whole pair, most urgent first.
_ANSWERS = {
    Action.RE_SPLICE: Answer.CUT,
    Action.LOOK: Answer.CHECK,
    Action.SHOOT_AGAIN: Answer.SHOOT_AGAIN,
}


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading with its verdict and what to do."""

    reading: Reading
    verdict: Verdict
    near_limit: bool  # the limit lies inside loss ± U
    limit_db: Decimal | None  # None where no limit applies
    reason: Statement
    action: Action

    @property
    def needs_work(self) -> bool:
        """Whether somebody has to do something about it."""
        return self.action is not Action.NONE

    @property
    def distance_m(self) -> float:
        """Distance from the span's A end."""
        return self.reading.distance_m

    @property
    def loss_db(self) -> float | None:
        """The true loss as measured."""
        return self.reading.loss_db

    @property
    def reported_loss_db(self) -> Decimal | None:
        """The true loss as reported and judged."""
        return reported(self.reading.loss_db, Quantity.LOSS_DB)

    @property
    def expanded_uncertainty_db(self) -> float | None:
        """Expanded uncertainty of the true loss, k = 2."""
        return self.reading.expanded_uncertainty_db

    @property
    def mismatch_loss_db(self) -> Decimal | None:
        """Part of the loss that the unequal fibres cost: an estimate no re-splice removes."""
        ratio = self.reading.mode_field_ratio
        return None if ratio is None else reported(mismatch_loss_db(ratio), Quantity.LOSS_DB)

    @property
    def gain_seen_from(self) -> str | None:
        """The end, A or B, from which the splice reads as an apparent gain."""
        reading = self.reading
        for end, loss_db, u_db in (
            ("A", reading.loss_ab_db, reading.u_ab_db),
            ("B", reading.loss_ba_db, reading.u_ba_db),
        ):
            # Below zero by more than its expanded uncertainty; else it may well be a loss.
            if loss_db is not None and loss_db < -2 * (u_db or 0.0) - 0.0005:
                return end
        return None


@dataclass(frozen=True, slots=True, eq=False)
class PairReport:
    """What every export of one pair reads.

    Sum and mean are of the losses as reported, so that the printed column adds up.
    """

    measurement: Measurement
    limits: Limits
    limit_db: Decimal
    limit_is_stated: bool  # False: the default was used, and every output says so
    ends: Ends  # which end is A, and what says so
    splices: tuple[Judged, ...]  # every position, connectors included, in order from A
    sum_db: Decimal | None  # of the true losses of splices and groups measured both ways
    sum_count: int
    mean_db: Decimal | None  # of the single splices measured both ways
    mean_count: int
    in_doubt: bool  # files or pair: nothing is cleared, and nobody is sent to cut
    doubts: tuple[Finding, ...]  # why the shots may not be one fibre, or not what they say
    notes: tuple[Finding, ...]  # of the pair, worth knowing
    next_steps: tuple[Statement, ...]  # most urgent first
    needs_work: bool

    @property
    def answer(self) -> Answer:
        """The whole pair in one word; doubt comes before everything else."""
        if self.in_doubt:
            return Answer.CHECK
        actions = {judged.action for judged in self.splices}
        for action, answer in _ANSWERS.items():
            if action in actions:
                return answer
        return Answer.LEAVE

    @property
    def exit_status(self) -> int:
        """0: all within limit; 1: something is over limit or needs a look."""
        return 1 if self.needs_work else 0

    @property
    def in_km(self) -> bool:
        """Whether distances along this span are written in km."""
        return in_km(self.measurement.axis.length_m)


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
    """
    return -20 * math.log10(2 * ratio / (1 + ratio * ratio))


def judge_reading(reading: Reading, limit_db: Decimal, rule: Rule) -> Judged:
    """Hold one reading against the limit; see :func:`otdravg.verdict.decision.held_against`."""
    loss_db = reported(reading.loss_db, Quantity.LOSS_DB)
    if reading.coverage is not Coverage.BOTH or loss_db is None:
        return _without_loss(reading, limit_db)
    if is_implausible(reading.loss_db, reading.u_loss_db):
        reason = says("implausible")
        return _judged(reading, limit_db, Verdict.IMPLAUSIBLE, Action.LOOK, reason)
    if reading.kind is Kind.CONNECTOR:
        reason = says("connector-not-judged")
        if loss_db > limit_db:
            # It may be a splice that reflects: no all-clear, and no order to cut.
            u_db = expanded(reading.u_loss_db)
            reason = says(
                "connector-lossy", loss_db=loss_db, expanded_db=u_db, limit_db=limit_db
            )  # fmt: skip
            return _judged(reading, limit_db, Verdict.NOT_JUDGED, Action.LOOK, reason)
        return _judged(reading, limit_db, Verdict.NOT_JUDGED, Action.NONE, reason)
    return _held_against(limit_db, rule, reading, loss_db)


def _judged(
    reading: Reading,
    limit_db: Decimal,
    verdict: Verdict,
    action: Action,
    reason: Statement,
    *,
    near_limit: bool = False,
) -> Judged:
    own_limit_db = None if reading.kind is Kind.CONNECTOR else limit_db
    return Judged(reading, verdict, near_limit, own_limit_db, reason, action)


def _without_loss(reading: Reading, limit_db: Decimal) -> Judged:
    """Judge a position without a true loss; a connector has no limit to be shot again for."""
    action = Action.NONE if reading.kind is Kind.CONNECTOR else Action.SHOOT_AGAIN
    causes = reading.missing or (says("not-reached"),)
    if reading.coverage is Coverage.NONE:
        reason = says("not-measured", causes=causes)
        return _judged(reading, limit_db, Verdict.NOT_MEASURED, action, reason)
    reason = says("one-way", causes=causes)
    return _judged(reading, limit_db, Verdict.ONE_WAY, action, reason)


def _held_against(limit_db: Decimal, rule: Rule, reading: Reading, loss_db: Decimal) -> Judged:
    """Compare a true loss with its limit, in decimals as reported."""
    expanded_db = expanded(reading.u_loss_db)
    held = held_against(loss_db, expanded_db, limit_db, rule)
    is_group = reading.kind is Kind.GROUP
    action, code = {
        Verdict.TOO_CLOSE: (Action.SHOOT_AGAIN, "too-close"),
        Verdict.WITHIN: (Action.NONE, "within"),
        Verdict.OVER: (Action.LOOK if is_group else Action.RE_SPLICE, "over"),
    }[held.verdict]
    figures = values(loss_db=loss_db, expanded_db=expanded_db, limit_db=limit_db)
    if held.verdict is Verdict.OVER:
        figures += values(over_db=loss_db - limit_db)
    reason = Statement(f"group-{code}" if is_group else code, figures)
    return _judged(reading, limit_db, held.verdict, action, reason, near_limit=held.near_limit)


def judge(
    measurement: Measurement,
    limit_db: LimitDb | Limits = None,
    *,
    guarded: bool = False,
    unchanged: bool = False,
    now: datetime | None = None,
) -> PairReport:
    """Judge every position of a fibre and say what to do next.

    Parameters
    ----------
    measurement : Measurement
        What :func:`otdravg.pair.measure.measure` returned.
    limit_db : float, Decimal, str, mapping or Limits, optional
        Upper limit of a splice's true loss in dB, or a mapping from wavelengths in nm to limits.
        A number means what it prints: 0.15 is the decimal 0.15. Without it 0.20 dB is used,
        and the report says so.
    guarded : bool
        Call neither pass nor fail where the limit lies inside the uncertainty.
    unchanged : bool
        The user confirms that nothing was done to the fibre between both shots.
    now : datetime, optional
        What a shot's date is held against; default: this computer's clock.

    Returns
    -------
    PairReport

    Raises
    ------
    BadSetting
        If a limit is no number, not above 0 dB, or above 3 dB.
    """
    limits = Limits.of(limit_db, guarded=guarded)
    applied_db, is_stated = limits.applying_to(measurement.ab.identity.nominal_wavelength_nm)
    judged = tuple(judge_reading(r, applied_db, limits.rule) for r in measurement.readings)
    summed = [(j, j.reported_loss_db) for j in judged if j.reading.kind is not Kind.CONNECTOR]
    losses_db = [loss_db for _, loss_db in summed if loss_db is not None]
    single_db = [
        loss_db for j, loss_db in summed if loss_db is not None and j.reading.kind is not Kind.GROUP
    ]
    ends = ends_of(measurement.ab.identity, measurement.ba.identity)
    remarks = doubts_of(measurement, limits, unchanged=unchanged, now=now)
    doubts = tuple(f for f in remarks if f.severity is not Severity.NOTE)
    damage = [step for trace in (measurement.ab, measurement.ba) for step in _damage(trace)]
    to_check = [*(says("check-files", finding=doubt) for doubt in doubts), *damage]
    judged = tuple(_seen_once(one) for one in judged)
    if to_check:
        judged = tuple(_in_doubt(one) for one in judged)
    mean_db = float(sum(single_db) / len(single_db)) if single_db else None
    return PairReport(
        measurement=measurement,
        limits=limits,
        limit_db=applied_db,
        limit_is_stated=is_stated,
        ends=ends,
        splices=judged,
        sum_db=sum(losses_db, Decimal(0)) if losses_db else None,
        sum_count=len(losses_db),
        mean_db=reported(mean_db, Quantity.LOSS_DB),
        mean_count=len(single_db),
        in_doubt=bool(to_check),
        doubts=doubts,
        notes=tuple(f for f in remarks if f.severity is Severity.NOTE),
        next_steps=(
            *to_check,
            *_next_steps(judged, applied_db, measurement.axis.length_m, ends, clear=not to_check),
            # What would settle a splice is not to be read from a file that is damaged.
            *(() if damage else _settling(measurement, judged, applied_db)),
        ),
        needs_work=bool(to_check) or any(j.needs_work for j in judged),
    )


def _seen_once(judged: Judged) -> Judged:
    """Ask for one shot again before a splice is cut that it alone shows.

    A hand or a bend in one shot, or work between them, adds to one reading and not to the other;
    so does, seldom, a step between two glasses that just cancels the loss.
    """
    end = shown_from(judged.reading)
    if end is None or judged.action is not Action.RE_SPLICE:
        return judged
    large_db = max(judged.reading.loss_ab_db or 0.0, judged.reading.loss_ba_db or 0.0)
    reason = says("seen-once", end=end, large_db=reported(large_db, Quantity.LOSS_DB))
    return replace(judged, action=Action.SHOOT_AGAIN, reason=reason)


def _in_doubt(judged: Judged) -> Judged:
    """Withhold an order to cut: while the files are in doubt, so is what they say of a splice."""
    if judged.action is not Action.RE_SPLICE:
        return judged
    return replace(judged, action=Action.LOOK)


def _damage(trace: Trace) -> list[Statement]:
    """The first thing that is missing or broken in a file, if anything is."""
    broken = [f for f in trace.findings if f.severity is Severity.DEFECT]
    return [says("check-file", file=trace.identity.path, finding=f) for f in broken[:1]]


def _settling(
    measurement: Measurement, judged: Sequence[Judged], limit_db: Decimal
) -> tuple[Statement, ...]:
    """What would settle the splices that are near the limit or not measured both ways."""
    return settling_steps(
        measurement,
        [j.reading for j in judged if j.near_limit],
        [j.reading for j in judged if j.action is Action.SHOOT_AGAIN and not j.near_limit],
        limit_db,
    )


def _next_steps(
    judged: Sequence[Judged], limit_db: Decimal, length_m: float, ends: Ends, *, clear: bool
) -> tuple[Statement, ...]:
    """Say what to do, most urgent first.

    ``clear`` is False where it is doubtful that both files are one fibre: then nothing is said
    to be good.
    """
    km = in_km(length_m)
    steps: list[Statement] = []
    for action in (Action.RE_SPLICE, Action.LOOK, Action.SHOOT_AGAIN):
        steps += [_step(j, length_m, ends) for j in judged if j.action is action]
    if any(j.action is Action.RE_SPLICE for j in judged):
        steps.append(says("whole-ribbon"))
    steps += [
        Statement("passes-near", _figures(j, km))
        for j in judged
        if j.verdict is Verdict.WITHIN and j.near_limit
    ]
    passing = sum(j.verdict is Verdict.WITHIN for j in judged)
    if not any(j.reading.kind is not Kind.CONNECTOR for j in judged):
        steps.append(says("no-splice-shows"))
    elif clear and not any(j.needs_work for j in judged):
        code = "nothing-to-redo-one" if passing == 1 else "nothing-to-redo"
        steps.insert(0, says(code, count=passing, limit_db=limit_db))
    return tuple(steps)


def _step(judged: Judged, length_m: float, ends: Ends) -> Statement:
    """What to do about one position that needs work."""
    km = in_km(length_m)
    figures = _figures(judged, km)
    if judged.verdict is Verdict.IMPLAUSIBLE:
        return Statement("look-implausible", figures)
    if judged.verdict is Verdict.TOO_CLOSE:
        return Statement("shoot-too-close", figures + values(limit_db=judged.limit_db))
    if judged.verdict is Verdict.NOT_JUDGED:
        limit_db = dict(judged.reason.values)["limit_db"]
        return Statement("look-connector", figures + values(limit_db=limit_db))
    if judged.reason.code == "seen-once":
        once = dict(judged.reason.values)
        figures += values(end=once["end"], large_db=once["large_db"])
        return Statement("shoot-seen-once", figures)
    if judged.verdict is not Verdict.OVER:
        return says("shoot-again", place=place_of(judged.reading, km=km), reason=judged.reason)
    figures += values(over_db=_over_db(judged))
    if judged.reading.kind is Kind.GROUP:
        return Statement("look-group", figures)
    if judged.action is Action.LOOK:
        return Statement("not-yet", figures)
    at_m = judged.reading.distance_m
    figures += values(
        number=judged.reading.number,
        at=distance(at_m, km=km), end_a=ends.a,
        from_b=distance(length_m - at_m, km=km), end_b=ends.b,
    )  # fmt: skip
    return Statement("re-splice", figures, tuple(_before_cutting(judged)))


def _before_cutting(judged: Judged) -> Iterator[Statement]:
    """What to know of a failed splice before it is cut."""
    if judged.near_limit:
        yield says("average-before-cutting")
    mismatch_db = judged.mismatch_loss_db
    if mismatch_db is not None and mismatch_db >= _MISMATCH_WORTH_SAYING_DB:
        yield says("unequal-fibre", mismatch_db=mismatch_db)
        if judged.limit_db is not None and mismatch_db > judged.limit_db:
            yield says("unequal-fibre-alone")


def _figures(judged: Judged, km: bool) -> Values:
    """Where a position is, its true loss and how sure that is."""
    expanded_db = reported(judged.reading.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)
    return values(
        place=place_of(judged.reading, km=km),
        loss_db=judged.reported_loss_db,
        expanded_db=expanded_db,
    )


def _over_db(judged: Judged) -> Decimal:
    return (judged.reported_loss_db or Decimal(0)) - (judged.limit_db or Decimal(0))

"""The verdicts of one pair: every reading judged by the rules of the job, and what to do next.

The rules are the contract's and come from the user, as limits or as a profile; the package
knows none but a stated default. One reading is judged by
:func:`otdravg.verdict.splice.judge_reading`, here as in a whole cable.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from datetime import datetime
from decimal import Decimal
from os import PathLike
from types import SimpleNamespace
from typing import Any, TypeVar

from otdravg.errors import BadSetting
from otdravg.findings import Finding, Severity, Statement, Values, says, values
from otdravg.fit.reading import Kind, Reading
from otdravg.forecast.settle import place_of, settling_steps
from otdravg.pair.measure import Measurement
from otdravg.pair.twofold import two_splices_m
from otdravg.quantities import Quantity, distance, in_km, reported
from otdravg.shot.detect import Event
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.verdict.connector import (
    MISMATCH_WORTH_SAYING_DB,
    Where,
    asks_for_ends,
    end_event,
    end_verdicts,
    guards_all,
    mismatch_loss_db,
)
from otdravg.verdict.decision import Action, Answer, Verdict
from otdravg.verdict.describe import holders
from otdravg.verdict.doubts import HIDES_STEP_DB, doubts_of, shown_from
from otdravg.verdict.ends import Ends, ends_of
from otdravg.verdict.keys import CABLE_FINDINGS, KEYS
from otdravg.verdict.limits import LimitDb, Limits, Rule
from otdravg.verdict.place import as_bend
from otdravg.verdict.reading import load_named
from otdravg.verdict.rules import (
    Combination,
    LaunchUse,
    Method,
    OneWayCause,
    Profile,
    default,
    profile_of,
)
from otdravg.verdict.shots import (
    data_findings,
    fibre_type_of,
    receive_cord_m,
    setup_findings,
    span_seen_m,
    stage_findings,
)
from otdravg.verdict.span import judge_span, span_of
from otdravg.verdict.splice import judge_reading, splice_limit, with_more
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict

__all__ = ["Action", "Judged", "Limits", "NotApplied", "PairReport", "Rule", "Verdict", "judge"]

V = TypeVar("V", bound=SpliceVerdict)

#: Rules that hold the losses of all splices together against a limit.
_OF_ALL_LOSSES = frozenset(
    {"span.mean_limit_db", "one_way.span_mean_limit_db", "span.steps", "span.formula"}
)
#: What an action makes of the whole pair, most urgent first.
_ANSWERS = {
    Action.RE_SPLICE: Answer.CUT,
    Action.LOOK: Answer.CHECK,
    Action.RE_DRESS: Answer.CHECK,
    Action.ASK: Answer.CHECK,
    Action.RECORD: Answer.CHECK,
    Action.SHOOT_AGAIN: Answer.SHOOT_AGAIN,
}
#: What is to be done for reasons that say it themselves.
_OWN_STEPS = {"seen-once": "shoot-seen-once", "two-in-one": "look-two"}


@dataclass(frozen=True, slots=True)
class Judged(SpliceVerdict):
    """A verdict with the reading that it is of."""

    reading: Reading = field(kw_only=True)

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


@dataclass(frozen=True, slots=True)
class NotApplied:
    """Keys of the profile that one pair cannot answer, and why.

    ``is_open``: applied, they might turn this pair down, so that it is not cleared.
    """

    keys: tuple[str, ...]
    why: Statement
    is_open: bool


@dataclass(frozen=True, slots=True, eq=False)
class PairReport:
    """What every export of one pair reads.

    Sum and mean are of the losses as reported, so that the printed column adds up.
    """

    measurement: Measurement
    limits: Limits
    limit_db: Decimal | None  # of a splice here; None: the profile has none
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
    profile: Profile  # what it was judged by; limits as typed are a small one
    rules: tuple[SpliceVerdict, ...] = ()  # of the fibre as a whole, its two ends included
    breaches: tuple[Finding, ...] = ()  # how the shots were taken, against the profile
    not_applied: tuple[NotApplied, ...] = ()
    besides: tuple[Statement, ...] = ()  # what speaks against the pair beside its splices
    by_profile: bool = False  # False: by limits as typed, or by the default

    @property
    def answer(self) -> Answer:
        """The whole pair in one word; doubt comes before everything else."""
        if self.in_doubt:
            return Answer.CHECK
        actions = {judged.action for judged in (*self.splices, *self.rules)}
        is_open = any(one.code != "whole-fibre" for one in self.besides)
        for action, answer in _ANSWERS.items():
            if is_open and answer is Answer.SHOOT_AGAIN:
                return Answer.CHECK
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


def judge(
    measurement: Measurement,
    limit_db: LimitDb | Limits = None,
    *,
    guarded: bool = False,
    profile: Profile | str | PathLike[str] | None = None,
    attempt: int | None = None,
    method: Method | None = None,
    unchanged: bool = False,
    now: datetime | None = None,
    stale: Direction | None = None,
    shorter: Measurement | None = None,
    more_doubts: tuple[Finding, ...] = (),
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
    profile : Profile, path or str, optional
        An acceptance profile in place of limits: a TOML file, or the name of a shipped one.
    attempt : int, optional
        How many times the splices have been made; default: once, and the report says that it is
        not known.
    method : Method, optional
        How they were made; default: as the profile says.
    unchanged : bool
        The user confirms that nothing was done to the fibre between both shots.
    now : datetime, optional
        What a shot's date is held against; default: this computer's clock.
    stale : Direction, optional
        The shot that is older than another attempt from the other end.
    shorter : Measurement, optional
        Of the same fibre at a shorter wavelength: what loses far more at the longer one is a
        bend, which nobody cuts.
    more_doubts : tuple of Finding
        Doubts that names and other shots give rise to.

    Returns
    -------
    PairReport

    Raises
    ------
    BadSetting
        If a limit is no number, not above 0 dB, or above 3 dB; if the profile cannot be used;
        if both are given.
    """
    if profile is not None and (limit_db is not None or guarded):
        name = str(getattr(profile, "name", profile))
        raise BadSetting("profile", name, says("profile-or-limits"))
    limits = Limits.of(limit_db, guarded=guarded)
    nominal_nm = measurement.ab.identity.nominal_wavelength_nm
    is_stated = limits.applying_to(nominal_nm)[1]
    rules = profile_of(limits)
    if profile is not None:
        rules = profile if isinstance(profile, Profile) else load_named(profile)
        typed_db, _ = splice_limit(rules, Circumstances(nominal_nm))
        limits = Limits(typed_db or limits.default_db, is_stated=True, rule=rules.rule)
        is_stated = not rules.is_default

    told = doubts_of(measurement, limits, unchanged=unchanged, now=now, stale=stale)
    remarks = (*more_doubts, *told)
    doubts = tuple(f for f in remarks if f.severity is not Severity.NOTE)
    breaches = tuple(_breaches(measurement, rules))
    fibre_type = fibre_type_of(measurement.ab.identity, measurement.ba.identity)
    known = Circumstances(
        nominal_nm,
        attempt or 1,  # no file says how often a splice was made
        method,
        measurement.axis.length_m,
        fibre_type,
        frozenset(
            f.code
            for f in (*doubts, *breaches, *measurement.findings)
            if f.severity is not Severity.NOTE
        ),
    )
    judged = tuple(_judged(reading, rules, known) for reading in measurement.readings)
    span = span_of(
        rules,
        measurement.readings,
        [r for r in measurement.readings if r.kind is not Kind.CONNECTOR],
        nominal_nm,
        measurement.axis.length_m,
        (measurement.attenuation_db_per_km, measurement.u_attenuation_db_per_km),
        fibre_type=fibre_type,
        attempts=known.attempt,
    )
    # A span over its limit names no splice to cut.
    whole = (*map(_not_to_cut, judge_span(rules, span)), *_ends(measurement, rules))
    left_out = () if profile is None else tuple(_not_applied(measurement, rules, attempt))
    applied_db, _ = splice_limit(rules, known)

    summed = [(j, j.reported_loss_db) for j in judged if j.reading.kind is not Kind.CONNECTOR]
    losses_db = [loss_db for _, loss_db in summed if loss_db is not None]
    single_db = [
        loss_db for j, loss_db in summed if loss_db is not None and j.reading.kind is not Kind.GROUP
    ]
    mean_db = float(sum(single_db) / len(single_db)) if single_db else None
    ends = ends_of(measurement.ab.identity, measurement.ba.identity)
    damage = [step for trace in (measurement.ab, measurement.ba) for step in _damage(trace)]
    to_check = [*(says("check-files", finding=doubt) for doubt in doubts), *damage]
    if shorter is not None:
        judged = tuple(_bent(one, measurement, shorter, rules) for one in judged)
    judged = tuple(_settled_first(_two_in_one(_seen_once(one), measurement)) for one in judged)
    if to_check:
        # While the files are in doubt, so is what they say of a splice.
        judged = tuple(map(_not_to_cut, judged))
    besides = tuple(_besides(judged, whole, breaches, left_out))
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
            *_next_steps(
                judged, besides, rules, applied_db, measurement.axis.length_m, ends,
                clear=not to_check,
            ),
            # What would settle a splice is not to be read from a file that is damaged.
            *(() if damage or applied_db is None else _settling(measurement, judged, applied_db)),
            *(_not_applied_step(one) for one in left_out if not one.is_open),
        ),
        needs_work=bool(to_check or besides) or any(j.needs_work for j in judged),
        profile=rules,
        rules=whole,
        breaches=breaches,
        not_applied=left_out,
        besides=besides,
        by_profile=profile is not None,
    )  # fmt: skip


def _besides(
    judged: Sequence[Judged],
    whole: Sequence[SpliceVerdict],
    breaches: Sequence[Finding],
    left_out: Sequence[NotApplied],
) -> Iterator[Statement]:
    """What speaks against the pair beside its splices, or leaves it open."""
    not_graded = (j for j in judged if j.verdict is Verdict.NOT_GRADABLE)
    for rule in (*list(not_graded)[:1], *(rule for rule in whole if rule.needs_work)):
        yield says("whole-fibre", reason=rule.reason)
    for breach in breaches:
        if breach.severity is not Severity.NOTE:
            yield says("outside-profile", finding=breach)
    if _proves_nothing(judged, whole):
        yield says("nothing-judged")
    yield from (_not_applied_step(one) for one in left_out if one.is_open)


def _not_applied_step(left_out: NotApplied) -> Statement:
    return says("not-applied", key=", ".join(left_out.keys), why=left_out.why)


def _judged(reading: Reading, profile: Profile, known: Circumstances) -> Judged:
    verdict = judge_reading(reading, profile, known)
    is_stated = known.method is not None
    if verdict.action is Action.RE_SPLICE and verdict.verdict is not Verdict.OVER and not is_stated:
        # How a splice was made no file says: the method is the profile's word.
        verdict = _not_to_cut(verdict)
    elif verdict.action is Action.RE_SPLICE and profile.splice.wavelengths is Combination.ANY:
        # Cut is only what no wavelength clears, and a pair is one of them.
        verdict = _not_to_cut(with_more(verdict, says("other-wavelength-first")))
    return Judged(**{f.name: getattr(verdict, f.name) for f in fields(verdict)}, reading=reading)


def _breaches(measurement: Measurement, profile: Profile) -> Iterator[Finding]:
    """How the shots were taken, and whether both show one length, against the profile."""
    axis, seen_m = measurement.axis, []
    for trace, shown, near_m, far_m in (
        (measurement.ab, measurement.detection_ab, axis.start_a_m, axis.start_b_m),
        (measurement.ba, measurement.detection_ba, axis.start_b_m, axis.start_a_m),
    ):
        end_m = shown.end_m if shown.end_seen else None
        yield from setup_findings(
            profile,
            trace.identity,
            trace.settings,
            fibre_length_m=axis.length_m,
            launch_m=near_m,
            receive_m=receive_cord_m(end_m, near_m, axis.length_m),
        )
        seen_m.append(span_seen_m(end_m, near_m, far_m, axis.length_m))
    yield from data_findings(profile, *seen_m)
    yield from stage_findings(profile)


def _end_events(measurement: Measurement) -> tuple[Event | None, Event | None]:
    """What each shot shows where the span begins behind its launch cord."""
    axis, ab, ba = measurement.axis, measurement.detection_ab, measurement.detection_ba
    return (
        end_event(ab.events, axis.start_a_m, ab.shot.placing_m),
        end_event(ba.events, axis.start_b_m, ba.shot.placing_m),
    )


def _ends(measurement: Measurement, profile: Profile) -> Iterator[SpliceVerdict]:
    for where, event in zip(Where, _end_events(measurement), strict=True):
        if event is not None:
            yield from end_verdicts(profile, where, event)


def _usual(holder: Any, name: str) -> Any:
    """What a key of a profile is where the file leaves it out."""
    if isinstance(holder, SimpleNamespace):
        return None
    (own,) = (field for field in fields(holder) if field.name == name)
    return own.default if own.default_factory is MISSING else own.default_factory()


def _not_applied(
    measurement: Measurement, profile: Profile, attempt: int | None
) -> Iterator[NotApplied]:
    """Say which keys of a profile one pair cannot answer.

    A key whose absence could turn a refusal of this pair into an all-clear leaves it open;
    what asks something of other pairs, of the cable or of a closeout does not.
    """
    by_reason: dict[tuple[str, bool], list[str]] = defaultdict(list)
    for key in KEYS:
        for _, _, holder in holders(profile, key.table) if key.pair else ():
            value = getattr(holder, key.name)
            if value and value != _usual(holder, key.name):
                by_reason[key.pair, key.is_open].append(key.path)
    for (why, is_open), keys in by_reason.items():
        if why != "attempt-unknown" or attempt is None:
            is_open = is_open and not profile.is_default
            yield NotApplied(tuple(dict.fromkeys(keys)), says(why), is_open)
    if OneWayCause.NOT_TERMINATED in profile.one_way.reasons:
        yield NotApplied(("one_way.reasons",), says("cause-unrecorded"), is_open=False)
    if not guards_all(profile):
        yield NotApplied(("decision.rule",), says("unguarded"), is_open=False)
    if codes := profile.data.not_gradable & CABLE_FINDINGS:
        reason = says("cable-findings", findings=", ".join(sorted(codes)))
        yield NotApplied(("data.not_gradable",), reason, is_open=True)
    asked = any(case.fibre_types for case in profile.wavelengths.cases)
    if asked and not fibre_type_of(measurement.ab.identity, measurement.ba.identity):
        yield NotApplied(("wavelengths.cases[].fibre_types",), says("type-unknown"), is_open=False)
    if asks_for_ends(profile) and None in _end_events(measurement):
        apart = profile.setup.launch is LaunchUse.NONE
        limits = tuple(
            f"connector.{name}"
            for name in ("end_limit_db", "per_direction_limit_db", "with_splice_limit_db")
            if getattr(profile.connector, name) is not None
        )
        yield NotApplied(limits, says("ends-apart" if apart else "no-cord"), is_open=not apart)


def _proves_nothing(judged: Sequence[Judged], whole: Sequence[SpliceVerdict]) -> bool:
    """Tell whether splices stand here and the profile judges neither them nor their sum or mean."""
    splices = {j.verdict for j in judged if j.reading.kind is not Kind.CONNECTOR}
    losses = {rule.rule for rule in whole if rule.limit_db is not None} & _OF_ALL_LOSSES
    return bool(splices) and splices <= {Verdict.NOT_JUDGED, Verdict.INFORMATION} and not losses


def _seen_once(judged: Judged) -> Judged:
    """Ask for one shot again before a splice is cut, or closed over, that it alone shows.

    A hand or a bend in one shot, or work between them, adds to one reading and not to the other;
    so does, seldom, a step between two glasses that just cancels the loss.
    """
    reading, end = judged.reading, None
    large_db = reported(max(reading.loss_ab_db or 0.0, reading.loss_ba_db or 0.0), Quantity.LOSS_DB)
    if judged.action is Action.RE_SPLICE:
        end = shown_from(reading)
    elif judged.verdict is Verdict.WITHIN and (large_db or Decimal(0)) > (judged.limit_db or 0):
        end = shown_from(reading, 0.0, HIDES_STEP_DB)
    if end is None:
        return judged
    reason = says("seen-once", end=end, large_db=large_db)
    return replace(judged, action=Action.SHOOT_AGAIN, reason=reason)


def _two_in_one(judged: Judged, measurement: Measurement) -> Judged:
    """Ask for a shorter pulse before a splice is cut that may be two, each of them good."""
    row, over_db = measurement.row_of(judged.reading), _over_db(judged)
    if row is None or judged.action is not Action.RE_SPLICE or over_db > (judged.limit_db or 0):
        return judged
    apart_m = two_splices_m(measurement, row)
    if apart_m is None:
        return judged
    reason = says("two-in-one", apart_m=round(apart_m), over_db=over_db)
    return replace(judged, action=Action.LOOK, reason=reason)


def _settled_first(judged: Judged) -> Judged:
    """Ask for better shots before a splice is cut that may as well be within its limit.

    The contract's plain rule still counts it as over; a ribbon is not cut for the last digit.
    """
    open_yet = judged.near_limit and judged.action is Action.RE_SPLICE
    return replace(judged, action=Action.SHOOT_AGAIN) if open_yet else judged


def _bent(judged: Judged, own: Measurement, shorter: Measurement, profile: Profile) -> Judged:
    """Tell a bend from a splice to cut by what the same place loses at a shorter wavelength."""
    if judged.action is not Action.RE_SPLICE or judged.loss_db is None:
        return judged
    slack_m = sum(s.shot.placing_m for m in (own, shorter) for s in (m.side_ab, m.side_ba))
    at_m = judged.distance_m * shorter.axis.length_m / own.axis.length_m
    here = [r for r in shorter.readings if abs(r.distance_m - at_m) <= slack_m]
    # What does not show there at all loses next to nothing.
    short_db, u_short_db = next(((r.loss_db, r.u_loss_db) for r in here), (0.0, None))
    if short_db is None:
        return judged
    short_nm, long_nm = (m.ab.identity.nominal_wavelength_nm for m in (shorter, own))
    short = short_nm, short_db, u_short_db
    long = long_nm, judged.loss_db, judged.reading.u_loss_db
    threshold_db = profile.bend.threshold_db or default().bend.threshold_db
    return as_bend(judged, threshold_db, short, long) or judged


def _not_to_cut(judged: V) -> V:
    """Withhold an order to cut; somebody has to look first."""
    return replace(judged, action=Action.LOOK) if judged.action is Action.RE_SPLICE else judged


def _damage(trace: Trace) -> list[Statement]:
    """The first thing that is missing or broken in a file, if anything is."""
    broken = [f for f in trace.findings if f.severity is Severity.DEFECT]
    return [says("check-file", file=trace.identity.path, finding=f) for f in broken[:1]]


def _settling(
    measurement: Measurement, judged: Sequence[Judged], limit_db: Decimal
) -> tuple[Statement, ...]:
    """What would settle the splices that are near the limit or not measured both ways."""
    splices = [j for j in judged if j.reading.kind is not Kind.CONNECTOR]
    return settling_steps(
        measurement,
        [j.reading for j in splices if j.near_limit],
        [j.reading for j in splices if j.action is Action.SHOOT_AGAIN and not j.near_limit],
        limit_db,
    )


def _next_steps(
    judged: Sequence[Judged],
    besides: Sequence[Statement],
    profile: Profile,
    limit_db: Decimal | None,
    length_m: float,
    ends: Ends,
    *,
    clear: bool,
) -> tuple[Statement, ...]:
    """Say what to do, most urgent first.

    ``besides`` speaks against the pair beside its splices; ``clear`` is False where it is
    doubtful that both files are one fibre. Either way nothing is said to be good.
    """
    km = in_km(length_m)
    steps: list[Statement] = []
    for action in _ANSWERS:
        if action is Action.SHOOT_AGAIN:
            steps += besides
        steps += [
            _step(j, length_m, ends)
            for j in judged
            # Where the data are in doubt, the doubt itself is what to look at.
            if j.action is action and j.verdict not in (Verdict.NOT_GRADABLE, Verdict.IMPLAUSIBLE)
        ]
    if profile.ribbon_size and any(j.action is Action.RE_SPLICE for j in judged):
        steps.append(says("single-fibre" if profile.ribbon.single_fibre else "whole-ribbon"))
    steps += [
        Statement("passes-near", _figures(j, km))
        for j in judged
        if j.verdict is Verdict.WITHIN and j.near_limit
    ]
    passing = sum(j.verdict is Verdict.WITHIN for j in judged)
    if not any(j.reading.kind is not Kind.CONNECTOR for j in judged):
        steps.append(says("no-splice-shows"))
    elif clear and not besides and not any(j.needs_work for j in judged):
        code = "nothing-to-redo-one" if passing == 1 else "nothing-to-redo"
        steps.insert(0, says(code, count=passing, limit_db=limit_db))
    return tuple(steps)


def _step(judged: Judged, length_m: float, ends: Ends) -> Statement:
    """What to do about one position that needs work."""
    km, kind = in_km(length_m), judged.reading.kind
    figures, place = _figures(judged, km), place_of(judged.reading, km=km)
    has_loss = judged.reading.loss_db is not None and kind is not Kind.CONNECTOR
    if (
        has_loss
        and judged.action is Action.SHOOT_AGAIN
        and (judged.near_limit or judged.verdict is Verdict.TOO_CLOSE)
    ):
        return Statement("shoot-too-close", figures + values(limit_db=judged.limit_db))
    if judged.verdict is Verdict.NOT_JUDGED:
        limit_db = dict(judged.reason.values)["limit_db"]
        return Statement("look-connector", figures + values(limit_db=limit_db))
    if judged.reason.code in _OWN_STEPS:
        return Statement(_OWN_STEPS[judged.reason.code], figures + judged.reason.values)
    if judged.verdict in (Verdict.ONE_WAY, Verdict.NOT_MEASURED):
        return says("shoot-again", place=place, reason=judged.reason)
    other_first = any(more.code == "other-wavelength-first" for more in judged.reason.more)
    if (
        judged.verdict is not Verdict.OVER
        or not has_loss
        or (other_first and kind is not Kind.GROUP)
    ):
        return says("look-at", place=place, reason=judged.reason)
    figures += values(over_db=_over_db(judged))
    if kind is Kind.GROUP:
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
    mismatch_db = judged.mismatch_loss_db
    if mismatch_db is not None and mismatch_db >= MISMATCH_WORTH_SAYING_DB:
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

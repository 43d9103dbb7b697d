"""What to redo: the smallest piece of work is a closure's ribbon, cut and spliced whole.

For each such unit the plan says which fibres fail, by how much and how surely, what a
remake risks and can gain, and sets the choice out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from decimal import Decimal

from otdravg.cable.log.model import NO_LOG, SpliceLog
from otdravg.cable.model import Closure, FibreResult, SpliceRow
from otdravg.cable.resplice.crew import (
    CrewSample,
    Place,
    by_fibre,
    by_unit,
    chance_all_pass,
    chance_over,
    combined_verdict,
    expected_worst_db,
    floor_db,
    over_by,
    place_of,
)
from otdravg.cable.resplice.model import (
    CableOpenings,
    Choice,
    FailingFibre,
    Openings,
    Option,
    RemakeRisk,
    ResplicePlan,
    Unit,
)
from otdravg.cable.resplice.openings import SpanNeed, fewest_openings
from otdravg.findings import Statement, says
from otdravg.fit.reading import Kind
from otdravg.grouping import grouped
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile, SpliceVerdict
from otdravg.verdict.decision import Action, Verdict

#: Verdicts of a splice that may be cut, whatever has to be weighed first.
_TO_CUT = (Verdict.OVER, Verdict.FAILED, Verdict.TEMPORARY, Verdict.METHOD_BARRED)
_LISTED = (*_TO_CUT, Verdict.TOO_CLOSE, Verdict.BEND)
#: A fibre as a whole that nobody has to do anything for, or may: its evidence is there, or its
#: data are in doubt.
_NOT_DUE = (Verdict.ACCEPTED, Verdict.NOT_GRADABLE)
#: Rules about a fibre as a whole that remakes can meet.
_OF_THE_MEAN = ("span.mean_limit_db", "span.evidence_attempts")
_OF_THE_SUM = ("span.steps", "span.formula")


def plan_resplices(
    rows: Sequence[SpliceRow],
    closures: Sequence[Closure],
    fibres: Sequence[FibreResult],
    profile: Profile,
    log: SpliceLog = NO_LOG,
) -> ResplicePlan:
    """Make the re-splice plan of one or several cables.

    Parameters
    ----------
    rows : sequence of SpliceRow
        Judged rows; those between closures are not part of any unit.
    closures : sequence of Closure
        For their order along the route.
    fibres : sequence of FibreResult
        For the span rules.
    profile : Profile
        Combines wavelengths and holds the span rules.
    log : SpliceLog, optional
        When each unit was spliced, and by whom.

    Notes
    -----
    All estimates come from the cable's own splices, as they are now. A remake draws from the
    same crew's luck: what changed since (a new blade, another crew) is not in them.
    """
    at_closures = (row for row in rows if row.closure_number is not None)
    by_cable = grouped(at_closures, lambda row: row.cable)
    where = {(c.cable, c.number): c.distance_m for c in closures}
    units: list[Unit] = []
    openings: list[CableOpenings] = []
    for cable in sorted(by_cable):
        sample = CrewSample.of(by_cable[cable], profile)
        own = [
            unit
            for key, members in sorted(by_unit(by_cable[cable]).items())
            if (unit := _unit(members, where.get((cable, key[0])), sample, profile, log))
        ]
        own.sort(key=lambda u: (u.distance_m, u.closure_number, u.ribbon or 0, u.fibres))
        units += own
        results = [f for f in fibres if f.key.cable == cable]
        found = _openings(by_cable[cable], results, own, sample, profile)
        if found is not None:
            openings.append(CableOpenings(cable, found))
    return ResplicePlan(tuple(units), tuple(openings))


def _unit(
    rows: Sequence[SpliceRow],
    distance_m: float | None,
    sample: CrewSample,
    profile: Profile,
    log: SpliceLog,
) -> Unit | None:
    """Look at one ribbon at one closure; None if nothing in it needs work."""
    own_by_fibre = by_fibre(rows)
    failing = tuple(
        _failing(own, verdict, sample)
        for _, own in sorted(own_by_fibre.items())
        if (verdict := combined_verdict(own, profile)).verdict in _LISTED
        and verdict.action is not Action.NONE
    )
    if not failing:
        return None
    first = rows[0]
    number = first.closure_number or 0
    risk = _risk(own_by_fibre, number, failing, sample)
    advised, because = advice(failing, risk, profile)
    return Unit(
        cable=first.cable,
        closure_number=number,
        closure=first.closure,
        distance_m=first.distance_m if distance_m is None else distance_m,
        ribbon=first.ribbon,
        fibres=(failing[0].fibre,) if advised is Choice.SINGLE else tuple(sorted(own_by_fibre)),
        failing=failing,
        risk=risk,
        options=options(failing, risk, profile),
        advised=advised,
        because=because,
        place=first.place,
        spliced=log.at(first.cable, number, place_of(first)[1]),
    )


def _failing(rows: Sequence[SpliceRow], verdict: SpliceVerdict, sample: CrewSample) -> FailingFibre:
    """Describe a failing fibre at the wavelength that decided, where it is worst."""
    deciding = [row for row in rows if row.verdict.verdict is verdict.verdict] or list(rows)
    row = max(deciding, key=lambda r: (over_by(r), r.wavelength_nm))
    excess = over_by(row)
    floor = floor_db(row.backscatter_step_db) if row.backscatter_step_db is not None else None
    return FailingFibre(
        fibre=row.fibre,
        position=row.position,
        colour=row.colour,
        wavelength_nm=row.wavelength_nm,
        verdict=row.verdict,
        attempt=row.attempt,
        loss_db=reported(row.loss_db, Quantity.LOSS_DB),
        u_loss_db=row.u_loss_db,
        over_by_db=excess if excess.is_finite() else None,
        chance_over=chance_over(row.loss_db, row.u_loss_db, row.verdict.limit_db),
        floor_db=reported(floor, Quantity.LOSS_DB),
        expected_after_db=reported(sample.expected_after_db(row), Quantity.LOSS_DB),
    )


def _risk(
    own_by_fibre: Mapping[int, Sequence[SpliceRow]],
    number: int,
    failing: Sequence[FailingFibre],
    sample: CrewSample,
) -> RemakeRisk:
    nm = max(failing, key=lambda f: f.over_by_db or Decimal(-1)).wavelength_nm
    floors = [
        floor_db(row.backscatter_step_db)
        for rows in own_by_fibre.values()
        for row in rows
        if row.wavelength_nm == nm
    ]
    draws = sample.removable_db.get(nm)
    worst = expected_worst_db(draws, floors) if draws is not None and floors else None
    count = len(own_by_fibre)
    p_fail = sample.rate_at[number]
    return RemakeRisk(
        fibres=count,
        p_fail=p_fail,
        sample=sample.count_at[number],
        chance_all_pass=chance_all_pass(p_fail, count),
        expected_failing=count * p_fail,
        expected_worst_db=reported(worst, Quantity.LOSS_DB),
        clean_ribbons=sample.clean_ribbons,
        counted_ribbons=sample.counted_ribbons,
    )


def _openings(
    rows: Sequence[SpliceRow],
    results: Sequence[FibreResult],
    units: Sequence[Unit],
    sample: CrewSample,
    profile: Profile,
) -> Openings | None:
    """Find the fewest closures to open for the span rules; None without such a rule."""
    splices = (row for row in rows if row.kind is not Kind.CONNECTOR)
    own = grouped(splices, lambda row: (row.fibre, row.wavelength_nm))
    worth = {place for place, members in by_unit(rows).items() if _is_worth(members, profile)}
    needs = [
        need
        for result in results
        if (spliced := own.get((result.key.fibre, result.wavelength_nm)))
        for need in _span_needs(result, spliced, sample, worth)
    ]
    if not needs:
        return None
    redone = [unit for unit in units if unit.advised is Choice.REDO]
    opened = {
        unit.closure_number for unit in units if unit.advised in (Choice.RE_DRESS, Choice.SINGLE)
    }
    return fewest_openings(
        needs,
        opened=opened | {unit.closure_number for unit in redone},
        remade={
            (unit.closure_number, unit.fibres[0] if unit.ribbon is None else unit.ribbon)
            for unit in redone
        },
    )


def _is_worth(rows: Sequence[SpliceRow], profile: Profile) -> bool:
    """Whether a ribbon may be opened for the sake of a span: not if its worst fibre is within."""
    verdicts = [combined_verdict(own, profile) for own in by_fibre(rows).values()]
    return any(v.verdict in _TO_CUT for v in verdicts) or all(v.limit_db is None for v in verdicts)


def _span_needs(
    result: FibreResult, rows: Sequence[SpliceRow], sample: CrewSample, worth: Collection[Place]
) -> Iterator[SpanNeed]:
    """Say what a fibre lacks under each span rule, and what each remake would bring it.

    Sum and limit are those that the fibre was judged by. ``worth`` are the units that may be
    remade for it.
    """
    gains = {}
    for row in rows:
        after_db = sample.expected_after_db(row)
        if place_of(row) in worth and after_db is not None and row.loss_db is not None:
            gains[place_of(row)[0]] = row.loss_db - after_db
    for rule in result.rules:
        is_mean = rule.rule in _OF_THE_MEAN
        is_due = rule.verdict not in _NOT_DUE and (is_mean or rule.rule in _OF_THE_SUM)
        if is_due and rule.figure is not None and rule.limit_db is not None:
            over_db = float(rule.figure - rule.limit_db) * (len(rows) if is_mean else 1)
            yield SpanNeed(result.key.fibre, place_of(rows[0])[1], over_db, gains)


#: A splice is surely over if the chance of it is at least this (one-sided 97.5 %, k = 2).
_SURE = 0.975
#: More averaging than this is not worth proposing.
_MOST_TIMES_LONGER = 100


def _to_cut(failing: Sequence[FailingFibre]) -> list[FailingFibre]:
    """Failing fibres that a remake is about; a bend is undone by hand."""
    return [f for f in failing if f.verdict.verdict is not Verdict.BEND]


def advice(
    failing: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile
) -> tuple[Choice, Statement]:
    """Weigh the choice; the reason names what tipped it.

    Attempts that are due come before any concession: those of the profile, without such a rule
    one more than the first (common practice, no source), unless unequal fibres alone cost more
    than the limit.
    """
    to_cut = _to_cut(failing)
    redo = Choice.SINGLE if _is_alone(to_cut, risk, profile) else Choice.REDO
    if not to_cut:
        return Choice.RE_DRESS, says("only-bends")
    if any(f.verdict.verdict in (Verdict.TEMPORARY, Verdict.METHOD_BARRED) for f in to_cut):
        return redo, says("kind-to-replace")
    sure = [f for f in to_cut if f.chance_over is not None and f.chance_over >= _SURE]
    cuttable = [f for f in sure if f.verdict.action is not Action.LOOK]
    if not cuttable:
        return Choice.MEASURE, says("none-surely-over")
    allowed = profile.splice.attempts
    made = min(f.attempt for f in cuttable)
    if allowed is not None and made < allowed.allowed:
        return redo, says("attempt-due", made=made, allowed=allowed.allowed)
    stuck = [f for f in cuttable if _limit_below_floor(f)]
    if len(stuck) == len(cuttable):
        return Choice.CONCESSION, says("unequal-fibres")
    spent = [f for f in cuttable if f.verdict.verdict is Verdict.FAILED]
    if len(spent) == len(cuttable):
        return Choice.CONCESSION, says("attempts-spent")
    if redo is Choice.SINGLE:
        return redo, says("one-fibre-alone")
    if allowed is None and made == 1 and not stuck:
        return redo, says("spliced-once")
    better = risk.expected_failing < len(to_cut)
    expected = Decimal(f"{risk.expected_failing:.1f}")
    because = says("remake-brings", failing=len(to_cut), expected=expected)
    worst = max(cuttable, key=lambda f: f.over_by_db or Decimal(0))
    after_db = risk.expected_worst_db
    if worst.loss_db is not None and worst.over_by_db is not None and after_db is not None:
        because = says(
            "remake-brings-worst", failing=len(to_cut), expected=expected,
            worst_db=worst.loss_db, after_db=after_db,
        )  # fmt: skip
        # More fibres just over can still be better than one far over.
        better = better or worst.loss_db - after_db > worst.over_by_db / 2
    return (Choice.REDO if better else Choice.CONCESSION), because


def _is_alone(to_cut: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile) -> bool:
    """Whether one fibre of a ribbon is to be made again, and may be without the others."""
    return profile.ribbon.single_fibre and risk.fibres > 1 and len({f.fibre for f in to_cut}) == 1


def _limit_below_floor(fibre: FailingFibre) -> bool:
    limit_db = fibre.verdict.limit_db
    return fibre.floor_db is not None and limit_db is not None and fibre.floor_db > limit_db


def options(
    failing: Sequence[FailingFibre], risk: RemakeRisk, profile: Profile
) -> tuple[Option, ...]:
    """Set the choice out, each way with what it brings."""
    ways = []
    to_cut = _to_cut(failing)
    if len(to_cut) < len(failing):
        bent = ", ".join(str(f.fibre) for f in failing if f.verdict.verdict is Verdict.BEND)
        ways.append(Option(Choice.RE_DRESS, says("bend-in-fibre", fibres=bent)))
    if not to_cut:
        return tuple(ways)
    if _is_alone(to_cut, risk, profile):
        percent = round(100 * (1 - risk.p_fail))
        brings = says("single-brings", fibre=to_cut[0].fibre, percent=percent)
        ways.append(Option(Choice.SINGLE, brings))
    more = []
    if risk.expected_worst_db is not None:
        more.append(says("worst-then", after_db=risk.expected_worst_db))
    if risk.counted_ribbons:
        more.append(says("clean-so-far", clean=risk.clean_ribbons, ribbons=risk.counted_ribbons))
    brings = says(
        "redo-brings", *more, fibres=risk.fibres, failing=len(to_cut),
        expected=Decimal(f"{risk.expected_failing:.1f}"),
        percent=round(100 * risk.chance_all_pass), each=Decimal(f"{100 * risk.p_fail:.1f}"),
    )  # fmt: skip
    ways.append(Option(Choice.REDO, brings))
    ways.append(Option(Choice.CONCESSION, _concession(to_cut)))
    unsure = [f for f in to_cut if f.chance_over is not None and f.chance_over < _SURE]
    if unsure:
        ways.append(Option(Choice.MEASURE, _measuring(unsure)))
    return tuple(ways)


def _concession(to_cut: Sequence[FailingFibre]) -> Statement:
    over = [f.over_by_db for f in to_cut if f.over_by_db is not None and f.over_by_db > 0]
    floors = [f.floor_db for f in to_cut if f.floor_db is not None]
    stays = [says("floor-stays", floor_db=max(floors))] if floors else []
    if over:
        return says("concession-over", *stays, fibres=len(to_cut), over_db=max(over))
    return says("concession", *stays, fibres=len(to_cut))


def _measuring(unsure: Sequence[FailingFibre]) -> Statement:
    """Say how sure it is, and how much longer averaging would settle it."""
    parts = []
    for fibre in unsure:
        more = []
        distance = abs(float(fibre.over_by_db or 0))
        if fibre.u_loss_db and distance > 0:
            # Noise falls with the root of the averaging time; k = 2 has to fit the distance.
            times = (2 * fibre.u_loss_db / distance) ** 2
            if times <= _MOST_TIMES_LONGER:
                more = [says("averaging-tells", times=Decimal(f"{max(times, 1.1):.2g}"))]
            else:
                more = [says("no-averaging-tells")]
        percent = round(100 * (fibre.chance_over or 0))
        parts.append(says("over-by-chance", *more, fibre=fibre.fibre, percent=percent))
    return says("measuring-brings", parts=tuple(parts))

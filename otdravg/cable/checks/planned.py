"""The splice plan held against the shots: as planned beside as found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise

from otdravg.cable.checks.notes import about_fibres
from otdravg.cable.files.names import same_text
from otdravg.cable.identity.said import NOT_ONE_FIBRE, Renumbering
from otdravg.cable.identity.stories import CLEAR
from otdravg.cable.lists.facts import PowerReading
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.model import (
    CableFinding,
    Confidence,
    IdentityCheck,
    ShotRecord,
    Source,
    SpliceRow,
)
from otdravg.cable.planned import PlannedSplice, SplicePlan
from otdravg.findings import Scope, Severity, Statement, caution, note, says
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

#: Of the fibres that a story renumbers so many have to be those of the plan, undone. Chosen, not
#: derived: a story may take in a neighbour that has no shot.
_UNDONE = 0.8
#: Findings beside which it is said where the plan moves the fibres that they concern.
_OF_PLAN = NOT_ONE_FIBRE | {"length-differs"}
#: A planned express ribbon is spliced if so much of it shows a splice. Chosen, not derived.
_SPLICED = 0.5


def counted_at_a(records: Sequence[ShotRecord], plan: SplicePlan) -> list[ShotRecord]:
    """Give shots from B the number that their fibre has at A by the plan."""
    moved = {(same_text(one.cable), one.number): one.at_a for one in plan.moved}
    own = same_text(plan.cable)
    result = []
    for record in records:
        taken = record.taken_for
        is_b = taken.direction is Direction.B_TO_A and taken.fibre is not None
        at_a = moved.get((same_text(taken.cable) or own, taken.fibre or 0)) if is_b else None
        if at_a is not None:
            is_own = same_text(taken.cable) in ("", own)
            cable = taken.cable if is_own else plan.cable
            remark = says("numbered-at-b", fibre=taken.fibre, at_a=at_a)
            cable_by = taken.cable_by if is_own else Source.PLAN
            new = replace(taken, cable=cable, fibre=at_a, cable_by=cable_by, fibre_by=Source.PLAN)
            record = replace(record, taken_for=new, remark=remark)
        result.append(record)
    return result


def readings_at_a(readings: Iterable[PowerReading], plan: SplicePlan) -> tuple[PowerReading, ...]:
    """Count the fibres of power readings as at A: those that the plan moves bear others at B."""
    moved = {one.number: one.at_a for one in plan.moved if one.cable == plan.cable}
    return tuple(
        replace(one, fibre=moved.get(one.fibre, one.fibre))
        if one.end == "B"
        else replace(one, arrives=moved.get(one.arrives or 0, one.arrives))
        for one in readings
    )


def contradicted(plan: SplicePlan, stories: Iterable[Renumbering]) -> set[int]:
    """Fibres that the plan moves and the shots put back: those at B fit as they are labelled."""
    labels = {one.at_a: one.number for one in plan.moved}
    back: set[int] = set()
    for story in stories:
        own = {now: label for now, label in labels.items() if now in story.new}
        undone = {now for now, label in own.items() if story.new[now] == label}
        if undone and len(undone) >= _UNDONE * len(story.new):
            back |= undone | {labels[now] for now in undone} & labels.keys()
    return back


def _map_of(maps: Mapping[str, CableMap], plan: SplicePlan) -> CableMap | None:
    return next((m for name, m in maps.items() if same_text(name) == same_text(plan.cable)), None)


def placed_plan(plan: SplicePlan, maps: Mapping[str, CableMap]) -> SplicePlan:
    """Return the plan with the numbers of the closures that were found."""
    own_map = _map_of(maps, plan)
    closures = () if own_map is None else own_map.closures
    return plan.found([(closure.name, closure.number) for closure in closures])


def with_places(rows: Iterable[SpliceRow], plan: SplicePlan) -> list[SpliceRow]:
    """Write tube, mark, tray and slot to the rows of the plan's cable."""
    places = plan.by_fibre()
    return [
        replace(row, place=planned.place)
        if row.closure_number is not None
        and same_text(row.cable) in ("", same_text(plan.cable))
        and (planned := places.get((row.closure_number, row.fibre))) is not None
        else row
        for row in rows
    ]


def plan_findings(
    plan: SplicePlan,
    maps: Mapping[str, CableMap],
    identities: Sequence[IdentityCheck],
    rows: Sequence[SpliceRow],
) -> list[CableFinding]:
    """Say where what was found is not what was planned, and what of the plan is proved."""
    own_map = _map_of(maps, plan)
    if own_map is None:
        return []
    findings = [*_unknown_closures(plan, own_map.cable)]
    findings += _numbers(plan, own_map.cable, identities)
    seen = {(row.closure_number, row.fibre) for row in rows if row.detected}
    for splice in plan.splices:
        if splice.closure_number is not None:
            findings += _cut_or_not(splice, own_map, seen)
    return findings


def _unknown_closures(plan: SplicePlan, cable: str) -> Iterable[CableFinding]:
    names = dict.fromkeys(s.closure for s in plan.splices if s.closure_number is None)
    for name in names:
        yield CableFinding(caution("plan-closure-unknown", Scope.CABLE, name=name), cable=cable)


def _numbers(
    plan: SplicePlan, cable: str, identities: Sequence[IdentityCheck]
) -> Iterable[CableFinding]:
    """What the glass says of the numbers that the plan gives."""
    if plan.contradicted:
        moves = _moves(plan, plan.contradicted)
        said = caution("plan-contradicted", Scope.CABLE, moves=moves)
        yield about_fibres(cable, plan.contradicted, said, each=True)
    moved = sorted(one.at_a for one in plan.moved)
    fit = {
        one.key.fibre: own_nats
        for one in identities
        if one.margin is not None and one.confidence is not Confidence.DOUBTFUL
        if one.key.cable == cable and isinstance(own_nats := one.said["own_nats"], float)
    }
    paired = {one.key.fibre for one in identities if one.key.cable == cable}.intersection(moved)
    if not paired:
        return
    # Shots of a ribbon that meets another than planned are no pairs: all of it together tells.
    proved = {
        fibre
        for splice in plan.splices
        if splice.moves
        and sum(fit.get(fibre, 0.0) for fibre in paired.intersection(splice.fibres)) >= CLEAR
        for fibre in paired.intersection(splice.fibres)
    }
    is_proved = proved == paired
    grave = note if is_proved or _only_branches(plan) else caution
    said = grave(
        "numbering-as-planned" if is_proved else "plan-unproved", Scope.CABLE,
        moves=_moves(plan, moved), proved=len(proved), pairs=len(paired),
    )  # fmt: skip
    yield about_fibres(cable, moved, said, each=True)


def _only_branches(plan: SplicePlan) -> bool:
    """Whether fibres go to branches in the order that they have at A, as labels say anywhere."""
    by_place = sorted((one.cable, one.number, one.at_a) for one in plan.moved)
    pairs = list(pairwise(by_place))
    return all(name != plan.cable for name, _, _ in by_place) and all(
        one[2] < other[2] for one, other in pairs if one[0] == other[0]
    )


def _moves(plan: SplicePlan, fibres: Iterable[int]) -> Statement:
    """Say what the plan does with some fibres."""
    own = set(fibres)
    moves = tuple(
        says("planned-move", what=_unit(s), moves=s.moves, closure=s.closure)
        for s in plan.splices
        if own & set(s.fibres) and not s.row.express and s.moves
    )
    more = (says("planned-more", more=len(moves) - 4),) if len(moves) > 4 else ()
    return says("by-plan", *more, moves=moves[:4])


def _unit(splice: PlannedSplice) -> Statement:
    fibres, row = numbers_text(splice.fibres), splice.row
    if not row.ribbon_in:
        return says("fibres-named", fibres=fibres)
    code = "planned-ribbon-tray" if row.tray else "planned-ribbon"
    return says(code, ribbon=str(row.ribbon_in), fibres=fibres, tray=row.tray)


def as_planned(
    findings: Iterable[CableFinding], plan: SplicePlan, maps: Mapping[str, CableMap]
) -> list[CableFinding]:
    """Add to findings about numbers and lengths what the plan says of these fibres.

    Fibres of another length that the plan has on a branch of their own are where they belong.
    """
    return [_beside_plan(finding, plan, _map_of(maps, plan)) for finding in findings]


def _beside_plan(finding: CableFinding, plan: SplicePlan, own_map: CableMap | None) -> CableFinding:
    if same_text(finding.cable) != same_text(plan.cable):
        return finding
    own = {fibre for fibre in (finding.fibre, *finding.other_fibres) if fibre is not None}
    listed = [s for s in plan.splices if own & set(s.fibres)]
    said = None
    if finding.code == "other-length" and own_map is not None:
        usual = {fibre for fibre, route in own_map.route_of.items() if route == 1}
        if not set(map(plan.branch_of, own)) & set(map(plan.branch_of, usual)):
            finding = replace(finding, said=replace(finding.said, severity=Severity.NOTE))
            said = _moves(plan, own | usual)
    elif finding.code in _OF_PLAN and any(splice.moves for splice in listed):
        said = _moves(plan, own)
    elif finding.code in NOT_ONE_FIBRE and listed:
        numbers = own & {fibre for splice in listed for fibre in splice.fibres}
        said = says("straight-through", fibres=numbers_text(numbers))
    return finding if said is None else replace(finding, beside=(*finding.beside, said))


def _cut_or_not(
    splice: PlannedSplice, own_map: CableMap, seen: set[tuple[int | None, int]]
) -> Iterable[CableFinding]:
    """A ribbon that is planned to run through and is spliced, and the other way round."""
    number = splice.closure_number or 0
    closure = own_map.closure(number)
    passing = [f for f in splice.fibres if f in own_map.passes]
    spliced = [f for f in passing if (number, f) in seen]
    if splice.row.express and spliced and len(spliced) >= _SPLICED * len(passing):
        said = caution(
            "express-spliced", Scope.CABLE, what=_unit(splice), closure=closure.name,
            spliced=len(spliced), fibres=len(passing),
        )  # fmt: skip
        yield about_fibres(own_map.cable, spliced, said, each=True, closure=closure.name)
    if not splice.row.express and passing and not set(passing) & set(closure.fibres):
        said = caution(
            "planned-splice-unseen", Scope.CABLE, what=_unit(splice), closure=closure.name
        )
        yield about_fibres(own_map.cable, passing, said, each=True, closure=closure.name)

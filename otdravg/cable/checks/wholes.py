"""Splices of a ribbon, a closure and a cable as wholes: what is proved of them, and what fails.

Splices are proved before a closure is closed, bends after it: fibres are laid into their trays in
between (common practice, no source).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from decimal import Decimal

from otdravg.cable.checks.notes import about_fibre, about_fibres
from otdravg.cable.model import CableFinding, Closure, FibreResult, GroupResult, Proof, SpliceRow
from otdravg.cable.planned import NOWHERE_PLANNED
from otdravg.findings import Finding, Scope, caution, defect
from otdravg.fit.reading import Coverage, Kind
from otdravg.grouping import grouped
from otdravg.quantities import Quantity, reported
from otdravg.trade import numbers_text
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.group import Whole, judge_group, mean_of
from otdravg.verdict.rules import Closures, Profile, at_stage
from otdravg.verdict.shots import stage_findings
from otdravg.verdict.splice import splice_limit
from otdravg.verdict.verdicts import Circumstances, SpliceVerdict, worst_of

#: Losses that nobody may rely on.
_NO_LOSS = (Verdict.NOT_GRADABLE, Verdict.IMPLAUSIBLE)
_GOOD = (Verdict.WITHIN, Verdict.ACCEPTED)
#: From least to most.
_PROOFS = tuple(Proof)

#: A splice and its loss as reported.
_Splice = tuple[SpliceRow, Decimal | None]
#: Cable, closure number, closure, ribbon, wavelength.
_Place = tuple[str, int, str, int, int]


def group_results(rows: Sequence[SpliceRow], profile: Profile) -> list[GroupResult]:
    """Judge the splices of every ribbon at a closure, of every closure, and of every cable.

    Connectors and events between closures belong to none, nor does a wavelength that is
    information only.
    """
    groups: dict[tuple[Whole, _Place], list[_Splice]] = defaultdict(list)
    at_closures: dict[tuple[str, int], list[SpliceRow]] = defaultdict(list)
    for row in rows:
        if row.closure_number is None:
            continue
        at_closures[row.cable, row.wavelength_nm].append(row)
        if row.kind is not Kind.CONNECTOR and row.verdict.rule != "wavelengths.judge_others":
            loss_db = reported(row.loss_db, Quantity.LOSS_DB)
            splice = row, None if row.verdict.verdict in _NO_LOSS else loss_db
            nm, at = row.wavelength_nm, (row.cable, row.closure_number or 0, row.closure)
            groups[Whole.CABLE, (row.cable, 0, "", 0, nm)].append(splice)
            groups[Whole.CLOSURE, (*at, 0, nm)].append(splice)
            if row.ribbon is not None:
                groups[Whole.RIBBON, (*at, row.ribbon, nm)].append(splice)
    in_order = sorted(groups.items(), key=lambda item: item[0][1])
    return [_result(*group, own, profile, at_closures) for group, own in in_order]


def _result(
    whole: Whole,
    place: _Place,
    splices: Sequence[_Splice],
    profile: Profile,
    at_closures: Mapping[tuple[str, int], Sequence[SpliceRow]],
) -> GroupResult:
    cable, number, closure, ribbon, nm = place
    losses = [(loss_db, row.u_loss_db) for row, loss_db in splices]
    readings = _from_one_end(splices) if whole is Whole.RIBBON else ()
    is_open = profile.stage.is_building and any(
        row.coverage is not Coverage.BOTH for row, _ in splices
    )
    rules = (
        ()
        if is_open and not readings
        else judge_group(profile, whole, losses, nm, readings if is_open else ())
    )
    known = [(loss_db, row.fibre) for row, loss_db in splices if loss_db is not None]
    worst_db, worst_fibre = max(known, default=(None, None))
    verdicts = [row.verdict for row, _ in splices]
    # A cable is proved where whatever stands in its closures is.
    shown = at_closures[cable, nm] if whole is Whole.CABLE else [row for row, _ in splices]
    return GroupResult(
        whole, cable, closure, number or None, ribbon or None, nm,
        tuple(row.fibre for row, _ in splices), len(known),
        sum(own.verdict in (Verdict.OVER, Verdict.FAILED) for own in verdicts),
        mean_of(losses)[0], worst_db, worst_fibre, rules,
        worst_of([*verdicts, *rules]) or verdicts[0],
        splices[0][0].place if whole is Whole.RIBBON else NOWHERE_PLANNED,
        proof=min((row.proof for row in shown), key=_PROOFS.index),
        proved=_since([row.proved for row in shown]),
        bend_checked=_since([row.bend_checked for row in shown]),
    )  # fmt: skip


def _from_one_end(splices: Sequence[_Splice]) -> tuple[Decimal, ...]:
    """What one end reads at the splices of a ribbon."""
    shown = (
        reported(row.loss_ab_db if row.loss_ba_db is None else row.loss_ba_db, Quantity.LOSS_DB)
        for row, loss_db in splices
        if loss_db is None
    )
    return tuple(reading for reading in shown if reading is not None)


def failing_wholes(
    rows: Sequence[SpliceRow], fibres: Sequence[FibreResult], groups: Sequence[GroupResult]
) -> list[CableFinding]:
    """Findings for fibres, ribbons, closures and cables that fail as wholes.

    What is not measured, or not gradable, because a splice is not is said of the splice.
    """
    open_rows = [row for row in rows if row.verdict.needs_work]
    by_fibre = {(row.key, row.wavelength_nm) for row in open_rows}
    by_place = {
        (row.cable, place, row.wavelength_nm) for row in open_rows for place in ("", row.closure)
    }
    findings = []
    for one in fibres:
        is_said = (one.key, one.wavelength_nm) in by_fibre
        files = tuple(filter(None, (one.file_ab, one.file_ba)))
        findings += [
            about_fibre(one.key, said, wavelength_nm=one.wavelength_nm, files=files)
            for said in _failing("span-outside-rules", None, one.rules, is_said)
        ]
    for group in groups:
        is_said = (group.cable, group.closure, group.wavelength_nm) in by_place
        findings += [
            CableFinding(
                said, group.cable, wavelength_nm=group.wavelength_nm, closure=group.closure,
                other_fibres=() if group.ribbon is None else group.fibres,
            )
            for said in _failing("group-outside-rules", group.ribbon, group.rules, is_said)
        ]  # fmt: skip
    return findings


def _failing(
    code: str, ribbon: int | None, rules: Sequence[SpliceVerdict], is_said: bool
) -> Iterator[Finding]:
    """Each rule that asks for something: why, and what to do."""
    for rule in rules:
        is_open = rule.verdict in (Verdict.NOT_MEASURED, Verdict.NOT_GRADABLE)
        if rule.action is Action.NONE or (is_open and is_said):
            continue
        # A whole over its limit names no splice to cut.
        is_over = rule.verdict is Verdict.OVER
        grave = defect if is_over else caution
        case = "over" if is_over else "open"
        if ribbon is not None:
            case = "over-ribbon" if is_over else "open-ribbon"
        yield grave(
            code, Scope.CABLE, case, reason=rule.reason, key=rule.rule, ribbon=ribbon,
            action=rule.action.value,
        )  # fmt: skip


# Proof


def with_proof(
    rows: Sequence[SpliceRow],
    closures: Sequence[Closure],
    profile: Profile,
    taken: Mapping[str, datetime | None],
) -> list[SpliceRow]:
    """Say of each splice how far it is proved.

    A reading from one end is plausible if it is no higher than the limit of the true loss; it may
    hide as much again as the glass on both sides differs. Bends are checked where both shots are
    younger than the closing: of one that is older half the sum shows half the bend. The dates of
    shots, ``taken`` by path, are those of the instruments; that of closing is the crew's.
    """
    closed = {(one.cable, one.number): one.closed for one in closures}
    return [
        row
        if row.closure_number is None
        else _proved(row, closed.get((row.cable, row.closure_number)), profile, taken)
        for row in rows
    ]


def _proved(
    row: SpliceRow,
    closed: datetime | None,
    profile: Profile,
    taken: Mapping[str, datetime | None],
) -> SpliceRow:
    if row.coverage is not Coverage.BOTH:
        return replace(row, proof=Proof.ONE_END) if _is_plausible(row, profile) else row
    if row.verdict.verdict not in _GOOD:
        return row
    dates = [taken.get(path) for path in (row.file_ab, row.file_ba)]
    is_after = closed is not None and all(
        date is not None and date.replace(tzinfo=None) > closed for date in dates
    )
    is_due = closed is not None or profile.stage.is_building
    is_due |= profile.stage.closures is Closures.OPEN
    if is_after and row.bend_db is not None:
        return replace(row, proof=Proof.CHECKED, proved=row.taken, bend_checked=row.taken)
    return replace(row, proof=Proof.BEND_DUE if is_due else Proof.BOTH, proved=row.taken)


def outside_stage(
    rows: Sequence[SpliceRow],
    closures: Sequence[Closure],
    profile: Profile,
    taken: Mapping[str, datetime | None],
) -> list[CableFinding]:
    """Find shots through closures that were not open, or closed, as their stage asks.

    ``taken`` by path is when shots were taken. Where nobody said when a closure was closed, or
    none was found, that is said once for its stage.
    """
    at_closures = grouped(rows, lambda row: (row.cable, row.closure_number))
    findings, unsaid = [], {} if closures else {profile.stage.name: stage_findings(profile)}
    for closure in closures:
        at = at_stage(profile, closure.stage) if closure.stage else profile
        asked, closed = at.stage.closures, closure.closed
        if closed is None:
            unsaid[at.stage.name] = stage_findings(at)
        if closed is None or asked is Closures.ANY:
            continue
        shots = {
            path: row.fibre
            for row in at_closures.get((closure.cable, closure.number), ())
            for path in (row.file_ab, row.file_ba)
            if (date := taken.get(path)) is not None
            and (date.replace(tzinfo=None) > closed) is not (asked is Closures.CLOSED)
        }
        if shots:
            case = "closed" if asked is Closures.CLOSED else "open"
            said = caution(
                "closures-outside-profile", Scope.CABLE, case, stage=at.stage.name,
                closed=f"{closed:%Y-%m-%d %H:%M}", fibres=numbers_text(set(shots.values())),
            )  # fmt: skip
            fibres = sorted(set(shots.values()))
            findings.append(
                about_fibres(
                    closure.cable, fibres, said, closure=closure.name, files=tuple(sorted(shots))
                )
            )
    notes = [CableFinding(replace(f, where=Scope.CABLE)) for own in unsaid.values() for f in own]
    return [*findings, *notes]


def _is_plausible(row: SpliceRow, profile: Profile) -> bool:
    readings = [db for db in (row.loss_ab_db, row.loss_ba_db) if db is not None]
    limit_db, _ = splice_limit(profile, Circumstances(row.wavelength_nm))
    shown = reported(max(readings, default=None), Quantity.LOSS_DB)
    unsure = row.verdict.verdict in (Verdict.ONE_WAY, Verdict.WITHIN_ONE_WAY)
    return unsure and shown is not None and (limit_db is None or shown <= limit_db)


def _since(dates: Sequence[datetime | None]) -> datetime | None:
    """The latest of some dates; None if one is missing."""
    there = [one for one in dates if one is not None]
    return max(there) if len(there) == len(dates) else None

"""Splices of a ribbon, a closure and a cable as wholes, and what fails as one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from decimal import Decimal

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.checks.proof import with_group_proof
from otdravg.cable.model import (
    CableFinding,
    FibreResult,
    GroupResult,
    SpliceRow,
)
from otdravg.cable.planned import NOWHERE_PLANNED
from otdravg.findings import Finding, Scope, caution, defect
from otdravg.fit.reading import Coverage, Kind
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.group import Whole, judge_group, mean_of
from otdravg.verdict.rules import Profile
from otdravg.verdict.verdicts import SpliceVerdict, worst_of

__all__ = ["failing_wholes", "group_results"]

#: Losses that nobody may rely on.
_NO_LOSS = (Verdict.NOT_GRADABLE, Verdict.IMPLAUSIBLE)

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
    for row in rows:
        is_splice = row.closure_number is not None and row.kind is not Kind.CONNECTOR
        if is_splice and row.verdict.rule != "wavelengths.judge_others":
            loss_db = reported(row.loss_db, Quantity.LOSS_DB)
            splice = row, None if row.verdict.verdict in _NO_LOSS else loss_db
            nm, at = row.wavelength_nm, (row.cable, row.closure_number or 0, row.closure)
            groups[Whole.CABLE, (row.cable, 0, "", 0, nm)].append(splice)
            groups[Whole.CLOSURE, (*at, 0, nm)].append(splice)
            if row.ribbon is not None:
                groups[Whole.RIBBON, (*at, row.ribbon, nm)].append(splice)
    results = [_result(*group, own, profile) for group, own in sorted(groups.items(), key=_order)]
    return with_group_proof(results, rows)


def _order(item: tuple[tuple[Whole, _Place], object]) -> _Place:
    return item[0][1]


def _result(
    whole: Whole, place: _Place, splices: Sequence[_Splice], profile: Profile
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
    return GroupResult(
        whole, cable, closure, number or None, ribbon or None, nm,
        tuple(row.fibre for row, _ in splices), len(known),
        sum(own.verdict in (Verdict.OVER, Verdict.FAILED) for own in verdicts),
        mean_of(losses)[0], worst_db, worst_fibre, rules,
        worst_of([*verdicts, *rules]) or verdicts[0],
        splices[0][0].place if whole is Whole.RIBBON else NOWHERE_PLANNED,
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

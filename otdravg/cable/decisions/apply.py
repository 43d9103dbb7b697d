"""What a reviewer decided: applied on top of the measurement, never in place of it.

Decisions stand in a file of their own: see :mod:`otdravg.cable.decisions.record`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from otdravg.cable.decisions.model import Decision, What, read_renumbering
from otdravg.cable.decisions.record import Decisions
from otdravg.cable.files.names import same_text
from otdravg.cable.measure.closures import CableMap, renamed
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse, Source, SpliceRow
from otdravg.findings import Scope, caution, defect, says
from otdravg.shot.settings import Direction
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.splice import with_more

#: Columns of a decision that name what it is about.
_OBJECT = ("fibre", "wavelength_nm", "closure", "file", "value")


def decisions_here(
    decisions: Decisions, records: Sequence[ShotRecord]
) -> tuple[Decisions, list[CableFinding]]:
    """Leave out decisions about other cables than those of some shots; spell names alike."""
    names = sorted({r.taken_for.cable for r in records if r.taken_for.cable})
    known = {same_text(name): name for name in names}
    items, findings = [], []
    nameless = [d for d in decisions.items if not d.cable and not _is_hash(d.file)]
    for decision in decisions.items:
        name = known.get(same_text(decision.cable))
        if not decision.cable or name is not None:
            items.append(replace(decision, cable=name or ""))
            continue
        said = defect(
            "decision-of-other-cable", Scope.CABLE, cable=decision.cable,
            here=", ".join(names) or None, decision=decision.said,
        )  # fmt: skip
        findings.append(CableFinding(said, fibre=decision.fibre, closure=decision.closure))
    if nameless and names:
        said = caution(
            "decision-without-cable", Scope.CABLE, nameless=len(nameless),
            decisions=len(decisions.items), decision=nameless[0].said,
        )  # fmt: skip
        findings.append(CableFinding(said))
    return replace(decisions, items=tuple(items)), findings


def _is_hash(text: str) -> bool:
    return len(text) == 64 and set(text) <= set("0123456789abcdef")


def apply_to_shots(
    records: Sequence[ShotRecord], decisions: Decisions
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Leave excluded shots out, and give the shots of one end the numbers that were decided."""
    result = list(records)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what is What.EXCLUDE_SHOT:
            chosen = [n for n, r in enumerate(result) if _is_shot(r, decision)]
            for n in chosen:
                result[n] = result[n].used_as(ShotUse.EXCLUDED, decision.said)
        elif decision.what in (What.CONFIRM_CROSSING, What.RENUMBER):
            chosen = _renumbered(result, decision)
        else:
            continue
        if not chosen:
            findings.append(_without_object(decision))
    return result, findings


def _is_shot(record: ShotRecord, decision: Decision) -> bool:
    if record.sha256 and decision.file == record.sha256:
        return True
    own_cable = record.taken_for.cable in ("", decision.cable) or not decision.cable
    return own_cable and decision.file in (record.path, PurePosixPath(record.path).name)


def _renumbered(records: list[ShotRecord], decision: Decision) -> list[int]:
    """Give shots of one end other numbers; a number of 0 leaves them out."""
    if decision.what is What.RENUMBER:
        end, new = read_renumbering(decision.value) or (Direction.UNKNOWN, {})
    else:
        one, other = decision.fibre or 0, int(decision.value)
        end, new = Direction.B_TO_A, {one: other, other: one}
    chosen = [
        n
        for n, r in enumerate(records)
        if r.taken_for.direction is end
        and r.taken_for.fibre in new
        and decision.cable in ("", r.taken_for.cable)
        and decision.wavelength_nm in (None, r.taken_for.wavelength_nm)
    ]
    for n in chosen:
        taken = records[n].taken_for
        if number := new[taken.fibre or 0]:
            renamed_for = replace(taken, fibre=number, fibre_by=Source.DECISION)
            records[n] = replace(records[n], taken_for=renamed_for, remark=decision.said)
        else:
            records[n] = records[n].used_as(ShotUse.EXCLUDED, decision.said)
    return chosen


def _without_object(decision: Decision) -> CableFinding:
    cells = decision.cells()
    about = ", ".join(f"{name} {cells[name]}" for name in _OBJECT if cells[name])
    return CableFinding(
        caution("decision-without-object", Scope.CABLE, decision=decision.said, about=about),
        cable=decision.cable,
        fibre=decision.fibre,
        closure=decision.closure,
    )


def apply_to_maps(
    maps: Mapping[str, CableMap], decisions: Decisions
) -> tuple[dict[str, CableMap], list[CableFinding]]:
    """Name closures and move positions as decided."""
    result = dict(maps)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what not in (What.NAME_CLOSURE, What.MOVE_POSITION):
            continue
        found = False
        for cable, own_map in result.items():
            number = _closure_number(own_map, decision)
            if number is None:
                continue
            if decision.what is What.NAME_CLOSURE:
                closures = tuple(
                    renamed(c, decision.value) if c.number == number else c
                    for c in own_map.closures
                )
                result[cable] = replace(own_map, closures=closures)
                found = True
            elif decision.fibre is not None and decision.fibre in own_map.passes:
                result[cable] = _moved(own_map, decision.fibre, number, float(decision.value))
                found = True
        if not found:
            findings.append(_without_object(decision))
    return result, findings


def _closure_number(own_map: CableMap, decision: Decision) -> int | None:
    if decision.cable not in ("", own_map.cable):
        return None
    for closure in own_map.closures:
        if decision.closure in (closure.name, str(closure.number)):
            return closure.number
    return None


def _moved(own_map: CableMap, fibre: int, number: int, at_m: float) -> CableMap:
    passes = {f: dict(own) for f, own in own_map.passes.items()}
    passes[fibre][number] = at_m
    return replace(own_map, passes=passes, moved=own_map.moved | {(fibre, number)})


def accepted_rows(
    rows: Sequence[SpliceRow], decisions: Decisions
) -> tuple[list[SpliceRow], list[CableFinding]]:
    """Mark splices that the reviewer accepts; the measured values stay as they are.

    A moved position and a confirmed crossing are noted on the rows they concern, too.
    """
    result = list(rows)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what in (What.EXCLUDE_SHOT, What.NAME_CLOSURE, What.ACKNOWLEDGE):
            continue
        fibres = {decision.fibre}
        if decision.what is What.CONFIRM_CROSSING:
            fibres.add(int(decision.value))
        elif decision.what is What.RENUMBER:
            _, new = read_renumbering(decision.value) or (None, {})
            fibres = set(new.values())
        chosen = [
            n
            for n, row in enumerate(result)
            if row.fibre in fibres
            and decision.cable in ("", row.cable)
            and decision.wavelength_nm in (None, row.wavelength_nm)
            and (not decision.closure or decision.closure in (row.closure, str(row.closure_number)))
        ]
        for n in chosen:
            result[n] = _decided(result[n], decision)
        if not chosen and decision.what is What.ACCEPT:
            findings.append(_without_object(decision))
    return result, findings


def acknowledged(
    findings: Sequence[CableFinding], decisions: Decisions
) -> tuple[list[CableFinding], list[CableFinding]]:
    """Mark findings that the reviewer acknowledges; they stay listed.

    A decision is of the very object that the finding names: its fibre, closure and file where it
    names them, so that what is found later stays open. A finding of several fibres takes a
    decision for each. What is wrong with the decisions themselves nobody acknowledges.
    """
    ours = [d for d in decisions.items if d.what is What.ACKNOWLEDGE]
    result, used = [], set()
    for finding in findings:
        own = [d for d in ours if _is_of(finding, d)]
        used |= set(own)
        if own and _fibres_of(finding) <= {fibre for d in own for fibre in d.acknowledges[1]}:
            finding = replace(finding, acknowledged=tuple(d.said for d in own))
        result.append(finding)
    return result, [_without_object(d) for d in ours if d not in used]


def _fibres_of(finding: CableFinding) -> set[int | None]:
    return {finding.fibre, *finding.other_fibres} - ({None} if finding.other_fibres else set())


def _is_of(finding: CableFinding, decision: Decision) -> bool:
    """Whether a decision acknowledges a finding, or some fibres of it."""
    code, fibres = decision.acknowledges
    own = _fibres_of(finding)
    names = {name for path in finding.files for name in (path, PurePosixPath(path).name)}
    is_placed = own != {None} or bool(finding.closure)
    return (
        code == finding.code
        and not code.startswith("decision")
        and decision.cable in ("", finding.cable)
        and bool(fibres & own)
        and decision.closure == finding.closure
        and decision.wavelength_nm in (None, finding.wavelength_nm)
        and (decision.file in names or (not decision.file and (is_placed or not names)))
    )


def _decided(row: SpliceRow, decision: Decision) -> SpliceRow:
    decided = (*row.decided, decision.said)
    needs_it = row.verdict.action is not Action.NONE
    if decision.what is not What.ACCEPT or not needs_it:
        return replace(row, decided=decided)
    verdict = replace(row.verdict, action=Action.NONE, rule="reviewer's decision")
    if row.loss_db is not None:
        # What nobody measured stays so; that it is left at that is the reviewer's word.
        verdict = replace(verdict, verdict=Verdict.ACCEPTED)
    verdict = with_more(verdict, says("accepted-by", who=decision.who, why=decision.why))
    return replace(row, verdict=verdict, decided=decided)

"""Findings about the set of shots as a whole, gathered so that each is said once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.checks.repairs import repaired_splices
from otdravg.cable.checks.shots import (
    clock_oddities,
    cords_missing,
    index_oddities,
    outside_profile,
    pulse_oddities,
    usual_indices,
)
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.rows import history_of
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse, Source
from otdravg.findings import Finding, Scope, Severity, caution, defect, note, says
from otdravg.trade import numbers_text
from otdravg.verdict.rules import Profile
from otdravg.verdict.shots import stage_findings

__all__ = ["measured_findings", "set_findings", "unused_findings"]


def measured_findings(measured: Sequence[Measured]) -> list[CableFinding]:
    """Findings of the measurements themselves; equal kinds of one cable are gathered.

    A defect keeps its fibre: nothing measured on that one is graded.
    """
    gathered: dict[tuple[str, str, str, int, str], list[tuple[Measured, Finding]]]
    gathered = defaultdict(list)
    for one in measured:
        for finding in one.outcome.findings:
            if finding.code not in _SAID_FOR_THE_CABLE:
                own = one.key.fibre if finding.severity is Severity.DEFECT else 0
                place = one.key.cable, finding.code, finding.case, own, finding.severity.value
                gathered[place].append((one, finding))
    result = []
    for (cable, *_), members in sorted(gathered.items(), key=lambda item: item[0]):
        fibres = sorted({one.key.fibre for one, _ in members})
        wavelengths = sorted({one.wavelength_nm for one, _ in members})
        result.append(
            CableFinding(
                members[0][1],
                cable=cable,
                fibre=fibres[0] if len(fibres) == 1 else None,
                wavelength_nm=wavelengths[0] if len(wavelengths) == 1 else None,
                files=tuple(r.path for one, _ in members for r in one.records if r is not None),
                other_fibres=tuple(fibres) if len(fibres) > 1 else (),
                alike=len(members) - 1,
            )
        )
    return result


#: Findings of single pairs that are said once for the whole cable instead.
_SAID_FOR_THE_CABLE = frozenset({"index-differs", "ends-typed-alike"})


def set_findings(
    records: Sequence[ShotRecord],
    measured: Sequence[Measured],
    maps: dict[str, CableMap],
    profile: Profile,
) -> list[CableFinding]:
    """Findings about the set of shots as a whole."""
    return [
        *index_oddities(records, usual_indices(records)),
        *pulse_oddities(records),
        *clock_oddities(records),
        *cords_missing(measured),
        *outside_profile(measured, profile),
        *repaired_splices(history_of(measured, maps), profile.ribbon_size),
        *(() if profile.stage.is_building else _other_lengths(measured, maps)),
        *_express(maps),
        *_unseen(maps),
        *_of_the_job(profile),
    ]


def _other_lengths(measured: Sequence[Measured], maps: dict[str, CableMap]) -> list[CableFinding]:
    """Fibres of another length than most of their cable, with what they share with them."""
    findings = []
    for cable, own_map in maps.items():
        by_route: dict[int, list[int]] = defaultdict(list)
        for fibre, route in own_map.route_of.items():
            by_route[route].append(fibre)
        main_m = own_map.route_length_m[1]
        for route, fibres in sorted(by_route.items()):
            if route == 1:
                continue
            length_m = own_map.route_length_m[route]
            shared = [c.name for c in own_map.closures if {1, route} <= set(c.routes)]
            files = tuple(
                r.path
                for one in measured
                if one.key.cable == cable and one.key.fibre in fibres
                for r in one.records
                if r is not None
            )
            findings.append(
                CableFinding(
                    caution(
                        "other-length",
                        Scope.CABLE,
                        "shared" if shared else "",
                        fibres=numbers_text(fibres),
                        length_m=length_m,
                        usual_m=main_m,
                        closures=", ".join(shared),
                    ),
                    cable=cable,
                    fibre=fibres[0] if len(fibres) == 1 else None,
                    files=files,
                    other_fibres=tuple(fibres) if len(fibres) > 1 else (),
                )
            )
    return findings


def _express(maps: dict[str, CableMap]) -> list[CableFinding]:
    return [
        CableFinding(
            note("passes-unspliced", Scope.CABLE, ribbon=ribbon, closure=closure),
            cable=cable,
            closure=closure,
        )
        for cable, own_map in maps.items()
        for number, ribbon in own_map.express
        for closure in (own_map.closure(number).name,)
    ]


def _unseen(maps: dict[str, CableMap]) -> list[CableFinding]:
    """Closures that somebody stated, and at which no fibre shows anything.

    One splice can hide from both ends; that those of two fibres do at one closure is seldom, and
    a table whose distances are counted from the other end has all its closures elsewhere.
    """
    return [
        CableFinding(
            caution(
                "closure-unseen",
                Scope.CABLE,
                fibres=len(closure.fibres),
                distance_m=closure.distance_m,
            ),
            cable=cable,
            fibre=closure.fibres[0],
            closure=closure.name,
            other_fibres=closure.fibres[1:],
        )
        for cable, own_map in maps.items()
        for closure in own_map.closures
        if closure.named_by is Source.MAPPING and not closure.seen_in and len(closure.fibres) > 1
    ]


def _of_the_job(profile: Profile) -> list[CableFinding]:
    """What the profile asks of the job and no trace file can show."""
    return [
        CableFinding(replace(finding, where=Scope.CABLE)) for finding in stage_findings(profile)
    ]


def unused_findings(
    records: Sequence[ShotRecord], findings: Sequence[CableFinding]
) -> list[CableFinding]:
    """Findings for files that could not be used at all, unless some finding says why already."""
    said = {f for one in findings if one.code == "shots-under-one-name" for f in one.files}
    return [_unused(r) for r in records if r.use in _SAY_WHY and r.path not in said]


_SAY_WHY = (ShotUse.UNREADABLE, ShotUse.UNPLACED, ShotUse.NOT_A_SHOT)


def _unused(record: ShotRecord) -> CableFinding:
    """A finding for a file that could not be used at all."""
    problem = record.remark or says("unknown")
    said = {
        ShotUse.UNREADABLE: defect("file-unreadable", Scope.CABLE, problem=problem),
        ShotUse.UNPLACED: defect("shot-not-placed", Scope.CABLE, problem=problem),
        ShotUse.NOT_A_SHOT: note("not-a-trace-file", Scope.CABLE, problem=problem),
    }[record.use]
    return about_shot(record, said)

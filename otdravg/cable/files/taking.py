"""Decide what every file is taken for: cable, fibre, direction and wavelength.

Order of precedence, for each of the four on its own: mapping table, name pattern, header,
file name, folder. Three rules temper it, because headers are typed by tired people and copied
from shot to shot:

* A header text that is the same in files whose names all differ was left unchanged by the
  crew and says nothing (:func:`~otdravg.cable.files.fibre_claims.stuck_fibres`, and ends typed
  alike in both directions). Where it is the same in all files, names and folders are searched for
  the number (:func:`~otdravg.cable.files.fibre_claims.told_by_paths`).
* Where header and name disagree on the fibre or the direction, the header stands unless the
  rest of the files speaks for the name (:func:`~otdravg.cable.files.fibre_claims.better_by_name`,
  :func:`~otdravg.cable.files.ends.better_directions`).
* Which of the two typed ends is A is settled once for the whole cable.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.files.claims import (
    Claims,
    Naming,
    by_cable,
    cable_key,
    cable_of,
    claims_of,
)
from otdravg.cable.files.ends import Way, better_directions, ends_of, typed_ends, with_places
from otdravg.cable.files.fibre_claims import (
    better_by_name,
    numbers_in_paths,
    stuck_fibres,
    stuck_finding,
    with_any_number,
    without_counters,
)
from otdravg.cable.files.folder import RawShot
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse, Source, TakenFor
from otdravg.findings import Scope, Statement, caution, note, says
from otdravg.shot.settings import Direction


def take(
    raw_shots: Sequence[RawShot], naming: Naming
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Turn what was found into records with a stated identity, in the order given.

    Returns
    -------
    list of ShotRecord
        One per file; ``use`` is USED for all that are complete so far.
    list of CableFinding
        About the set as a whole; findings about one file are on its record.
    """
    findings: list[CableFinding] = []
    claims = [claims_of(raw, naming) for raw in raw_shots]
    spelt: dict[str, str] = {}
    for key, numbers in by_cable(claims).items():
        members = [claims[n] for n in numbers]
        spelt[key] = cable_of(members)
        findings += _spellings(members)
        members = with_places(members)
        ends, more = ends_of(members, naming.end_a)
        findings += more
        members, silent, more = numbers_in_paths(
            [m.saying(Source.HEADER, direction=ends.get(typed_ends(m))) for m in members]
        )
        findings += more
        if not silent:
            members = without_counters(map(with_any_number, members))
            silent = stuck_fibres(members)
            if silent:
                findings.append(stuck_finding(silent, members))
        for n, member in zip(numbers, members, strict=True):
            is_silent = member.said(Source.HEADER).fibre in silent
            claims[n] = member.saying(Source.HEADER, fibre=None) if is_silent else member
    by_name = better_by_name(claims)
    ways = better_directions(claims, by_name)
    records = [
        _record(claim, spelt, by_name.get(claim.path), ways.get(claim.path)) for claim in claims
    ]
    if naming.mapping is not None:
        unused = naming.mapping.unused(raw.file.path for raw in raw_shots)
        findings += [
            CableFinding(caution("mapping-unused", Scope.CABLE, file=name), files=(name,))
            for name in unused
        ]
    return records, findings


def _spellings(members: Sequence[Claims]) -> list[CableFinding]:
    """Note that one cable's name is typed in several ways."""
    spellings = {str(member.settled("cable")[0] or "") for member in members}
    if len(spellings) == 1:
        return []
    cable, names = cable_of(members), ", ".join(sorted(spellings))
    ways = len(spellings)
    said = note("cable-spelt-differently", Scope.CABLE, ways=ways, names=names, cable=cable)
    return [CableFinding(said, cable)]


def _record(
    claims: Claims, spelt: Mapping[str, str], by_name: Statement | None, way: Way | None
) -> ShotRecord:
    raw = claims.raw
    fibre, fibre_by = claims.settled("fibre")
    if by_name:
        fibre, fibre_by = claims.said(Source.NAME).fibre, Source.NAME
    direction, direction_by = claims.settled("direction")
    if way is not None:
        direction, direction_by = way.direction, way.by
    wavelength_nm, wavelength_by = claims.settled("wavelength_nm")
    taken_for = TakenFor(
        spelt.get(cable_key(claims), cable_of([claims])), fibre,
        direction or Direction.UNKNOWN, wavelength_nm,
        claims.settled("cable")[1], fibre_by, direction_by, wavelength_by,
    )  # fmt: skip
    use, remark = _first_use(raw, taken_for)
    record = ShotRecord(
        raw.file.path, raw.file.location, raw.sha256, raw.waveform_sha256, 1,
        raw.file.batch, taken_for, use, 0,
        raw.identity, raw.settings, raw.point_count, remark=remark,
    )  # fmt: skip
    if raw.identity is None:
        return record
    notes = [about_shot(record, finding) for finding in raw.findings]
    if raw.trace_count > 1:
        said = note("several-traces", Scope.CABLE, "of-cable", traces=raw.trace_count)
        notes.append(about_shot(record, said))
    return record.noting(*notes, *_disagreements(claims, record, by_name, way))


def _first_use(raw: RawShot, taken_for: TakenFor) -> tuple[ShotUse, Statement | None]:
    if raw.problem:
        return ShotUse.UNREADABLE, raw.problem
    if raw.identity is None:
        return ShotUse.NOT_A_SHOT, says("no-sor-name")
    if any(f.code == "block-truncated" and f.where == "DataPts" for f in raw.findings):
        return ShotUse.UNREADABLE, says("cut-short", points=raw.point_count)
    if not taken_for.is_complete:
        parts = (
            (says("part-fibre"), taken_for.fibre is None),
            (says("part-direction"), taken_for.direction is Direction.UNKNOWN),
            (says("part-wavelength"), taken_for.wavelength_nm is None),
        )
        missing = tuple(part for part, is_missing in parts if is_missing)
        return ShotUse.UNPLACED, says("not-told", missing=missing)
    return ShotUse.USED, None


def _disagreements(
    claims: Claims, record: ShotRecord, by_name: Statement | None, way: Way | None
) -> list[CableFinding]:
    """Findings where sources say different things of one file."""
    result = []
    for field, code, reason in (
        ("fibre", "fibre-claims-differ", by_name),
        ("direction", "direction-claims-differ", way.reason if way else None),
        ("wavelength_nm", "wavelength-claims-differ", None),
    ):
        said = {
            source: value
            for source, claim in claims.by_source
            if (value := getattr(claim, field)) is not None
        }
        if len(set(said.values())) < 2:
            continue
        # What somebody has stated is settled, whatever was typed before.
        is_stated = next(iter(said)) in (Source.MAPPING, Source.PATTERN)
        grave = note if is_stated else caution
        own = tuple(says("claims", source=s.value, value=_word(v)) for s, v in said.items())
        what = grave(
            code, Scope.CABLE, "" if reason is None else "reason", reason=reason,
            taken=_word(getattr(record.taken_for, field)), claims=own,
        )  # fmt: skip
        result.append(about_shot(record, what))
    return result


def _word(value: object) -> str:
    return value.value if isinstance(value, Direction) else str(value)

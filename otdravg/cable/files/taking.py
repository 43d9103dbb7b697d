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
    header_claim,
)
from otdravg.cable.files.ends import Way, better_directions, ends_of, with_places
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

__all__ = ["take"]


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
            [m.saying(Source.HEADER, header_claim(m.raw.identity, frozenset(), ends))
             for m in members]
        )  # fmt: skip
        findings += more
        if not silent:
            members = without_counters(map(with_any_number, members))
            silent = stuck_fibres(members)
            if silent:
                findings.append(stuck_finding(silent, members))
        for n, member in zip(numbers, members, strict=True):
            header = header_claim(member.raw.identity, silent, ends)
            claims[n] = member.saying(Source.HEADER, header)
    by_name = better_by_name(claims)
    ways = better_directions(claims, by_name)
    records = [
        _record(claim, spelt, by_name.get(claim.raw.file.path), ways.get(claim.raw.file.path))
        for claim in claims
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
    cable = cable_of(members)
    return [
        CableFinding(
            note(
                "cable-spelt-differently",
                Scope.CABLE,
                ways=len(spellings),
                names=", ".join(sorted(spellings)),
                cable=cable,
            ),
            cable=cable,
        )
    ]


def _record(
    claims: Claims, spelt: Mapping[str, str], by_name: Statement | None, way: Way | None
) -> ShotRecord:
    raw = claims.raw
    fibre, fibre_by = claims.settled("fibre")
    if by_name:
        fibre, fibre_by = claims.said(Source.NAME).fibre, Source.NAME
    _, cable_by = claims.settled("cable")
    cable = spelt.get(cable_key(claims), cable_of([claims]))
    direction, direction_by = claims.settled("direction")
    if way is not None:
        direction, direction_by = way.direction, way.by
    wavelength, wavelength_by = claims.settled("wavelength_nm")
    taken_for = TakenFor(
        cable,
        fibre if isinstance(fibre, int) else None,
        direction if isinstance(direction, Direction) else Direction.UNKNOWN,
        wavelength if isinstance(wavelength, int) else None,
        cable_by,
        fibre_by,
        direction_by,
        wavelength_by,
    )
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
        notes.append(
            about_shot(
                record, note("several-traces", Scope.CABLE, "of-cable", traces=raw.trace_count)
            )
        )  # fmt: skip
    return record.noting(*notes, *_disagreements(claims, record, by_name, way))


def _first_use(raw: RawShot, taken_for: TakenFor) -> tuple[ShotUse, Statement | None]:
    if raw.problem:
        return ShotUse.UNREADABLE, says("as-found", text=raw.problem)
    if raw.identity is None:
        return ShotUse.NOT_A_SHOT, says("no-sor-name")
    if any(f.code == "block-truncated" and f.where == "DataPts" for f in raw.findings):
        return ShotUse.UNREADABLE, says("cut-short", points=raw.point_count)
    if not taken_for.is_complete:
        is_told = (taken_for.fibre, taken_for.direction is not Direction.UNKNOWN or None,
                   taken_for.wavelength_nm)  # fmt: skip
        parts = says("part-fibre"), says("part-direction"), says("part-wavelength")
        missing = tuple(p for p, told in zip(parts, is_told, strict=True) if told is None)
        return ShotUse.UNPLACED, says("not-told", missing=missing)
    return ShotUse.USED, None


def _disagreements(
    claims: Claims, record: ShotRecord, by_name: Statement | None, way: Way | None
) -> list[CableFinding]:
    """Findings where sources say different things of one file."""
    result = []
    for field, code in (
        ("fibre", "fibre-claims-differ"),
        ("direction", "direction-claims-differ"),
        ("wavelength_nm", "wavelength-claims-differ"),
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
        reason = (
            by_name if field == "fibre" else way.reason if way and field == "direction" else None
        )
        what = grave(
            code, Scope.CABLE, "" if reason is None else "reason", reason=reason,
            taken=_word(getattr(record.taken_for, field)),
            claims=tuple(
                says("claims", source=source.value, value=_word(value))
                for source, value in said.items()
            ),
        )  # fmt: skip
        result.append(about_shot(record, what))
    return result


def _word(value: object) -> str:
    return value.value if isinstance(value, Direction) else str(value)

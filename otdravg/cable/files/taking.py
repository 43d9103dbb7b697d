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
from otdravg.findings import Finding, Severity
from otdravg.shot.settings import Direction
from otdravg.words.bridge import done_of, evidence_of

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
        _record(claim, spelt, by_name.get(claim.raw.file.path, ""), ways.get(claim.raw.file.path))
        for claim in claims
    ]
    if naming.mapping is not None:
        unused = naming.mapping.unused(raw.file.path for raw in raw_shots)
        findings += [
            CableFinding(
                Severity.CAUTION,
                "mapping-unused",
                f"the mapping table names {name}, and no such file was found",
                "correct the name in the mapping table",
                files=(name,),
            )
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
            Severity.NOTE,
            "cable-spelt-differently",
            f"one cable, spelt in {len(spellings)} ways: {', '.join(sorted(spellings))}",
            f"taken as {cable}; two cables need names that differ in more than case, spaces, "
            "hyphens and underscores",
            cable=cable,
        )
    ]


def _record(claims: Claims, spelt: Mapping[str, str], by_name: str, way: Way | None) -> ShotRecord:
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
    notes = [_of_file(finding, record) for finding in raw.findings]
    if raw.trace_count > 1:
        notes.append(
            about_shot(
                record, Severity.NOTE, "several-traces",
                f"the file holds {raw.trace_count} traces, one per pulse width",
                "the first was used",
            )
        )  # fmt: skip
    return record.noting(*notes, *_disagreements(claims, record, by_name, way))


def _first_use(raw: RawShot, taken_for: TakenFor) -> tuple[ShotUse, str]:
    if raw.problem:
        return ShotUse.UNREADABLE, raw.problem
    if raw.identity is None:
        return ShotUse.NOT_A_SHOT, "the name does not end in .sor"
    if any(f.code == "block-truncated" and f.where == "DataPts" for f in raw.findings):
        return ShotUse.UNREADABLE, f"cut short: only {raw.point_count} points are there"
    if not taken_for.is_complete:
        missing = [
            name
            for name, value in (
                ("fibre", taken_for.fibre),
                ("direction", None if taken_for.direction is Direction.UNKNOWN else 1),
                ("wavelength", taken_for.wavelength_nm),
            )
            if value is None
        ]
        return ShotUse.UNPLACED, f"{' and '.join(missing)} could not be told"
    return ShotUse.USED, ""


def _disagreements(
    claims: Claims, record: ShotRecord, by_name: str, way: Way | None
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
        words = ", ".join(f"{source.value} says {_word(value)}" for source, value in said.items())
        chosen = getattr(record.taken_for, field)
        how = f"taken as {_word(chosen)}"
        # What somebody has stated is settled, whatever was typed before.
        is_stated = next(iter(said)) in (Source.MAPPING, Source.PATTERN)
        if by_name and field == "fibre":
            how += f": {by_name}"
        if way is not None and field == "direction":
            how += f": {way.reason}"
        result.append(
            about_shot(
                record, Severity.NOTE if is_stated else Severity.CAUTION, code, words,
                f"{how}; correct the header or the name, or state it in a mapping table",
            )
        )  # fmt: skip
    return result


def _word(value: object) -> str:
    return value.value if isinstance(value, Direction) else str(value)


def _of_file(finding: Finding, record: ShotRecord) -> CableFinding:
    evidence, advice = evidence_of(finding), done_of(finding)
    return about_shot(record, finding.severity, finding.code, evidence, advice)

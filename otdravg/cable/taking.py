"""Decide what every file is taken for: cable, fibre, direction and wavelength.

Order of precedence, for each of the four on its own: mapping table, name pattern, header,
file name, folder. Three rules temper it, because headers are typed
by tired people and copied from shot to shot:

* A header text that is the same in files whose names all differ was left unchanged by the
  crew and says nothing (:func:`_stuck_fibres`, and ends typed alike in both directions).
* Where header and name disagree on the fibre or the direction, the header stands unless the
  rest of the files speaks for the name (:func:`_better_by_name`, :func:`_better_directions`).
* Which of the two typed ends is A is settled once for the whole cable.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Mapping as MappingLike
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from otdravg.cable.colours import RIBBON_SIZES
from otdravg.cable.inventory import RawShot
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse, Source, TakenFor
from otdravg.cable.names import (
    Claim,
    Mapping,
    NamePattern,
    claim_of_folder,
    claim_of_name,
    marks_fibre,
    same_text,
    usual_wavelength,
)
from otdravg.findings import Finding, Severity
from otdravg.trace import Direction, Identity

__all__ = ["Naming", "take"]

#: Shots closest in time that have to agree on the end they were taken from, and how close, s.
_NEIGHBOURS = 6
_SAME_STAND_S = 2 * 3600.0

#: Names that disagree with so many fibres of the headers, and such a share, may number files.
_LEAST_COUNTED = 4
_COUNTED_SHARE = 0.8

#: A folder may have been mailed as an archive of its name.
_NOT_AN_ARCHIVE = re.compile(r"\.zip$", re.IGNORECASE)
_LAST_NUMBER = re.compile(r"(\d{1,5})(?!.*\d)")


@dataclass(frozen=True, slots=True)
class Naming:
    """What the user says about names: a pattern, a table, and which typed end is A."""

    pattern: NamePattern | None = None
    mapping: Mapping | None = None
    end_a: str | None = None


@dataclass(frozen=True, slots=True)
class _Claims:
    """All claims about one file, by source in order of precedence."""

    raw: RawShot
    by_source: tuple[tuple[Source, Claim], ...]

    def settled(self, field: str) -> tuple[object, Source]:
        for source, claim in self.by_source:
            value = getattr(claim, field)
            if value is not None:
                return value, source
        return None, Source.NOTHING

    def said(self, source: Source) -> Claim:
        return next((claim for given, claim in self.by_source if given is source), Claim())

    def saying(self, source: Source, claim: Claim) -> _Claims:
        changed = tuple((s, claim if s is source else c) for s, c in self.by_source)
        return replace(self, by_source=changed)


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
    claims = [_claims_of(raw, naming) for raw in raw_shots]
    for numbers in _by_cable(claims).values():
        members = _without_counters([claims[n] for n in numbers])
        stuck = _stuck_fibres(members)
        if stuck:
            findings.append(_stuck_finding(stuck, members))
        members = _with_places(members)
        ends, end_findings = _ends_of(members, naming.end_a)
        findings += end_findings
        for n, member in zip(numbers, members, strict=True):
            header = _header_claim(member.raw.identity, stuck, ends)
            claims[n] = member.saying(Source.HEADER, header)
    by_name = _better_by_name(claims)
    ways = _better_directions(claims, by_name)
    records = [
        _record(claim, by_name.get(claim.raw.file.path, ""), ways.get(claim.raw.file.path))
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


def _claims_of(raw: RawShot, naming: Naming) -> _Claims:
    path = PurePosixPath(raw.file.path)
    by_source: list[tuple[Source, Claim]] = []
    if naming.mapping and (mapped := naming.mapping.claim(raw.file.path)):
        by_source.append((Source.MAPPING, mapped))
    if naming.pattern and (matched := naming.pattern.claim(raw.file.path)):
        by_source.append((Source.PATTERN, matched))
    if raw.identity is not None:
        by_source.append((Source.HEADER, _header_claim(raw.identity, frozenset(), {})))
    top = _NOT_AN_ARCHIVE.sub("", path.parts[0]) if len(path.parts) > 1 else None
    folder = claim_of_folder(reversed(path.parts[:-1]))
    by_source.append((Source.NAME, claim_of_name(path.name)))
    by_source.append((Source.FOLDER, replace(folder, cable=top)))
    return _Claims(raw, tuple(by_source))


def _without_counters(members: Sequence[_Claims]) -> list[_Claims]:
    """Let the numbers in names say nothing where they are clearly no fibre numbers.

    An instrument counts its files: no number comes twice, none is marked as a fibre's, and nearly
    every fibre of the headers has shots whose names disagree. One header number left unchanged is
    another matter (:func:`_stuck_fibres`), and so are headers that begin anew in every ribbon.
    """
    agrees: dict[int, bool] = {}
    numbers: list[int] = []
    steps: list[int] = []
    for member in members:
        header, name = member.said(Source.HEADER).fibre, member.said(Source.NAME).fibre
        if header is None or name is None:
            continue
        if marks_fibre(PurePosixPath(member.raw.file.path).name):
            return list(members)
        agrees[header] = agrees.get(header, True) and header == name
        numbers.append(name)
        steps.append(name - header)
    differ = sum(not always for always in agrees.values())
    by_ribbon = any(all(step % size == 0 for step in steps) for size in RIBBON_SIZES)
    if (
        differ < _LEAST_COUNTED
        or differ < _COUNTED_SHARE * len(agrees)
        or len(set(numbers)) < len(numbers)
        or by_ribbon
    ):
        return list(members)
    return [
        member.saying(Source.NAME, replace(member.said(Source.NAME), fibre=None))
        for member in members
    ]


def _with_places(members: Sequence[_Claims]) -> list[_Claims]:
    """Let names and folders that carry a place's name say the direction.

    Only where all headers were typed from one end: the place typed as near end is then A.
    """
    typed = {
        (same_text(m.raw.identity.location_a), same_text(m.raw.identity.location_b))
        for m in members
        if m.raw.identity is not None
    }
    if len(typed) != 1:
        return list(members)
    near, far = next(iter(typed))
    if not near or not far or near == far:
        return list(members)
    result = []
    for member in members:
        path = PurePosixPath(member.raw.file.path)
        for source, text in ((Source.NAME, path.name), (Source.FOLDER, str(path.parent))):
            has = near in same_text(text), far in same_text(text)
            claim = member.said(source)
            if claim.direction is None and has[0] != has[1]:
                direction = Direction.A_TO_B if has[0] else Direction.B_TO_A
                member = member.saying(source, replace(claim, direction=direction))
        result.append(member)
    return result


def _header_claim(
    identity: Identity | None, stuck: frozenset[int], ends: MappingLike[tuple[str, str], Direction]
) -> Claim:
    if identity is None:
        return Claim()
    number = _LAST_NUMBER.search(identity.fibre)
    fibre = int(number[1]) if number and int(number[1]) > 0 else None
    if fibre in stuck:
        fibre = None
    typed = same_text(identity.location_a), same_text(identity.location_b)
    return Claim(
        " ".join(identity.cable.split()) or None,
        fibre,
        ends.get(typed),
        usual_wavelength(identity.nominal_wavelength_nm) or None,
    )


def _by_cable(claims: Sequence[_Claims]) -> dict[str, list[int]]:
    """Numbers of the readable files of each cable."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number, claim in enumerate(claims):
        if claim.raw.identity is not None:
            groups[same_text(str(claim.settled("cable")[0] or ""))].append(number)
    return dict(sorted(groups.items()))


def _stuck_fibres(members: Sequence[_Claims]) -> frozenset[int]:
    """Header fibre numbers that stand in files whose names give three or more others."""
    names: dict[int, set[int]] = defaultdict(set)
    for member in members:
        header = member.said(Source.HEADER).fibre
        named = member.said(Source.NAME).fibre
        if header is not None and named is not None:
            names[header].add(named)
    return frozenset(fibre for fibre, named in names.items() if len(named - {fibre}) >= 3)


def _stuck_finding(stuck: frozenset[int], members: Sequence[_Claims]) -> CableFinding:
    files = tuple(m.raw.file.path for m in members if m.said(Source.HEADER).fibre in stuck)
    numbers = ", ".join(str(n) for n in sorted(stuck))
    return CableFinding(
        Severity.CAUTION,
        "header-left-unchanged",
        f"fibre {numbers} stands in the header of {len(files)} files whose names all differ",
        "the names were used; set the fibre number on the instrument before each shot",
        cable=_cable_of(members),
        files=files,
    )


def _cable_of(members: Sequence[_Claims]) -> str:
    return str(members[0].settled("cable")[0] or "")


def _ends_of(
    members: Sequence[_Claims], end_a: str | None
) -> tuple[dict[tuple[str, str], Direction], list[CableFinding]]:
    """Say which direction each pair of typed ends means; empty if the header cannot tell.

    A is the end the user names; else what most file names and folders say; else the end
    of the earliest shot.
    """
    typed: dict[tuple[str, str], list[_Claims]] = defaultdict(list)
    for member in members:
        identity = member.raw.identity
        if identity is None:
            continue
        pair = same_text(identity.location_a), same_text(identity.location_b)
        if all(pair) and pair[0] != pair[1]:
            typed[pair].append(member)
    mirrored = {pair for pair in typed if (pair[1], pair[0]) in typed}
    cable = _cable_of(members)
    if not mirrored:
        return _one_way_typed(typed, end_a, members, cable)
    directions: dict[tuple[str, str], Direction] = {}
    findings: list[CableFinding] = []
    for pair in sorted(mirrored):
        back = pair[1], pair[0]
        if pair > back:
            continue
        votes = _votes(typed[pair]) - _votes(typed[back])
        stated = end_a is not None and same_text(end_a) in pair
        if stated:
            from_a = same_text(end_a or "") == pair[0]
        elif votes:
            from_a = votes > 0
        else:
            from_a = min(map(_time_of, typed[pair])) <= min(map(_time_of, typed[back]))
            first = (typed[pair] if from_a else typed[back])[0].raw.identity
            findings.append(
                CableFinding(
                    Severity.NOTE,
                    "end-a-chosen",
                    f"no name or folder says which end is A; the first shot was taken from "
                    f"{first.location_a if first else ''}, which was called A",
                    "name the A end (--end-a) if it is the other one",
                    cable=cable,
                )
            )
        directions[pair] = Direction.A_TO_B if from_a else Direction.B_TO_A
        directions[back] = Direction.B_TO_A if from_a else Direction.A_TO_B
    return directions, findings


def _one_way_typed(
    typed: MappingLike[tuple[str, str], Sequence[_Claims]],
    end_a: str | None,
    members: Sequence[_Claims],
    cable: str,
) -> tuple[dict[tuple[str, str], Direction], list[CableFinding]]:
    """Ends typed in one order only: left unchanged from both ends, or shot from one end."""
    named = {m.settled("direction")[0] for m in members} - {None}
    if len(named) == 2:
        findings = []
        if typed:
            pair = max(typed, key=lambda p: (len(typed[p]), p))
            identity = typed[pair][0].raw.identity
            near = identity.location_a if identity else ""
            findings.append(
                CableFinding(
                    Severity.NOTE,
                    "ends-typed-alike",
                    f"all headers name {near} as the near end, whichever end was shot from",
                    "direction was taken from file names and folders",
                    cable=cable,
                )
            )
        return {}, findings
    if end_a is None:
        return {}, []
    wanted = same_text(end_a)
    return (
        {p: Direction.A_TO_B if p[0] == wanted else Direction.B_TO_A for p in typed if wanted in p},
        [],
    )


def _votes(members: Sequence[_Claims]) -> int:
    """How many names or folders say A→B, less those that say B→A."""
    count = Counter(
        next(
            (
                d
                for s in (Source.MAPPING, Source.PATTERN, Source.NAME, Source.FOLDER)
                if (d := m.said(s).direction) is not None
            ),
            None,
        )
        for m in members
    )
    return count[Direction.A_TO_B] - count[Direction.B_TO_A]


def _time_of(member: _Claims) -> float:
    identity = member.raw.identity
    return identity.taken.timestamp() if identity and identity.taken else float("inf")


def _slot(claims: _Claims, fibre: object) -> tuple[object, ...]:
    cable = same_text(str(claims.settled("cable")[0] or ""))
    return cable, fibre, claims.settled("direction")[0], claims.settled("wavelength_nm")[0]


def _better_by_name(claims: Sequence[_Claims]) -> dict[str, str]:
    """Files whose name is to be believed rather than the header, with the reason.

    Either another shot has the header's place and the name's place is free; or the header's
    fibre is in no other file while the name's fibre is and lacks this very shot.
    """
    taken: Counter[tuple[object, ...]] = Counter()
    fibres: Counter[tuple[object, ...]] = Counter()
    disputed: list[_Claims] = []
    for claim in claims:
        header, name = claim.said(Source.HEADER).fibre, claim.said(Source.NAME).fibre
        fibre, source = claim.settled("fibre")
        if source is Source.HEADER and name is not None and name != header:
            disputed.append(claim)
        else:
            taken[_slot(claim, fibre)] += 1
            fibres[_slot(claim, fibre)[:2]] += 1
    reasons: dict[str, str] = {}
    for claim in disputed:
        by_header = _slot(claim, claim.said(Source.HEADER).fibre)
        by_name = _slot(claim, claim.said(Source.NAME).fibre)
        if taken[by_name]:
            continue
        # Of shots whose end is not told, two in one place may be one from each end.
        if taken[by_header] and claim.settled("direction")[0] is not None:
            reasons[claim.raw.file.path] = (
                "the header's fibre has another shot of this kind and the name's fibre has none"
            )
        elif fibres[by_name[:2]] and not fibres[by_header[:2]]:
            reasons[claim.raw.file.path] = (
                "no other file is of the header's fibre, and the name's fibre lacks this shot"
            )
    return reasons


@dataclass(frozen=True, slots=True)
class _Way:
    """A disputed direction that other shots settle, and how."""

    direction: Direction
    by: Source
    reason: str


def _better_directions(
    claims: Sequence[_Claims], by_name: MappingLike[str, str]
) -> dict[str, _Way]:
    """Settle directions on which header and name disagree, where other shots can.

    A crew shoots from one end for hours: the shots just before and after tell where it stood.
    Else a name is believed whose place is free while the header's place has another shot.
    """
    sure: dict[str, list[tuple[float, Direction]]] = defaultdict(list)
    taken: Counter[tuple[object, ...]] = Counter()
    disputed: list[tuple[_Claims, Direction, Source]] = []
    for claim in claims:
        direction, source = claim.settled("direction")
        other, other_source = _second_direction(claim)
        if source is Source.HEADER and other is not None and other is not direction:
            disputed.append((claim, other, other_source))
        elif isinstance(direction, Direction) and claim.raw.identity is not None:
            taken[_way_slot(claim, by_name, direction)] += 1
            sure[_cable_key(claim)].append((_time_of(claim), direction))
    settled: dict[str, _Way] = {}
    for claim, other, other_source in disputed:
        header = claim.said(Source.HEADER).direction
        assert header is not None
        near = _neighbours(sure[_cable_key(claim)], _time_of(claim))
        if near in (header, other):
            by = Source.HEADER if near is header else other_source
            reason = f"the shots just before and after it were taken {_from_end(near)}"
            settled[claim.raw.file.path] = _Way(near, by, reason)
        elif (
            taken[_way_slot(claim, by_name, header)] and not taken[_way_slot(claim, by_name, other)]
        ):
            reason = f"there is another shot {_from_end(header)} and none {_from_end(other)}"
            settled[claim.raw.file.path] = _Way(other, other_source, reason)
    return settled


def _second_direction(claims: _Claims) -> tuple[Direction | None, Source]:
    """What name or folder say, whichever says something first."""
    for source in (Source.NAME, Source.FOLDER):
        if (direction := claims.said(source).direction) is not None:
            return direction, source
    return None, Source.NOTHING


def _way_slot(
    claims: _Claims, by_name: MappingLike[str, str], direction: Direction
) -> tuple[object, ...]:
    named = claims.raw.file.path in by_name
    fibre = claims.said(Source.NAME).fibre if named else claims.settled("fibre")[0]
    return _cable_key(claims), fibre, direction, claims.settled("wavelength_nm")[0]


def _cable_key(claims: _Claims) -> str:
    return same_text(str(claims.settled("cable")[0] or ""))


def _neighbours(sure: Sequence[tuple[float, Direction]], time_s: float) -> Direction | None:
    """Direction of all shots taken closest in time; None if they differ or are too few."""
    near = sorted(
        (abs(taken_s - time_s), direction.value, direction)
        for taken_s, direction in sure
        if abs(taken_s - time_s) <= _SAME_STAND_S
    )
    # Shots as near as the last one that counts may not be chosen from by their names.
    reach = near[_NEIGHBOURS - 1][0] if len(near) >= _NEIGHBOURS else None
    ways = {direction for gap, _, direction in near if reach is not None and gap <= reach}
    return ways.pop() if len(ways) == 1 else None


def _from_end(direction: Direction) -> str:
    return f"from {direction.value[0]}"


def _record(claims: _Claims, by_name: str, way: _Way | None) -> ShotRecord:
    raw = claims.raw
    fibre, fibre_by = claims.settled("fibre")
    if by_name:
        fibre, fibre_by = claims.said(Source.NAME).fibre, Source.NAME
    cable, cable_by = claims.settled("cable")
    direction, direction_by = claims.settled("direction")
    if way is not None:
        direction, direction_by = way.direction, way.by
    wavelength, wavelength_by = claims.settled("wavelength_nm")
    taken_for = TakenFor(
        str(cable or ""),
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
            _about(
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
    claims: _Claims, record: ShotRecord, by_name: str, way: _Way | None
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
        if by_name and field == "fibre":
            how += f": {by_name}"
        if way is not None and field == "direction":
            how += f": {way.reason}"
        result.append(
            _about(
                record, Severity.CAUTION, code, words,
                f"{how}; correct the header or the name, or state it in a mapping table",
            )
        )  # fmt: skip
    return result


def _word(value: object) -> str:
    return value.value if isinstance(value, Direction) else str(value)


def _of_file(finding: Finding, record: ShotRecord) -> CableFinding:
    place = f"{finding.where}: " if finding.where else ""
    return _about(record, finding.severity, finding.code, place + finding.text, finding.done)


def _about(
    record: ShotRecord, severity: Severity, code: str, evidence: str, what_to_do: str
) -> CableFinding:
    taken = record.taken_for
    return CableFinding(
        severity,
        code,
        evidence,
        what_to_do,
        cable=taken.cable,
        fibre=taken.fibre,
        wavelength_nm=taken.wavelength_nm,
        direction="" if taken.direction is Direction.UNKNOWN else taken.direction.value,
        files=(record.path,),
    )

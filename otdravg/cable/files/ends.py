"""From which end a file was shot, by what was typed and by the names."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping as MappingLike
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from otdravg.cable.files.claims import Claims, cable_key, cable_of, time_of
from otdravg.cable.files.names import same_text
from otdravg.cable.model import CableFinding, Source
from otdravg.findings import Scope, Statement, note, says
from otdravg.shot.settings import Direction

#: Shots closest in time that have to agree on the end they were taken from, and how close, s.
_NEIGHBOURS = 6
_SAME_STAND_S = 2 * 3600.0


def with_places(members: Sequence[Claims]) -> list[Claims]:
    """Let names and folders that carry a place's name say the direction.

    Only where all headers were typed from one end: the place typed as near end is then A.
    """
    typed = {typed_ends(m) for m in members if m.raw.identity is not None}
    near, far = typed.pop() if len(typed) == 1 else ("", "")
    if not near or not far or near == far:
        return list(members)
    result = []
    for member in members:
        path = PurePosixPath(member.path)
        for source, text in ((Source.NAME, path.name), (Source.FOLDER, str(path.parent))):
            has = near in same_text(text), far in same_text(text)
            if member.said(source).direction is None and has[0] != has[1]:
                direction = Direction.A_TO_B if has[0] else Direction.B_TO_A
                member = member.saying(source, direction=direction)
        result.append(member)
    return result


def typed_ends(member: Claims) -> tuple[str, str]:
    """The ends that a header names, made alike."""
    own = member.raw.identity
    return (same_text(own.location_a), same_text(own.location_b)) if own else ("", "")


def ends_of(
    members: Sequence[Claims], end_a: str | None
) -> tuple[dict[tuple[str, str], Direction], list[CableFinding]]:
    """Say which direction each pair of typed ends means; empty if the header cannot tell.

    A is the end the user names; else what most file names and folders say; else the end
    of the earliest shot.
    """
    typed: dict[tuple[str, str], list[Claims]] = defaultdict(list)
    for member in members:
        pair = typed_ends(member)
        if all(pair) and pair[0] != pair[1]:
            typed[pair].append(member)
    mirrored = {pair for pair in typed if (pair[1], pair[0]) in typed}
    cable = cable_of(members)
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
            from_a = min(map(time_of, typed[pair])) <= min(map(time_of, typed[back]))
            first = (typed[pair] if from_a else typed[back])[0].raw.identity
            said = note("end-a-chosen", Scope.CABLE, end=first.location_a if first else "")
            findings.append(CableFinding(said, cable))
        directions[pair] = Direction.A_TO_B if from_a else Direction.B_TO_A
        directions[back] = Direction.B_TO_A if from_a else Direction.A_TO_B
    return directions, findings


def _one_way_typed(
    typed: MappingLike[tuple[str, str], Sequence[Claims]],
    end_a: str | None,
    members: Sequence[Claims],
    cable: str,
) -> tuple[dict[tuple[str, str], Direction], list[CableFinding]]:
    """Ends typed in one order only: left unchanged from both ends, or shot from one end."""
    named = {m.settled("direction")[0] for m in members} - {None}
    if len(named) == 2 and typed:
        pair = max(typed, key=lambda p: (len(typed[p]), p))
        identity = typed[pair][0].raw.identity
        near = identity.location_a if identity else ""
        said = note("ends-typed-alike", Scope.CABLE, "of-cable", near_end=near)
        return {}, [CableFinding(said, cable)]
    if len(named) == 2 or end_a is None:
        return {}, []
    wanted = same_text(end_a)
    ways = {True: Direction.A_TO_B, False: Direction.B_TO_A}
    return {pair: ways[pair[0] == wanted] for pair in typed if wanted in pair}, []


def _votes(members: Sequence[Claims]) -> int:
    """How many names or folders say A→B, less those that say B→A."""
    sources = Source.MAPPING, Source.PATTERN, Source.NAME, Source.FOLDER
    count = Counter(_direction_by(member, sources)[0] for member in members)
    return count[Direction.A_TO_B] - count[Direction.B_TO_A]


def _direction_by(claims: Claims, sources: Sequence[Source]) -> tuple[Direction | None, Source]:
    """What the first of some sources says that says anything, and which it is."""
    for source in sources:
        if (direction := claims.said(source).direction) is not None:
            return direction, source
    return None, Source.NOTHING


@dataclass(frozen=True, slots=True)
class Way:
    """A disputed direction that other shots settle, and how."""

    direction: Direction
    by: Source
    reason: Statement


def better_directions(
    claims: Sequence[Claims], by_name: MappingLike[str, Statement]
) -> dict[str, Way]:
    """Settle directions on which header and name disagree, where other shots can.

    A crew shoots from one end for hours: the shots just before and after tell where it stood.
    Else a name is believed whose place is free while the header's place has another shot.
    """
    sure: dict[str, list[tuple[float, Direction]]] = defaultdict(list)
    taken: Counter[tuple[object, ...]] = Counter()
    disputed: list[tuple[Claims, Direction, Source]] = []
    for claim in claims:
        direction, source = claim.settled("direction")
        other, other_source = _direction_by(claim, (Source.NAME, Source.FOLDER))
        if source is Source.HEADER and other is not None and other is not direction:
            disputed.append((claim, other, other_source))
        elif direction is not None and claim.raw.identity is not None:
            taken[_slot(claim, by_name, direction)] += 1
            sure[cable_key(claim)].append((time_of(claim), direction))
    settled: dict[str, Way] = {}
    for claim, other, other_source in disputed:
        header = claim.said(Source.HEADER).direction
        assert header is not None
        near = _neighbours(sure[cable_key(claim)], time_of(claim))
        if near in (header, other):
            by = Source.HEADER if near is header else other_source
            reason = says("shots-around", end=near.value[0])
            settled[claim.path] = Way(near, by, reason)
        elif taken[_slot(claim, by_name, header)] and not taken[_slot(claim, by_name, other)]:
            reason = says("place-free", taken=header.value[0], free=other.value[0])
            settled[claim.path] = Way(other, other_source, reason)
    return settled


def _slot(
    claims: Claims, by_name: MappingLike[str, Statement], direction: Direction
) -> tuple[object, ...]:
    named = {"fibre": claims.said(Source.NAME).fibre} if claims.path in by_name else {}
    return claims.slot(direction=direction, **named)


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

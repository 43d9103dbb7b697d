"""Which fibre a file is of, where header and name disagree."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from itertools import combinations

from otdravg.cable.files.claims import Claims, cable_of
from otdravg.cable.files.names import NumberPlace, marks_fibre, numbers_by_place
from otdravg.cable.model import CableFinding, Source
from otdravg.findings import Scope, Statement, caution, note, says
from otdravg.trade import RIBBON_SIZES

#: Names that disagree with so many fibres of the headers, and such a share, may number files.
_LEAST_COUNTED = 4
_COUNTED_SHARE = 0.8
#: A number in paths is a fibre's if there are so many, so many files have one, so few share one
#: place, and shots of two kinds have so many in common. Chosen, not derived: two fibres may be two
#: days, a counter goes on from one end to the other, and a few shots are missing or taken again.
_LEAST_NUMBERS = 3
_MOST_FILES = 0.9
_PLACES_SHARE = 0.75
_IN_COMMON = 0.8


def with_any_number(member: Claims) -> Claims:
    """Let a name that holds the header's number among others agree with it: ``7_A_2.sor``."""
    header, name = member.said(Source.HEADER).fibre, member.said(Source.NAME).fibre
    if name in (None, header) or marks_fibre(member.name):
        return member
    is_there = header in numbers_by_place(member.name).values()
    return member.saying(Source.NAME, fibre=header) if is_there else member


def without_counters(members: Iterable[Claims]) -> list[Claims]:
    """Let the numbers in names say nothing where they are clearly no fibre numbers.

    An instrument counts its files: no number comes twice, none is marked as a fibre's, and nearly
    every fibre of the headers has shots whose names disagree. One header number left unchanged is
    another matter (:func:`stuck_fibres`), and so are headers that begin anew in every ribbon.
    """
    members = list(members)
    agrees: dict[int, bool] = {}
    numbers: list[int] = []
    steps: list[int] = []
    for member in members:
        header, name = member.said(Source.HEADER).fibre, member.said(Source.NAME).fibre
        if header is None or name is None:
            continue
        if marks_fibre(member.name):
            return members
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
        return members
    return [member.saying(Source.NAME, fibre=None) for member in members]


def told_by_paths(members: Sequence[Claims]) -> dict[str, tuple[int, Source]]:
    """Fibre numbers that names or folders hold where the headers tell no two fibres apart.

    A number counts as the fibre's if shots from both ends, and at all wavelengths, run through the
    same ones; what an instrument counts does not. Returned by path, with where it stands.
    """
    stated = (Source.MAPPING, Source.PATTERN)
    members = [m for m in members if m.settled("fibre")[1] not in stated]
    if len({m.said(Source.HEADER).fibre for m in members} - {None}) > 1:
        return {}
    if all(m.said(Source.NAME).fibre == m.said(Source.HEADER).fibre is not None for m in members):
        return {}  # one fibre, shot again and again
    places: dict[NumberPlace, list[tuple[Claims, int]]] = defaultdict(list)
    for member in members:
        for place, number in numbers_by_place(member.path).items():
            places[place].append((member, number))
    good = [place for place, numbered in places.items() if _counts_fibres(numbered, len(members))]
    if not good:
        return {}
    best = min(good, key=lambda place: (not place.is_marked, place.level, -place.number))
    source = Source.FOLDER if best.level else Source.NAME
    return {member.path: (number, source) for member, number in places[best]}


def _counts_fibres(numbered: Sequence[tuple[Claims, int]], files: int) -> bool:
    kinds: dict[tuple[object, ...], set[int]] = defaultdict(set)
    for member, number in numbered:
        kinds[member.settled("direction")[0], member.settled("wavelength_nm")[0]].add(number)
    every = set().union(*kinds.values())
    if len(every) < _LEAST_NUMBERS or min(every) < 1 or len(numbered) < _MOST_FILES * files:
        return False
    if {direction for direction, _ in kinds} == {None}:  # both ends lie in one heap
        return len(numbered) >= 2 * _PLACES_SHARE * sum(map(len, kinds.values()))
    if sum(map(len, kinds.values())) < _PLACES_SHARE * len(numbered):
        return False
    return all(
        len(one & other) >= _IN_COMMON * min(len(one), len(other))
        for one, other in combinations(kinds.values(), 2)
    )


def numbers_in_paths(
    members: Sequence[Claims],
) -> tuple[list[Claims], frozenset[int], list[CableFinding]]:
    """Let names and folders say the fibre where all headers say one number, or none.

    Returns the claims, header numbers that say nothing, and findings.
    """
    found = told_by_paths(members)
    header = frozenset(fibre for m in members if (fibre := m.said(Source.HEADER).fibre) is not None)
    if not found:
        named = {m.said(Source.NAME).fibre for m in members} - {None}
        if len(header) == 1 and len(named) >= _LEAST_NUMBERS:
            # What counts files is not marked as a fibre's.
            members = [
                m if marks_fibre(m.name) else m.saying(Source.NAME, fibre=None) for m in members
            ]
        return list(members), frozenset(), []
    result, changed = [], []
    for member in members:
        if (own := found.get(member.path)) is not None:
            (number, source), before = own, member.settled("fibre")[0]
            member = member.saying(Source.NAME, fibre=None).saying(source, fibre=number)
            if before != number:
                changed.append((member, number, source))
        result.append(member)
    # One header number that the paths agree with is a single fibre's.
    return result, header, [_found_in_paths(changed, header)] if changed else []


def _found_in_paths(
    changed: Sequence[tuple[Claims, int, Source]], header: frozenset[int]
) -> CableFinding:
    members = [member for member, _, _ in changed]
    member, number, source = changed[-1]
    case = "names" if source is Source.NAME else "folders"
    if not header:
        case = "names-alone" if source is Source.NAME else "folders-alone"
    grave = caution if header else note
    said = grave(
        "header-left-unchanged", Scope.CABLE, case, header=min(header, default=None),
        files=len(members), file=member.path, fibre=number,
    )  # fmt: skip
    return CableFinding(said, cable_of(members), files=tuple(m.path for m in members))


def stuck_fibres(members: Sequence[Claims]) -> frozenset[int]:
    """Header fibre numbers that stand in files whose names give three or more others."""
    names: dict[int, set[int]] = defaultdict(set)
    for member in members:
        header = member.said(Source.HEADER).fibre
        named = member.said(Source.NAME).fibre
        if header is not None and named is not None:
            names[header].add(named)
    return frozenset(fibre for fibre, named in names.items() if len(named - {fibre}) >= 3)


def stuck_finding(stuck: frozenset[int], members: Sequence[Claims]) -> CableFinding:
    """Word the finding about fibre numbers that the crew left unchanged."""
    files = tuple(m.path for m in members if m.said(Source.HEADER).fibre in stuck)
    numbers = ", ".join(str(n) for n in sorted(stuck))
    said = caution("header-left-unchanged", Scope.CABLE, fibres=numbers, files=len(files))
    return CableFinding(said, cable_of(members), files=files)


def better_by_name(claims: Sequence[Claims]) -> dict[str, Statement]:
    """Files whose name is to be believed rather than the header, with the reason.

    Either another shot has the header's place and the name's place is free; or the header's
    fibre is in no other file while the name's fibre is and lacks this very shot.
    """
    taken: Counter[tuple[object, ...]] = Counter()
    fibres: Counter[tuple[object, ...]] = Counter()
    disputed: list[Claims] = []
    for claim in claims:
        name, (fibre, source) = claim.said(Source.NAME).fibre, claim.settled("fibre")
        if source is Source.HEADER and name not in (None, fibre):
            disputed.append(claim)
        else:
            taken[claim.slot()] += 1
            fibres[claim.slot()[:2]] += 1
    reasons: dict[str, Statement] = {}
    for claim in disputed:
        by_header, by_name = claim.slot(), claim.slot(fibre=claim.said(Source.NAME).fibre)
        if taken[by_name]:
            continue
        # Of shots whose end is not told, two in one place may be one from each end.
        if taken[by_header] and claim.settled("direction")[0] is not None:
            reasons[claim.path] = says("header-place-taken")
        elif fibres[by_name[:2]] and not fibres[by_header[:2]]:
            reasons[claim.path] = says("name-place-free")
    return reasons

"""Which fibre a file is of, where header and name disagree."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from otdravg.cable.files.claims import Claims, cable_key, cable_of
from otdravg.cable.files.names import marks_fibre
from otdravg.cable.model import CableFinding, Source
from otdravg.findings import Severity
from otdravg.trade import RIBBON_SIZES

__all__ = ["better_by_name", "stuck_fibres", "stuck_finding", "without_counters"]

#: Names that disagree with so many fibres of the headers, and such a share, may number files.
_LEAST_COUNTED = 4
_COUNTED_SHARE = 0.8


def without_counters(members: Sequence[Claims]) -> list[Claims]:
    """Let the numbers in names say nothing where they are clearly no fibre numbers.

    An instrument counts its files: no number comes twice, none is marked as a fibre's, and nearly
    every fibre of the headers has shots whose names disagree. One header number left unchanged is
    another matter (:func:`stuck_fibres`), and so are headers that begin anew in every ribbon.
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
    files = tuple(m.raw.file.path for m in members if m.said(Source.HEADER).fibre in stuck)
    numbers = ", ".join(str(n) for n in sorted(stuck))
    return CableFinding(
        Severity.CAUTION,
        "header-left-unchanged",
        f"fibre {numbers} stands in the header of {len(files)} files whose names all differ",
        "the names were used; set the fibre number on the instrument before each shot",
        cable=cable_of(members),
        files=files,
    )


def better_by_name(claims: Sequence[Claims]) -> dict[str, str]:
    """Files whose name is to be believed rather than the header, with the reason.

    Either another shot has the header's place and the name's place is free; or the header's
    fibre is in no other file while the name's fibre is and lacks this very shot.
    """
    taken: Counter[tuple[object, ...]] = Counter()
    fibres: Counter[tuple[object, ...]] = Counter()
    disputed: list[Claims] = []
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


def _slot(claims: Claims, fibre: object) -> tuple[object, ...]:
    direction, wavelength_nm = claims.settled("direction")[0], claims.settled("wavelength_nm")[0]
    return cable_key(claims), fibre, direction, wavelength_nm

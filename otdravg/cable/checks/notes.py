"""Findings about one shot or several, one fibre or several."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.findings import Finding
from otdravg.shot.settings import Direction


def about_shot(record: ShotRecord, said: Finding, *others: ShotRecord) -> CableFinding:
    """Make a finding about one shot, naming other files that it concerns too."""
    taken = record.taken_for
    return CableFinding(
        said,
        cable=taken.cable,
        fibre=taken.fibre,
        wavelength_nm=taken.wavelength_nm,
        direction="" if taken.direction is Direction.UNKNOWN else taken.direction.value,
        files=files_of((record, *others)),
    )


def about_shots(records: Sequence[ShotRecord], said: Finding, **where: Any) -> CableFinding:
    """Make a finding about several shots of a cable; ``where`` are further fields of it."""
    cable = records[0].taken_for.cable
    return about_fibres(cable, fibres_of(records), said, files=files_of(records), **where)


def about_fibre(key: FibreKey, said: Finding, **where: Any) -> CableFinding:
    """Make a finding about one fibre; ``where`` are further fields of the finding."""
    return CableFinding(said, key.cable, key.fibre, **where)


def about_fibres(
    cable: str, fibres: Sequence[int], said: Finding, *, each: bool = False, **where: Any
) -> CableFinding:
    """Make a finding about one fibre or several; ``where`` are further fields of it.

    ``each``: it speaks against the splices of every one of them. Else none of several is held
    against it.
    """
    first = fibres[0] if each or len(fibres) == 1 else None
    others = tuple(fibres if first is None else fibres[1:])
    return CableFinding(said, cable, first, other_fibres=others, **where)


def fibres_of(records: Iterable[ShotRecord]) -> list[int]:
    """Numbers of the fibres of some shots, as far as they are known, in order."""
    return sorted({r.taken_for.fibre for r in records if r.taken_for.fibre is not None})


def files_of(records: Iterable[ShotRecord | None]) -> tuple[str, ...]:
    """Paths of those shots that are there."""
    return tuple(record.path for record in records if record is not None)

"""Findings about one shot or one fibre."""

from __future__ import annotations

from typing import Any

from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.findings import Finding
from otdravg.shot.settings import Direction

__all__ = ["about_fibre", "about_shot"]


def about_shot(record: ShotRecord, said: Finding, *others: ShotRecord) -> CableFinding:
    """Make a finding about one shot, naming other files that it concerns too."""
    taken = record.taken_for
    return CableFinding(
        said,
        cable=taken.cable,
        fibre=taken.fibre,
        wavelength_nm=taken.wavelength_nm,
        direction="" if taken.direction is Direction.UNKNOWN else taken.direction.value,
        files=tuple(r.path for r in (record, *others)),
    )


def about_fibre(key: FibreKey, said: Finding, **where: Any) -> CableFinding:
    """Make a finding about one fibre; ``where`` are further fields of the finding."""
    return CableFinding(said, key.cable, key.fibre, **where)

"""Short ways to word findings about shots and fibres."""

from __future__ import annotations

from collections.abc import Iterable

from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.findings import Severity
from otdravg.shot.settings import Direction

__all__ = ["about_fibre", "about_shot", "numbers_text"]


def about_shot(
    record: ShotRecord,
    severity: Severity,
    code: str,
    evidence: str,
    what_to_do: str,
    *others: ShotRecord,
) -> CableFinding:
    """Make a finding about one shot, naming other files that it concerns too."""
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
        files=tuple(r.path for r in (record, *others)),
    )


def about_fibre(
    key: FibreKey,
    severity: Severity,
    code: str,
    evidence: str,
    what_to_do: str,
    *,
    wavelength_nm: int | None = None,
    direction: str = "",
    closure: str = "",
    files: tuple[str, ...] = (),
    distance_m: float | None = None,
) -> CableFinding:
    """Make a finding about one fibre."""
    return CableFinding(
        severity, code, evidence, what_to_do, key.cable, key.fibre, wavelength_nm, direction,
        closure, files, distance_m=distance_m,
    )  # fmt: skip


def numbers_text(numbers: Iterable[int]) -> str:
    """Write numbers with runs shortened: ``1–4, 7``."""
    ordered = sorted(set(numbers))
    parts: list[str] = []
    start = 0
    for i, number in enumerate(ordered):
        if i + 1 == len(ordered) or ordered[i + 1] != number + 1:
            first = ordered[start]
            parts.append(str(number) if first == number else f"{first}–{number}")
            start = i + 1
    return ", ".join(parts)

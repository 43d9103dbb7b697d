"""Which of several claims is true of one trace under edited headers: what its glass says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from otdravg.cable.attempts import EDITED, Slot, place_text, slot_of
from otdravg.cable.closures import CableMap
from otdravg.cable.fingerprints import Comparison
from otdravg.cable.identity import (
    CLEAR,
    LEAST_FIBRES,
    Members,
    fibres_by_closures,
    sides_of,
)
from otdravg.cable.measuring import Sketch
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord
from otdravg.cable.standing import Measured
from otdravg.trace import Direction

__all__ = ["tell_copies"]


def tell_copies(
    findings: Sequence[CableFinding],
    records: Sequence[ShotRecord],
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
) -> list[CableFinding]:
    """Add to every finding about copies with different claims which claim fits, where it shows.

    The trace is held against the shot from the other end of every fibre, and at every wavelength,
    that one of its headers claims (:class:`~otdravg.cable.fingerprints.Comparison`). A claim is
    told from the others by odds of twenty to one.
    """
    by_path = {record.path: record for record in records}
    groups = fibres_by_closures(measured, maps)
    told = []
    for finding in findings:
        if finding.code == EDITED:
            fits = _fits([by_path[path] for path in finding.files], measured, groups, maps)
            finding = _with_answer(finding, by_path[finding.files[0]], fits)
        told.append(finding)
    return told


Groups = Sequence[tuple[Sequence[FibreKey], Mapping[int, Members]]]
#: Log-likelihood of a claim, and a file that makes it; the best first.
Fits = Sequence[tuple[float, ShotRecord]]


def _fits(
    copies: Sequence[ShotRecord],
    measured: Sequence[Measured],
    groups: Groups,
    maps: Mapping[str, CableMap],
) -> Fits:
    """How well the trace fits every claim that can be held against a shot from the other end."""
    claims = {slot: record for record in reversed(copies) if (slot := slot_of(record)) is not None}
    sketch = _sketch_of(copies[0], measured)
    if sketch is None or len(claims) < 2:
        return []
    fits = [(_ratio(sketch, slot, groups, maps), record) for slot, record in claims.items()]
    return sorted((f for f in fits if np.isfinite(f[0])), key=lambda f: (-f[0], f[1].path))


def _sketch_of(kept: ShotRecord, measured: Sequence[Measured]) -> Sketch | None:
    for one in measured:
        for record, sketch in zip(
            one.records, (one.outcome.sketch_ab, one.outcome.sketch_ba), strict=True
        ):
            if record is not None and record.path == kept.path:
                return sketch
    return None


def _ratio(sketch: Sketch, slot: Slot, groups: Groups, maps: Mapping[str, CableMap]) -> float:
    """Put the shot in a claim's place; its ratio to the shot from the other end, or NaN."""
    key, wavelength_nm, direction = slot
    for keys, by_nm in groups:
        members = by_nm.get(wavelength_nm, {})
        one = members.get(key)
        if one is None or len(keys) < LEAST_FIBRES:
            continue
        # Refused or not as it was: here it is another shot that is looked at.
        outcome = (
            replace(one.outcome, sketch_ab=sketch, refusal=None)
            if direction is Direction.A_TO_B
            else replace(one.outcome, sketch_ba=sketch, refusal=None)
        )
        placed = {**members, key: one.with_outcome(outcome)}
        from_a, from_b = sides_of(placed, keys, maps[key.cable])
        return float(Comparison([from_a], [from_b]).own()[keys.index(key)])
    return np.nan


def _with_answer(finding: CableFinding, kept: ShotRecord, fits: Fits) -> CableFinding:
    if not fits:
        return finding
    (best, fitting), *others = fits
    evidence = (
        f"{finding.evidence}; held against the shot from the other end, log-likelihood "
        + ", ".join(f"{ratio:+.1f} as {place_text(record)}" for ratio, record in fits)
    )
    if best < CLEAR or any(best - ratio < CLEAR for ratio, _ in others):
        return replace(finding, evidence=f"{evidence}: the glass does not tell")
    if slot_of(fitting) == slot_of(kept):
        advice = f"{kept.path} was used, and its glass fits; take the other claimed shots again"
    else:
        advice = (
            f"{kept.path} was used as {place_text(kept)}, but its glass is that of "
            f"{place_text(fitting)}: say so in a mapping table, and take the other claimed "
            "shots again"
        )
    return replace(finding, evidence=evidence, what_to_do=advice)

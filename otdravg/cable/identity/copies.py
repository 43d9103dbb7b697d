"""Which of several claims is true of one trace under edited headers: what its glass says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from otdravg.cable.files.attempts import EDITED, Slot, claimed, slot_of
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.sides import LEAST_FIBRES, fibres_by_closures, sides_of
from otdravg.cable.identity.stories import CLEAR
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, ShotRecord
from otdravg.findings import Scope, defect, says
from otdravg.shot.settings import Direction


def tell_copies(
    findings: Sequence[CableFinding],
    records: Sequence[ShotRecord],
    measured: Sequence[Measured],
    maps: Mapping[str, CableMap],
) -> list[CableFinding]:
    """Add to every finding about copies with different claims which claim fits, where it shows.

    The trace is held against the shot from the other end of every fibre, and at every wavelength,
    that one of its headers claims (:class:`~otdravg.cable.identity.fingerprint.Comparison`). A
    claim is told from the others by odds of twenty to one.
    """
    if not any(finding.code == EDITED for finding in findings):
        return list(findings)
    by_path = {record.path: record for record in records}
    glass = _Glass(measured, maps)
    told = []
    for finding in findings:
        if finding.code == EDITED:
            kept, *others = (by_path[path] for path in finding.files)
            claims = {slot: r for r in (*reversed(others), kept) if (slot := slot_of(r))}
            finding = _with_answer(finding, claims, kept, _fits(claims, kept, glass))
        told.append(finding)
    return told


#: Log-likelihood of a claim, and a file that makes it; the best first.
Fits = Sequence[tuple[float, ShotRecord]]


def _fits(claims: Mapping[Slot, ShotRecord], kept: ShotRecord, glass: _Glass) -> Fits:
    """How well the trace fits every claim that can be held against a shot from the other end."""
    sketch = glass.sketches.get(kept.path)
    if sketch is None or len(claims) < 2:
        return []
    fits = [(glass.ratio(sketch, slot), record) for slot, record in claims.items()]
    return sorted((f for f in fits if np.isfinite(f[0])), key=lambda f: (-f[0], f[1].path))


class _Glass:
    """The shots of a run, to hold another shot against."""

    def __init__(self, measured: Sequence[Measured], maps: Mapping[str, CableMap]) -> None:
        self._maps = maps
        self._groups = fibres_by_closures(measured, maps)
        self._comparisons: dict[tuple[int, int], Comparison] = {}
        self.sketches = {
            record.path: sketch
            for one in measured
            for record, sketch in zip(
                one.records, (one.outcome.sketch_ab, one.outcome.sketch_ba), strict=True
            )
            if record is not None and sketch is not None
        }

    def ratio(self, sketch: Sketch, slot: Slot) -> float:
        """Ratio of a shot to the shot from the other end of the fibre that it claims.

        NaN if there is none, or too few fibres pass the same closures to tell.
        """
        key, wavelength_nm, direction = slot
        from_a = direction is Direction.A_TO_B
        for number, (keys, by_nm) in enumerate(self._groups):
            members = by_nm.get(wavelength_nm, {})
            one = members.get(key)
            if one is None or len(keys) < LEAST_FIBRES:
                continue
            # Refused or not as it was: here it is another shot that is looked at.
            own = one.outcome
            ab, ba = (sketch, own.sketch_ba) if from_a else (own.sketch_ab, sketch)
            in_place = replace(own, sketch_ab=ab, sketch_ba=ba, refusal=None)
            laid = sides_of(
                {**members, key: one.with_outcome(in_place)}, [key], self._maps[key.cable]
            )
            features = laid[0 if from_a else 1][0]
            if np.isfinite(features).any():
                comparison = self._comparison(number, wavelength_nm)
                return comparison.ratio_of(features, keys.index(key), from_a=from_a)
        return np.nan

    def _comparison(self, number: int, wavelength_nm: int) -> Comparison:
        if (number, wavelength_nm) not in self._comparisons:
            keys, by_nm = self._groups[number]
            own_map = self._maps[keys[0].cable]
            from_a, from_b = sides_of(by_nm[wavelength_nm], keys, own_map)
            self._comparisons[number, wavelength_nm] = Comparison([from_a], [from_b])
        return self._comparisons[number, wavelength_nm]


def _with_answer(
    finding: CableFinding, claims: Mapping[Slot, ShotRecord], kept: ShotRecord, fits: Fits
) -> CableFinding:
    if not fits:
        return finding
    (best, fitting), *others = fits
    clear = all(best - ratio >= CLEAR for ratio, _ in others) if others else best >= CLEAR
    own = slot_of(fitting)
    if best <= 0 or not clear:
        case = "untold"
    else:
        case = "fits" if own == slot_of(kept) else "fits-another"
    in_order = sorted(claims, key=lambda slot: (slot[0], slot[1], slot[2].value))
    said = defect(
        "header-edited", Scope.CABLE, case,
        files=len(finding.files), points=kept.point_count, places=finding.said["places"],
        file=kept.path,
        held=tuple(
            says("held-as", ratio_nats=float(ratio), place=claimed(record))
            for ratio, record in fits
        ),
        own=claimed(kept), other=claimed(fitting),
        missing=tuple(claimed(claims[slot]) for slot in in_order if slot != own),
    )  # fmt: skip
    return replace(finding, said=said)

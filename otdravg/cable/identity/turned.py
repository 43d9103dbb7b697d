"""Fibres whose shots from A and from B were exchanged: their splices lie mirrored."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse, Source
from otdravg.findings import Scope, caution
from otdravg.fit.reading import Kind
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

__all__ = ["turned_round"]

FloatArray = npt.NDArray[np.float64]

#: Fibres of a cable are not equally long: places of one closure differ by this share of the length,
#: and a few metres. Chosen, not derived.
_PLACE_SHARE, _PLACE_LEAST_M = 0.003, 6.0
#: So many more splices must lie mirrored than as they are, and so large a share of a fibre's; a
#: fibre of another length has another route. Chosen, not derived.
_DECISIVE, _SHARE, _LENGTH_SHARE = 2, 0.6, 0.02

_Slot = tuple[FibreKey, int]


def turned_round(
    measured: Sequence[Measured], records: Sequence[ShotRecord]
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Exchange the directions of shots whose fibre shows the cable's splices mirrored.

    Losses do not change with that, but their places do: they are judged where they are.

    Parameters
    ----------
    measured : sequence of Measured
        All cables.
    records : sequence of ShotRecord
        The shots that they were measured from.

    Returns
    -------
    list of ShotRecord
        In the order given; only directions may differ.
    list of CableFinding
        One for each cable in which shots are exchanged.
    """
    by_cable: dict[str, list[Measured]] = defaultdict(list)
    for one in measured:
        if one.outcome.axis is not None:
            by_cable[one.key.cable].append(one)
    findings = []
    turned: set[_Slot] = set()
    for members in by_cable.values():
        own = _mirrored(members)
        if own:
            turned |= {(one.key, one.wavelength_nm) for one in own}
            findings.append(_finding(own))
    return [_turned(record, turned) for record in records], findings


def _mirrored(members: Sequence[Measured]) -> list[Measured]:
    """Measurements whose splices lie mirrored to those of most others of the cable."""
    places = [_places(one) for one in members]
    model_m, length_m = max(places, key=lambda own: own[0].size)
    slack_m = _PLACE_SHARE * length_m + _PLACE_LEAST_M
    along: list[Measured] = []
    against: list[Measured] = []
    for one, (at_m, own_m) in zip(members, places, strict=True):
        if abs(own_m - length_m) > _LENGTH_SHARE * length_m or not at_m.size:
            continue
        straight, mirrored = (_near(x, model_m, slack_m) for x in (at_m, own_m - at_m))
        if abs(straight - mirrored) < _DECISIVE or max(straight, mirrored) < _SHARE * at_m.size:
            continue
        (along if straight > mirrored else against).append(one)
    # What most are is right; of two halves that of the first fibre.
    fewer, more = sorted((along, against), key=len)
    if len(fewer) == len(more) and fewer and fewer[0].key < more[0].key:
        return more
    return fewer


def _places(one: Measured) -> tuple[FloatArray, float]:
    axis = one.outcome.axis
    assert axis is not None
    at_m = [r.distance_m for r in one.outcome.readings if r.kind is not Kind.ASKED]
    return np.array(at_m, dtype=float), axis.length_m


def _near(x: FloatArray, places: FloatArray, slack_m: float) -> int:
    """How many places lie where another fibre has one."""
    return int(np.count_nonzero(np.abs(x[:, None] - places).min(axis=1) <= slack_m))


def _turned(record: ShotRecord, turned: set[_Slot]) -> ShotRecord:
    taken = record.taken_for
    if taken.key is None or (taken.key, taken.wavelength_nm or 0) not in turned:
        return record
    if taken.direction is Direction.UNKNOWN or record.use not in (ShotUse.USED, ShotUse.EARLIER):
        return record
    other = Direction.B_TO_A if taken.direction is Direction.A_TO_B else Direction.A_TO_B
    return replace(record, taken_for=replace(taken, direction=other, direction_by=Source.SHOTS))


def _finding(own: Sequence[Measured]) -> CableFinding:
    fibres = sorted({one.key.fibre for one in own})
    wavelengths = {one.wavelength_nm for one in own}
    finding = about_fibre(
        own[0].key,
        caution("ends-exchanged", Scope.CABLE, fibres=numbers_text(fibres)),
        wavelength_nm=wavelengths.pop() if len(wavelengths) == 1 else None,
        files=tuple(r.path for one in own for r in one.records if r is not None),
    )
    return replace(finding, fibre=fibres[0], other_fibres=tuple(fibres[1:]))

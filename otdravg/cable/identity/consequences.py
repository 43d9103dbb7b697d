"""What follows from a wrong numbering: said once, by the story, and not again of every pair."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from otdravg.cable.identity.crossed import NOT_ONE_FIBRE
from otdravg.cable.identity.said import Renumbering
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.shot.settings import Direction

__all__ = ["Explained"]

#: What two shots of different fibres may say of themselves.
_OF_A_PAIR = frozenset(
    {"attenuation-unequal", "attenuation-uneven", "length-differs", "pattern-differs",
     "pattern-unconfirmed", "steps-one-sided", "two-fibres-likely", "fibre-crooked",
     "span-start-doubtful", "one-end-possible"}
)  # fmt: skip
#: What a fibre may show, or lack, that is half of another one.
_OF_A_FIBRE = _OF_A_PAIR | {
    "bend-suspected",
    "direction-missing",
    "event-between-closures",
    "lengths-differ",
    "other-length",
}  # fmt: skip


class Explained:
    """What a review's stories of numbering explain.

    Parameters
    ----------
    stories : sequence of CableFinding
        As :func:`~otdravg.cable.identity.crossed.check_identities` made them.
    renumberings : sequence of Renumbering
        What these would make of the numbers.
    """

    def __init__(
        self, stories: Sequence[CableFinding], renumberings: Sequence[Renumbering] = ()
    ) -> None:
        self._wavelengths: dict[FibreKey, set[int | None]] = defaultdict(set)
        self._renumberings = tuple(renumberings)
        for finding in stories:
            if finding.code in NOT_ONE_FIBRE and finding.fibre is not None:
                for fibre in (finding.fibre, *finding.other_fibres):
                    self._wavelengths[FibreKey(finding.cable, fibre)].add(finding.wavelength_nm)

    def _is_of(self, key: FibreKey, wavelength_nm: int | None) -> bool:
        own = self._wavelengths.get(key, set())
        return None in own or wavelength_nm in own

    def left_of(self, findings: Sequence[CableFinding]) -> list[CableFinding]:
        """Leave out what is explained."""
        return [
            f
            for f in findings
            if f.code not in _OF_A_FIBRE
            or f.fibre is None
            or not all(
                self._is_of(FibreKey(f.cable, fibre), f.wavelength_nm)
                for fibre in (f.fibre, *f.other_fibres)
            )
        ]

    def renumbered(self, records: Sequence[ShotRecord]) -> list[ShotRecord]:
        """Give shots the numbers that the stories tell, to see what is missing then.

        A shot that merely bears another number is there; one of no fibre fills no place.
        """
        return [self._as_told(record) for record in records]

    def _as_told(self, record: ShotRecord) -> ShotRecord:
        taken = record.taken_for
        for one in self._renumberings:
            if (
                taken.direction is Direction.B_TO_A
                and taken.cable == one.cable
                and (number := one.new.get(taken.fibre or 0)) is not None
                and one.wavelength_nm in (None, taken.wavelength_nm)
            ):
                if not number:
                    return replace(record, use=ShotUse.EXCLUDED)
                return replace(record, taken_for=replace(taken, fibre=number))
        return record

    def left_in(self, measured: Sequence[Measured]) -> list[Measured]:
        """Return measurements without what is explained."""
        return [
            one.with_outcome(
                replace(
                    one.outcome,
                    findings=tuple(f for f in one.outcome.findings if f.code not in _OF_A_PAIR),
                )
            )
            if self._is_of(one.key, one.wavelength_nm)
            else one
            for one in measured
        ]

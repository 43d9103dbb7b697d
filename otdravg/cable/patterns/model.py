"""What a pattern in a cable's splices consists of."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from otdravg.findings import Statement, says


class PatternKind(Enum):
    """What stands out."""

    POSITION = "position"  # one place in the ribbon, at most closures
    POSITION_AT_CLOSURE = "position at one closure"
    EDGE = "edge positions"  # first and last place in the ribbon
    RIBBON = "ribbon"  # one ribbon at most closures
    CLOSURE = "closure"
    MASS_SPLICE = "mass splice"  # one ribbon at one closure
    DRIFT = "drift"  # along the order of splicing, at most closures
    DRIFT_AT_CLOSURE = "drift at one closure"
    NUMBERS = "along the numbers"  # of ribbons, where nobody wrote down their order
    NUMBERS_AT_CLOSURE = "along the numbers at one closure"


#: Kinds of which the effect is a rise from the first to the last.
_RISES = {
    PatternKind.DRIFT: "drifts",
    PatternKind.DRIFT_AT_CLOSURE: "drifts",
    PatternKind.NUMBERS: "rises-with-numbers",
    PatternKind.NUMBERS_AT_CLOSURE: "rises-with-numbers",
}

#: Rarer luck is not told apart: no sample of splices bears out the tails of its distribution.
_LEAST_CHANCE = 1e-6

_LOOK = {
    PatternKind.POSITION: "look-position",
    PatternKind.POSITION_AT_CLOSURE: "look-position-at-closure",
    PatternKind.EDGE: "look-edge",
    PatternKind.RIBBON: "look-ribbon",
    PatternKind.CLOSURE: "look-closure",
    PatternKind.MASS_SPLICE: "look-mass-splice",
    PatternKind.DRIFT: "look-drift",
    PatternKind.DRIFT_AT_CLOSURE: "look-drift-at-closure",
    PatternKind.NUMBERS: "look-numbers",
    PatternKind.NUMBERS_AT_CLOSURE: "look-numbers-at-closure",
}


@dataclass(frozen=True, slots=True)
class Pattern:
    """One thing that stands out, with its size and how sure it is.

    ``effect_db`` is how much more is lost there than at the others; for a drift, from the
    first ribbon to the last. ``p_adjusted`` is the chance that luck alone brings any pattern as
    clear as this, over everything that was tested.
    """

    cable: str
    wavelength_nm: int
    kind: PatternKind
    closure_number: int | None
    closure: str
    ribbon: int | None
    positions: tuple[int, ...]
    effect_db: float
    u_effect_db: float
    p_value: float
    p_adjusted: float

    @property
    def where(self) -> tuple[Statement, ...]:
        """The place: positions, ribbon, closure, as far as it is one."""
        parts = []
        if self.positions:
            positions = ", ".join(map(str, self.positions))
            parts.append(says("at-positions", positions=positions))
        if self.ribbon is not None:
            parts.append(says("at-ribbon", ribbon=self.ribbon))
        if self.closure_number is not None:
            name = self.closure or str(self.closure_number)
            parts.append(says("closure-named", name=name))
        return tuple(parts) or (says("all-closures"),)

    @property
    def said(self) -> Statement:
        """What stands out, with numbers."""
        return says(
            _RISES.get(self.kind, "loses-more"), where=self.where,
            effect_db=self.effect_db, expanded_db=2 * self.u_effect_db, chance=self.chance,
        )  # fmt: skip

    @property
    def chance(self) -> str:
        """The chance of luck; no smaller than what the tails of real losses can bear out."""
        if self.p_adjusted < _LEAST_CHANCE:
            return f"< {_LEAST_CHANCE:.6f}"
        return f"{self.p_adjusted:.2g}"

    @property
    def where_to_look(self) -> Statement:
        """Where to look first; not a cause."""
        return says(_LOOK[self.kind])


@dataclass(frozen=True, slots=True)
class Patterns:
    """What stands out in the cables of a review, clearest first."""

    found: tuple[Pattern, ...]
    tested: int  # comparisons made, over which the false-alarm rate holds
    level: float  # chance of any false pattern

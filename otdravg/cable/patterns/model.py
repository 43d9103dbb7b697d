"""What a pattern in a cable's splices consists of, and how it is worded."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from otdravg.quantities import loss_text

__all__ = ["Pattern", "PatternKind", "Patterns"]


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
    PatternKind.DRIFT: "drifts from first to last splice by",
    PatternKind.DRIFT_AT_CLOSURE: "drifts from first to last splice by",
    PatternKind.NUMBERS: "rises from the first ribbon number to the last by",
    PatternKind.NUMBERS_AT_CLOSURE: "rises from the first ribbon number to the last by",
}

#: Rarer luck is not told apart: no sample of splices bears out the tails of its distribution.
_LEAST_CHANCE = 1e-6

_LOOK = {
    PatternKind.POSITION: "groove and lens of that position in the splicer, and the holder there",
    PatternKind.POSITION_AT_CLOSURE: "groove and lens of that position on the day of that closure",
    PatternKind.EDGE: "how the ribbon lies in the holder, the blade at its ends, the fanning-out",
    PatternKind.RIBBON: "that ribbon's glass and its end preparation along the route",
    PatternKind.CLOSURE: "what was different there (crew, machine, blade, weather), tray dressing",
    PatternKind.MASS_SPLICE: "cleave and arc of that one splice, and how the ribbon is dressed",
    PatternKind.DRIFT: "blade and electrodes: wear, when they were last turned or changed",
    PatternKind.DRIFT_AT_CLOSURE: "blade and electrodes at that closure, dust as the day went on",
    PatternKind.NUMBERS: "what changes with the ribbons' numbers; a splice log tells their order",
    PatternKind.NUMBERS_AT_CLOSURE: "what changed there with the ribbons' numbers; a splice log "
    "tells their order",
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
    def where(self) -> str:
        """The place in words."""
        parts = []
        if self.positions:
            noun = "position" if len(self.positions) == 1 else "positions"
            parts.append(f"{noun} {' and '.join(map(str, self.positions))}")
        if self.ribbon is not None:
            parts.append(f"ribbon {self.ribbon}")
        if self.closure_number is not None:
            parts.append(f"closure {self.closure or self.closure_number}")
        return " at ".join(parts) or "all closures"

    @property
    def sentence(self) -> str:
        """What stands out, with numbers."""
        change, more = _RISES.get(self.kind, ""), ""
        if not change:
            change, more = "lose" if len(self.positions) > 1 else "loses", " more than the others"
        return (
            f"{self.where} {change} {loss_text(self.effect_db, 2 * self.u_effect_db)}{more} "
            f"(chance of such luck anywhere: {self.chance})"
        )

    @property
    def chance(self) -> str:
        """The chance of luck; no smaller than what the tails of real losses can bear out."""
        if self.p_adjusted < _LEAST_CHANCE:
            return f"< {_LEAST_CHANCE:.6f}"
        return f"{self.p_adjusted:.2g}"

    @property
    def where_to_look(self) -> str:
        """Where to look first; not a cause."""
        return f"look at {_LOOK[self.kind]}"


@dataclass(frozen=True, slots=True)
class Patterns:
    """What stands out in the cables of a review, clearest first."""

    found: tuple[Pattern, ...]
    tested: int  # comparisons made, over which the false-alarm rate holds
    level: float  # chance of any false pattern

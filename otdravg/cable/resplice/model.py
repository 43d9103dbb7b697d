"""What a re-splice plan consists of."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import Enum

from otdravg.cable.log.model import Spliced
from otdravg.cable.planned import NOWHERE_PLANNED, TrayPlace
from otdravg.findings import Statement, says
from otdravg.verdict import SpliceVerdict


class Choice(Enum):
    """What can be done about a unit."""

    REDO = "redo now"
    SINGLE = "break the fibre out and re-splice it alone"
    CONCESSION = "ask for a concession"
    MEASURE = "measure again first"
    RE_DRESS = "re-dress and shoot again"


@dataclass(frozen=True, slots=True)
class FailingFibre:
    """One fibre of a unit that does not pass, at the wavelength where it is worst."""

    fibre: int
    position: int | None
    colour: str
    wavelength_nm: int
    verdict: SpliceVerdict
    attempt: int  # how many times it has been spliced
    loss_db: Decimal | None  # true loss as reported
    u_loss_db: float | None
    over_by_db: Decimal | None  # above the limit; None without loss or limit
    chance_over: float | None  # that the true loss is above the limit
    floor_db: Decimal | None  # part that unequal fibres cost; an estimate; stays
    expected_after_db: Decimal | None  # floor and what this cable's splices lose beyond theirs


@dataclass(frozen=True, slots=True)
class RemakeRisk:
    """What remaking a unit is likely to bring, from this cable's own splices."""

    fibres: int  # spliced again
    p_fail: float  # of one fibre at this closure, shrunk towards the cable's
    sample: int  # splices of the closure behind it
    chance_all_pass: float  # (1 - p)^R
    expected_failing: float  # R·p
    expected_worst_db: Decimal | None
    clean_ribbons: int  # of the whole cable: all fibres within the limit
    counted_ribbons: int


@dataclass(frozen=True, slots=True)
class Option:
    """One way to go on, with what it brings."""

    choice: Choice
    brings: Statement

    @property
    def said(self) -> Statement:
        """The choice with what it brings."""
        return says("option", choice=self.choice.value, brings=self.brings)


@dataclass(frozen=True, slots=True)
class Unit:
    """One ribbon at one closure (in loose tube: one fibre) with failing fibres."""

    cable: str
    closure_number: int
    closure: str
    distance_m: float
    ribbon: int | None  # None in loose tube
    fibres: tuple[int, ...]  # all that are cut with it
    failing: tuple[FailingFibre, ...]
    risk: RemakeRisk
    options: tuple[Option, ...]  # the choice, set out
    advised: Choice
    because: Statement
    place: TrayPlace = NOWHERE_PLANNED  # in the closure, by the splice plan
    spliced: Spliced | None = None  # by the splice log


@dataclass(frozen=True, slots=True)
class Openings:
    """Closures to open and ribbons to remake there, so that the spans meet their rules.

    Proven: by these expectations no smaller number of closures would do.
    """

    closures: tuple[int, ...]  # all to be opened, in order from A
    extra: tuple[int, ...]  # those opened for span rules alone
    remakes: tuple[tuple[int, int], ...]  # (closure, ribbon), those for splice rules included
    out_of_reach: tuple[int, ...]  # fibres over now whose ribbon no remakes bring within


@dataclass(frozen=True, slots=True)
class CableOpenings:
    """The fewest closures of one cable to open so that its spans meet the profile."""

    cable: str
    openings: Openings


@dataclass(frozen=True, slots=True)
class ResplicePlan:
    """The work list, in the order of the route from A."""

    units: tuple[Unit, ...]
    openings: tuple[CableOpenings, ...]

    @property
    def to_redo(self) -> tuple[Unit, ...]:
        """Units that the plan advises to splice again now, whole or one fibre of them."""
        return tuple(u for u in self.units if u.advised in (Choice.REDO, Choice.SINGLE))

"""A made-up cable put together from values, to test what is shown of one."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from otdravg.cable.location import NOWHERE
from otdravg.cable.model import (
    CableReview,
    Closure,
    Expected,
    FibreKey,
    FibreResult,
    ShotRecord,
    ShotUse,
    SpliceRow,
    TakenFor,
)
from otdravg.findings import says
from otdravg.fit.reading import Coverage, Kind
from otdravg.shot.settings import Direction
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict import SpliceVerdict, default
from otdravg.verdict.decision import Action, Verdict

__all__ = ["CABLE", "LENGTH_M", "LIMIT_DB", "A", "B", "row", "shot", "whole"]

CABLE, LENGTH_M = "TANSY-864", 24_000.0
LIMIT_DB = Decimal("0.20")
A, B = Direction.A_TO_B, Direction.B_TO_A


def row(fibre: int, nm: int, closure: int | None, at_m: float, loss_db: float) -> SpliceRow:
    """A splice that reads alike from both ends."""
    over = loss_db > float(LIMIT_DB)
    ribbon, position = ribbon_position(fibre, 12)
    action = Action.NONE if not over else Action.LOOK if closure is None else Action.RE_SPLICE
    verdict = SpliceVerdict(
        Verdict.OVER if over else Verdict.WITHIN, says("as-found", text="x"), action,
        "splice.limit_db", LIMIT_DB, False, Decimal(str(loss_db)), Decimal("0.002"),
    )  # fmt: skip
    return SpliceRow(
        cable=CABLE, fibre=fibre, ribbon=ribbon, position=position,
        colour=fibre_colour(fibre, 12), wavelength_nm=nm, closure=str(closure or ""),
        closure_number=closure, distance_m=at_m, loss_ab_db=loss_db, loss_ba_db=loss_db,
        loss_db=loss_db, u_loss_db=0.001, backscatter_step_db=0.0, u_step_db=0.001,
        kind=Kind.SPLICE, coverage=Coverage.BOTH, verdict=verdict, attempt=1, file_ab="",
        file_ba="", detected=True, taken=None,
    )  # fmt: skip


def shot(fibre: int, nm: int, direction: Direction) -> ShotRecord:
    """A shot that is used."""
    taken = TakenFor(CABLE, fibre, direction, nm)
    path = f"{fibre}_{nm}_{direction.value}.sor"
    return ShotRecord(path, NOWHERE, "", "", 1, 0, taken, ShotUse.USED, 1, None, None, 0)


def whole(fibres: int = 864, closures: int = 11) -> CableReview:
    """A cable with every shot in it and every splice within its limit."""
    places = {n: 2000.0 * n for n in range(1, closures + 1)}
    numbers = range(1, fibres + 1)
    return CableReview(
        shots=tuple(shot(f, nm, d) for f in numbers for nm in (1310, 1550) for d in (A, B)),
        closures=tuple(
            Closure(CABLE, n, (1,), str(n), at_m, 1.0, tuple(numbers), fibres)
            for n, at_m in places.items()
        ),
        rows=tuple(
            row(f, nm, n, at_m, 0.05)
            for f in numbers
            for nm in (1310, 1550)
            for n, at_m in places.items()
        ),
        fibres=tuple(
            FibreResult(
                FibreKey(CABLE, f), nm, 1, LENGTH_M, 1.0, 0.2, 0.01, 0.05, closures, (), "", "",
                1, 1.468,
            )
            for f in numbers
            for nm in (1310, 1550)
        ),
        identities=(),
        findings=(),
        profile=replace(default(), name="contract", is_default=False),
        fibre_count=fibres,
        expected=Expected(CABLE, (1310, 1550), ("North hut", "South hut")),
    )  # fmt: skip

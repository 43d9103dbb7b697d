"""A hand-made review for the tests of the printed closeout and the page; all of it invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timezone
from decimal import Decimal

import numpy as np
from wordy import wordy

from otdravg.cable.model import (
    Attempt,
    CableFinding,
    CableReview,
    Closure,
    FibreKey,
    FibreResult,
    History,
    SpliceRow,
)
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.closeout.sketches import PairSketch, Sketches, TraceSketch
from otdravg.closeout.template import Template
from otdravg.findings import Severity, says
from otdravg.fit.reading import Coverage, Kind
from otdravg.shot.settings import Direction
from otdravg.trade import fibre_colour, ribbon_position
from otdravg.verdict import SpliceVerdict, default
from otdravg.verdict.decision import Action, Verdict

WAVELENGTHS_NM = (1310, 1550)
LIMIT_DB = Decimal("0.20")
SPAN_M = 9000.0
MADE_AT = datetime(2024, 5, 17, 8, 30, tzinfo=timezone.utc)

#: Texts that a header or a file name can hold, and that no output may obey.
HOSTILE_CLOSURE = '<script>alert("x")</script>'
HOSTILE_CABLE = '=HYPERLINK("http://simulated.invalid")\u202e&"'


def template(**changes: object) -> Template:
    """A template of an invented job."""
    plain = Template(
        company="Simulated crew", owner="Simulated owner", project="SIM-7", made_at=MADE_AT
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def example(
    *, fibres: int = 24, closures: int = 4, cable: str = "SIM-1", names: tuple[str, ...] = ()
) -> CableReview:
    """A cable with two splices over the limit, a bend, one shot one way, and a repair."""
    places_m = [SPAN_M * (k + 1) / (closures + 1) for k in range(closures)]
    titles = [names[k] if k < len(names) else f"C{k + 1}" for k in range(closures)]
    rng = np.random.default_rng(20240517)
    rows = [
        _row(cable, fibre, nm, titles[k], k + 1, places_m[k], float(loss_db))
        for fibre in range(1, fibres + 1)
        for nm in WAVELENGTHS_NM
        for k, loss_db in enumerate(0.02 + rng.gamma(2.0, 0.012, closures))
    ]
    special = {
        (3, 1310, 2): _with(0.31, Verdict.OVER, Action.RE_SPLICE),
        (3, 1550, 2): _with(0.30, Verdict.OVER, Action.RE_SPLICE),
        (14, 1550, 1): _with(0.26, Verdict.OVER, Action.RE_SPLICE),
        (10, 1550, 3): _with(0.14, Verdict.BEND, Action.RE_DRESS),
        (7, 1310, 4): _one_way,
        (8, 1310, 4): _with(0.199, Verdict.WITHIN, Action.NONE, near_limit=True),
    }
    rows = [
        special.get((row.fibre, row.wavelength_nm, row.closure_number or 0), lambda r: r)(row)
        for row in rows
    ]
    between = _row(cable, 5, 1550, "", None, 4100.0, 0.012)
    rows.append(between)
    places = tuple(
        Closure(cable, k + 1, (1,), titles[k], places_m[k], 1.0, tuple(range(1, fibres + 1)), 20)
        for k in range(closures)
    )
    results = tuple(
        FibreResult(
            FibreKey(cable, fibre), nm, 1, SPAN_M, 0.4, 0.33 if nm == 1310 else 0.19, 0.001,
            0.05, closures, (), _file(fibre, nm, "AB"), _file(fibre, nm, "BA"), 1, 1.468,
        )
        for fibre in range(1, fibres + 1)
        for nm in WAVELENGTHS_NM
    )  # fmt: skip
    findings = (
        CableFinding(
            wordy("bend-suspected", f"0.100 dB more at 1550 nm {names or ''}", Severity.CAUTION),
            cable=cable, fibre=10, files=("a.sor", "b.sor", "c", "d", "e"),
        ),
    )  # fmt: skip
    history = (
        History(
            FibreKey(cable, 2), 1550, titles[0],
            (
                Attempt(1, MADE_AT, 0.333, 0.001, "old_AB.sor", "old_BA.sor"),
                Attempt(2, MADE_AT, 0.044, 0.001, "new_AB.sor", "new_BA.sor"),
            ),
        ),
    )  # fmt: skip
    profile = default()
    return CableReview(
        shots=(),
        closures=places,
        rows=tuple(rows),
        fibres=results,
        identities=(),
        findings=findings,
        profile=profile,
        history=history,
        plan=plan_resplices(rows, places, results, profile),
    )


def _file(fibre: int, wavelength_nm: int, direction: str) -> str:
    return f"SIM_{fibre:04d}_{wavelength_nm}_{direction}.sor"


def _row(
    cable: str, fibre: int, nm: int, closure: str, number: int | None, z_m: float, loss_db: float
) -> SpliceRow:
    ribbon, position = ribbon_position(fibre, 12)
    step_db = 0.03 if fibre % 2 else -0.02
    return SpliceRow(
        cable=cable, fibre=fibre, ribbon=ribbon, position=position, colour=fibre_colour(fibre, 12),
        wavelength_nm=nm, closure=closure, closure_number=number, distance_m=z_m,
        loss_ab_db=loss_db + step_db, loss_ba_db=loss_db - step_db, loss_db=loss_db,
        u_loss_db=0.001, backscatter_step_db=step_db, u_step_db=0.001, kind=Kind.SPLICE,
        coverage=Coverage.BOTH,
        verdict=SpliceVerdict(
            Verdict.WITHIN, says("as-found", text="at or below"), limit_db=LIMIT_DB
        ),
        attempt=1, file_ab=_file(fibre, nm, "AB"), file_ba=_file(fibre, nm, "BA"), detected=True,
        taken=MADE_AT,
    )  # fmt: skip


def _with(loss_db: float, verdict: Verdict, action: Action, *, near_limit: bool = False):
    def changed(row: SpliceRow) -> SpliceRow:
        judged = SpliceVerdict(
            verdict, says("as-found", text=f"{loss_db:.3f} dB judged"), action,
            limit_db=LIMIT_DB, near_limit=near_limit,
        )  # fmt: skip
        return replace(
            row, loss_db=loss_db, loss_ab_db=loss_db + 0.01, loss_ba_db=loss_db - 0.01,
            backscatter_step_db=0.01, verdict=judged,
        )  # fmt: skip

    return changed


def _one_way(row: SpliceRow) -> SpliceRow:
    verdict = SpliceVerdict(
        Verdict.ONE_WAY, says("as-found", text="A reading from one end is not the loss."),
        Action.SHOOT_AGAIN, limit_db=LIMIT_DB,
    )  # fmt: skip
    return replace(
        row, loss_db=None, loss_ba_db=None, u_loss_db=None, backscatter_step_db=None,
        coverage=Coverage.ONLY_AB, verdict=verdict,
        missing=(says("as-found", text="the shot from B does not reach it"),),
    )  # fmt: skip


def pictures(review: CableReview, *, bins: int = 600) -> Sketches:
    """Shots of every fibre that fall as its rows say, with noise; those with work in full."""
    work = {
        (row.key, row.wavelength_nm) for row in review.rows if row.verdict.action is not Action.NONE
    }
    rng = np.random.default_rng(7)
    rows: dict[tuple[FibreKey, int], list[SpliceRow]] = {}
    for row in review.rows:
        rows.setdefault((row.key, row.wavelength_nm), []).append(row)
    pairs = []
    for fibre in review.fibres:
        own = rows[fibre.key, fibre.wavelength_nm]
        losses = [(row.distance_m, row.loss_db or 0.05) for row in own]
        slope = fibre.attenuation_db_per_km or 0.2
        is_work = (fibre.key, fibre.wavelength_nm) in work
        shots = {
            count: [
                _shot(direction, losses, slope, fibre.length_m, count, rng)
                for direction in (Direction.A_TO_B, Direction.B_TO_A)
            ]
            for count in ((bins, 8 * bins) if is_work else (bins,))
        }
        full = [_one_point_each(shot) for shot in shots.get(8 * bins, [])] or [None, None]
        ab, ba = shots[bins]
        pairs.append(
            PairSketch(fibre.key, fibre.wavelength_nm, fibre.length_m, ab, ba, full[0], full[1])
        )
    return Sketches(tuple(pairs))


def _shot(
    direction: Direction,
    losses: list[tuple[float, float]],
    slope_db_per_km: float,
    length_m: float,
    count: int,
    rng: np.random.Generator,
) -> TraceSketch:
    first_m, step_m = -270.0, (length_m + 540.0) / count
    z_m = first_m + (np.arange(count) + 0.5) * step_m
    lost = slope_db_per_km * z_m / 1000 + sum(loss_db * (z_m > at_m) for at_m, loss_db in losses)
    level_db = -12 - (lost if direction is Direction.A_TO_B else lost[-1] - lost)
    noise = rng.normal(0, 0.004, count)
    middle = np.round(1000 * (level_db + noise)).astype(np.int32)
    spread = rng.integers(1, 12, count).astype(np.int32)
    return TraceSketch(
        direction, "SIM.sor", first_m, step_m, middle - spread, middle + spread, middle
    )


def _one_point_each(shot: TraceSketch) -> TraceSketch:
    mean = shot.mean_mdb
    return TraceSketch(shot.direction, shot.file, shot.first_m, shot.step_m, mean, mean, mean)

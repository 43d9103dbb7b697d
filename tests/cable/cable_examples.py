"""Invented splice rows, simulated, for tests of plan and patterns: no files, no traces."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from pair_example import judged_loss

from otdravg.cable.model import Closure, FibreKey, FibreResult, SpliceRow
from otdravg.fit.reading import Coverage, Kind
from otdravg.verdict import (
    PlaceReading,
    Profile,
    Span,
    SpliceVerdict,
    default,
    judge_place,
    judge_span,
)

FloatArray = npt.NDArray[np.float64]


def rows_of(
    losses_db: FloatArray,
    *,
    profile: Profile | None = None,
    wavelength_nm: int = 1550,
    u_db: float = 0.003,
    steps_db: Mapping[tuple[int, int], float] | None = None,
    attempt: int = 1,
    kind: Kind = Kind.SPLICE,
) -> list[SpliceRow]:
    """Rows of a table of losses, closures × ribbons × positions; NaN leaves a fibre out.

    ``steps_db`` gives backscatter steps by (closure, fibre); all numbers from 1.
    """
    judge = profile or default()
    closures, ribbons, size = losses_db.shape
    rows = []
    for closure in range(1, closures + 1):
        for fibre in range(1, ribbons * size + 1):
            ribbon, position = (fibre - 1) // size + 1, (fibre - 1) % size + 1
            loss_db = float(losses_db[closure - 1, ribbon - 1, position - 1])
            if np.isnan(loss_db):
                continue
            rows.append(
                SpliceRow(
                    cable="SIM-RIDGE",
                    fibre=fibre,
                    ribbon=ribbon,
                    position=position,
                    colour="blue",
                    wavelength_nm=wavelength_nm,
                    closure=f"K{closure}",
                    closure_number=closure,
                    distance_m=1000.0 * closure,
                    loss_ab_db=loss_db,
                    loss_ba_db=loss_db,
                    loss_db=loss_db,
                    u_loss_db=u_db,
                    backscatter_step_db=(steps_db or {}).get((closure, fibre), 0.0),
                    u_step_db=u_db,
                    kind=kind,
                    coverage=Coverage.BOTH,
                    verdict=judged_loss(judge, loss_db, u_db, wavelength_nm, kind, attempt),
                    attempt=attempt,
                    file_ab=f"simulated_{fibre:03}_A.sor",
                    file_ba=f"simulated_{fibre:03}_B.sor",
                    detected=True,
                    taken=None,
                )
            )
    return rows


def place_verdict(profile: Profile, losses_db: Mapping[int, float], nm: int) -> SpliceVerdict:
    """Verdict of one wavelength when all of a place are judged together; u = 0.003 dB."""
    readings = {
        own: PlaceReading(judged_loss(profile, db, 0.003, own), db, 0.003)
        for own, db in losses_db.items()
    }
    return judge_place(profile, readings)[nm]


def closures_of(count: int) -> list[Closure]:
    """Closures K1, K2, … every kilometre."""
    return [
        Closure("SIM-RIDGE", n, (1,), f"K{n}", 1000.0 * n, 1.0, (), 0) for n in range(1, count + 1)
    ]


def fibres_of(
    rows: list[SpliceRow], profile: Profile | None = None, length_m: float = 10_000.0
) -> list[FibreResult]:
    """One result per fibre and wavelength of the rows, of 0.2 dB/km between them."""
    own: dict[tuple[int, int], list[SpliceRow]] = {}
    for row in rows:
        own.setdefault((row.fibre, row.wavelength_nm), []).append(row)
    return [
        FibreResult(
            key=FibreKey("SIM-RIDGE", fibre),
            wavelength_nm=nm,
            route=1,
            length_m=length_m,
            u_length_m=1.0,
            attenuation_db_per_km=0.2,
            u_attenuation_db_per_km=0.001,
            span_mean_db=None,
            splice_count=0,
            rules=_span_rules(own[fibre, nm], profile or default(), length_m),
            file_ab="",
            file_ba="",
            attempt=1,
            index_used=1.4682,
        )
        for fibre, nm in sorted(own)
    ]


def _span_rules(
    rows: list[SpliceRow], profile: Profile, length_m: float
) -> tuple[SpliceVerdict, ...]:
    losses = [row.loss_db for row in rows]
    through = sum(loss for loss in losses if loss is not None) + 0.2 * length_m / 1000
    us = [row.u_loss_db for row in rows]
    span = Span(rows[0].wavelength_nm, losses, us, length_m, through, 0.01)
    return judge_span(profile, span)

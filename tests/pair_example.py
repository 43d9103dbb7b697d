"""An invented, simulated fibre for tests of judging and output: no file, no network.

Plain numpy, sharing nothing with the measurement: straight fibre, steps, a pulse-long
ramp in linear power and white noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timezone
from decimal import Decimal
from functools import lru_cache
from typing import Any

import numpy as np

from otdravg.findings import Statement, caution
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.settings import Direction, Identity, Settings, TableEvent
from otdravg.shot.trace import Trace
from otdravg.verdict import Circumstances, Profile, SpliceVerdict, judge_reading
from otdravg.verdict.limits import Limits, Rule
from otdravg.verdict.rules import profile_of

GROUP_INDEX = 1.4682
SPEED = 299_792_458.0 / GROUP_INDEX
SPACING_M = 1.0
PULSE_NS = 100.0


@dataclass(frozen=True)
class Spot:
    """A splice of the invented fibre: true loss, and backscatter step going A to B."""

    z_m: float
    loss_db: float
    step_db: float


LENGTH_M = 6000.0
SPOTS = (
    Spot(1210.0, 0.04, 0.08),  # reads 0.12 and -0.04
    Spot(2480.0, 0.15, 0.05),  # reads 0.20 and 0.10
    Spot(3650.0, 0.31, -0.10),
    Spot(4820.0, 0.06, 0.0),
)


def trace(direction: Direction, *, spots: tuple[Spot, ...] = SPOTS, seed: int = 7) -> Trace:
    """One shot of the invented fibre, from end A or from end B."""
    forward = direction is Direction.A_TO_B
    x = np.arange(0.0, LENGTH_M + 2500.0, SPACING_M)
    level = -0.2 * x / 1000
    for spot in spots:
        at = spot.z_m if forward else LENGTH_M - spot.z_m
        seen = spot.loss_db + (spot.step_db if forward else -spot.step_db)
        level = level - seen * (x >= at)
    power = np.where(x <= LENGTH_M, 10 ** (level / 5), 0.0)
    ramp = round(PULSE_NS * 1e-9 * SPEED / 2 / SPACING_M)
    power = np.convolve(power, np.full(ramp, 1 / ramp))[: x.size]
    power[:ramp] = power[ramp]
    rng = np.random.default_rng(seed if forward else seed + 1)
    power = np.maximum(power + rng.normal(0, 1e-4, x.size), 1e-6)
    level = np.round(5 * np.log10(power) - 1.0, 3)
    identity = Identity(
        path=f"simulated_{'A' if forward else 'B'}.sor",
        sha256=("a" if forward else "b") * 64,
        cable="SIM-RIDGE",
        fibre="012",
        location_a="Weir Hut",
        location_b="Kiln Lane",
        direction=direction,
        wavelength_nm=1550.0,
        nominal_wavelength_nm=1550,
        taken=datetime(2025, 3, 4, 9, 30, tzinfo=timezone.utc),
        operator="",
        comment="simulated",
        instrument="",
    )
    settings = Settings(
        pulse_ns=PULSE_NS,
        spacing_s=SPACING_M / SPEED,
        acquisition_offset_s=0.0,
        user_offset_s=0.0,
        group_index=GROUP_INDEX,
        backscatter_coefficient_db=-81.5,
        averages=10_000,
        averaging_time_s=30.0,
        range_s=x[-1] / SPEED,
        quantum_db=0.001,
        distance_unit="km",
        revision=200,
    )
    table = (TableEvent(1, spots[0].z_m / SPEED, 0.12, None, 0.2, "0F9999LS", False, ""),)
    findings = (
        (caution("checksum-mismatch", "Cksum", stored=1, computed=2, offset=3),) if forward else ()
    )
    return Trace(level, identity, settings, table, findings)


@lru_cache(maxsize=1)
def measurement() -> Measurement:
    """The invented fibre, measured."""
    return measure(trace(Direction.A_TO_B), trace(Direction.B_TO_A))


def reading(
    loss_ab_db: float | None = 0.12,
    loss_ba_db: float | None = -0.04,
    *,
    u_db: float = 0.003,
    number: int = 1,
    kind: Kind = Kind.SPLICE,
    distance_m: float = 1210.0,
    missing: tuple[Statement, ...] = (),
) -> Reading:
    """One reading as a measurement would give it."""
    both = loss_ab_db is not None and loss_ba_db is not None
    coverage = {
        (True, True): Coverage.BOTH,
        (True, False): Coverage.ONLY_AB,
        (False, True): Coverage.ONLY_BA,
        (False, False): Coverage.NONE,
    }[loss_ab_db is not None, loss_ba_db is not None]
    loss = step = ratio = None
    if loss_ab_db is not None and loss_ba_db is not None:
        loss, step = (loss_ab_db + loss_ba_db) / 2, (loss_ab_db - loss_ba_db) / 2
        ratio = 10 ** (step / 10)
    return Reading(
        number=number,
        kind=kind,
        coverage=coverage,
        distance_m=distance_m,
        distance_from_b_m=LENGTH_M - distance_m,
        loss_ab_db=loss_ab_db,
        loss_ba_db=loss_ba_db,
        loss_db=loss,
        u_ab_db=None if loss_ab_db is None else u_db,
        u_ba_db=None if loss_ba_db is None else u_db,
        u_loss_db=u_db if both else None,
        backscatter_step_db=step,
        u_step_db=u_db if both else None,
        mode_field_ratio=ratio,
        reflectance_db=-45.2 if kind is Kind.CONNECTOR else None,
        detected_ab=True,
        detected_ba=both,
        missing=missing,
    )


def with_readings(*readings: Reading) -> Measurement:
    """The invented fibre with stated readings instead of measured ones."""
    numbered = tuple(replace(r, number=i) for i, r in enumerate(readings, 1))
    return replace(measurement(), readings=numbered)


def judged_loss(
    profile: Profile,
    loss_db: float | None,
    u_db: float | None,
    wavelength_nm: float = 1550,
    kind: Kind = Kind.SPLICE,
    attempt: int = 1,
    **known: Any,
) -> SpliceVerdict:
    """Judge a true loss under a profile; further names are circumstances."""
    own = replace(reading(loss_db, loss_db, kind=kind), u_loss_db=u_db, u_ab_db=u_db, u_ba_db=u_db)
    return judge_reading(own, profile, Circumstances(wavelength_nm, attempt, **known))


def judged_one_way(profile: Profile, loss_ab_db: float | None, **known: Any) -> SpliceVerdict:
    """Judge at 1550 nm what only the shot from A reads, u = 0."""
    missing = known.pop("missing", ())
    own = replace(reading(loss_ab_db, None, missing=missing), u_ab_db=0.0)
    return judge_reading(own, profile, Circumstances(1550, **known))


def judged_as(own: Reading, limit_db: Decimal, rule: Rule) -> SpliceVerdict:
    """Judge a reading by a plain limit, as ``judge`` does."""
    profile = profile_of(Limits(limit_db, is_stated=True, rule=rule))
    return judge_reading(own, profile, Circumstances(1550))

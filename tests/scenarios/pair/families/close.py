"""Two splices closer together than the pulse can part."""

from __future__ import annotations

import numpy as np
from simulated import Fibre

from scenarios.pair.case import Case, Doubt, Files, case_of
from scenarios.pair.world import draw_span, two_shots, with_level_step, with_loss, with_point

Rng = np.random.Generator


def _two(
    rng: Rng, first_db: float, second_db: float, apart_m: float, steps_db: tuple[float, float]
) -> Fibre:
    """Return a span whose middle splice has a neighbour."""
    span = draw_span(rng, count=3, gap_m=900)
    span = with_level_step(with_loss(span, 1, first_db), 1, steps_db[0])
    return with_point(span, span.joint_positions_m[1] + apart_m, second_db, step_db=steps_db[1])


def _shots(rng: Rng, span: Fibre, settings: dict[str, float] | None = None) -> Files:
    """Shoot without an event table: no instrument's table would part what the pulse does not."""
    bare = {"event_table": False}
    return two_shots(rng, span, settings=settings, label_a=bare, label_b=bare)


def close_both_good(rng: Rng) -> Case:
    """Two good splices six metres apart, ten metres of pulse: 0.05 and 0.06 dB."""
    span = _two(rng, 0.05, 0.06, float(rng.uniform(5, 8)), (0.03, -0.02))
    return case_of(_shots(rng, span), span)


def close_one_bad(rng: Rng) -> Case:
    """A bad and a good splice six metres apart: not cleared."""
    span = _two(rng, 0.35, 0.05, float(rng.uniform(5, 8)), (0.03, -0.02))
    return case_of(_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1,))


def close_sum_over_limit(rng: Rng) -> Case:
    """0.12 and 0.12 dB six metres apart: together over 0.20, each of them good.

    A look, not the saw.
    """
    span = _two(rng, 0.12, 0.12, float(rng.uniform(5, 8)), (0.02, -0.02))
    return case_of(_shots(rng, span), span, doubt=Doubt.MAY)


def close_gain_and_loss(rng: Rng) -> Case:
    """A repair length of other glass, seven metres: +0.35 dB in, -0.35 dB out,
    both splices good.
    """
    span = _two(rng, 0.05, 0.05, float(rng.uniform(5, 8)), (0.30, -0.30))
    return case_of(_shots(rng, span), span)


def close_gain_hides_bad(rng: Rng) -> Case:
    """The same repair length, and the second splice is bad."""
    span = _two(rng, 0.05, 0.35, float(rng.uniform(5, 8)), (0.30, -0.30))
    return case_of(_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1,))


def close_one_and_a_half_pulses(rng: Rng) -> Case:
    """A bad splice fifteen metres behind a good one, ten metres of pulse."""
    span = _two(rng, 0.06, 0.40, float(rng.uniform(14, 18)), (0.02, -0.03))
    return case_of(_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1,))


def close_four_pulses(rng: Rng) -> Case:
    """A bad splice forty metres behind a good one: the pulse parts them, the call names the bad
    one.
    """
    span = _two(rng, 0.06, 0.40, float(rng.uniform(38, 45)), (0.02, -0.03))
    return case_of(_shots(rng, span), span, tolerance_m=15)


def close_under_long_pulse(rng: Rng) -> Case:
    """Two splices of 0.15 dB forty metres apart under a 1 µs pulse: a hundred metres, one look."""
    span = _two(rng, 0.15, 0.15, 40.0, (0.02, -0.02))
    files = _shots(rng, span, settings={"pulse_ns": 1_000, "dynamic_range_db": 25})
    return case_of(files, span, doubt=Doubt.MAY, tolerance_m=120)


def close_bad_under_long_pulse(rng: Rng) -> Case:
    """One of two splices forty metres apart is bad, 1 µs pulse: not cleared."""
    span = _two(rng, 0.45, 0.05, 40.0, (0.02, -0.02))
    files = _shots(rng, span, settings={"pulse_ns": 1_000, "dynamic_range_db": 25})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1,), tolerance_m=120)

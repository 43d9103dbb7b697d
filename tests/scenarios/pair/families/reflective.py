"""Things that reflect inside the span: connectors, mechanical splices, cracks."""

from __future__ import annotations

import numpy as np
from simulated import Fibre, JointKind

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import draw_span, two_shots, with_cords, with_point

Rng = np.random.Generator


def _span_with(rng: Rng, loss_db: float, reflectance_db: float) -> Fibre:
    span = draw_span(rng, count=3, gap_m=900)
    k = int(rng.integers(1, 3))
    at_m = (span.boundaries_m[k] + span.boundaries_m[k + 1]) / 2
    return with_point(span, at_m, loss_db, reflectance_db=reflectance_db, kind=JointKind.CONNECTOR)


def reflects_and_loses_0_9(rng: Rng) -> Case:
    """Something reflects and loses 0.9 dB: mechanical splice or connector? Too much for either."""
    span = _span_with(rng, 0.9, float(rng.uniform(-50, -40)))
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def reflects_and_loses_0_15(rng: Rng) -> Case:
    """Something reflects and loses 0.15 dB: fine as a splice, fine as a connector."""
    span = _span_with(rng, 0.15, -50.0)
    return case_of(two_shots(rng, span), span)


def reflects_and_loses_0_35(rng: Rng) -> Case:
    """A patch connector of 0.35 dB: over a splice's limit and no splice; nobody cuts it."""
    span = _span_with(rng, 0.35, -52.0)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY)


def cracked_splice(rng: Rng) -> Case:
    """A cracked splice: reflects at -30 dB and loses 1.5 dB."""
    span = _span_with(rng, 1.5, -30.0)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def faint_reflection_over_limit(rng: Rng) -> Case:
    """A mechanical splice with fresh gel: reflects at -62 dB only, loses 0.45 dB."""
    span = _span_with(rng, 0.45, -62.0)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def connectors_declared(rng: Rng) -> Case:
    """Connectors of 0.45 dB where launch and receive fibre were stated, and nowhere else."""
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, 1_000, 1_000))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(files, span, args=args)


def connector_beside_bad_splice(rng: Rng) -> Case:
    """A good patch connector and, 250 m on, a bad splice: the splice is called,
    not the connector.
    """
    span = draw_span(rng, count=3, gap_m=900)
    at_m = span.joint_positions_m[1] + 450
    span = with_point(span, at_m, 0.3, reflectance_db=-50.0, kind=JointKind.CONNECTOR)
    span = with_point(span, at_m + 250, 0.4)
    return case_of(two_shots(rng, span), span)

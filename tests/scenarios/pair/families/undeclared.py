"""Launch fibres that nobody stated, and lone connectors near an end."""

from __future__ import annotations

import numpy as np
from simulated import Joint, JointKind

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import draw_span, two_shots, with_cords, with_point

Rng = np.random.Generator


def undeclared_plain(rng: Rng) -> Case:
    """Launch and receive fibre of 500 m with plain connectors, nothing typed:
    they show themselves.
    """
    span = draw_span(rng)
    return case_of(two_shots(rng, with_cords(span, 500, 500)), span)


def undeclared_plain_one_end(rng: Rng) -> Case:
    """A 2 km launch fibre at A only, plain connector, nothing typed: what reflects there and loses
    0.30 dB may be a mechanical splice, and is asked about.
    """
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, 2_000))
    return case_of(files, span, doubt=Doubt.MAY, length_known=False)


def undeclared_plain_bad_behind(rng: Rng) -> Case:
    """The same, with a bad splice 60 to 150 m behind the launch connector."""
    span = draw_span(rng, count=3)
    span = with_point(span, float(rng.uniform(60, 150)), 0.45)
    return case_of(two_shots(rng, with_cords(span, 500, 500)), span)


def undeclared_plain_bad_before_far_connector(rng: Rng) -> Case:
    """The same at the other end: a bad splice 60 to 150 m before the receive fibre."""
    span = draw_span(rng, count=3)
    span = with_point(span, span.length_m - float(rng.uniform(60, 150)), 0.45)
    return case_of(two_shots(rng, with_cords(span, 500, 500)), span)


def undeclared_angled(rng: Rng) -> Case:
    """Launch and receive fibre with angled connectors of 0.1 dB, nothing typed: they look like
    splices.
    """
    span = draw_span(rng)
    angled = Joint(0.1, None, JointKind.CONNECTOR)
    link = with_cords(span, 500, 500, angled)
    return case_of(two_shots(rng, link), span, length_known=False)


def undeclared_angled_lossy(rng: Rng) -> Case:
    """Angled connectors of 0.35 dB, nothing typed: nobody can tell them from bad splices."""
    span = draw_span(rng)
    angled = Joint(0.35, None, JointKind.CONNECTOR)
    files = two_shots(rng, with_cords(span, 500, 500, angled))
    return case_of(files, span, doubt=Doubt.MUST, tellable=False, length_known=False)


def lone_connector_near_a_bad_before_it(rng: Rng) -> Case:
    """A patch panel 150 to 300 m into the span, a bad splice between A and it: no launch fibre."""
    span = draw_span(rng, count=3)
    panel_m = float(rng.uniform(150, 300))
    span = with_point(span, panel_m, 0.25, reflectance_db=-48.0, kind=JointKind.CONNECTOR)
    span = with_point(span, panel_m * 0.5, 0.5)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def lone_connector_near_b_bad_behind_it(rng: Rng) -> Case:
    """The same at B: the bad splice lies between the panel and the end of the fibre."""
    span = draw_span(rng, count=3)
    panel_m = float(rng.uniform(150, 300))
    at_m = span.length_m - panel_m
    span = with_point(span, at_m, 0.25, reflectance_db=-48.0, kind=JointKind.CONNECTOR)
    span = with_point(span, span.length_m - panel_m * 0.5, 0.5)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def lone_connector_near_a_good(rng: Rng) -> Case:
    """A patch panel 150 to 300 m into the span, all splices good."""
    span = draw_span(rng, count=3)
    at_m = float(rng.uniform(150, 300))
    span = with_point(span, at_m, 0.25, reflectance_db=-48.0, kind=JointKind.CONNECTOR)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, length_known=False)


def lone_connector_a_kilometre_in(rng: Rng) -> Case:
    """A panel exactly 1 km into the span, as if it were a launch reel; a bad splice at 600 m."""
    span = draw_span(rng, count=3, gap_m=1_200, length_m=10_000)
    span = with_point(span, 1_000.0, 0.3, reflectance_db=-48.0, kind=JointKind.CONNECTOR)
    span = with_point(span, float(rng.uniform(450, 750)), 0.5)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2))


def pigtails_at_both_ends(rng: Rng) -> Case:
    """Panels with 30 m pigtails at both ends, no launch fibre:
    pigtail splices of 0.4 dB at 30 m.
    """
    span = draw_span(rng, count=3)
    span = with_point(span, 30.0, 0.4)
    span = with_point(span, span.length_m - 30.0, 0.05)
    files = two_shots(rng, span, settings={"pulse_ns": 30, "dynamic_range_db": 18, "tail_ns": 30.0})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def undeclared_angled_bad_inside(rng: Rng) -> Case:
    """Angled launch fibre nobody stated, and a bad splice 300 m into the span:
    still to be called.
    """
    span = draw_span(rng, count=3)
    span = with_point(span, 300.0, 0.45)
    angled = Joint(0.05, None, JointKind.CONNECTOR)
    link = with_cords(span, 500, None, angled)
    # Nobody can know of the launch fibre: places count from the front panel.
    return case_of(two_shots(rng, link), link, length_known=False)

"""Fibres that end before their end."""

from __future__ import annotations

from typing import Any

import numpy as np
from simulated import Fibre

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.oracle import TELLING_ODDS, Story, odds_against_good, seen
from scenarios.pair.world import (
    draw_losses,
    draw_span,
    instrument_for,
    span_of,
    two_shots,
    with_point,
)

Rng = np.random.Generator


def _broken(
    rng: Rng, span: Fibre, way_a: Fibre, way_b: Fibre, *, reach: float | None = None
) -> Case:
    """Shoot both pieces with a range that covers the whole fibre."""
    settings: list[dict[str, Any]] = [
        {"reach": 1.25 * span.length_m / way.length_m if reach is None else reach}
        for way in (way_a, way_b)
    ]
    files = two_shots(rng, way_a, way_b, settings=settings[0], settings_b=settings[1])
    a, b = (
        seen(way, instrument_for(way, **own))
        for way, own in zip((way_a, way_b), settings, strict=True)
    )
    odds = odds_against_good(a, b, Story.UNRELATED)
    return case_of(
        files,
        span,
        doubt=Doubt.MUST,
        one_state=False,
        tellable=odds >= TELLING_ODDS,
        odds=odds,
        length_known=False,
    )


def break_off_the_middle(rng: Rng) -> Case:
    """A digger cut the cable at 40 %: A sees its piece, B sees the other."""
    span = draw_span(rng, count=5, length_m=9_400)
    at_m = span.length_m * float(rng.uniform(0.38, 0.44))
    way_b = span.reversed().broken_at(span.length_m - at_m, -20.0)
    return _broken(rng, span, span.broken_at(at_m, None), way_b)


def break_in_the_very_middle(rng: Rng) -> Case:
    """The digger hit the middle to a few metres: both pieces are equally long."""
    span = draw_span(rng, count=6, length_m=10_000)
    at_m = 5_000.0 + float(rng.uniform(-3, 3))
    way_b = span.reversed().broken_at(span.length_m - at_m, None)
    return _broken(rng, span, span.broken_at(at_m, None), way_b)


def break_in_the_middle_no_splices(rng: Rng) -> Case:
    """The middle of a fibre without splices: two bare pieces of one length."""
    span = span_of(8_000.0, [], [], [0.0])
    return _broken(rng, span, span.broken_at(4_000), span.reversed().broken_at(4_000))


def break_near_b(rng: Rng) -> Case:
    """Broken 60 to 200 m before B: B sees a stump."""
    span = draw_span(rng)
    stump_m = float(rng.uniform(60, 200))
    way_a = span.broken_at(span.length_m - stump_m, None)
    return _broken(rng, span, way_a, span.reversed().broken_at(stump_m, None))


def break_between_the_shots(rng: Rng) -> Case:
    """A shot the whole fibre; at noon it was cut; B sees two kilometres."""
    span = draw_span(rng)
    way_b = span.reversed().broken_at(2_000 + float(rng.uniform(0, 500)), -25.0)
    return _broken(rng, span, span, way_b)


def bend_that_ends_it(rng: Rng) -> Case:
    """A loop pulled tight 300 m before B: 30 dB in one place, no reflection,
    and the light is gone.
    """
    span = draw_span(rng, count=4)
    tight = with_point(span, span.length_m - float(rng.uniform(200, 400)), 30.0)
    return _broken(rng, span, tight, tight.reversed(), reach=1.25)


def bend_of_six_db(rng: Rng) -> Case:
    """A loop pulled tight in the middle: 6 dB; both shots still see each other's end."""
    span = draw_span(rng, count=3, losses_db=draw_losses(rng, 3))
    k = 1
    at_m = (span.boundaries_m[k] + span.boundaries_m[k + 1]) / 2
    span = with_point(span, at_m, 6.0)
    files = two_shots(rng, span, settings={"dynamic_range_db": 28})
    return case_of(files, span)


def end_in_water(rng: Rng) -> Case:
    """A good fibre whose B end lies in gel: no reflection there, a plain end from A."""
    span = draw_span(rng, ends_db=(-14.5, None))
    return case_of(two_shots(rng, span), span)

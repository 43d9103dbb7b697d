"""Time between the shots: repairs, hands, bends, and clocks that are wrong."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any

import numpy as np
from simulated import Fibre, JointKind

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.oracle import TELLING_ODDS, Story, odds_against_good, seen
from scenarios.pair.world import (
    MORNING,
    draw_losses,
    draw_span,
    instrument_for,
    spread_levels,
    two_shots,
    with_level_step,
    with_loss,
    with_point,
)

Rng = np.random.Generator

#: Averaged long: a reading is known to a thousandth.
_QUIET = {"dynamic_range_db": 25.0, "ripple_db": 0.001}
_DATES = (r"month", r"days? ", r"between (both|the|these) ", r"apart", r"dates?\b", r"changed")


def _changed(
    rng: Rng,
    span: Fibre,
    way_b: Fibre,
    story: Story,
    *,
    label_b: dict[str, Any] | None = None,
    settings: dict[str, Any] | None = None,
    told_otherwise: bool = False,
) -> Case:
    """Shoot the span from A; ``way_b`` is what the light from B meets at its own time."""
    files = two_shots(rng, span, way_b, label_b=label_b, settings=settings)
    a, b = (seen(way, instrument_for(way, **(settings or {}))) for way in (span, way_b))
    odds = odds_against_good(a, b, story)
    return case_of(
        files,
        span,
        doubt=Doubt.MUST,
        one_state=False,
        tellable=told_otherwise or odds >= TELLING_ODDS,
        odds=odds,
        may_say=_DATES if told_otherwise else (),
    )


def months_apart_remade_in_between(rng: Rng) -> Case:
    """From A in May: 0.50 dB. Remade in June. From B in September: 0.03.

    The half sum is nobody's.
    """
    span = with_loss(draw_span(rng), 1, 0.50)
    later = with_loss(span, 1, 0.03).reversed()
    label = {"taken": MORNING + timedelta(days=120)}
    return _changed(rng, span, later, Story.REMADE, label_b=label, told_otherwise=True)


def months_apart_gone_bad(rng: Rng) -> Case:
    """From A in May: 0.05 dB. Water in the closure. From B in January: 0.33.

    Half of both passes.
    """
    span = with_loss(draw_span(rng), 1, 0.05)
    later = with_loss(span, 1, 0.33).reversed()
    label = {"taken": MORNING + timedelta(days=240)}
    return _changed(rng, span, later, Story.REMADE, label_b=label, told_otherwise=True)


def months_apart_unchanged(rng: Rng) -> Case:
    """From A in May, from B in September, nothing happened, and no reading comes near the limit."""
    span = draw_span(rng, losses_db=draw_losses(rng, 4, 0.02, 0.06), sigma_b_db=0.02)
    files = two_shots(rng, span, label_b={"taken": MORNING + timedelta(days=120)})
    return case_of(files, span)


def months_apart_unchanged_bad(rng: Rng) -> Case:
    """From A in May, from B in September, nothing happened, one splice is bad from both ends."""
    span = with_loss(draw_span(rng, sigma_b_db=0.02), 1, 0.45)
    files = two_shots(rng, span, label_b={"taken": MORNING + timedelta(days=120)})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1,))


def clock_before_2000(rng: Rng) -> Case:
    """The battery of B's instrument was out: its file is of 1 January 1996. The fibre is good."""
    span = draw_span(rng)
    label = {"taken": datetime(1996, 1, 1, 0, 12, tzinfo=timezone.utc)}
    return case_of(two_shots(rng, span, label_b=label), span)


def clock_at_zero(rng: Rng) -> Case:
    """Both clocks were never set: 1970. The fibre is good."""
    span = draw_span(rng)
    zero = {"taken": datetime(1970, 1, 1, tzinfo=timezone.utc)}
    return case_of(two_shots(rng, span, label_a=zero, label_b=zero), span)


def clock_in_the_future(rng: Rng) -> Case:
    """B's instrument lives in 2091. The fibre is good."""
    span = draw_span(rng)
    label = {"taken": datetime(2091, 3, 3, 7, 0, tzinfo=timezone.utc)}
    return case_of(two_shots(rng, span, label_b=label), span)


def clock_hours_apart(rng: Rng) -> Case:
    """A on universal time, B on local time seven hours on. The fibre is good."""
    span = draw_span(rng)
    files = two_shots(rng, span, label_b={"taken": MORNING + timedelta(hours=9)})
    return case_of(files, span)


def clock_b_before_a(rng: Rng) -> Case:
    """B's clock is nine hours slow, so B's shot seems older. The fibre is good."""
    span = draw_span(rng)
    files = two_shots(rng, span, label_b={"taken": MORNING - timedelta(hours=7)})
    return case_of(files, span)


def clock_same_second(rng: Rng) -> Case:
    """Both files of the same second: one clock was set by the other. The fibre is good."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, label_b={"taken": MORNING}), span)


def clock_wrong_and_remade(rng: Rng) -> Case:
    """B's clock stands at 1996 and a splice was remade in between: only the glass can tell."""
    span = with_loss(draw_span(rng), 1, 0.60)
    later = with_loss(span, 1, 0.03).reversed()
    label = {"taken": datetime(1996, 1, 1, 0, 12, tzinfo=timezone.utc)}
    return _changed(rng, span, later, Story.REMADE, label_b=label)


def _midway(span: Fibre, rng: Rng) -> float:
    """Give a place in plain fibre, in the middle of a section."""
    k = int(rng.integers(1, len(span.sections) - 1))
    return (span.boundaries_m[k] + span.boundaries_m[k + 1]) / 2


def hand_on_plain_fibre(rng: Rng) -> Case:
    """A foot on the cable while B shoots: 0.3 to 0.7 dB in plain fibre, in that shot alone."""
    span = draw_span(rng)
    size = float(rng.uniform(0.3, 0.7))
    pressed = with_point(span, _midway(span, rng), size, kind=JointKind.BEND)
    return _changed(rng, span, pressed.reversed(), Story.CHANGED, settings=_QUIET)


def light_hand_on_plain_fibre(rng: Rng) -> Case:
    """The same, light: 0.05 to 0.15 dB in plain fibre, in A's shot alone."""
    span = draw_span(rng)
    size = float(rng.uniform(0.05, 0.15))
    pressed = with_point(span, _midway(span, rng), size, kind=JointKind.BEND)
    return _changed(rng, pressed, span.reversed(), Story.CHANGED)


def _hand_at_splice(rng: Rng, more_db: float) -> Case:
    """Add a loss to a splice in A's shot alone.

    Loss, step and change are three unknowns for two readings: a splice between unlike glasses
    reads the same, so nothing in two shots of one day can tell.
    """
    span = draw_span(rng)
    index = int(rng.integers(len(span.joints)))
    pressed = with_loss(span, index, span.joints[index].loss_db + more_db)
    files = two_shots(rng, pressed, span.reversed())
    return case_of(files, pressed, doubt=Doubt.MUST, one_state=False, tellable=False)


def strong_hand_at_splice(rng: Rng) -> Case:
    """A tray under tension while A shoots: 0.8 dB more at a closure, in that shot alone."""
    return _hand_at_splice(rng, 0.8)


def light_hand_at_splice(rng: Rng) -> Case:
    """A tray under tension while A shoots: 0.2 dB more at a closure, in that shot alone."""
    return _hand_at_splice(rng, 0.2)


def bend_in_both_shots(rng: Rng) -> Case:
    """A bend of 0.35 dB in plain fibre that stays: over the limit, whatever it is."""
    span = draw_span(rng)
    span = with_point(span, _midway(span, rng), 0.35, kind=JointKind.BEND)
    return case_of(two_shots(rng, span), span)


def good_loss_equals_step(rng: Rng) -> Case:
    """Three of six good splices have l = ±b: one shot reads twice the loss, the other nothing."""
    losses = draw_losses(rng, 6, 0.04, 0.09)
    span = draw_span(rng, losses_db=losses, length_m=float(rng.uniform(8_000, 12_000)))
    for k in range(0, 6, 2):
        step = float(rng.choice((-1, 1))) * losses[k] + float(rng.normal(0, 0.003))
        span = with_level_step(span, k, step)
        span = with_level_step(span, k + 1, float(rng.uniform(-0.02, 0.02)))
    return case_of(two_shots(rng, span), span)


def good_all_loss_nearly_equals_step(rng: Rng) -> Case:
    """All splices have l = ±b to a hundredth: one shot shows them well, the other hardly, but
    there.
    """
    losses = draw_losses(rng, 5, 0.04, 0.09)
    span = draw_span(rng, losses_db=losses)
    for k, loss in enumerate(losses):
        left = float(rng.choice((-1, 1)) * rng.uniform(0.008, 0.015))
        span = with_level_step(span, k, float(rng.choice((-1, 1))) * (loss + left))
    return case_of(two_shots(rng, span), span)


def good_one_loss_equals_step(rng: Rng) -> Case:
    """One splice of 0.09 dB with b = 0.09 among others: common, and good."""
    span = draw_span(rng)
    index = int(rng.integers(len(span.joints)))
    span = with_level_step(with_loss(span, index, 0.09), index, 0.09)
    return case_of(two_shots(rng, span), span)


def remade_the_same_day(rng: Rng) -> Case:
    """From A at eight: 0.50 dB. Remade at nine with other glass left over. From B at ten: 0.04."""
    span = with_loss(draw_span(rng), 1, 0.50)
    later = with_level_step(with_loss(span, 1, 0.04), 1, float(rng.normal(0, 0.07)))
    return _changed(rng, span, later.reversed(), Story.REMADE)


def other_glass_in_the_middle(rng: Rng) -> Case:
    """Between the shots a damaged piece was replaced in haste: two new bad splices, other glass.

    Half of each, as the sum of both shots has it, passes.
    """
    span = draw_span(rng, count=3, length_m=9_000)
    start = span.boundaries_m[1] + 150
    new = with_point(span, start, 0.33, step_db=spread_levels(rng, 1)[0])
    new = with_point(new, start + 180, 0.30, step_db=spread_levels(rng, 1)[0])
    label = {"taken": MORNING + timedelta(days=60)}
    return _changed(rng, span, new.reversed(), Story.REMADE, label_b=label, told_otherwise=True)

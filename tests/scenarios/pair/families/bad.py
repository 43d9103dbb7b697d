"""Bad splices in sound pairs: to be called, at the right place, with the right number."""

from __future__ import annotations

import numpy as np
from simulated import Fibre, JointKind

from scenarios.pair.case import LIMIT_DB, Case, Doubt, case_of
from scenarios.pair.world import (
    draw_losses,
    draw_span,
    span_of,
    two_shots,
    with_cords,
    with_level_step,
    with_loss,
    with_point,
)

Rng = np.random.Generator


def _any(rng: Rng, span: Fibre) -> int:
    return int(rng.integers(len(span.joints)))


def bad_clear(rng: Rng) -> Case:
    """One splice well over the limit, the others good: cut that one."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), round(float(rng.uniform(0.26, 0.6)), 3))
    return case_of(two_shots(rng, span), span)


def bad_two(rng: Rng) -> Case:
    """Two splices over the limit: cut both."""
    span = draw_span(rng, count=5)
    span = with_loss(with_loss(span, 1, 0.31), 3, 0.42)
    return case_of(two_shots(rng, span), span)


def bad_three_db(rng: Rng) -> Case:
    """A splice of 3 dB: half the light is gone."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 3.0)
    return case_of(two_shots(rng, span, settings={"dynamic_range_db": 23}), span)


def bad_just_over(rng: Rng) -> Case:
    """0.201 dB under a limit of 0.20, almost no noise: a thousandth over."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.201)
    quiet = {"dynamic_range_db": 30, "ripple_db": 0.0}
    return case_of(two_shots(rng, span, settings=quiet), span, exit_codes=(0, 1))


def bad_too_close_to_call(rng: Rng) -> Case:
    """A few thousandths over the limit, and a hundredth of noise: it must not be cut blindly."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.203)
    noisy = {"dynamic_range_db": 8.5}

    files = two_shots(rng, span, settings=noisy)
    return case_of(files, span, exit_codes=(0, 1))


def good_too_close_to_call(rng: Rng) -> Case:
    """A few thousandths under the limit, and a hundredth of noise: nobody cuts a good splice."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.197)

    files = two_shots(rng, span, settings={"dynamic_range_db": 8.5})
    return case_of(files, span, exit_codes=(0, 1))


def bad_too_close_guarded(rng: Rng) -> Case:
    """The same under the guarded rule: nothing over the limit passes, nothing is cut.

    What is within by less than U passes now and then, and truly.
    """
    span = draw_span(rng)
    loss = float(rng.choice((0.197, 0.203)))
    span = with_loss(span, _any(rng, span), loss)
    files = two_shots(rng, span, settings={"dynamic_range_db": 8.5})
    return case_of(
        files,
        span,
        args=("--limit", "0.20", "--guarded"),
        exit_codes=(1,) if loss > LIMIT_DB else (0, 1),
        must_not_say=(r"^\W*re-splice \d",),
    )


def bad_hidden_by_gain(rng: Rng) -> Case:
    """A bad splice that reads like a good one from A, since the glass behind it scatters more."""
    span = draw_span(rng)
    index = _any(rng, span)
    loss = round(float(rng.uniform(0.27, 0.4)), 3)
    left = float(rng.uniform(0.03, 0.08))
    span = with_level_step(with_loss(span, index, loss), index, left - loss)
    return case_of(two_shots(rng, span), span)


def bad_hidden_by_gain_from_b(rng: Rng) -> Case:
    """The same from the other end: only A's shot shows it."""
    span = draw_span(rng)
    index = _any(rng, span)
    loss = round(float(rng.uniform(0.27, 0.4)), 3)
    left = float(rng.uniform(0.03, 0.08))
    span = with_level_step(with_loss(span, index, loss), index, loss - left)
    return case_of(two_shots(rng, span), span)


def bad_among_large_steps(rng: Rng) -> Case:
    """A bad splice among good ones that read far worse one way."""
    span = draw_span(rng, count=5)
    for k in range(5):
        span = with_level_step(span, k, float(rng.choice((-1, 1)) * rng.uniform(0.3, 0.45)))
    span = with_loss(span, _any(rng, span), 0.28)
    return case_of(two_shots(rng, span), span)


def bad_behind_midspan_connector(rng: Rng) -> Case:
    """A pigtail splice of 0.6 dB eight metres behind a patch connector, in its dead zone."""
    span = draw_span(rng, count=3)
    at_m = span.joint_positions_m[1] + 700
    span = with_point(span, at_m, 0.25, reflectance_db=-42.0, kind=JointKind.CONNECTOR)
    span = with_point(span, at_m + 8, 0.6)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(1, 2), tolerance_m=40)


def bad_behind_launch_connector(rng: Rng) -> Case:
    """The pigtail splice of 0.6 dB sits eight metres behind the launch connector."""
    span = draw_span(rng, count=3)
    span = with_point(span, 8.0, 0.6)
    files = two_shots(rng, with_cords(span, 1_000, 1_000))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    # Connector and splice are one step of 0.9 dB; no reader can part them.
    return case_of(files, span, args=args, doubt=Doubt.MUST, tellable=False)


def bad_fifty_metres_behind_launch(rng: Rng) -> Case:
    """A splice of 0.5 dB fifty to eighty metres behind the launch connector, clear of its tail."""
    span = draw_span(rng, count=3)
    span = with_point(span, float(rng.uniform(50, 80)), 0.5)
    files = two_shots(rng, with_cords(span, 1_000, 1_000))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(files, span, args=args)


def bad_far_end_in_noise(rng: Rng) -> Case:
    """A bad splice near B, where A's shot is all noise: from B it shows, and that is not enough."""
    span = draw_span(rng, length_m=30_000, losses_db=draw_losses(rng, 4), gap_m=3_000)
    span = with_point(span, 29_000, 0.45)
    files = two_shots(
        rng,
        span,
        settings={"dynamic_range_db": 6.5, "pulse_ns": 300},
        settings_b={"dynamic_range_db": 20},
    )
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2), tolerance_m=60)


def bad_both_shots_drown(rng: Rng) -> Case:
    """Both shots drown in noise before the far end: nothing ties them together, nothing is cut."""
    span = draw_span(rng, length_m=30_000, losses_db=draw_losses(rng, 4), gap_m=3_000)
    span = with_point(span, 29_000, 0.45)
    files = two_shots(rng, span, settings={"dynamic_range_db": 6})
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False, tolerance_m=60)


def bad_first_hundred_metres(rng: Rng) -> Case:
    """A bad splice in the first hundred metres, no launch fibre, a 30 ns pulse."""
    span = draw_span(rng, length_m=float(rng.uniform(3_000, 5_000)), count=2)
    span = with_point(span, float(rng.uniform(50, 95)), 0.45)
    files = two_shots(rng, span, settings={"pulse_ns": 30, "dynamic_range_db": 18, "tail_ns": 30.0})
    return case_of(files, span)


def bad_last_hundred_metres(rng: Rng) -> Case:
    """The same at B: a bad splice before the last hundred metres."""
    span = draw_span(rng, length_m=float(rng.uniform(3_000, 5_000)), count=2)
    span = with_point(span, span.length_m - float(rng.uniform(50, 95)), 0.45)
    files = two_shots(rng, span, settings={"pulse_ns": 30, "dynamic_range_db": 18, "tail_ns": 30.0})
    return case_of(files, span)


def bad_in_front_panel_dead_zone(rng: Rng) -> Case:
    """A bad splice six metres behind the front panel: no shot without launch fibre can show it."""
    span = draw_span(rng, count=3)
    span = with_point(span, 6.0, 0.5)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MUST, tellable=False)


def bad_default_limit(rng: Rng) -> Case:
    """A bad splice and no limit typed: the default of 0.20 dB calls it."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.29)
    return case_of(two_shots(rng, span), span, args=(), may_say=(r"0\.20 dB.*default",))


def bad_guarded(rng: Rng) -> Case:
    """A clearly bad splice under the guarded rule."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.33)
    return case_of(two_shots(rng, span), span, args=("--limit", "0.20", "--guarded"))


def bad_long_haul(rng: Rng) -> Case:
    """A bad splice on ninety kilometres, 10 µs."""
    span = draw_span(rng, length_m=90_000, count=6, gap_m=9_000)
    span = with_loss(span, 3, 0.35)
    files = two_shots(rng, span, settings={"pulse_ns": 10_000, "dynamic_range_db": 34})
    return case_of(files, span, tolerance_m=600)


def bad_coarse_levels(rng: Rng) -> Case:
    """A bad splice, levels stored in steps of 0.01 dB."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.30)
    coarse = {"scale_1000": 10_000, "floor_raw": 4_500, "dynamic_range_db": 17}
    return case_of(two_shots(rng, span, settings=coarse), span)


def bad_asked_place(rng: Rng) -> Case:
    """A bad splice at a place that the crew types in as well."""
    span = draw_span(rng)
    index = _any(rng, span)
    span = with_loss(span, index, 0.30)
    at = f"{span.joint_positions_m[index]:.0f}"
    return case_of(two_shots(rng, span), span, args=("--limit", "0.20", "--at", at))


def bad_swap(rng: Rng) -> Case:
    """The crew names B's file first and says so with --swap: distances still count from A."""
    span = draw_span(rng)
    span = with_loss(span, 0, 0.34)
    files = two_shots(rng, span)
    command = ("pair", "017_B.sor", "017_A.sor", "--swap", "--limit", "0.20")
    return case_of(files, span, command=command)


def bad_symmetric_closures(rng: Rng) -> Case:
    """Closures that mirror, losses that do not: the bad one is the second from A, not from B."""
    length_m = 8_000.0
    places = [1_500.0, 3_000.0, 5_000.0, 6_500.0]
    levels = [float(x) for x in rng.normal(0, 0.05, 5)]
    span = span_of(length_m, places, [0.05, 0.33, 0.08, 0.04], levels)
    return case_of(two_shots(rng, span), span)


def bad_with_cords(rng: Rng) -> Case:
    """Launch and receive fibres stated right, one bad splice."""
    span = draw_span(rng)
    span = with_loss(span, _any(rng, span), 0.36)
    files = two_shots(rng, with_cords(span, 1_000, 500))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def bad_small_limit(rng: Rng) -> Case:
    """A tight contract: 0.05 dB. One splice at 0.08 is over it."""
    span = draw_span(rng, losses_db=[0.02, 0.08, 0.03, 0.01])
    quiet = {"dynamic_range_db": 24}
    files = two_shots(rng, span, settings=quiet)
    return case_of(files, span, args=("--limit", "0.05"), limit_db=0.05)

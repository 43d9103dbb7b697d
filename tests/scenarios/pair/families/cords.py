"""Launch and receive fibres that were stated wrong, and lengths that do not agree."""

from __future__ import annotations

import numpy as np
from simulated import Joint, JointKind

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import draw_span, two_shots, with_cords, with_loss, with_point

Rng = np.random.Generator

#: Nobody sees a left-over offset in his files: the screen has to name it.
_OFFSET = (r"offset",)


def launch_stated_but_not_there(rng: Rng) -> Case:
    """`--launch 1km` left over from the last job, no launch fibre: a bad splice lies inside it."""
    span = draw_span(rng, count=3, gap_m=1_200, length_m=10_000)
    span = with_point(span, float(rng.uniform(450, 800)), round(float(rng.uniform(0.35, 0.6)), 2))
    args = ("--limit", "0.20", "--launch", "1km")
    return case_of(two_shots(rng, span), span, args=args, doubt=Doubt.MUST, as_stated=False)


def receive_stated_but_not_there(rng: Rng) -> Case:
    """`--receive 1.5km`, no receive fibre: the last splice before B is bad and vanishes in it."""
    span = draw_span(rng, count=3, gap_m=1_700, length_m=11_000)
    span = with_point(span, span.length_m - float(rng.uniform(600, 1_300)), 0.45)
    args = ("--limit", "0.20", "--receive", "1.5km")
    return case_of(two_shots(rng, span), span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_stated_one_reel_too_long(rng: Rng) -> Case:
    """The launch fibre is the 500 m reel, typed is 1 km:
    a bad splice 250 m into the span is lost.
    """
    span = draw_span(rng, count=3, gap_m=900, length_m=9_000)
    span = with_point(span, float(rng.uniform(200, 350)), 0.5)
    args = ("--limit", "0.20", "--launch", "1km")
    files = two_shots(rng, with_cords(span, 500))
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_stated_too_short(rng: Rng) -> Case:
    """A 1 km launch fibre, typed is 500 m: every place is told half a kilometre too far out."""
    span = draw_span(rng, count=4)
    span = with_loss(span, 1, 0.4)
    args = ("--limit", "0.20", "--launch", "500m")
    files = two_shots(rng, with_cords(span, 1_000))
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_and_receive_exchanged(rng: Rng) -> Case:
    """500 m at A and 1 km at B, typed the other way round: a bad splice near A is lost."""
    span = draw_span(rng, count=3, gap_m=900, length_m=9_000)
    span = with_point(span, float(rng.uniform(200, 350)), 0.5)
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    files = two_shots(rng, with_cords(span, 500, 1_000))
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_unit_slip(rng: Rng) -> Case:
    """`--launch 1` for one kilometre: the program hears one metre, all places are a km out."""
    span = draw_span(rng, count=4)
    span = with_loss(span, 2, 0.4)
    args = ("--limit", "0.20", "--launch", "1", "--receive", "0.5")
    files = two_shots(rng, with_cords(span, 1_000, 500))
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_longer_than_fibre(rng: Rng) -> Case:
    """`--launch 500km` for 500 m: no fibre is that long here."""
    span = draw_span(rng)
    args = ("--limit", "0.20", "--launch", "500km")
    files = two_shots(rng, with_cords(span, 500))
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def launch_just_before_a_bad_splice(rng: Rng) -> Case:
    """The stated launch ends ten metres behind a bad splice at 500 m:
    the splice becomes its end.
    """
    span = draw_span(rng, count=3, gap_m=900, length_m=9_000)
    span = with_point(span, 490.0, 0.45)
    args = ("--limit", "0.20", "--launch", "500m")
    files = two_shots(rng, span)
    # A reel of 490 m with an angled connector of 0.45 dB would look just like it.
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False, tellable=False)


def user_offset_left_over(rng: Rng) -> Case:
    """The user offset of the last job (800 m) is still in both instruments; bad splice at 500 m."""
    span = draw_span(rng, count=3, gap_m=1_000, length_m=9_000)
    span = with_point(span, float(rng.uniform(350, 650)), 0.45)
    left = {"user_offset_m": 800}
    files = two_shots(rng, span, label_a=left, label_b=left)
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False, may_say=_OFFSET)


def user_offset_left_over_in_a(rng: Rng) -> Case:
    """The left-over user offset is in A's instrument only."""
    span = draw_span(rng, count=3, gap_m=1_000, length_m=9_000)
    span = with_point(span, float(rng.uniform(350, 650)), 0.45)
    files = two_shots(rng, span, label_a={"user_offset_m": 800})
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False, may_say=_OFFSET)


def user_offset_good_but_wrong(rng: Rng) -> Case:
    """The left-over user offset hides nothing bad, only good fibre and one good splice."""
    span = draw_span(rng, count=3, gap_m=1_000, length_m=9_000)
    span = with_point(span, 400.0, 0.06, step_db=0.06)
    left = {"user_offset_m": 800}
    files = two_shots(rng, span, label_a=left, label_b=left)
    # A splice inside the "cord" was not judged: an all-clear says more than was measured.
    return case_of(files, span, doubt=Doubt.MUST, as_stated=False, may_say=_OFFSET)


def one_reel_carried_along(rng: Rng) -> Case:
    """One launch reel went with the instrument: 1 km before each shot, nothing behind;
    typed right.
    """
    span = draw_span(rng)
    way_a = with_cords(span, 1_000)
    way_b = with_cords(span, None, 1_000).reversed()
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(two_shots(rng, way_a, way_b), span, args=args)


def one_reel_carried_along_undeclared(rng: Rng) -> Case:
    """One launch reel went with the instrument, plain connectors, and nobody typed it."""
    span = draw_span(rng)
    way_a = with_cords(span, 1_000)
    way_b = with_cords(span, None, 1_000).reversed()
    return case_of(two_shots(rng, way_a, way_b), span)


def one_reel_carried_along_bad(rng: Rng) -> Case:
    """One launch reel went with the instrument; a bad splice 200 to 400 m from A."""
    span = draw_span(rng, count=3, gap_m=900, length_m=9_000)
    span = with_point(span, float(rng.uniform(200, 400)), 0.5)
    way_a = with_cords(span, 1_000)
    way_b = with_cords(span, None, 1_000).reversed()
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(two_shots(rng, way_a, way_b), span, args=args)


def stated_cords_not_seen(rng: Rng) -> Case:
    """Launch and receive fibre with angled connectors of 0.02 dB: stated right, nothing to see."""
    span = draw_span(rng)
    angled = Joint(0.02, None, JointKind.CONNECTOR)
    files = two_shots(rng, with_cords(span, 1_000, 500, angled))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def stated_cords_not_seen_bad(rng: Rng) -> Case:
    """The same with a bad splice in the span: a note about the cords, and a clear call."""
    span = draw_span(rng)
    span = with_loss(span, int(rng.integers(len(span.joints))), 0.35)
    angled = Joint(0.02, None, JointKind.CONNECTOR)
    files = two_shots(rng, with_cords(span, 1_000, 500, angled))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def stated_a_few_metres_off(rng: Rng) -> Case:
    """The reel says 1 km and holds 1,009 m: the connector shows where it is."""
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, 1_009, 506))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def patched_through_in_one_shot(rng: Rng) -> Case:
    """In A's shot the next section (700 m) hung on at B's panel; in B's shot it did not."""
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, None, 700), span.reversed())
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(0, 1, 2))


def patched_through_in_one_shot_bad(rng: Rng) -> Case:
    """The same with a bad splice in the span: never all clear."""
    span = with_loss(draw_span(rng), 1, 0.4)
    files = two_shots(rng, with_cords(span, None, 700), span.reversed())
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def receive_of_two_lengths(rng: Rng) -> Case:
    """The receive reel was changed between the shots, 500 m then 1 km; typed is the first."""
    span = draw_span(rng)
    way_a = with_cords(span, 1_000, 500)
    way_b = with_cords(span, 1_000, 1_000).reversed()
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    files = two_shots(rng, way_a, way_b)
    return case_of(files, span, args=args, doubt=Doubt.MAY, as_stated=False, exit_codes=(0, 1, 2))

"""Limits, units, indices, pulses and wavelengths that are not what they should be."""

from __future__ import annotations

import numpy as np

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import draw_losses, draw_span, edited, two_shots, with_cords, with_loss

Rng = np.random.Generator


def limit_of_another_wavelength_over(rng: Rng) -> Case:
    """Typed is a limit for 1310 nm, shot is 1550; a splice of 0.17 dB is over what was typed."""
    span = with_loss(draw_span(rng), 1, 0.17)
    args = ("--limit", "1310=0.10")
    said = (r"1310.{0,80}(not|no |default|other|only)", r"(not|no |default|other|only).{0,80}1310")
    files = two_shots(rng, span)
    return case_of(
        files,
        span,
        args=args,
        limit_db=0.10,
        doubt=Doubt.MUST,
        as_stated=False,
        may_say=said,
    )


def limit_of_another_wavelength_good(rng: Rng) -> Case:
    """The same with splices that pass any limit: what was typed and not applied is reported."""
    span = draw_span(rng, losses_db=draw_losses(rng, 4, 0.02, 0.06))
    said = (r"1310.{0,80}(not|no |default|other|only)", r"(not|no |default|other|only).{0,80}1310")
    files = two_shots(rng, span)
    args = ("--limit", "1310=0.10")
    return case_of(files, span, args=args, doubt=Doubt.MAY, exit_codes=(0, 1, 2), may_say=said)


def limit_of_both_wavelengths(rng: Rng) -> Case:
    """0.25 dB at 1310, 0.15 at 1550; a splice of 0.18 at 1550 is over its own limit."""
    span = with_loss(draw_span(rng), 1, 0.18)
    args = ("--limit", "1310=0.25", "--limit", "1550=0.15")
    return case_of(two_shots(rng, span), span, args=args, limit_db=0.15)


def limit_fifteen(rng: Rng) -> Case:
    """`--limit 15` for 0.15: with fifteen decibels every splice passes."""
    span = with_loss(draw_span(rng), 1, 0.6)
    return case_of(
        two_shots(rng, span), span, args=("--limit", "15"), doubt=Doubt.MUST, as_stated=False
    )


def limit_one_and_a_half(rng: Rng) -> Case:
    """`--limit 1.5` for 0.15: a strange contract, but one that can be; it is applied as typed and
    said.
    """
    span = with_loss(draw_span(rng), 1, 0.6)
    files = two_shots(rng, span)
    said = (r"1\.50? dB",)
    return case_of(
        files, span, args=("--limit", "1.5"), limit_db=1.5, doubt=Doubt.MAY, may_say=said
    )


def limit_with_comma(rng: Rng) -> Case:
    """`--limit 0,15`, as half of Europe writes it: understood as 0.15 or refused, nothing else."""
    span = with_loss(draw_span(rng), 1, 0.18)
    files = two_shots(rng, span)
    return case_of(
        files, span, args=("--limit", "0,15"), limit_db=0.15, doubt=Doubt.MAY, exit_codes=(1, 2)
    )


def limit_without_zero(rng: Rng) -> Case:
    """`--limit .2`: the same as 0.20."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span), span, args=("--limit", ".2"))


def launch_with_a_blank(rng: Rng) -> Case:
    """`--launch 1 km`: the shell makes two words of it; refused, and not taken for a metre."""
    span = with_loss(draw_span(rng), 1, 0.4)
    return case_of(
        two_shots(rng, with_cords(span, 1_000)),
        span,
        args=("--limit", "0.20", "--launch", "1", "km"),
        doubt=Doubt.MUST,
        as_stated=False,
        exit_codes=(2,),
    )


def limit_zero(rng: Rng) -> Case:
    """`--limit 0`: no such contract; refused, or else everything is over."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    return case_of(
        files, span, args=("--limit", "0"), doubt=Doubt.MUST, as_stated=False, exit_codes=(2,)
    )


def place_unit_slip(rng: Rng) -> Case:
    """`--at 4.35` for kilometres: four metres from the panel nothing can be measured."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    args = ("--limit", "0.20", "--at", "4.35")
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def place_behind_the_end(rng: Rng) -> Case:
    """`--at 43.5km` on a fibre of ten: there is nothing there, and that is to be said."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    args = ("--limit", "0.20", "--at", "43.5km")
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False)


def index_unit_slip(rng: Rng) -> Case:
    """`--index 14682`: no glass has that."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    args = ("--limit", "0.20", "--index", "14682")
    return case_of(files, span, args=args, doubt=Doubt.MUST, as_stated=False, exit_codes=(2,))


def index_wrong_in_a(rng: Rng) -> Case:
    """A's instrument stands at 1.4820: all places are one per cent short; a bad splice to cut."""
    span = draw_span(rng, length_m=11_000)
    span = with_loss(span, len(span.joints) - 1, 0.4)
    files = two_shots(
        rng, span, settings={"group_index": 1.4820}, settings_b={"group_index": 1.4682}
    )
    # Sixty to a hundred metres off at the far end: by A's index, which the doubt says.
    return case_of(
        files, span, doubt=Doubt.MUST, exit_codes=(1,), may_say=(r"index",), tolerance_m=100
    )


def index_wrong_in_b_good(rng: Rng) -> Case:
    """B's instrument stands at 1.4820, the fibre is good: losses do not mind."""
    span = draw_span(rng)
    files = two_shots(rng, span, settings_b={"group_index": 1.4820})
    return case_of(files, span, doubt=Doubt.MAY, may_say=(r"index",))


def index_differs_slightly(rng: Rng) -> Case:
    """1.4682 at A, 1.4677 at B: a few metres, good fibre, a note at most."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, settings_b={"group_index": 1.4677}), span)


def index_wrong_in_both(rng: Rng) -> Case:
    """1.4800 in both: places are a little off everywhere, losses right, nothing shows it."""
    span = draw_span(rng)
    files = two_shots(rng, span, settings={"group_index": 1.4800})
    return case_of(files, span, length_known=False)


def pulse_differs(rng: Rng) -> Case:
    """100 ns from A, 300 ns from B, a good fibre: each shot is used as it is."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, settings_b={"pulse_ns": 300}), span, tolerance_m=50)


def pulse_differs_bad(rng: Rng) -> Case:
    """30 ns from A, 300 ns from B, one bad splice."""
    span = with_loss(draw_span(rng), 1, 0.37)
    files = two_shots(rng, span, settings={"pulse_ns": 30}, settings_b={"pulse_ns": 300})
    return case_of(files, span, tolerance_m=50)


def wavelength_differs(rng: Rng) -> Case:
    """1550 nm from A, 1310 nm from B: half the sum of two wavelengths is no loss."""
    span = draw_span(rng)
    other = draw_span(rng, nm=1310)
    glass = span.reversed()
    sections = tuple(
        type(s)(s.length_m, other.sections[0].attenuation_db_per_km, s.backscatter_db)
        for s in glass.sections
    )
    way_b = type(glass)(sections, glass.joints)
    files = two_shots(rng, span, way_b, settings_b={"nm": 1310})
    return case_of(files, span, doubt=Doubt.MUST, one_state=False, may_say=(r"wavelength", r"1310"))


def wavelength_near(rng: Rng) -> Case:
    """1550 nm from A, 1551.3 from B: two lasers of one name."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, settings_b={"nm": 1551.3}), span)


def wavelength_in_whole_nm(rng: Rng) -> Case:
    """An instrument that writes 1550 where the format wants tenths: 1550, not 155."""
    span = draw_span(rng)
    (name, first), second = two_shots(rng, span)
    first = edited(first, fixed={"wavelength_0p1nm": 1550})
    return case_of(((name, first), second), span)


def scale_doubled_in_one(rng: Rng) -> Case:
    """A converter doubled the level scale of B's file: everything there counts twice."""
    span = draw_span(rng)
    first, (name, second) = two_shots(rng, span)
    second = edited(second, scale_1000=2_000)
    return case_of((first, (name, second)), span, doubt=Doubt.MUST, one_state=False)


def pulse_label_wrong(rng: Rng) -> Case:
    """B's file says 10 ns and was shot with 100: dead zones are ten times longer than it thinks."""
    span = draw_span(rng)
    first, (name, second) = two_shots(rng, span)
    second = edited(second, fixed={"pulse_widths_ns": (10,)})
    return case_of((first, (name, second)), span, doubt=Doubt.MAY)

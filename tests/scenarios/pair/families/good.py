"""Good pairs of many kinds: to be cleared, exit 0, and not a word of doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
from simulated import FloorMode, Joint, JointKind

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import (
    CONNECTOR,
    MORNING,
    NAMES,
    Headers,
    draw_losses,
    draw_places,
    draw_span,
    span_of,
    spread_levels,
    two_shots,
    with_cords,
    with_level_step,
    with_loss,
)

Rng = np.random.Generator


def good_plain(rng: Rng) -> Case:
    """An ordinary good fibre, shot the ordinary way."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span), span)


def good_gainers(rng: Rng) -> Case:
    """A good fibre of mixed reels: half of its splices are gainers from one end or the other."""
    span = draw_span(rng, sigma_b_db=0.15)
    return case_of(two_shots(rng, span), span)


def good_large_steps(rng: Rng) -> Case:
    """Good splices between unlike glasses: one way they read 0.4 to 0.6 dB,
    the other way a gain.
    """
    span = draw_span(rng)
    for k in range(len(span.joints)):
        span = with_level_step(span, k, float(rng.choice((-1, 1)) * rng.uniform(0.3, 0.5)))
    return case_of(two_shots(rng, span), span)


def good_long(rng: Rng) -> Case:
    """Fifty to sixty kilometres with a 1 µs pulse, a good splice every five or so."""
    span = draw_span(rng, length_m=float(rng.uniform(50e3, 60e3)), count=9, gap_m=3_000)
    files = two_shots(rng, span, settings={"pulse_ns": 1_000, "dynamic_range_db": 27})
    return case_of(files, span, tolerance_m=150)


def good_short(rng: Rng) -> Case:
    """A building riser: 600 to 900 m, 10 ns pulse, two good splices."""
    span = draw_span(rng, length_m=float(rng.uniform(600, 900)), count=2, gap_m=120)
    brisk = {"pulse_ns": 10, "dynamic_range_db": 16, "tail_ns": 10.0}
    return case_of(two_shots(rng, span, settings=brisk), span)


def good_short_long_tail(rng: Rng) -> Case:
    """The same riser and a receiver whose tail runs on for a hundred metres behind the flat end."""
    span = draw_span(rng, length_m=float(rng.uniform(600, 900)), count=2, gap_m=120)
    lazy = {"pulse_ns": 10, "dynamic_range_db": 16, "tail_ns": 100.0}
    return case_of(two_shots(rng, span, settings=lazy), span)


def good_angled_ends(rng: Rng) -> Case:
    """Angled connectors at both ends: the fibre just stops, without a reflection."""
    span = draw_span(rng, ends_db=(None, None))
    files = two_shots(rng, span, settings={"front_panel_reflectance_db": -60.0})
    return case_of(files, span)


def good_cords_stated(rng: Rng) -> Case:
    """Launch and receive fibres in place for both shots, and their lengths typed in right."""
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, 1_000, 500))
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def good_cords_by_user_offset(rng: Rng) -> Case:
    """Launch and receive fibres in place; the instruments' user offsets say where they end."""
    span = draw_span(rng)
    files = two_shots(
        rng,
        with_cords(span, 1_000, 500),
        label_a={"user_offset_m": 1_000},
        label_b={"user_offset_m": 500},
    )
    return case_of(files, span)


def good_coarse_levels(rng: Rng) -> Case:
    """An old instrument that stores levels in steps of 0.01 dB."""
    span = draw_span(rng)
    coarse = {"scale_1000": 10_000, "floor_raw": 4_500, "dynamic_range_db": 17}
    return case_of(two_shots(rng, span, settings=coarse), span)


def good_noise_just_enough(rng: Rng) -> Case:
    """Averaged in a hurry: noise of some hundredths of a dB at the far end, and still enough."""
    span = draw_span(rng, losses_db=draw_losses(rng, 4, 0.02, 0.08))
    return case_of(two_shots(rng, span, settings={"dynamic_range_db": 12}), span)


def good_echoes(rng: Rng) -> Case:
    """Shiny connectors at both ends of launch and receive fibre:
    echoes behind the span and on it.
    """
    span = draw_span(rng)
    shiny = Joint(0.3, -32.0, JointKind.CONNECTOR)
    link = with_cords(span, 1_000, 500, shiny)
    files = two_shots(
        rng, link, settings={"ghosts": True, "front_panel_reflectance_db": -30.0, "reach": 1.5}
    )
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "500m")
    return case_of(files, span, args=args)


def good_saturated_ends(rng: Rng) -> Case:
    """Flat cleaves at the far ends and a receiver that saturates early."""
    span = draw_span(rng)
    files = two_shots(rng, span, settings={"headroom_db": 3, "front_panel_reflectance_db": -35.0})
    return case_of(files, span)


def good_long_haul(rng: Rng) -> Case:
    """Ninety to a hundred kilometres with 10 µs: a pulse is a kilometre, splices are far apart."""
    span = draw_span(rng, length_m=float(rng.uniform(90e3, 100e3)), count=6, gap_m=9_000)
    files = two_shots(rng, span, settings={"pulse_ns": 10_000, "dynamic_range_db": 34})
    return case_of(files, span, tolerance_m=600)


def good_settings_differ(rng: Rng) -> Case:
    """Two crews, two makes: other range, spacing, averaging, smoothing and receiver."""
    span = draw_span(rng)
    files = two_shots(
        rng,
        span,
        settings={"points": 6_000, "dynamic_range_db": 20},
        settings_b={
            "points": 3_500,
            "reach": 1.9,
            "dynamic_range_db": 17,
            "smoothing_points": 3,
            "rise_fraction": 0.3,
        },
        label_b={"averaging_s": 10.0, "operator": "crew 7"},
    )
    return case_of(files, span)


def good_no_event_table(rng: Rng) -> Case:
    """The files hold no event table of the instrument."""
    span = draw_span(rng)
    bare = {"event_table": False}
    return case_of(two_shots(rng, span, label_a=bare, label_b=bare), span)


def good_revision_1(rng: Rng) -> Case:
    """Files of the first revision of the format, as old instruments write them."""
    span = draw_span(rng)
    old = {"revision": 100}
    return case_of(two_shots(rng, span, label_a=old, label_b=old), span)


def good_empty_headers(rng: Rng) -> Case:
    """Nobody typed anything: no cable, no fibre, no ends, no operator."""
    span = draw_span(rng)
    empty = {"cable": "", "fibre": "", "operator": ""}
    files = two_shots(rng, span, headers=Headers.SILENT, label_a=empty, label_b=empty)
    return case_of(files, span)


def good_umlauts(rng: Rng) -> Case:
    """Umlauts and accents in headers and file names."""
    span = draw_span(rng)
    a, b = "Südhütte Öd", "Café à côté"
    files = two_shots(
        rng,
        span,
        names=("Übergabe_A.sor", "Übergabe_B.sor"),
        label_a={"location_a": a, "location_b": b, "operator": "Jörg"},
        label_b={"location_a": b, "location_b": a, "operator": "Zoë"},
    )
    return case_of(files, span)


def good_upper_case_name(rng: Rng) -> Case:
    """An instrument that shouts: 017_A.SOR beside 017_B.sor."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, names=("017_A.SOR", "017_B.sor")), span)


def good_blanks_in_names(rng: Rng) -> Case:
    """File names with blanks and brackets, as a stick copied twice has them."""
    span = draw_span(rng)
    names = ("fibre 17 from Alder (2).sor", "fibre 17 from Birch (2).sor")
    return case_of(two_shots(rng, span, names=names), span)


def good_many_splices(rng: Rng) -> Case:
    """Twenty-four kilometres and twelve good splices."""
    span = draw_span(rng, length_m=24_000, count=12, gap_m=1_000)
    files = two_shots(rng, span, settings={"pulse_ns": 300, "dynamic_range_db": 23})
    return case_of(files, span, tolerance_m=50)


def good_one_splice(rng: Rng) -> Case:
    """One good splice, well off the middle."""
    length_m = float(rng.uniform(4_000, 7_000))
    at_m = length_m * float(rng.uniform(0.2, 0.35))
    span = span_of(length_m, [at_m], draw_losses(rng, 1, 0.05), [0.0, 0.08])
    return case_of(two_shots(rng, span), span)


def good_no_splice(rng: Rng) -> Case:
    """One drum of fibre, no splice at all, opposite headers: nothing to say against it."""
    span = span_of(float(rng.uniform(2_000, 4_000)), [], [], [0.0])
    # Only the length and the headers say that both shots are one fibre.
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY)


def good_tiny_splices(rng: Rng) -> Case:
    """Splices so good that neither shot shows them: 0.005 dB, no step in the glass."""
    span = draw_span(rng, losses_db=[0.004, 0.006, 0.005], sigma_b_db=0.001)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY)


def good_1310(rng: Rng) -> Case:
    """A good fibre at 1310 nm, with its own limit stated."""
    span = draw_span(rng, nm=1310)
    files = two_shots(rng, span, settings={"nm": 1310})
    args = ("--limit", "1310=0.25", "--limit", "1550=0.20")
    return case_of(files, span, args=args, limit_db=0.25)


def good_1625(rng: Rng) -> Case:
    """A good fibre at 1625 nm."""
    span = draw_span(rng, nm=1625)
    return case_of(two_shots(rng, span, settings={"nm": 1625}), span)


def good_guarded(rng: Rng) -> Case:
    """A good fibre under a contract with guarded decisions."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span), span, args=("--limit", "0.20", "--guarded"))


def good_default_limit(rng: Rng) -> Case:
    """No limit typed: 0.20 dB is used and said."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span), span, args=(), may_say=(r"0\.20 dB.*default",))


def good_asked_places(rng: Rng) -> Case:
    """The crew knows its closures and types them in; all are good."""
    span = draw_span(rng)
    places = ",".join(f"{at:.0f}" for at in span.joint_positions_m)
    return case_of(two_shots(rng, span), span, args=("--limit", "0.20", "--at", places))


def good_internal_fibre(rng: Rng) -> Case:
    """An instrument whose record begins inside it, before the front panel."""
    span = draw_span(rng)
    files = two_shots(
        rng, span, settings={"acquisition_offset_100ps": -3_000, "internal_fibre_m": 60.0}
    )
    return case_of(files, span)


def good_rectified_floor(rng: Rng) -> Case:
    """An instrument that folds its noise up behind the end of the fibre."""
    span = draw_span(rng)
    files = two_shots(rng, span, settings={"floor_mode": FloorMode.RECTIFIED})
    return case_of(files, span)


def good_clipped_floor(rng: Rng) -> Case:
    """An instrument that writes nothing lower than 30 dB."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, settings={"floor_raw": 30_000}), span)


def good_uneven_glass(rng: Rng) -> Case:
    """Reels of other attenuation, as real cable has them: 0.185 to 0.205 dB/km."""
    length_m = float(rng.uniform(8_000, 12_000))
    span = span_of(
        length_m,
        draw_places(rng, length_m, 4),
        draw_losses(rng, 4),
        spread_levels(rng, 5),
        attenuation_db_per_km=[float(x) for x in rng.uniform(0.185, 0.205, 5)],
    )
    return case_of(two_shots(rng, span), span)


def good_slow_receiver(rng: Rng) -> Case:
    """A slow receiver with a long tail behind every reflection."""
    span = draw_span(rng)
    files = two_shots(
        rng,
        with_cords(span, 1_000, 1_000),
        settings={"rise_fraction": 0.5, "tail_fraction": 0.01, "tail_ns": 300.0},
    )
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(files, span, args=args)


def good_level_apart(rng: Rng) -> Case:
    """A dirty front panel at B: that shot starts two decibels lower. The fibre is as good."""
    span = draw_span(rng)
    files = two_shots(
        rng,
        with_cords(span, 1_000, 1_000),
        with_loss(with_cords(span, 1_000, 1_000).reversed(), 0, 1.2, -40.0),
        settings_b={"dynamic_range_db": 18},
    )
    args = ("--limit", "0.20", "--launch", "1km", "--receive", "1km")
    return case_of(files, span, args=args)


def good_near_the_limit(rng: Rng) -> Case:
    """A splice at 0.18 dB under a limit of 0.20: close, and clearly within."""
    span = draw_span(rng)
    span = with_loss(span, int(rng.integers(len(span.joints))), 0.180)
    return case_of(two_shots(rng, span, settings={"dynamic_range_db": 23}), span)


def good_trailing_bytes(rng: Rng) -> Case:
    """The instrument leaves some bytes behind the last block."""
    span = draw_span(rng)
    files = tuple((name, data + b"\0" * 64) for name, data in two_shots(rng, span))
    return case_of(files, span)


def good_forty_files_around(rng: Rng) -> Case:
    """The stick holds other fibres' files too; the two right ones are named."""
    span, other = draw_span(rng), draw_span(rng)
    files = two_shots(rng, span)
    rest = two_shots(rng, other, names=("018_A.sor", "018_B.sor"))
    return case_of((*files, *rest), span)


def good_next_day(rng: Rng) -> Case:
    """A from Monday, B from Tuesday: the crew slept."""
    span = draw_span(rng)
    late = {"taken": MORNING + timedelta(days=1)}
    return case_of(two_shots(rng, span, label_b=late), span)


def good_cords_in_feet(rng: Rng) -> Case:
    """Reels labelled in feet and typed in feet: 3,280 ft is a kilometre."""
    span = draw_span(rng)
    files = two_shots(rng, with_cords(span, 1_000, 500))
    args = ("--limit", "0.20", "--launch", "3281ft", "--receive", "1.64kft")
    return case_of(files, span, args=args)


def good_mixed_connectors_outside(rng: Rng) -> Case:
    """Plain connectors of 0.6 dB at launch and receive fibre, declared: not the span's business."""
    span = draw_span(rng)
    worse = replace(CONNECTOR, loss_db=0.6, reflectance_db=-42.0)
    files = two_shots(rng, with_cords(span, 1_000, 500, worse), names=NAMES)
    args = ("--limit", "0.20", "--launch", "1000", "--receive", "500")
    return case_of(files, span, args=args)

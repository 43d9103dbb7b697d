"""Which file is A's: order of the files, headers, names."""

from __future__ import annotations

import numpy as np
from simulated import Fibre

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.world import HUTS, Headers, draw_span, two_shots, with_loss

Rng = np.random.Generator

#: An order that says from which file's end it counts sends nobody to the wrong closure.
_FROM_FILE = r"017_[AB]\.sor|first file|file named first|end of the first"
_REVERSED = ("pair", "017_B.sor", "017_A.sor", "--limit", "0.20")


def _lopsided_bad(rng: Rng) -> Fibre:
    """An asymmetric span with a bad splice, nothing bad where it would be from the other end."""
    return with_loss(draw_span(rng), 0, round(float(rng.uniform(0.28, 0.5)), 3))


def headers_alike_wrong_order(rng: Rng) -> Case:
    """Both headers say Alder to Birch, B's file is named first: "from Alder" would
    send to the wrong closure.
    """
    span = _lopsided_bad(rng)
    files = two_shots(rng, span, headers=Headers.ALIKE)
    return case_of(
        files,
        span,
        command=_REVERSED,
        exit_codes=(1,),
        where_excuses=_FROM_FILE,
        must_not_say=(rf"^Ends\s+A = {HUTS[0]}",),
    )


def headers_alike_right_order_good(rng: Rng) -> Case:
    """Both headers say Alder to Birch, A's file first, a good fibre: as many crews do it."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, headers=Headers.ALIKE), span)


def headers_alike_right_order_bad(rng: Rng) -> Case:
    """The same with a bad splice: it is to be called."""
    span = _lopsided_bad(rng)
    files = two_shots(rng, span, headers=Headers.ALIKE)
    # The glass does not say which end is Alder; a program may ask.
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1,))


def headers_opposite_wrong_order(rng: Rng) -> Case:
    """Each header names its own end first, B's file is named first: A is Birch then, and it says
    so.
    """
    span = _lopsided_bad(rng)
    files = two_shots(rng, span)
    # The order decides; distances count from Birch, and the screen names Birch as A.
    return case_of(
        files,
        span.reversed(),
        command=_REVERSED,
        may_say=(rf"A = {HUTS[1]}", rf"from {HUTS[1]}"),
        must_not_say=(rf"A = {HUTS[0]}",),
    )


def headers_opposite_wrong_order_good(rng: Rng) -> Case:
    """The same with a good fibre: nothing to complain of."""
    span = draw_span(rng)
    files = two_shots(rng, span)
    return case_of(files, span.reversed(), command=_REVERSED)


def names_tell_wrong_order(rng: Rng) -> Case:
    """Headers silent, files 017_B.sor and 017_A.sor named in this order: the order line must say
    from which file's end it counts.
    """
    span = _lopsided_bad(rng)
    files = two_shots(rng, span, headers=Headers.SILENT)
    return case_of(files, span, command=_REVERSED, exit_codes=(1,), where_excuses=_FROM_FILE)


def headers_point_the_other_way(rng: Rng) -> Case:
    """Each header names the far end first, as some crews do: names of ends are all exchanged."""
    span = _lopsided_bad(rng)
    files = two_shots(
        rng,
        span,
        label_a={"location_a": HUTS[1], "location_b": HUTS[0]},
        label_b={"location_a": HUTS[0], "location_b": HUTS[1]},
    )
    # By the headers the first shot is from Birch. It is not, and nothing in the files shows it.
    return case_of(files, span)


def headers_of_three_ends(rng: Rng) -> Case:
    """One header says Alder to Birch, the other Birch to Cedar:
    not the same section by their word.
    """
    span = draw_span(rng)
    files = two_shots(rng, span, label_b={"location_a": HUTS[1], "location_b": "Cedar hut"})
    return case_of(files, span, exit_codes=(0, 1))


def headers_name_one_place(rng: Rng) -> Case:
    """Both ends are called "Depot" in both headers: says nothing, hides nothing."""
    span = draw_span(rng)
    depot = {"location_a": "Depot", "location_b": "Depot"}
    return case_of(two_shots(rng, span, label_a=depot, label_b=depot), span)


def one_header_silent(rng: Rng) -> Case:
    """A's header is filled in, B's is empty: a good fibre all the same."""
    span = draw_span(rng)
    empty = {"location_a": "", "location_b": "", "fibre": "", "cable": ""}
    return case_of(two_shots(rng, span, label_b=empty), span)

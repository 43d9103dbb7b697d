"""Two fibres that were taken for one."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from simulated import Fibre

from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.oracle import TELLING_ODDS, Story, odds_against_good, seen
from scenarios.pair.world import (
    Headers,
    draw_losses,
    draw_span,
    instrument_for,
    span_of,
    spread_levels,
    two_shots,
)

Rng = np.random.Generator


def _neighbour(rng: Rng, span: Fibre, sigma_b_db: float = 0.07) -> Fibre:
    """Another fibre of the same cable: its closures, its length to a metre, its own splices."""
    count = len(span.joints)
    return span_of(
        span.length_m + float(rng.normal(0, 0.5)),
        span.joint_positions_m,
        draw_losses(rng, count, 0.02, 0.15),
        spread_levels(rng, count + 1, sigma_b_db),
        attenuation_db_per_km=[s.attenuation_db_per_km for s in span.sections],
    )


def _mixed(
    rng: Rng,
    first: Fibre,
    way_b: Fibre,
    story: Story,
    *,
    headers: Headers = Headers.OPPOSITE,
    label_b: Mapping[str, str] | None = None,
    told_otherwise: bool = False,
    must_not_say: tuple[str, ...] = (),
) -> Case:
    """Shoot one fibre, then another; ``way_b`` is what the light of the second shot meets."""
    files = two_shots(rng, first, way_b, headers=headers, label_b=label_b)
    a, b = (seen(way, instrument_for(way)) for way in (first, way_b))
    odds = odds_against_good(a, b, story)
    return case_of(
        files,
        first,
        doubt=Doubt.MUST,
        one_state=False,
        tellable=told_otherwise or odds >= TELLING_ODDS,
        odds=odds,
        must_not_say=must_not_say,
    )


def neighbours_from_opposite_ends(rng: Rng) -> Case:
    """17 from A, 18 from B under the header of 17: same closures, other splices."""
    span = draw_span(rng, count=5)
    return _mixed(rng, span, _neighbour(rng, span).reversed(), Story.TWO_FIBRES)


def neighbours_of_mixed_reels(rng: Rng) -> Case:
    """The same in a cable of mixed reels: steps in the glass of 0.15 dB, many splices."""
    span = draw_span(rng, count=8, length_m=12_000, sigma_b_db=0.15)
    return _mixed(rng, span, _neighbour(rng, span, 0.15).reversed(), Story.TWO_FIBRES)


def neighbours_with_a_bad_splice(rng: Rng) -> Case:
    """17 has a splice of 0.55 dB, 18 is good there: the half sum is neither's loss."""
    span = draw_span(rng, losses_db=[0.05, 0.55, 0.06, 0.04])
    return _mixed(rng, span, _neighbour(rng, span).reversed(), Story.TWO_FIBRES)


def neighbours_from_the_same_end(rng: Rng) -> Case:
    """17 and 18, both from A, headers alike: closures do not mirror."""
    span = draw_span(rng, count=5)
    return _mixed(
        rng,
        span,
        _neighbour(rng, span),
        Story.TWO_FIBRES_SAME_END,
        headers=Headers.ALIKE,
        must_not_say=("different lengths",),
    )


def neighbours_from_the_same_end_three_splices(rng: Rng) -> Case:
    """The same with three splices: some shift of the axis lays two of them upon each other."""
    span = draw_span(rng, count=3)
    return _mixed(rng, span, _neighbour(rng, span), Story.TWO_FIBRES_SAME_END)


def neighbours_by_header(rng: Rng) -> Case:
    """The second header says fibre 018: whatever the glass looks like, that is not 017."""
    span = draw_span(rng)
    way_b = _neighbour(rng, span).reversed()
    told = {"fibre": "018"}
    return _mixed(rng, span, way_b, Story.TWO_FIBRES, label_b=told, told_otherwise=True)


def other_cable_by_header(rng: Rng) -> Case:
    """Both headers say 017, one of cable SIM-12, one of SIM-15; the lengths agree by chance."""
    span = draw_span(rng)
    way_b = _neighbour(rng, span).reversed()
    told = {"cable": "SIM-15"}
    return _mixed(rng, span, way_b, Story.TWO_FIBRES, label_b=told, told_otherwise=True)


def same_fibre_number_mistyped(rng: Rng) -> Case:
    """One fibre, good, but the second header says 071 for 017: the screen has to ask."""
    span = draw_span(rng)
    files = two_shots(rng, span, label_b={"fibre": "071"})
    return case_of(files, span, doubt=Doubt.MAY, exit_codes=(1, 2))


def same_fibre_number_written_otherwise(rng: Rng) -> Case:
    """One fibre, good; one crew writes 17, the other 017: that is one number."""
    span = draw_span(rng)
    return case_of(two_shots(rng, span, label_b={"fibre": "17"}), span)


def other_cable_other_length(rng: Rng) -> Case:
    """B's file is of another cable, a kilometre longer."""
    first = draw_span(rng, length_m=8_000)
    other = draw_span(rng, length_m=9_000 + float(rng.uniform(0, 2_000)))
    return _mixed(rng, first, other, Story.UNRELATED)


def other_cable_slightly_longer(rng: Rng) -> Case:
    """B's file is of another cable, only 60 m longer, closures elsewhere."""
    length_m = float(rng.uniform(7_000, 9_000))
    first, other = draw_span(rng, length_m=length_m), draw_span(rng, length_m=length_m + 60)
    return _mixed(rng, first, other, Story.UNRELATED)


def other_cable_same_length(rng: Rng) -> Case:
    """B's file is of another cable of the same length, closures elsewhere."""
    length_m = float(rng.uniform(7_000, 9_000))
    first, other = draw_span(rng, length_m=length_m), draw_span(rng, length_m=length_m)
    return _mixed(rng, first, other, Story.UNRELATED)


def other_cable_same_length_no_splices(rng: Rng) -> Case:
    """Two drums of the same length without a splice: only the headers' word."""
    first, other = (span_of(4_000.0, [], [], [0.0]) for _ in range(2))
    return _mixed(rng, first, other, Story.UNRELATED)


def other_cable_same_length_one_splice(rng: Rng) -> Case:
    """The same, and one of the drums has a splice: its loss may just be what the glass hides."""
    length_m = float(rng.uniform(4_000, 7_000))
    first = draw_span(rng, length_m=length_m, count=1)
    return _mixed(rng, first, span_of(length_m, [], [], [0.0]), Story.UNRELATED)


def crossed_in_one_closure(rng: Rng) -> Case:
    """17 and 18 change places at the second closure: each shot is of both,
    and of the same glass.
    """
    span = draw_span(rng, count=4)
    other = _neighbour(rng, span)
    crossed = Fibre(
        (*span.sections[:2], *other.sections[2:]), (*span.joints[:2], *other.joints[2:])
    )
    # From A's panel 17 to B's panel 18: one fibre from both ends if B was shot at 18.
    files = two_shots(rng, crossed, headers=Headers.OPPOSITE)
    return case_of(files, crossed)

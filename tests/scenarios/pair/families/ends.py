"""The same end shot twice, and good fibres that look as if it had been."""

from __future__ import annotations

from typing import Any

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
    with_level_step,
    with_loss,
)

Rng = np.random.Generator

#: What an honest screen can say of two shots from one end.
_SAID = (
    r"same end",
    r"from one end",
    r"one and the same end",
    r"not from opposite ends",
    r"mirror",
    r"wrong pair",
    r"opposite ends",
)


def _twice(rng: Rng, span: Fibre, headers: Headers, **settings_b: Any) -> Case:
    """Shoot a fibre from A, then again from A, and call the second shot B's."""
    files = two_shots(rng, span, span, headers=headers, settings_b=settings_b)
    first = seen(span, instrument_for(span))
    odds = odds_against_good(first, seen(span, instrument_for(span, **settings_b)), Story.SAME_END)
    tellable = odds >= TELLING_ODDS
    return case_of(
        files,
        span,
        doubt=Doubt.MUST,
        one_state=False,
        tellable=tellable,
        odds=odds,
        may_say=_SAID if tellable else (),
    )


def same_end_headers_opposite(rng: Rng) -> Case:
    """Shot twice from A; the second header was typed beforehand and says from B."""
    return _twice(rng, draw_span(rng), Headers.OPPOSITE)


def same_end_headers_alike(rng: Rng) -> Case:
    """Shot twice from A; both headers say from A to B, as many crews leave them."""
    return _twice(rng, draw_span(rng), Headers.ALIKE)


def same_end_headers_silent(rng: Rng) -> Case:
    """Shot twice from A; nothing was typed."""
    return _twice(rng, draw_span(rng), Headers.SILENT)


def same_end_other_pulse(rng: Rng) -> Case:
    """Shot from A with 100 ns, not liked, shot from A again with 300 ns,
    and both kept as a pair.
    """
    return _twice(rng, draw_span(rng), Headers.OPPOSITE, pulse_ns=300)


def same_end_two_splices(rng: Rng) -> Case:
    """Shot twice from A; two splices only, and a shift of the axis would lay one upon the other."""
    return _twice(rng, draw_span(rng, count=2), Headers.ALIKE)


def same_end_bad_splice_gains(rng: Rng) -> Case:
    """Shot twice from A; a splice of 0.45 dB reads 0.05 from there, and so it does twice."""
    span = draw_span(rng)
    span = with_level_step(with_loss(span, 1, 0.45), 1, -0.40)
    return _twice(rng, span, Headers.ALIKE)


def _midspan(rng: Rng) -> Fibre:
    """One bad splice in the middle of the span, reading 0.10 from A."""
    length_m = float(rng.uniform(5_000, 9_000))
    return span_of(length_m, [length_m / 2], [0.30], [0.0, 0.20])


def same_end_one_midspan_splice_opposite(rng: Rng) -> Case:
    """One bad splice in the middle, shot twice from A, headers say opposite ends."""
    return _twice(rng, _midspan(rng), Headers.OPPOSITE)


def same_end_one_midspan_splice_alike(rng: Rng) -> Case:
    """One bad splice in the middle, shot twice from A, both headers say from A."""
    return _twice(rng, _midspan(rng), Headers.ALIKE)


def same_end_one_midspan_splice_silent(rng: Rng) -> Case:
    """One bad splice in the middle, shot twice from A, headers silent."""
    return _twice(rng, _midspan(rng), Headers.SILENT)


def _mirrored_places(length_m: float, pairs: int, rng: Rng) -> list[float]:
    half = np.sort(rng.uniform(0.08, 0.42, pairs)) * length_m
    while pairs > 1 and np.diff(half).min() < 400:
        half = np.sort(rng.uniform(0.08, 0.42, pairs)) * length_m
    return [float(x) for x in (*half, *(length_m - half[::-1]))]


def same_end_symmetric_closures(rng: Rng) -> Case:
    """Closures that mirror, six splices that do not; shot twice from A, headers alike."""
    length_m = float(rng.uniform(9_000, 12_000))
    levels = [float(x) for x in rng.normal(0, 0.05, 7)]
    losses = draw_losses(rng, 6, 0.03, 0.15)
    span = span_of(length_m, _mirrored_places(length_m, 3, rng), losses, levels)
    return _twice(rng, span, Headers.ALIKE)


def good_symmetric_closures(rng: Rng) -> Case:
    """Closures that mirror, splices that do not, shot properly from both ends; headers silent."""
    length_m = float(rng.uniform(9_000, 12_000))
    levels = [float(x) for x in rng.normal(0, 0.05, 7)]
    losses = draw_losses(rng, 6, 0.03, 0.11)
    span = span_of(length_m, _mirrored_places(length_m, 3, rng), losses, levels)
    return case_of(two_shots(rng, span, headers=Headers.SILENT), span)


def _own_mirror_image(rng: Rng, apart_db: float) -> Fibre:
    """A fibre that reads alike from both ends: places, losses and glass mirror, to ``apart_db``."""
    length_m = float(rng.uniform(8_000, 12_000))
    losses, levels = draw_losses(rng, 2), spread_levels(rng, 2)
    span = span_of(
        length_m,
        _mirrored_places(length_m, 2, rng),
        [*losses, *losses[::-1]],
        [*levels, 0.0, *levels[::-1]],
    )
    for k in range(len(span.joints)):
        loss = max(0.02, span.joints[k].loss_db + float(rng.normal(0, apart_db)))
        span = with_loss(span, k, loss)
        step = span.backscatter_steps_db[k] + float(rng.normal(0, apart_db))
        span = with_level_step(span, k, step)
    return span


def good_mirror_image_opposite(rng: Rng) -> Case:
    """A good fibre that is nearly its own mirror image, splices to 0.02 dB; opposite headers."""
    span = _own_mirror_image(rng, 0.02)
    return case_of(two_shots(rng, span), span)


def good_mirror_image_alike(rng: Rng) -> Case:
    """The same; both headers name one end, as many crews leave them."""
    span = _own_mirror_image(rng, 0.02)
    return case_of(two_shots(rng, span, headers=Headers.ALIKE), span)


def good_mirror_image_silent(rng: Rng) -> Case:
    """The same; headers silent."""
    span = _own_mirror_image(rng, 0.02)
    return case_of(two_shots(rng, span, headers=Headers.SILENT), span)


def exact_mirror_image(rng: Rng) -> Case:
    """A good fibre that is exactly its own mirror image: no method can tell; opposite headers."""
    span = _own_mirror_image(rng, 0.0)
    return case_of(two_shots(rng, span), span, doubt=Doubt.MAY, exit_codes=(0, 1, 2))


def good_one_midspan_splice(rng: Rng) -> Case:
    """One good splice in the middle that steps: read 0.15 from A and -0.05 from B;
    headers alike.
    """
    length_m = float(rng.uniform(5_000, 9_000))
    span = span_of(length_m, [length_m / 2], [0.05], [0.05, -0.05])
    return case_of(two_shots(rng, span, headers=Headers.ALIKE), span)

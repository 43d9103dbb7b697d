"""Shots without noise: what was put in comes out to the last digits that the method can give.

The signal is that of ``tests/exact_shots.py``, by its definition. What is left over is stated by
the side: a grid of places, a pole that is told from a tail's points, half a point at an edge.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from exact_shots import Glass, boxed, exact, through_poles
from making import INDEX, PULSE_100_NS_M
from scipy.signal import lfilter

from otdravg.pair.measure import measure
from otdravg.shot.detect import Detection, Event, EventKind, detect
from otdravg.shot.settings import ResponseSource
from otdravg.shot.trace import Trace

STEP, REFLECTION, GROUP, END = (
    EventKind.STEP, EventKind.REFLECTION, EventKind.GROUP, EventKind.END
)  # fmt: skip
#: Loss, gain from one end, and a loss that reads less than it is.
SPLICES = Glass((1500.3, 2200.7, 900.2, 3000.4), (0.05, 0.30, 0.10), (0.0, 0.15, -0.02))
CONNECTORS = Glass(
    (1500.3, 2200.7, 900.2, 3000.4), (0.25, 0.30, 0.10), (0.0, 0.15, -0.02), (6.0, 0.0, 3.0)
)
#: Pulse, ns, and distance of the points, m.
SETTINGS = [(100.0, 1.0), (300.0, 2.0), (30.0, 0.5)]


def kinds(seen: Detection) -> list[EventKind]:
    return [event.kind for event in seen.events]


def losses(seen: Detection) -> list[float | None]:
    return [event.loss_db for event in seen.before_end]


def places(seen: Detection) -> list[float]:
    return [event.distance_m for event in seen.before_end]


@pytest.mark.parametrize("from_b", [False, True])
@pytest.mark.parametrize(("pulse_ns", "spacing_m"), SETTINGS)
def test_steps_are_read_where_they_are_as_large_as_they_are(
    pulse_ns: float, spacing_m: float, from_b: bool
) -> None:
    seen = detect(exact(SPLICES, pulse_ns=pulse_ns, spacing_m=spacing_m, from_b=from_b), INDEX)
    length_m = sum(SPLICES.lengths_m)
    joints_m = length_m - SPLICES.joints_m[::-1] if from_b else SPLICES.joints_m
    assert kinds(seen) == [STEP, STEP, STEP, END]
    # Between the starts that are tried the cost is a parabola, nearly: a thousandth of a pulse.
    assert places(seen) == pytest.approx(joints_m, abs=1e-3 * pulse_ns * PULSE_100_NS_M / 100)
    # A start that is late by so much leaves a little of the ramp in front of the step.
    assert losses(seen) == pytest.approx(SPLICES.read_db(from_b=from_b), abs=4e-5)
    assert losses(seen)[1] == pytest.approx(SPLICES.read_db(from_b=from_b)[1], abs=2e-5)
    assert seen.end_m == pytest.approx(length_m, abs=spacing_m)
    assert seen.findings == ()
    # Steps of a thousandth of a decibel, rounded: q²/12 (the variance of a uniform error).
    assert seen.shot.noise.constant_db2 == pytest.approx(0.001**2 / 12)
    assert seen.shot.noise.receiver_db2 < 1e-20


@pytest.mark.parametrize(("pulse_ns", "spacing_m"), SETTINGS)
def test_a_pair_is_the_mean_of_both_readings(pulse_ns: float, spacing_m: float) -> None:
    ab, ba = (
        exact(SPLICES, pulse_ns=pulse_ns, spacing_m=spacing_m, from_b=b) for b in (False, True)
    )
    found = measure(ab, ba)
    assert found.findings == ()
    assert found.axis.length_m == pytest.approx(sum(SPLICES.lengths_m), abs=spacing_m)
    readings = found.readings
    assert [r.distance_m for r in readings] == pytest.approx(SPLICES.joints_m, abs=0.3 * spacing_m)
    # Two thousand points and twelve digits each.
    assert [r.loss_db for r in readings] == pytest.approx(SPLICES.losses_db, abs=1e-10)
    assert [r.backscatter_step_db for r in readings] == pytest.approx(SPLICES.steps_db, abs=1e-10)
    from_a, from_b = SPLICES.read_db(), SPLICES.read_db(from_b=True)[::-1]
    assert [r.loss_ab_db for r in readings] == pytest.approx(from_a, abs=1e-10)
    assert [r.loss_ba_db for r in readings] == pytest.approx(from_b, abs=1e-10)
    slopes = [s.attenuation_db_per_km for s in found.sections]
    assert slopes == pytest.approx([0.2] * 4, abs=1e-9)


def test_each_piece_falls_as_its_own_glass_does() -> None:
    glass = replace(SPLICES, slopes_db_per_km=(0.19, 0.205, 0.18, 0.21))
    found = measure(exact(glass), exact(glass, from_b=True))
    slopes = [s.attenuation_db_per_km for s in found.sections]
    # The usual slope of the shot is taken into account as far as it is known: not at all, nearly.
    assert slopes == pytest.approx([0.19, 0.205, 0.18, 0.21], abs=2e-5)
    assert [r.loss_db for r in found.readings] == pytest.approx(glass.losses_db, abs=1e-5)


@pytest.mark.parametrize(("pulse_ns", "spacing_m"), SETTINGS)
def test_reflections_are_as_high_as_they_are(pulse_ns: float, spacing_m: float) -> None:
    seen = detect(exact(CONNECTORS, pulse_ns=pulse_ns, spacing_m=spacing_m), INDEX)
    assert kinds(seen) == [REFLECTION, STEP, REFLECTION, END]
    # Half a point in front of the first that shows it.
    assert places(seen) == pytest.approx(CONNECTORS.joints_m, abs=0.51 * spacing_m)
    assert losses(seen) == pytest.approx(CONNECTORS.read_db(), abs=4e-5)
    settings = seen.shot.trace.settings
    for event, height_db in ((seen.events[0], 6.0), (seen.events[2], 3.0)):
        assert event.peak_height_db == pytest.approx(height_db, abs=0.01)
        # R = B + 10·log10 W + 10·log10(10^(H/5) − 1): the formula of the trade (from memory).
        assert event.reflectance_db == pytest.approx(
            settings.backscatter_coefficient_db
            + 10 * math.log10(pulse_ns)
            + 10 * math.log10(10 ** ((event.peak_height_db or 0.0) / 5) - 1)
        )
        assert not event.saturated
        # Nothing is left of such a reflection behind its pulse.
        behind_m = event.clear_m - event.distance_m
        pulse_m = pulse_ns * PULSE_100_NS_M / 100
        assert pulse_m <= behind_m <= 1.3 * pulse_m + 3 * spacing_m


@pytest.mark.parametrize("height_db", [1.5, 3.0])
def test_a_clipped_reflection_is_no_higher_than_its_top(height_db: float) -> None:
    trace = exact(CONNECTORS)
    foot = int(np.searchsorted(trace.with_index(INDEX).distance_m, CONNECTORS.joints_m[0]))
    top = trace.level_db[foot - 20] + height_db
    seen = detect(replace(trace, level_db=np.minimum(trace.level_db, top)), INDEX)
    # The second, 3 dB high on fibre that is 1.3 dB lower, is clipped by the lower top alone.
    assert [event.saturated for event in seen.events] == [True, False, height_db == 1.5, False]
    assert seen.events[0].peak_height_db == pytest.approx(height_db, abs=0.01)
    assert losses(seen) == pytest.approx(CONNECTORS.read_db(), abs=1e-9)


def test_a_record_that_stops_on_the_fibre_has_no_end() -> None:
    seen = detect(exact(CONNECTORS, record=0.5), INDEX)
    assert kinds(seen) == [REFLECTION, STEP]
    assert losses(seen) == pytest.approx(CONNECTORS.read_db()[:2], abs=1e-7)
    assert [f.code for f in seen.findings] == ["end-not-seen"]


@pytest.mark.parametrize("loss_db", [1.0, 3.0, 4.5])
def test_a_poor_splice_is_no_end(loss_db: float) -> None:
    seen = detect(exact(Glass((1500.3, 2000.0), (loss_db,))), INDEX)
    assert kinds(seen) == [STEP, END]
    assert places(seen) == pytest.approx([1500.3], abs=0.01)
    assert losses(seen) == pytest.approx([loss_db], abs=1e-9)


# Neighbours


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("gap_m", [40.0, 60.0])
def test_a_piece_of_other_glass_shows_both_its_ends(gap_m: float, sign: int) -> None:
    # Four and six pulses long: no dip, and no reflection.
    seen = detect(exact(Glass((2000.3, gap_m, 3000.4), (0.0, 0.0), (sign * 0.3, -sign * 0.3))))
    assert kinds(seen) == [STEP, STEP, END]
    assert places(seen) == pytest.approx([2000.3, 2000.3 + gap_m], abs=0.01)
    assert losses(seen) == pytest.approx([sign * 0.3, -sign * 0.3], abs=1e-8)


@pytest.mark.parametrize("gap_m", [6.0, 8.0, 12.0])
def test_two_splices_within_a_pulse_are_one_group_with_the_sum_of_their_losses(
    gap_m: float,
) -> None:
    # A pulse of 20.4 m; how its ramp bends shows that there are two.
    seen = detect(exact(Glass((2000.3, gap_m, 3000.4), (0.2, 0.3)), pulse_ns=200, spacing_m=0.5))
    assert kinds(seen) == [GROUP, END]
    assert losses(seen) == pytest.approx([0.5], abs=1e-8)
    # Starts are tried a tenth of a pulse apart, in pairs.
    assert places(seen)[0] == pytest.approx(2000.3, abs=2.05)


def test_two_splices_too_close_for_any_shape_are_one() -> None:
    seen = detect(exact(Glass((2000.3, 4.0, 3000.4), (0.2, 0.3)), pulse_ns=200, spacing_m=0.5))
    assert kinds(seen) == [STEP, END]
    assert losses(seen) == pytest.approx([0.5], abs=1e-5)
    # The ramp of two starts where their losses balance: 2000.3 + 4·0.3/0.5.
    assert places(seen) == pytest.approx([2000.3 + 4 * 0.3 / 0.5], abs=0.1)


# Receivers


def read_well(seen: Detection, within_db: float) -> None:
    assert kinds(seen) == [REFLECTION, STEP, REFLECTION, END]
    assert losses(seen) == pytest.approx(CONNECTORS.read_db(), abs=within_db)


def slow(pulse_ns: float, *poles: float) -> Trace:
    return through_poles(exact(CONNECTORS, pulse_ns=pulse_ns), poles)


@pytest.mark.parametrize("pole", [0.3, 0.5, 1.0])
def test_one_pole_is_told_to_two_thousandths(pole: float) -> None:
    seen = detect(slow(300, pole))
    (found,) = seen.shot.response.poles
    assert found == pytest.approx(pole, rel=2.5e-3)
    assert seen.shot.response.source is ResponseSource.LEARNT
    read_well(seen, 1e-4)
    # A pole shows an edge late by its own length when it is left in.
    assert places(seen)[1] == pytest.approx(CONNECTORS.joints_m[1], abs=1.0)


def test_two_poles_are_told_from_one() -> None:
    seen = detect(slow(300, 0.5, 0.3))
    assert seen.shot.response.poles == pytest.approx((0.5, 0.3), rel=0.07)
    read_well(seen, 1e-4)


@pytest.mark.parametrize("pole", [0.12, 0.2])
def test_a_short_pole_is_known_and_left_in(pole: float) -> None:
    seen = detect(slow(300, pole))
    assert seen.shot.response.poles == ()
    assert seen.shot.response.short == pytest.approx(pole, rel=0.01)
    read_well(seen, 1e-3)


@pytest.mark.parametrize("in_db", [False, True])
@pytest.mark.parametrize("points", [5, 9])
def test_a_makers_running_mean_is_told_to_a_point(points: int, in_db: bool) -> None:
    seen = detect(boxed(exact(CONNECTORS, pulse_ns=300), points, in_db=in_db))
    assert seen.shot.response.smoothing == pytest.approx(points, abs=1)
    assert seen.shot.response.poles == ()
    read_well(seen, 3e-4)
    # A mean of dB, and one of power, leave the middle of a small step where it was.
    assert places(seen)[1] == pytest.approx(CONNECTORS.joints_m[1], abs=0.1)


@pytest.mark.parametrize("points", [5, 9])
@pytest.mark.parametrize("pole", [0.5, 1.0])
def test_a_running_mean_behind_a_pole_is_told_from_it(pole: float, points: int) -> None:
    seen = detect(boxed(slow(300, pole), points, in_db=False))
    (found,) = seen.shot.response.poles
    assert found == pytest.approx(pole, rel=0.03)
    # What takes the pole out averages over an eighth of a pulse, four points.
    assert seen.shot.response.smoothing == pytest.approx(points, abs=4)
    read_well(seen, 5e-4)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("gap_m", [12.0, 16.0])
def test_a_short_piece_of_other_glass_is_one_thing_that_loses_nothing(
    gap_m: float, sign: int
) -> None:
    # Brighter glass looks like a reflection, darker like a dip: 1.2 and 1.6 pulses long.
    seen = detect(exact(Glass((2000.3, gap_m, 3000.4), (0.0, 0.0), (sign * 0.3, -sign * 0.3))))
    assert kinds(seen) == [GROUP if sign > 0 else REFLECTION, END]
    assert losses(seen) == pytest.approx([0.0], abs=1e-9)
    (event,) = seen.before_end
    assert event.distance_m == pytest.approx(2000.3, abs=1.5)
    gone_m = 2000.3 + gap_m + PULSE_100_NS_M
    assert gone_m <= event.clear_m <= gone_m + 1.5 * PULSE_100_NS_M


@pytest.mark.parametrize("share", [5e-4, 1e-3, 2e-3])
def test_a_tail_that_falls_as_one_over_t_is_taken_out(share: float) -> None:
    # Its definition: from a pulse on, share/t of what was before, dying out over 120 pulses.
    trace = exact(replace(CONNECTORS, heights_db=(12.0, 0.0, 3.0), panel_db=0.0))
    pulses = np.arange(trace.level_db.size) * trace.spacing_m(INDEX) / PULSE_100_NS_M
    kernel = np.exp(-pulses / 120) / np.maximum(pulses, 1) * trace.spacing_m(INDEX) / PULSE_100_NS_M
    kernel[pulses < 1] = 0.0
    power = 10 ** (trace.level_db / 5)
    late = lfilter(share * kernel, [1.0], power)
    seen = detect(replace(trace, level_db=5 * np.log10(power + late)), INDEX)
    found = seen.shot.response
    assert found.slow == pytest.approx(share, rel=0.03)
    assert found.reach == 120.0
    read_well(seen, 0.02 * share / 5e-4 * 0.03)


def heights(events: tuple[Event, ...]) -> list[float]:
    return [event.peak_height_db or 0.0 for event in events if event.kind is REFLECTION]


@pytest.mark.parametrize("fall_db", [7.3, -11.1])
@pytest.mark.parametrize("poles", [(), (0.4,), (0.15,)])
def test_nothing_depends_on_how_much_light_was_sent(
    poles: tuple[float, ...], fall_db: float
) -> None:
    one = through_poles(exact(CONNECTORS, pulse_ns=300), poles)
    other = replace(one, level_db=one.level_db - fall_db)
    near, far = detect(one), detect(other)
    assert kinds(near) == kinds(far)
    assert places(far) == pytest.approx(places(near), abs=1e-6)
    assert losses(far) == pytest.approx(losses(near), abs=1e-8)
    assert heights(far.events) == pytest.approx(heights(near.events), abs=1e-9)
    assert far.shot.response.poles == pytest.approx(near.shot.response.poles, rel=1e-9)
    assert far.shot.response.at_most == pytest.approx(near.shot.response.at_most, rel=1e-6)
    assert [e.clear_m for e in far.events] == pytest.approx([e.clear_m for e in near.events])

"""What must not change when a record is read in other units: no truth is needed for that.

Make a shot's pulse, spacing and range so many times longer and leave its points: every length
grows by as much, every loss and its uncertainty stay (a metre is no property of the fibre). Lower
all points by the same amount of dB: the instrument sent less light, and nothing else changes.
Constants in metres or of absolute power would show here.
"""

from __future__ import annotations

import math
import pickle
from dataclasses import replace

import pytest
from making import INDEX, both_ways, instrument, measured, shot, span
from simulated import Instrument

from otdravg.fit.reading import Reading
from otdravg.pair.measure import Measurement, measure
from otdravg.shot.detect import Detection, detect
from otdravg.shot.trace import Trace

GLASS = span(
    [1500, 2200, 900, 3000],
    [0.05, 0.30, 0.10],
    levels_db=[0.0, 0.15, 0.0, 0.05],
    reflectances_db={1: -50.0},
)
TOOLS = {
    "quick": instrument(100, 1.0),
    "noisy": instrument(100, 1.0, ripple_db=0.004),
    "smoothing": instrument(100, 1.0, smoothing_points=5),
    "short": instrument(30, 0.5),
}


def longer(trace: Trace, factor: float) -> Trace:
    """The same points, said to have been taken with everything so many times longer."""
    settings = trace.settings
    return replace(
        trace,
        settings=replace(
            settings,
            pulse_ns=settings.pulse_ns * factor,
            spacing_s=settings.spacing_s * factor,
            acquisition_offset_s=settings.acquisition_offset_s * factor,
            user_offset_s=settings.user_offset_s * factor,
            range_s=settings.range_s * factor,
        ),
    )


def fainter(trace: Trace, fall_db: float) -> Trace:
    return replace(trace, level_db=trace.level_db - fall_db)


@pytest.fixture(scope="module", params=TOOLS)
def pair(request: pytest.FixtureRequest) -> tuple[Trace, Trace]:
    tool: Instrument = TOOLS[request.param]
    return both_ways(GLASS, tool, far_noise_db=0.01, seed=3)


@pytest.fixture(scope="module")
def plain(pair: tuple[Trace, Trace]) -> Measurement:
    found = measure(*pair)
    assert len(found.readings) == 3
    return found


def losses(reading: Reading) -> list[float | None]:
    return [reading.loss_ab_db, reading.loss_ba_db, reading.loss_db, reading.backscatter_step_db]


def uncertainties(reading: Reading) -> list[float | None]:
    return [reading.u_ab_db, reading.u_ba_db, reading.u_loss_db, reading.u_step_db]


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_losses_do_not_depend_on_the_length_of_a_metre(
    pair: tuple[Trace, Trace], plain: Measurement, factor: float
) -> None:
    found = measure(longer(pair[0], factor), longer(pair[1], factor))
    assert found.axis.length_m == pytest.approx(factor * plain.axis.length_m, rel=1e-6)
    assert found.axis.u_length_m == pytest.approx(factor * plain.axis.u_length_m, rel=0.01)
    assert len(found.readings) == 3
    for one, other in zip(plain.readings, found.readings, strict=True):
        assert other.kind is one.kind
        assert other.distance_m == pytest.approx(factor * one.distance_m, rel=1e-5)
        # What is assumed of slopes beside the data is in dB/km, and does not scale.
        assert losses(other) == pytest.approx(losses(one), abs=1.5 * (one.u_loss_db or 0))
        assert uncertainties(other) == pytest.approx(uncertainties(one), rel=0.3)
    assert plain.sections
    for one, other in zip(plain.sections, found.sections, strict=True):
        assert other.attenuation_db_per_km == pytest.approx(
            (one.attenuation_db_per_km or 0) / factor, rel=0.01
        )


@pytest.mark.parametrize("fall_db", [0.5, 3.0])
def test_losses_do_not_depend_on_how_much_light_was_sent(
    pair: tuple[Trace, Trace], plain: Measurement, fall_db: float
) -> None:
    found = measure(fainter(pair[0], fall_db), fainter(pair[1], fall_db))
    assert found.axis.length_m == pytest.approx(plain.axis.length_m, abs=1e-6)
    assert len(found.readings) == 3
    for one, other in zip(plain.readings, found.readings, strict=True):
        assert other.kind is one.kind
        assert other.distance_m == pytest.approx(one.distance_m, abs=1e-4)
        assert losses(other) == pytest.approx(losses(one), abs=1e-7)
        assert uncertainties(other) == pytest.approx(uncertainties(one), rel=1e-6)


def events(detection: Detection) -> list[tuple[object, ...]]:
    return [(e.kind, e.saturated) for e in detection.events]


@pytest.mark.parametrize("factor", [2.0, 10.0])
def test_events_of_one_shot_scale(pair: tuple[Trace, Trace], factor: float) -> None:
    one, other = detect(pair[0]), detect(longer(pair[0], factor))
    assert len(one.events) >= 3
    assert events(one) == events(other)
    assert other.end_m == pytest.approx(factor * one.end_m, rel=1e-6)
    assert other.shot.guard_m == pytest.approx(factor * one.shot.guard_m)
    assert other.shot.recovery_m == pytest.approx(factor * one.shot.recovery_m)
    assert other.shot.placing_m == pytest.approx(factor * one.shot.placing_m)
    for near, far in zip(one.events, other.events, strict=True):
        assert far.distance_m == pytest.approx(factor * near.distance_m, rel=1e-5)
        assert far.clear_m == pytest.approx(factor * near.clear_m, rel=1e-5)
        assert far.loss_db == pytest.approx(near.loss_db, abs=2e-4)
        if near.reflectance_db is not None:
            # R = B + 10·log10(W) + …: a longer pulse makes as high a peak of more light.
            assert far.reflectance_db == pytest.approx(
                near.reflectance_db + 10 * math.log10(factor), abs=1e-3
            )


@pytest.mark.parametrize("fall_db", [0.5, 3.0])
def test_events_of_one_shot_do_not_depend_on_the_light(
    pair: tuple[Trace, Trace], fall_db: float
) -> None:
    one, other = detect(pair[0]), detect(fainter(pair[0], fall_db))
    assert len(one.events) >= 3
    assert events(one) == events(other)
    for near, far in zip(one.events, other.events, strict=True):
        assert far.distance_m == pytest.approx(near.distance_m, abs=1e-4)
        for value, same in (
            (far.loss_db, near.loss_db),
            (far.u_loss_db, near.u_loss_db),
            (far.reflectance_db, near.reflectance_db),
        ):
            assert (value is None) is (same is None)
            assert value is None or value == pytest.approx(same, rel=1e-5, abs=1e-7)


def test_a_slow_receiver_scales_with_its_pulse() -> None:
    tool = instrument(100, 1.0, tail_ns=60.0, tail_fraction=0.5)
    trace = shot(GLASS, tool, 5, far_noise_db=0.01)
    one, other = detect(trace, INDEX), detect(longer(trace, 4.0), INDEX)
    assert len(one.events) >= 2
    assert events(one) == events(other)
    assert other.shot.recovery_m == pytest.approx(4 * one.shot.recovery_m, rel=0.01)
    for near, far in zip(one.events, other.events, strict=True):
        # Four points: half a pole is no model's receiver, and two starts of a ramp fit about alike.
        assert far.distance_m == pytest.approx(4 * near.distance_m, abs=16)
        assert (far.loss_db is None) is (near.loss_db is None)
        assert (
            far.loss_db == pytest.approx(near.loss_db or 0.0, abs=5e-4, rel=1e-3)
            or near.loss_db is None
        )


def test_more_record_behind_the_fibre_changes_no_loss() -> None:
    short = measured(GLASS, record=1.1, seed=8)
    long = measured(GLASS, record=2.5, seed=8)
    assert len(short.readings) == len(long.readings) == 3
    for one, other in zip(short.readings, long.readings, strict=True):
        # Noise is drawn anew: both differ by it.
        assert abs((one.loss_db or 0) - (other.loss_db or 0)) < 3.5 * math.hypot(
            one.u_loss_db or 0, other.u_loss_db or 0
        )
        assert other.u_loss_db == pytest.approx(one.u_loss_db, rel=0.25)


def test_a_measurement_goes_to_another_process_whole(pair: tuple[Trace, Trace]) -> None:
    found = measure(*pair)
    copied = pickle.loads(pickle.dumps(found))
    assert copied.readings == found.readings
    assert copied.places == found.places
    again = copied.side_ab.dead_zones(copied.places)
    assert again.tolist() == found.side_ab.dead_zones(found.places).tolist()

"""Tails of a slow receiver that last for many pulses: left out, never taken for events."""

from __future__ import annotations

import pytest
from making import INDEX, PULSE_100_NS_M, Cords, instrument, shot, span, with_cords
from simulated import Fibre, Instrument

from otdravg.shot.detect import Event, EventKind, detect

#: Losses and places of the only splices there are.
SPLICES_M, LOSSES_DB = [1500.0, 2500.0], [0.06, 0.15]
LENGTH_M = 4000.0


def events(glass: Fibre, tool: Instrument, seed: int, **how: object) -> list[Event]:
    return list(detect(shot(glass, tool, seed, **how), INDEX).events)


def kinds_at(found: list[Event]) -> list[tuple[EventKind, float]]:
    return [(e.kind, e.distance_m) for e in found]


def two_splices(**ends: float | None) -> Fibre:
    return span([1500, 1000, 1500], LOSSES_DB, **ends)


@pytest.mark.parametrize("share", [0.0003, 0.003])
@pytest.mark.parametrize("pulses", [4, 10, 25])
@pytest.mark.parametrize("reflectance_db", [-14.4, -45.0, None])
def test_nothing_is_found_behind_the_end(
    reflectance_db: float | None, pulses: int, share: float
) -> None:
    # The tail falls by 5·log10(e) = 2.17 dB in its length (from the exponential), behind the end
    # and behind the panel, where nothing but two splices is.
    tool = instrument(spacing_m=0.5, tail_fraction=share, tail_ns=100.0 * pulses)
    found = events(two_splices(end_b_reflectance_db=reflectance_db), tool, 7 + pulses, record=1.6)
    assert kinds_at(found) == [
        (EventKind.STEP, pytest.approx(1500, abs=4)),
        (EventKind.STEP, pytest.approx(2500, abs=4)),
        (EventKind.END, pytest.approx(4000, abs=PULSE_100_NS_M)),
    ]


@pytest.mark.parametrize("tail_m", [50, 200, 300, 400])
def test_nothing_is_found_where_a_record_stops_in_such_a_tail(tail_m: int) -> None:
    # After 260 m the tail is lower than the fibre was: only then it is known to have ended.
    tool = instrument(
        spacing_m=0.5, tail_fraction=0.001, tail_ns=1000, point_count=2 * (4000 + tail_m)
    )
    found = events(two_splices(), tool, 11, far_noise_db=0.0005)
    last = EventKind.END if tail_m > 260 else EventKind.REFLECTION
    assert kinds_at(found) == [
        (EventKind.STEP, pytest.approx(1500, abs=4)),
        (EventKind.STEP, pytest.approx(2500, abs=4)),
        (last, pytest.approx(4000, abs=PULSE_100_NS_M)),
    ]


@pytest.mark.parametrize("pulses", [4, 10])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_nothing_is_found_in_the_tail_of_a_launch_connector(seed: int, pulses: int) -> None:
    glass = with_cords(two_splices(), Cords(600, None, reflectance_db=-38))
    tool = instrument(spacing_m=0.5, tail_fraction=0.001, tail_ns=100.0 * pulses)
    found = events(glass, tool, seed)
    assert kinds_at(found) == [
        (EventKind.REFLECTION, pytest.approx(600, abs=2)),
        (EventKind.STEP, pytest.approx(2100, abs=4)),
        (EventKind.STEP, pytest.approx(3100, abs=4)),
        (EventKind.END, pytest.approx(4600, abs=PULSE_100_NS_M)),
    ]


@pytest.mark.parametrize("losses_db", [[0.5, 0.6, 0.5, 0.7], [1.2, 1.3, 1.2]])
def test_many_bad_splices_in_front_of_the_end_are_no_tail(losses_db: list[float]) -> None:
    # They fall by decibels within 200 m, as a tail does, but there is fibre between them.
    glass = span([2000, *([60.0] * len(losses_db))], losses_db, end_b_reflectance_db=None)
    found = events(glass, instrument(spacing_m=0.5), 5)
    assert [e.loss_db for e in found[:-1]] == pytest.approx(losses_db, abs=0.03)
    assert found[-1].distance_m == pytest.approx(2000 + 60 * len(losses_db), abs=PULSE_100_NS_M)


def test_a_splice_soon_behind_a_connector_is_not_taken_for_its_tail() -> None:
    glass = span([600, 60, 3000], [0.2, 0.08], reflectances_db={0: -50.0})
    found = events(glass, instrument(spacing_m=0.5, tail_fraction=0.0), 6)
    assert kinds_at(found)[1] == (EventKind.STEP, pytest.approx(660, abs=4))
    assert found[1].loss_db == pytest.approx(0.08, abs=0.01)

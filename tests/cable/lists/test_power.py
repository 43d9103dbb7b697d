"""Power readings beside the traces: exchanged, missing, of the wrong sign, apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from otdravg.cable.lists.facts import PowerReading
from otdravg.cable.lists.power import Compared, compared, rerouted

FIBRES = range(1, 49)


def made_up(seed: int, spread_db: float = 0.4) -> tuple[
    list[PowerReading], dict[tuple[int, int], tuple[float, float]]
]:  # fmt: skip
    """48 fibres: 6 dB and their splices by the traces, end connectors of 0.2 ± 0.07 dB each."""
    chance = np.random.default_rng(seed)
    loss_db = 6 + np.abs(chance.normal(0, spread_db, 48))
    connectors_db = chance.normal(0.2, 0.07, (48, 2)).sum(axis=1)
    readings = [
        PowerReading(f, "A", 1550, round(float(loss_db[f - 1] + connectors_db[f - 1]), 2))
        for f in FIBRES
    ]
    seen_db = loss_db + chance.normal(0, 0.02, 48)
    return readings, {(f, 1550): (float(seen_db[f - 1]), 0.02) for f in FIBRES}


def only(readings: list[PowerReading], traces: dict[tuple[int, int], tuple[float, float]]
         ) -> Compared:  # fmt: skip
    (one,) = compared(readings, traces, FIBRES)
    return one


def test_sound_readings_are_not_named() -> None:
    named = 0
    for seed in range(100):
        found = only(*made_up(seed))
        named += bool(found.exchanged or found.apart)
        assert found.offset_db == pytest.approx(0.4, abs=0.08)
        assert (found.missing, found.negative, found.is_plausible) == ((), (), True)
    assert named <= 10  # one in twenty is what the limits are made for


def test_exchanged_readings_are_found_and_nothing_else_is() -> None:
    found = 0
    for seed in range(60):
        readings, traces = made_up(seed)
        order = sorted(range(48), key=lambda n: traces[n + 1, 1550][0])
        low, high = order[5], order[-1]  # readings some tenths of a decibel apart
        readings[low], readings[high] = (
            replace(readings[low], loss_db=readings[high].loss_db),
            replace(readings[high], loss_db=readings[low].loss_db),
        )
        one = only(readings, traces)
        pairs = [swap.fibres for swap in one.exchanged]
        assert pairs in ([], [tuple(sorted((low + 1, high + 1)))])
        assert {f for f, _ in one.apart} <= ({low + 1, high + 1})
        found += bool(pairs)
        assert [swap for swap in one.exchanged if swap.odds < 20] == []
    assert found >= 55


def test_one_bad_connector_is_no_exchange() -> None:
    for seed in range(60):
        readings, traces = made_up(seed)
        readings[16] = replace(readings[16], loss_db=(readings[16].loss_db or 0) + 3.0)
        one = only(readings, traces)
        assert one.exchanged == ()
        assert 17 in dict(one.apart)
        assert dict(one.apart)[17] == pytest.approx(3.0, abs=0.4)


def test_what_is_missing_is_asked_for_once() -> None:
    readings, traces = made_up(1)
    kept = [r for r in readings if r.fibre not in (7, 8)]
    split = [replace(r, tester="x" if r.fibre % 2 else "y") for r in kept]
    both = compared(split, traces, FIBRES)
    assert [one.missing for one in both] == [(7, 8), ()]
    dark = [*kept, PowerReading(7, "A", arrives=0)]
    assert only(dark, traces).missing == (8,)


def test_a_wrong_sign_is_named_and_compared_without_it() -> None:
    readings, traces = made_up(2)
    readings[3] = replace(readings[3], loss_db=-(readings[3].loss_db or 0))
    one = only(readings, traces)
    assert (one.negative, one.apart) == ((4,), ())


def test_levels_in_place_of_losses_are_implausible() -> None:
    readings, traces = made_up(3)
    levels = [replace(r, loss_db=-7.0 - (r.loss_db or 0)) for r in readings]  # a source of -7 dBm
    one = only(levels, traces)
    assert one.offset_db == pytest.approx(7.4, abs=0.1)
    assert not one.is_plausible


def test_few_readings_tell_nothing_of_each_other() -> None:
    readings, traces = made_up(4)
    one = only(readings[:3], traces)
    assert (one.offset_db, one.spread_db, one.apart) == (None, None, ())
    assert len(one.missing) == 45


def test_where_light_came_out() -> None:
    seen = [
        PowerReading(1, "A", arrives=1),
        PowerReading(2, "A", arrives=3),
        PowerReading(3, "A", arrives=2),
        PowerReading(4, "B", arrives=0),
        PowerReading(5, "B", 1550, 3.2),
    ]
    assert rerouted(seen) == {(2, "A"): 3, (3, "A"): 2, (4, "B"): 0}

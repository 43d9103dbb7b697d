"""Two splices closer together than the pulse, told from one. Truth is what was simulated."""

from __future__ import annotations

import pytest
from making import both_ways, instrument, span

from otdravg.pair.measure import Measurement, measure
from otdravg.pair.twofold import two_splices_m
from otdravg.verdict.judge import Action, judge

#: 1 µs, 102 m of pulse.
LONG = instrument(1000, 2.5, ripple_db=0.003)


def over(measurement: Measurement) -> list[int]:
    """Places that lose more than 0.2 dB, by number from 0."""
    return [r.number - 1 for r in measurement.readings if (r.loss_db or 0.0) > 0.2]


@pytest.mark.parametrize("seed", range(8))
def test_two_good_splices_under_one_pulse_are_never_ordered_to_be_cut(seed: int) -> None:
    # 0.15 and 0.15 dB, 40 m apart: each within 0.20 dB, together over it.
    glass = span([4000, 40, 3000], [0.15, 0.15], levels_db=[0.0, 0.02, 0.04])
    measurement = measure(*both_ways(glass, LONG, seed=seed))
    (row,) = over(measurement)
    (judged,) = (j for j in judge(measurement, 0.20).splices if j.reading.number == row + 1)
    assert judged.action is Action.LOOK
    apart_m = two_splices_m(measurement, row)
    assert apart_m is not None
    assert apart_m == pytest.approx(40, abs=12)


@pytest.mark.parametrize("seed", range(8))
def test_one_bad_splice_stays_one(seed: int) -> None:
    glass = span([4000, 3000], [0.30], levels_db=[0.0, 0.04])
    measurement = measure(*both_ways(glass, LONG, seed=seed))
    (row,) = over(measurement)
    assert two_splices_m(measurement, row) is None
    assert [j.action for j in judge(measurement, 0.20).splices] == [Action.RE_SPLICE]


def test_what_is_over_the_limit_in_any_case_is_cut() -> None:
    # 0.45 dB: whichever way two splices share it, one of them is over 0.20 dB (arithmetic).
    glass = span([4000, 30, 3000], [0.22, 0.23], levels_db=[0.0, 0.02, 0.04])
    measurement = measure(*both_ways(glass, LONG, seed=1))
    (judged,) = judge(measurement, 0.20).splices
    assert judged.reason.code in ("over", "group-over")


def test_a_slow_receiver_makes_no_two_of_one() -> None:
    glass = span([4000, 3000], [0.30], levels_db=[0.0, 0.04])
    slow = instrument(1000, 2.5, rise_fraction=0.6)
    measurement = measure(*both_ways(glass, slow, seed=5))
    assert over(measurement)
    assert all(two_splices_m(measurement, row) is None for row in over(measurement))

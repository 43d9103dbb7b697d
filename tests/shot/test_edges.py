"""Edges that a response is learnt from: where each rises, ends and what its flanks are as long as.

Records are made by hand: reflections of known length, height and flanks on fibre of known slope.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import lfilter

from otdravg.shot.response import Record, _flanks, _pole_at_most, edges_of

FloatArray = npt.NDArray[np.float64]

PULSE, COUNT, SLOPE_DB = 20, 6000, -0.0002
#: Reflections: first point, and height above the fibre in dB.
AT = {1000: 6.0, 2500: 3.0}


def record(
    *, end: int | None = None, panel_db: float = 8.0, mean: int = 1, in_db: bool = False,
    pole: float = 0.0, top_db: float = 99.0, sigma: float = 1e-6,
) -> Record:  # fmt: skip
    """Fibre with a panel, two reflections and, if stated, an end with nothing behind."""
    level = SLOPE_DB * np.arange(COUNT)
    power = 10 ** (level / 5)
    for at, height in {0: panel_db, **AT}.items():
        power[at : at + PULSE] += (10 ** (height / 5) - 1) * power[at]
    if end is not None:
        power[end:] = 1e-9
    if pole:
        a = math.exp(-1 / (pole * PULSE))
        power = lfilter([1 - a], [1, -a], power, zi=[a * power[0]])[0]
    values = 5 * np.log10(power) if in_db else power
    values = np.convolve(np.pad(values, mean // 2, mode="edge"), np.full(mean, 1 / mean), "valid")
    level = np.minimum(values if in_db else 5 * np.log10(values), top_db)
    last = COUNT - 1 if end is None else end - 1
    return Record(level, 10 ** (level / 5), float(PULSE), SLOPE_DB, 0, last, end, 0.0, sigma)


def test_edges_are_the_panel_and_all_reflections_on_fibre() -> None:
    seen = edges_of(record())
    assert [edge.top for edge in seen] == [PULSE - 1, 1000 + PULSE - 1, 2500 + PULSE - 1]
    # The last point before it rises, or the first that does.
    assert [edge.foot for edge in seen[1:]] == pytest.approx([1000, 2500], abs=1)
    # Each reaches to a pulse before the next, the last to the end.
    assert [edge.stop for edge in seen] == pytest.approx([980, 2480, COUNT], abs=1)
    assert [edge.bare for edge in seen] == [False] * 3
    heights = [10 ** ((height + SLOPE_DB * at) / 5) for at, height in AT.items()]
    assert [edge.crest for edge in seen[1:]] == pytest.approx(heights, rel=1e-9)


def test_the_end_is_an_edge_with_nothing_behind() -> None:
    seen = edges_of(record(end=4000))
    assert [edge.bare for edge in seen] == [False, False, False, True]
    assert seen[2].stop == pytest.approx(3998, abs=1)
    assert seen[3].stop == COUNT
    assert seen[3].top == pytest.approx(4000, abs=1)


def test_a_reflection_at_the_end_is_the_end() -> None:
    plain = record(end=4000)
    power = plain.power.copy()
    power[4000 : 4000 + PULSE] = 10.0
    level = 5 * np.log10(power)
    seen = edges_of(Record(level, power, 20.0, SLOPE_DB, 0, 4000 + PULSE, 4000, 0.0, 1e-6))
    assert [edge.bare for edge in seen] == [False, False, False, True]
    assert seen[3].top == 4000 + PULSE - 1
    assert seen[3].crest == pytest.approx(10.0)


def test_what_is_hardly_above_the_noise_is_no_edge() -> None:
    # Neither is a connector that sinks in it.
    crests = [edge.crest for edge in edges_of(record())]
    assert len(edges_of(record(sigma=crests[2] / 5))) < 3
    assert len(edges_of(record(sigma=crests[2] / 1000))) == 3


@pytest.mark.parametrize("top_db", [2.0, 4.0])
def test_a_flat_top_is_clipped_where_it_is_the_highest_of_all(top_db: float) -> None:
    seen = edges_of(record(top_db=top_db))
    highest = [8.0, 6.0 - 0.2, 3.0 - 0.5]
    # A top that is as flat without a limit counts if it is the highest.
    assert [edge.clipped for edge in seen] == [height > top_db for height in highest]


class TestFlanks:
    @pytest.mark.parametrize("mean", [5, 9])
    def test_of_a_running_mean_of_power_are_as_long_as_it_is(self, mean: int) -> None:
        seen = record(mean=mean)
        edges = edges_of(seen)[1:]
        assert len(edges) == len(AT)
        for edge in edges:
            flanks = _flanks(seen, edge)
            assert flanks is not None
            assert abs(flanks.up - flanks.down) <= 1
            assert not flanks.straight
            assert flanks.ramp == pytest.approx(mean, abs=2.5)
            assert flanks.to_top == pytest.approx(PULSE, abs=2.5)
            assert flanks.smoothing(float(PULSE)) == pytest.approx(mean, abs=2.5)

    @pytest.mark.parametrize("mean", [9, 15])
    def test_of_a_running_mean_of_levels_are_straight_in_decibels(self, mean: int) -> None:
        seen = record(mean=mean, in_db=True)
        edges = edges_of(seen)[1:]
        assert len(edges) == len(AT)
        for edge in edges:
            flanks = _flanks(seen, edge)
            assert flanks is not None
            assert abs(flanks.up - flanks.down) <= 2
            assert flanks.straight
            # The flanks are as long as the shorter, foot to end of top as long as the longer.
            assert flanks.ramp == pytest.approx(min(mean, PULSE), abs=2.5)
            assert flanks.to_top == pytest.approx(max(mean, PULSE), abs=3.5)
            assert flanks.smoothing(float(PULSE)) == pytest.approx(mean, abs=3.5)

    def test_of_a_receiver_rise_at_once_and_fall_slowly(self) -> None:
        seen = record(pole=0.5)
        edges = edges_of(seen)[1:]
        assert len(edges) == len(AT)
        for edge in edges:
            flanks = _flanks(seen, edge)
            assert flanks is not None
            assert flanks.down > flanks.up + 5

    def test_of_what_has_no_fibre_behind_it_are_none(self) -> None:
        seen = record(end=4000)
        assert _flanks(seen, edges_of(seen)[3]) is None


class TestPoleAtMost:
    def test_is_nearly_nothing_behind_a_sharp_edge(self) -> None:
        seen = record(end=4000)
        # Down to the bottom in a point: 45 dB.
        assert _pole_at_most(seen, edges_of(seen)[1]) < 0.06

    def test_is_unknown_where_hardly_anything_falls(self) -> None:
        low = record()
        level = SLOPE_DB * np.arange(COUNT)
        flat = Record(level, 10 ** (level / 5), 20.0, SLOPE_DB, 0, COUNT - 1, None, 0.0, 1e-6)
        assert _pole_at_most(flat, edges_of(low)[1]) == math.inf

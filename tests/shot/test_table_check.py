"""The file's own event table against the waveform; tables are invented, truth is simulated."""

from __future__ import annotations

from dataclasses import replace

import pytest
from making import both_ways, instrument, shot, span

from otdravg.pair.measure import measure
from otdravg.shot.detect import detect
from otdravg.shot.settings import SPEED_OF_LIGHT_M_PER_S, TableEvent
from otdravg.shot.table_check import table_findings
from otdravg.shot.trace import Trace

INDEX = 1.4682


def entry(x_m: float, loss_db: float, *, is_end: bool = False) -> TableEvent:
    time_s = x_m * INDEX / SPEED_OF_LIGHT_M_PER_S
    return TableEvent(1, time_s, loss_db, None, -0.19, "0F9999LS", is_end, "")


def shot_with(*entries: TableEvent) -> Trace:
    trace = shot(span([2000, 3000], [0.20]), instrument(), 5)
    return replace(trace, table=entries)


def codes(trace: Trace) -> list[str]:
    return [f.code for f in table_findings(detect(trace))]


def test_table_that_agrees_says_nothing() -> None:
    assert codes(shot_with(entry(2000, 0.20), entry(5000, 0.0, is_end=True))) == []


def test_no_table_says_nothing() -> None:
    assert codes(shot_with()) == []


def test_event_of_the_table_that_the_waveform_does_not_show() -> None:
    found = table_findings(detect(shot_with(entry(2000, 0.20), entry(3500, 0.30))))
    assert [f.code for f in found] == ["table-event-unseen"]
    ((place, loss),) = found[0]["places"]
    assert place == ("at_m", pytest.approx(3500, abs=1))
    assert loss == ("table_db", pytest.approx(0.30))


def test_small_entries_may_be_below_detection() -> None:
    assert codes(shot_with(entry(3500, 0.01))) == []


def test_loss_that_differs() -> None:
    assert codes(shot_with(entry(2000, 0.55))) == ["table-loss-differs"]


def test_end_that_differs() -> None:
    assert codes(shot_with(entry(5600, 0.0, is_end=True))) == ["table-end-differs"]


def test_measurement_does_not_change_with_the_table() -> None:
    ab, ba = both_ways(span([2000, 3000], [0.20]), seed=6)
    plain = measure(ab, ba)
    misled = measure(replace(ab, table=(entry(2600, 0.90), entry(4000, 0, is_end=True))), ba)
    assert plain.readings == misled.readings
    assert "table-event-unseen" in [f.code for f in misled.findings]

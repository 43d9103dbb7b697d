"""The file's own event table against the waveform; tables are invented, truth is simulated."""

from __future__ import annotations

from dataclasses import replace

import pytest
from making import both_ways, instrument, shot, span

from otdravg.findings import Severity
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


def test_an_end_in_the_middle_of_the_fibre_is_no_event_that_does_not_show() -> None:
    assert codes(shot_with(entry(3500, 0.30, is_end=True))) == ["table-end-differs"]


@pytest.mark.parametrize("at_m", [5.0, 4990.0, 5300.0])
def test_what_lies_in_the_dead_zone_at_either_end_or_behind_it_is_not_looked_for(
    at_m: float,
) -> None:
    assert codes(shot_with(entry(at_m, 0.30))) == []


@pytest.mark.parametrize(("off_m", "is_seen"), [(8.0, True), (-8.0, True), (15.0, False)])
def test_a_marker_may_be_as_far_off_as_its_event_and_half_a_pulse(
    off_m: float, is_seen: bool
) -> None:
    # A pulse of 10.2 m: half of it, its 35 % of the place's own, two points and a metre: 11.7 m.
    found = codes(shot_with(entry(2000 + off_m, 0.20)))
    assert found == ([] if is_seen else ["table-event-unseen"])


@pytest.mark.parametrize(("off_m", "differs"), [(22.0, False), (26.0, True), (-26.0, True)])
def test_an_end_may_be_twice_as_far_off(off_m: float, differs: bool) -> None:
    found = codes(shot_with(entry(5000 + off_m, 0.0, is_end=True)))
    assert found == (["table-end-differs"] if differs else [])


@pytest.mark.parametrize("unseen", [1, 2, 3, 4])
def test_events_that_do_not_show_are_grave_where_they_are_most(unseen: int) -> None:
    # One marker in three may be askew; three that all do not show are of another shot.
    entries = [entry(2500 + 300 * k, 0.3) for k in range(unseen)] + [entry(2000, 0.2)]
    (found,) = table_findings(detect(shot_with(*entries)))
    assert found.code == "table-event-unseen"
    assert len(found["places"]) == unseen
    assert (found.severity is Severity.CAUTION) is (unseen >= 3)


@pytest.mark.parametrize("factor", [0.7, 0.82, 0.9, 1.0, 1.2, 1.5])
def test_losses_in_another_scale_are_grave(factor: float) -> None:
    glass = span([1500, 1500, 1500, 1500], [0.4, 0.6, 0.5])
    trace = shot(glass, instrument(), 5)
    entries = [entry(1500 * (k + 1), loss * factor) for k, loss in enumerate((0.4, 0.6, 0.5))]
    found = table_findings(detect(replace(trace, table=tuple(entries))))
    # A tenth of a decibel is worth a word; a quarter of most losses is another scale (chosen).
    grave = [f.severity is Severity.CAUTION for f in found]
    assert grave == {0.7: [True], 0.82: [False], 1.2: [False], 1.5: [True]}.get(factor, [])


def test_measurement_does_not_change_with_the_table() -> None:
    ab, ba = both_ways(span([2000, 3000], [0.20]), seed=6)
    plain = measure(ab, ba)
    misled = measure(replace(ab, table=(entry(2600, 0.90), entry(4000, 0, is_end=True))), ba)
    assert plain.readings == misled.readings
    assert "table-event-unseen" in [f.code for f in misled.findings]

"""Wear out of a log against the simulator's truth; bad ribbons in succession against luck."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from simulated_log import SIZE, SimulatedLog, crew_at_work

from otdravg.cable.log.model import LogLine, Tool
from otdravg.cable.log.succession import successions
from otdravg.cable.log.wear import fibres_since, wear_of

SEEDS = range(60)


def fitted(log: SimulatedLog) -> dict[Tool, tuple[float, float]]:
    found = wear_of(log.lines, log.levels_db, SIZE, log.at)
    return {one.tool: (one.rise_db, 2 * one.u_rise_db) for one in found}


@pytest.mark.parametrize(("closures", "ribbons"), [(5, 24), (9, 12)])
def test_the_true_rise_lies_within_the_uncertainty(closures: int, ribbons: int) -> None:
    """k = 2 promises 95 %; of 60 logs at least 51 by luck (99.8 %, binomial)."""
    logs = [
        crew_at_work(seed, closures=closures, ribbons=ribbons, turn_after=30, change_after=45,
                     blade_db=0.03, electrodes_db=0.04)
        for seed in SEEDS
    ]  # fmt: skip
    found = [fitted(log) for log in logs]
    for tool, truth_db in ((Tool.BLADE, 0.03), (Tool.ELECTRODES, 0.04)):
        inside = [abs(one[tool][0] - truth_db) <= one[tool][1] for one in found]
        assert sum(inside) >= 51


def test_a_crew_whose_tools_do_not_wear_is_not_told_so() -> None:
    """Named at a chance of 2 %: of 60 logs 4 at most by luck (99 %, binomial)."""
    logs = [crew_at_work(seed) for seed in SEEDS]
    named = [
        any(one.chance < 0.02 for one in wear_of(log.lines, log.levels_db, SIZE, log.at))
        for log in logs
    ]
    assert sum(named) <= 4
    worn = [crew_at_work(seed, blade_db=0.03) for seed in SEEDS]
    for log in worn:
        (blade,) = (
            w for w in wear_of(log.lines, log.levels_db, SIZE, log.at) if w.tool is Tool.BLADE
        )
        assert blade.chance < 0.02


def test_what_a_log_does_not_tell_apart_is_told_together() -> None:
    """Without a turn and a change both counts rise alike: the slope is that of both together."""
    log = crew_at_work(3, turn_after=10**6, change_after=10**6, used_before=0, blade_db=0.03)
    # Each try cleaves both sides and fuses one: every row tries once, so nothing tells them apart.
    once = [line.__class__(*(1 if n == "tries" else getattr(line, n) for n in line.__slots__))
            for line in log.lines]  # fmt: skip
    (both,) = wear_of(once, log.levels_db, SIZE, log.at)
    assert both.tool is Tool.EITHER
    assert abs(both.rise_db - 0.03) < 3 * both.u_rise_db


def test_the_fit_is_that_of_statsmodels() -> None:
    log = crew_at_work(5, blade_db=0.03, electrodes_db=0.02)
    blade, electrodes = fibres_since(log.lines, SIZE)
    columns = [
        [[blade, electrodes][n][line.line][0] / 1000 for line in log.lines] for n in (0, 1)
    ] + [[float(log.at[line.line] == k) for line in log.lines] for k in range(1, 6)]
    columns += [[float(s[line.line][1] == 0) for line in log.lines] for s in (blade, electrodes)]
    levels = np.array([log.levels_db[line.line] for line in log.lines])
    model = sm.RLM(levels, np.array(columns).T, M=sm.robust.norms.HuberT(t=1.345))
    theirs = model.fit(maxiter=300, tol=1e-12, conv="coefs", cov="H1")
    ours = fitted(log)
    for n, tool in enumerate((Tool.BLADE, Tool.ELECTRODES)):
        assert ours[tool][0] == pytest.approx(theirs.params[n], abs=1e-6)
        assert ours[tool][1] == pytest.approx(2 * theirs.bse[n], rel=1e-3)


def rows(*cells: tuple[str, int]) -> list[LogLine]:
    """Lines of one cleaver by blade position and tries."""
    first = crew_at_work(0).lines[0]
    values = {name: getattr(first, name) for name in first.__slots__}
    return [
        LogLine(**{**values, "line": n, "blade": blade, "tries": tries,
                   "when": values["when"].replace(minute=n)})
        for n, (blade, tries) in enumerate(cells, start=1)
    ]  # fmt: skip


def test_a_cleave_of_a_ribbon_wears_a_blade_as_all_of_its_fibres() -> None:
    """Common practice, no source: 12 fibres for a ribbon of 12, both sides, each try."""
    lines = rows(("3", 1), ("", 2), ("", 1), ("4", 1), ("4", 3), ("3", 1))
    blade, electrodes = fibres_since(lines, 12)
    # Before the cleave that stands: the tries before it, and the first ones of its own.
    assert [blade[n] for n in range(1, 7)] == [
        (0, 0), (48, 0), (72, 0), (0, 1), (72, 1), (0, 2)
    ]  # fmt: skip
    assert [electrodes[n][0] for n in range(1, 7)] == [0, 24, 36, 48, 84, 96]


def by_luck(
    seed: int, share: float, last: float | None = None
) -> tuple[SimulatedLog, dict[int, bool]]:
    """A log, and bad ribbons at a share; of the last eight at another."""
    log = crew_at_work(seed)
    rng = np.random.default_rng((seed, 5))
    total = len(log.lines)
    bad = {
        line.line: bool(rng.random() < (last if last is not None and n >= total - 8 else share))
        for n, line in enumerate(log.lines)
    }
    return log, bad


@pytest.mark.parametrize("share", [0.01, 0.03, 0.1])
def test_bad_ribbons_by_luck_do_not_call_for_a_turn(share: float) -> None:
    """At most 2 % of logs; 100 logs: at most 6 by luck (99.5 %, binomial)."""
    calls = [
        bool(successions(log.lines, bad)) for log, bad in (by_luck(s, share) for s in range(100))
    ]
    assert sum(calls) <= 6


def test_bad_ribbons_in_succession_call_for_a_turn_of_the_blade_that_is_in() -> None:
    called = 0
    for seed in range(40):
        log, bad = by_luck(seed, 0.03, last=0.8)
        calls = successions(log.lines, bad)
        called += any(one.is_in for one in calls)
    assert called >= 34


def test_a_blade_that_was_turned_since_is_not_called_again() -> None:
    lines = rows(*[("3", 1)] * 20, *[("4", 1)] * 6, *[("5", 1)] * 10)
    bad = {line.line: 20 < line.line <= 26 for line in lines}
    (one,) = successions(lines, bad)
    assert (one.blade, one.is_in, len(one.bad), one.elsewhere) == ("4", False, 6, (0, 30))

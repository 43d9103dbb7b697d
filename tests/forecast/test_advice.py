"""Advice on shooting: what is promised comes true when it is simulated."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from functools import lru_cache

import pytest
from making import instrument, measured, span

from otdravg.findings import says
from otdravg.fit.reading import Coverage
from otdravg.forecast.settle import settling_steps
from otdravg.pair.measure import Measurement
from otdravg.verdict.judge import judge
from otdravg.verdict.limits import Limits, Rule
from otdravg.words.catalogue import Language, told

LENGTHS_M = [2000.0] * 6
LOSSES_DB = [0.05, 0.10, 0.148, 0.07, 0.1]


@lru_cache(maxsize=4)
def noisy_pair(far_noise_db: float = 0.3) -> Measurement:
    return measured(span(LENGTHS_M, LOSSES_DB), instrument(100, 1.0), far_noise_db=far_noise_db)


def limit_inside(pair: Measurement, row: int, share: float) -> Decimal:
    """A limit that lies ``share``·U above a loss."""
    reading = pair.readings[row]
    return Decimal(f"{reading.loss_db + share * reading.expanded_uncertainty_db:.3f}")


def test_averaging_that_settles_is_named_with_both_figures() -> None:
    pair = noisy_pair()
    limit_db = limit_inside(pair, 2, 0.6)
    (step,) = settling_steps(pair, [pair.readings[2]], [], limit_db)
    assert step.code == "averaging-settles-in"
    assert (step["now_s"], step["then_s"]) == (30, 30 * step["factor"])
    assert float(step["now_db"]) == pytest.approx(2 * pair.readings[2].u_loss_db, abs=0.001)
    assert step["then_db"] < step["now_db"]
    assert re.fullmatch(
        r"Splice 3 at 5\.99\d km: averaging \d+ × longer from both ends \(\d+ s in place of 30 s\) "
        r"brings ± 0\.\d{3} to ± 0\.\d{3} dB, which settles it if the loss stays\.",
        told(step),
    )
    assert re.fullmatch(
        r"Spleiß 3 bei 5,99\d km: \d+-mal so lange Mittelung von beiden Enden \(\d+ s statt 30 s\) "
        r"bringt ± 0,\d{3} auf ± 0,\d{3} dB; das klärt es, wenn die Dämpfung bleibt\.",
        told(step, Language.GERMAN),
    )


def test_promised_uncertainty_comes_true() -> None:
    """Noise of 4 × the averages is half: simulate that and compare."""
    pair = noisy_pair()
    limit_db = limit_inside(pair, 2, 0.6)
    (step,) = settling_steps(pair, [pair.readings[2]], [], limit_db)
    promised = float(step["then_db"])
    better = noisy_pair(0.3 / step["factor"] ** 0.5)
    nearest = min(better.readings, key=lambda r: abs(r.distance_m - 6000))
    assert 2 * nearest.u_loss_db == pytest.approx(promised, rel=0.3)


def test_loss_on_the_limit_is_a_matter_of_the_rule() -> None:
    pair = noisy_pair()
    loss_db = Decimal(f"{pair.readings[2].loss_db:.3f}")
    (step,) = settling_steps(pair, [pair.readings[2]], [], loss_db)
    assert step.code == "on-the-limit"
    assert step["limit_db"] == loss_db


def test_ripple_is_not_averaged_away_and_that_is_said() -> None:
    pair = measured(
        span(LENGTHS_M, LOSSES_DB), instrument(20, 0.5, ripple_db=0.02), far_noise_db=0.005
    )
    limit_db = limit_inside(pair, 2, 0.6)
    (step,) = settling_steps(pair, [pair.readings[2]], [], limit_db)
    assert (step.code, step["factor"]) == ("averaging-does-not", 16)
    assert step["least_db"] > 0
    assert len(step.more) == 1


def test_hidden_behind_the_end_needs_a_shorter_pulse_and_that_pulse_reads_it() -> None:
    glass = span([2000.0, 2000.0, 2000.0, 35.0], [0.30, 0.10, 0.3])
    pair = measured(glass, instrument(200, 0.5), far_noise_db=0.005, seed=3)
    hidden = [r for r in pair.readings if r.coverage is Coverage.ONLY_AB]
    assert len(hidden) == 1
    (step,) = settling_steps(pair, [], hidden, Decimal("0.25"))
    assert (step.code, step["ends"]) == ("pulse-reads", says("end", end="B"))
    (cannot,) = step.more
    assert cannot["obstacle"].code == "unparted"
    assert cannot["obstacle"]["neighbour"] == says("connector-at-end", end="B")
    assert re.search(
        r"\. A \d+ ns pulse reaches it but cannot part it from the connector at end B\.$",
        told(step),
    )
    shorter = measured(
        glass, instrument(200, 0.5), tool_b=instrument(float(step["pulse"]["pulse_ns"]), 0.5),
        far_noise_db=0.005, seed=4,
    )  # fmt: skip
    near = [r for r in shorter.readings if abs(r.distance_m - 6000) < 20]
    assert near[0].coverage is Coverage.BOTH


def test_out_of_reach_needs_a_longer_pulse() -> None:
    glass = span([8000.0] * 4, [0.3, 0.3, 0.3])
    pair = measured(
        glass, instrument(1000, 2.0, dynamic_range_db=25.0),
        tool_b=instrument(50, 2.0, dynamic_range_db=6.0),
        far_noise_db=None, seed=2,
    )  # fmt: skip
    missing = [r for r in pair.readings if r.coverage is Coverage.ONLY_AB]
    assert missing
    steps = settling_steps(pair, [], missing[:1], Decimal("0.25"))
    assert (steps[0].code, steps[0]["ends"]) == ("pulse-reads", says("end", end="B"))
    longer = dict(steps[0]["pulse"].values)
    assert longer.get("pulse_ns", 0) + 1000 * longer.get("pulse_us", 0) > 50


def test_reading_that_is_no_place_of_the_fit_gets_no_advice() -> None:
    pair = noisy_pair()
    elsewhere = replace(pair.readings[2], distance_m=1234.5)
    assert settling_steps(pair, [elsewhere], [], Decimal("0.15")) == ()


@pytest.mark.parametrize("rule", [Rule.PLAIN, Rule.GUARDED])
def test_advice_stands_among_the_next_steps(rule: Rule) -> None:
    pair = noisy_pair()
    report = judge(pair, Limits.parse([str(limit_inside(pair, 2, 0.6))], rule))
    assert sum(step.code == "averaging-settles-in" for step in report.next_steps) == 1


def test_no_doubt_no_advice() -> None:
    report = judge(noisy_pair(), Limits.parse(["0.5"]))
    assert len(report.next_steps) == 1

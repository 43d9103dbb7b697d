"""One version of each kind of the catalogue, and the catalogue's own judgement put to the test.

``known_red.toml`` names the kinds that the program gets wrong today, with the version that shows
it and what goes wrong. Such a case is a strict expected failure: when it turns green, its entry
has to go.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.stats import norm

from scenarios.pair import oracle
from scenarios.pair.case import Case, Doubt, case_of
from scenarios.pair.judging import Outcome, judge
from scenarios.pair.kinds import KINDS, acted, story_of
from scenarios.pair.reading import Loss, Reading, Run, read_screen
from scenarios.pair.run import tried
from scenarios.pair.world import (
    draw_losses,
    draw_span,
    instrument_for,
    span_of,
    with_level_step,
    with_loss,
)

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

KNOWN_RED: dict[str, dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("known_red.toml").read_text(encoding="utf-8")
)


def one_of_each() -> list[Any]:
    """Every kind with the version that is run, the known wrong ones marked."""
    params = []
    for kind in KINDS:
        red = KNOWN_RED.get(kind)
        marks = [] if red is None else [pytest.mark.xfail(reason=red["does"], strict=True)]
        params.append(pytest.param(kind, red["seed"] if red else 0, id=kind, marks=marks))
    return params


@pytest.mark.parametrize(("kind", "seed"), one_of_each())
def test_the_screen_is_right(kind: str, seed: int) -> None:
    result = tried(acted(kind, seed))
    assert result.judged.outcome.good, (
        f"{story_of(kind)}\notdravg {' '.join(result.case.command)} ended with "
        f"{result.said.exit_code}: {result.judged.outcome.value}: {result.judged.why}\n"
        f"{result.said.text}"
    )


def test_known_red_kinds_exist_and_none_is_a_crash() -> None:
    assert set(KNOWN_RED) <= set(KINDS)
    assert not [kind for kind, red in KNOWN_RED.items() if "crash" in red["does"]]


def test_every_kind_has_a_story() -> None:
    assert len(KINDS) >= 60
    assert not [kind for kind in KINDS if not story_of(kind).endswith((".", "?"))]


def test_the_same_version_has_the_same_bytes() -> None:
    for kind in ("good_plain", "hand_on_plain_fibre", "points_damaged"):
        assert acted(kind, 1) == acted(kind, 1)
        assert acted(kind, 1).files != acted(kind, 2).files


# -- the oracle ------------------------------------------------------------------------


def odds(first: Any, second: Any, story: oracle.Story) -> float:
    shots = [oracle.seen(way, instrument_for(way)) for way in (first, second)]
    return oracle.odds_against_good(shots[0], shots[1], story)


def sound_spans(rng: np.random.Generator) -> list[Any]:
    """Fibres that must be cleared or called: nothing is wrong with the pair itself."""
    losses = draw_losses(rng, 6, 0.04, 0.09)
    one_sided = draw_span(rng, losses_db=losses, length_m=9_000)
    for k in range(0, 6, 2):
        one_sided = with_level_step(one_sided, k, losses[k] + float(rng.normal(0, 0.003)))
        one_sided = with_level_step(one_sided, k + 1, float(rng.uniform(-0.02, 0.02)))
    unlike = draw_span(rng)
    for k in range(len(unlike.joints)):
        unlike = with_level_step(unlike, k, float(rng.choice((-1, 1)) * rng.uniform(0.3, 0.5)))
    hidden = with_level_step(with_loss(draw_span(rng), 1, 0.35), 1, 0.06 - 0.35)
    very_bad = with_loss(draw_span(rng), 1, 3.0)
    return [draw_span(rng), draw_span(rng, sigma_b_db=0.15), one_sided, unlike, hidden, very_bad]


def test_oracle_takes_no_sound_fibre_for_a_mix_up() -> None:
    rng = np.random.default_rng(20)
    for _ in range(8):
        spans = sound_spans(rng)
        assert len(spans) == 6
        for span in spans:
            for story in oracle.Story:
                assert odds(span, span.reversed(), story) < oracle.TELLING_ODDS, story


def test_oracle_tells_the_same_end_unless_the_fibre_mirrors() -> None:
    rng = np.random.default_rng(21)
    for _ in range(8):
        span = draw_span(rng)
        assert odds(span, span, oracle.Story.SAME_END) > 1e6
    # One splice in the middle that reads alike: 5 to 100, derived for steps of 0.01 to 0.07 dB.
    middle = span_of(6_000.0, [3_000.0], [0.3], [0.0, 0.2])
    assert 5 < odds(middle, middle, oracle.Story.SAME_END) < 100


def test_oracle_density_of_a_good_splice_is_that_of_its_priors() -> None:
    """Against plain summation over loss and step (scipy.integrate)."""
    u = 0.02
    for x, y in ((0.12, 0.05), (0.30, -0.10), (0.45, 0.05)):
        loss = np.linspace(max((x + y) / 2 - 0.12, 0.0), (x + y) / 2 + 0.12, 1_001)[:, None]
        step = np.linspace((x - y) / 2 - 0.12, (x - y) / 2 + 0.12, 801)[None]
        priors = (
            (1 - oracle._BAD_SHARE) / oracle._LOSS_DB * (loss <= oracle._LOSS_DB)
            + oracle._BAD_SHARE / oracle._BAD_LOSS_DB
        ) * (
            (1 - oracle._UNLIKE_SHARE) * norm.pdf(step, scale=oracle._STEP_DB)
            + oracle._UNLIKE_SHARE * norm.pdf(step, scale=oracle._UNLIKE_STEP_DB)
        )
        read = priors * norm.pdf(x, loss + step, u) * norm.pdf(y, loss - step, u)
        whole = trapezoid(trapezoid(read, step[0], axis=1), loss[:, 0])
        assert math.exp(oracle._log_good(x, y, u, u)) == pytest.approx(whole, rel=2e-3)


# -- the judge -------------------------------------------------------------------------


def said(**told: Any) -> Reading:
    """A screen that says next to nothing."""
    quiet = Reading(0, None, True, False, (), (), (), (), (), (), None, "", ())
    return replace(quiet, **told)


def listed(at_m: float, loss_db: float, verdict: str = "within limit") -> Loss:
    return Loss(at_m, "splice", loss_db, 0.002, verdict, "none")


def a_case(losses: tuple[float, ...] = (0.05, 0.06), **told: Any) -> Case:
    places = [2_000.0, 5_000.0][: len(losses)]
    span = span_of(8_000.0, places, losses, [0.0] * (len(losses) + 1))
    return case_of((), span, **told)


BAD = (0.05, 0.40)


@pytest.mark.parametrize(
    ("case", "screen", "outcome"),
    [
        (a_case(), said(), Outcome.RIGHT),
        (a_case(), said(crashed="KeyError"), Outcome.CRASH),
        (a_case(BAD), said(), Outcome.WRONG_ALL_CLEAR),
        (a_case(doubt=Doubt.MUST, one_state=False), said(), Outcome.WRONG_ALL_CLEAR),
        (a_case(doubt=Doubt.MUST, one_state=False, tellable=False), said(), Outcome.NOT_TELLABLE),
        (a_case(), said(exit_code=1, all_clear=False), Outcome.FALSE_ALARM),
        (a_case(), said(exit_code=2, all_clear=False, refused=True), Outcome.FALSE_ALARM),
        (a_case(), said(doubts=("odd",)), Outcome.FALSE_ALARM),
        (
            a_case(BAD),
            said(
                exit_code=1,
                all_clear=False,
                over_m=(5_003.0,),
                orders_m=(5_003.0,),
                losses=(listed(2_001, 0.051), listed(5_003, 0.402, "over limit")),
            ),
            Outcome.RIGHT,
        ),
        (
            a_case(BAD),
            said(exit_code=1, all_clear=False, over_m=(5_003.0,), orders_m=(2_000.0,)),
            Outcome.WRONG_ORDER,
        ),
        (a_case(BAD), said(exit_code=1, all_clear=False), Outcome.NOT_CALLED),
        (
            a_case(BAD, doubt=Doubt.MUST, as_stated=False),
            said(exit_code=1, all_clear=False, doubts=("odd",), orders_m=(5_000.0,)),
            Outcome.WRONG_ORDER,
        ),
        (
            a_case(doubt=Doubt.MUST, as_stated=False),
            said(exit_code=1, all_clear=False, over_m=()),
            Outcome.NO_DOUBT,
        ),
        (a_case(), said(losses=(listed(2_000, 0.09),)), Outcome.WRONG_NUMBER),
        (a_case(), said(losses=(listed(3_500, 0.15),)), Outcome.WRONG_NUMBER),
        (a_case((0.05, 0.15)), said(losses=(listed(2_000, 0.05),)), Outcome.WRONG_NUMBER),
        (a_case(), said(length_m=8_090.0), Outcome.WRONG_NUMBER),
        (a_case(may_say=("index",)), said(text="the in-\ndex"), Outcome.WRONG_WORDS),
        (a_case(may_say=("the index",)), said(text="the\n  index"), Outcome.RIGHT),
        (a_case(must_not_say=("never",)), said(text="Never say"), Outcome.WRONG_WORDS),
        (a_case(), said(disagreements=("exit 0, 1",)), Outcome.WRONG_WORDS),
    ],
)
def test_judge(case: Case, screen: Reading, outcome: Outcome) -> None:
    assert judge(case, screen).outcome is outcome


# -- the reader of screens -------------------------------------------------------------


def test_orders_are_lines_that_send_somebody_to_a_place() -> None:
    text = (
        "- Re-splice 3 at 5.620 km: 0.260 dB ± 0.001, 0.060 dB over the\n  limit.\n"
        "- A splice is cut and remade with its whole ribbon: note what 12 others read.\n"
        "LEAVE  all 4 splices within 0.20 dB over 9.005 km\n"
        "CUT    splice 2 at 480 m from A\n"
    )
    data = {"next_steps": ["Re-splice 3 at 5.620 km: 0.260 dB", "Cut splice 2 at 480 m."]}
    read = read_screen(Run(1, text, ""), Run(1, json.dumps(data), ""))
    assert [line.split()[0] for line in read.order_lines] == ["-", "CUT"]
    assert read.orders_m == (480.0, 5_620.0)
    assert not read.disagreements


def test_doubts_are_read_and_the_first_line_is_held_against_the_object() -> None:
    data = {"schema": "otdravg.pair/2", "verdict": "check", "doubts": [{"code": "same-end"}]}
    read = read_screen(Run(1, "CHECK\n", ""), Run(1, json.dumps(data), ""))
    assert read.doubts == ("same-end",)
    assert read.doubted
    assert not read.disagreements
    assert read_screen(Run(1, "LEAVE\n", ""), Run(1, json.dumps(data), "")).disagreements


@pytest.mark.parametrize(
    "run",
    [
        Run(1, "", ""),
        Run(3, "hello", ""),
        Run(1, "Traceback (most recent call last)", ""),
        Run(0, "{", ""),
        Run(0, "fine", "", broke="KeyError: 'x'"),
        Run(0, "fine", "", warned=("RuntimeWarning: divide",)),
    ],
)
def test_faults_of_the_program_are_crashes(run: Run) -> None:
    assert read_screen(run, run).crashed is not None


def test_order_in_the_text_alone_is_a_disagreement() -> None:
    read = read_screen(Run(1, "CUT splice 2 at 480 m\n", ""), Run(1, "{}", ""))
    assert read.disagreements

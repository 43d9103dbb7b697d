"""A slice of the catalogue of cables, and the catalogue's own judgement put to the test.

``known_red.toml`` names the kinds that the program gets wrong today, with the version that shows
it and what goes wrong. Such a case is a strict expected failure: when it turns green, its entry
has to go. All kinds would take minutes, so a share of them is run: which share moves on with every
change of ``known_red.toml``. ``run.py --frozen`` holds all of them against it.
"""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import multivariate_normal
from simulated import JointKind

from scenarios.cable import telling
from scenarios.cable.case import Case, Place, Where, case_of, places_of, says
from scenarios.cable.judging import Outcome, judge
from scenarios.cable.kinds import CHAPTERS, KINDS, acted, story_of
from scenarios.cable.reading import Finding, Order, Reading, Row, Run, read_review
from scenarios.cable.run import KNOWN_RED, KNOWN_RED_FILE, tried
from scenarios.cable.telling import CLEAR_NATS, margin_nats
from scenarios.cable.world import (
    at_wavelength,
    crossed,
    draw_cable,
    exchanged,
    usual,
    with_bad,
    with_bend,
)

#: One kind of so many is run.
TURNS = 6


def in_turn() -> list[Any]:
    """A share of the kinds from every chapter, the known wrong ones marked."""
    turn = zlib.crc32(KNOWN_RED_FILE.read_bytes()) % TURNS
    every = [kind for names in CHAPTERS.values() for kind in names]
    params = []
    for kind in every[turn::TURNS]:
        red = KNOWN_RED.get(kind)
        marks = [] if red is None else [pytest.mark.xfail(reason=red["does"], strict=True)]
        params.append(pytest.param(kind, red["seed"] if red else 0, id=kind, marks=marks))
    return params


@pytest.mark.parametrize(("kind", "seed"), in_turn())
def test_the_review_is_right(kind: str, seed: int) -> None:
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
    assert len(KINDS) >= 50
    assert not [kind for kind in KINDS if not story_of(kind).endswith((".", "?"))]


def test_the_same_version_has_the_same_bytes() -> None:
    assert acted("pair_crossed", 1) == acted("pair_crossed", 1)
    assert acted("pair_crossed", 1).files != acted("pair_crossed", 2).files


# -- the world -------------------------------------------------------------------------


def test_crossed_fibres_are_each_others_glass_behind_the_closure() -> None:
    cable = draw_cable(np.random.default_rng(1))
    mixed = crossed(cable, exchanged((2, 5)), 1)
    assert mixed.glass[2].sections[:1] == cable.glass[2].sections[:1]
    assert mixed.glass[2].sections[1:] == cable.glass[5].sections[1:]
    assert mixed.at_b == {2: 5, 5: 2}
    undone = crossed(mixed, exchanged((2, 5)), 2)
    assert undone.at_b == {2: 2, 5: 5}
    assert undone.glass[2].sections[2:] == cable.glass[2].sections[2:]


def test_a_cable_is_shot_from_both_ends() -> None:
    cable = draw_cable(np.random.default_rng(2))
    takes = usual(cable, (1310, 1550))
    assert len(takes) == 48
    one, other = takes[3, 1550, "A"].way, takes[3, 1550, "B"].way
    assert one.reversed().sections[1:-1] == other.sections[1:-1] == cable.glass[3].sections[::-1]
    assert one.joints[1:-1] == cable.glass[3].joints


def test_a_bend_shows_at_the_longer_wavelength() -> None:
    cable = with_bend(draw_cable(np.random.default_rng(3)), 4, 2, 0.35)
    losses_db = [at_wavelength(cable.glass[4], nm).joints[1].loss_db for nm in (1310, 1550)]
    assert losses_db == [0.08, 0.35]


# -- what glass can tell ---------------------------------------------------------------


def test_a_whole_ribbon_out_of_order_is_told_and_a_sound_one_never_doubted() -> None:
    for seed in range(20):
        cable = draw_cable(np.random.default_rng(seed))
        assert margin_nats(cable) == 0
        shifted = replace(cable, at_b={n: n % 12 + 1 for n in cable.numbers})
        assert margin_nats(shifted) > 2 * CLEAR_NATS


def test_odds_of_a_pair_are_those_of_two_bivariate_normals() -> None:
    """Against scipy.stats.multivariate_normal, with loss and step of one splice in common."""
    loss, step, u = 0.025, 0.07, 0.002
    x, y = np.array([0.03, -0.05]), np.array([0.02, 0.11])
    together = [[loss**2 + step**2 + u**2, loss**2 - step**2]] * 2
    together[1] = together[0][::-1]
    exact = multivariate_normal(cov=together).logpdf(np.column_stack([x, y]))
    mine = telling._log_pair(x, y, loss, step, u)
    # Up to one constant, which cancels in odds.
    assert np.ptp(exact - mine) < 1e-9


# -- the judge -------------------------------------------------------------------------


def a_case(losses_db: tuple[float, ...] = (0.05, 0.06), **told: Any) -> Case:
    """One fibre with splices at 1,000 and 2,500 m, limit 0.20 dB."""
    places = [
        Place("SIM-12", 1, 1550, at_m, loss_db, JointKind.SPLICE, k, 4_000.0)
        for k, (at_m, loss_db) in enumerate(zip((1_000.0, 2_500.0), losses_db, strict=True), 1)
    ]
    cable = draw_cable(np.random.default_rng(0), fibres=1, closures=2)
    return case_of((), cable, places=places, **told)


def row(at_m: float, loss_db: float | None, verdict: str = "within limit", **told: Any) -> Row:
    plain = Row("SIM-12", 1, 1550, at_m, None, loss_db, 0.002, 0.20, verdict, "none", "as printed")
    return replace(plain, **told)


GOOD = (row(1_003.0, 0.051), row(2_498.0, 0.060))
BAD = (0.05, 0.40)
OVER = (row(1_000.0, 0.05), row(2_500.0, 0.401, "over limit", action="re-splice"))
REDO = Order("SIM-12", 2_501.0, "1", frozenset({1}))


def said(rows: tuple[Row, ...] = GOOD, exit_code: int = 0, **told: Any) -> Reading:
    return replace(Reading(exit_code, None, rows), **told)


def finding(code: str = "odd", severity: str = "caution", fibre: int = 1) -> Finding:
    return Finding(severity, code, frozenset({fibre}), f"{severity} {code} fibre {fibre}")


NOTE = finding("odd", "note")
ASIDE = Where(1, 2_500.0)


@pytest.mark.parametrize(
    ("case", "review", "outcome"),
    [
        (a_case(), said(), Outcome.RIGHT),
        (a_case(), said(crashed="KeyError"), Outcome.CRASH),
        (a_case(BAD), said(), Outcome.FALSE_CLEAR),
        (a_case(exit_codes=(1,)), said(), Outcome.FALSE_CLEAR),
        (a_case(ungraded=[ASIDE], exit_codes=(1,)), said(GOOD, 1), Outcome.FALSE_CLEAR),
        (a_case(uncleared=[ASIDE], exit_codes=(1,)), said(GOOD, 1), Outcome.FALSE_CLEAR),
        (a_case(BAD), said(OVER, 1, orders=(REDO,)), Outcome.RIGHT),
        (a_case(BAD, due=[ASIDE]), said(OVER, 1), Outcome.MISSED),
        (a_case(BAD, due=[ASIDE]), said(OVER, 1, orders=(REDO,)), Outcome.RIGHT),
        (a_case(), said(orders=(REDO,)), Outcome.WRONG_ORDER),
        (
            a_case(BAD),
            said(OVER, 1, orders=(REDO, replace(REDO, distance_m=1_000.0))),
            Outcome.WRONG_ORDER,
        ),
        (a_case(BAD, orders="none"), said(OVER, 1, orders=(REDO,)), Outcome.WRONG_ORDER),
        (
            a_case(BAD, ungraded=[ASIDE]),
            said((OVER[0], row(2_500.0, 0.4, "over limit")), 1),
            Outcome.WRONG_ROW,
        ),
        (
            a_case(BAD, ungraded=[ASIDE]),
            said((OVER[0], row(2_500.0, 0.4, "not gradable")), 1),
            Outcome.RIGHT,
        ),
        (a_case(), said((GOOD[0], row(2_500.0, 0.068))), Outcome.WRONG_ROW),
        (a_case(), said((*GOOD, row(1_800.0, 0.07))), Outcome.WRONG_ROW),
        (a_case((0.05, 0.2)), said((GOOD[0], row(2_500.0, 0.201))), Outcome.WRONG_ROW),
        (a_case(), said(GOOD[:1]), Outcome.MISSED),
        (a_case(BAD), said(GOOD[:1], 1), Outcome.MISSED),
        (a_case(not_lost=[ASIDE], graded=()), said(GOOD[:1]), Outcome.MISSED),
        (a_case(say=[says("why", "why", "here")]), said(paragraphs=("why?",)), Outcome.MISSED),
        (a_case(say=[says("why", "why")]), said(paragraphs=("Why?",)), Outcome.RIGHT),
        (
            a_case(say=[says("odd", "odd")]),
            said(findings=(NOTE,)),
            Outcome.MISSED,
        ),
        (
            a_case(say=[says("odd", "odd", aloud=False)]),
            said(findings=(NOTE,)),
            Outcome.RIGHT,
        ),
        (a_case(), said(GOOD, 1), Outcome.FALSE_ALARM),
        (a_case(), said(findings=(finding(),)), Outcome.FALSE_ALARM),
        (a_case(involved=[1]), said(findings=(finding(),)), Outcome.RIGHT),
        (a_case(exit_codes=(1,)), said(GOOD, 2), Outcome.WRONG_EXIT),
        (a_case(never=("crossed",)), said(paragraphs=("- crossed",)), Outcome.WRONG_WORDS),
        (a_case(either_end=True), said((row(3_000.0, 0.05), row(1_500.0, 0.06))), Outcome.RIGHT),
    ],
)
def test_judge(case: Case, review: Reading, outcome: Outcome) -> None:
    assert judge(case, review).outcome is outcome


def test_a_closure_too_many_is_a_false_alarm() -> None:
    rows = tuple(row(r.distance_m, r.loss_db, closure=k) for k, r in enumerate((*GOOD, GOOD[0])))
    assert judge(a_case(), said(rows)).outcome is Outcome.FALSE_ALARM


def test_truth_numbers_the_closures_and_not_what_lies_between() -> None:
    cable = with_bad(draw_cable(np.random.default_rng(4)), 2, 3, 0.4)
    places = [p for p in places_of(cable) if p.fibre == 2]
    assert [p.closure for p in places] == [1, 2, 3]
    assert places[2].loss_db == 0.4


# -- the reader of reviews -------------------------------------------------------------

SPLICE = {
    "cable": "SIM-12",
    "fibre": "3",
    "wavelength_nm": "1550",
    "distance_m": "1203.4",
    "closure_number": "2",
    "loss_db": "0.210",
    "expanded_uncertainty_db": "0.002",
    "limit_db": "0.20",
    "verdict": "over limit",
    "action": "re-splice",
    "reason": "",
}


def test_rows_findings_and_orders_are_read() -> None:
    told = {
        "severity": "caution",
        "finding": "odd",
        "cable": "SIM-12",
        "fibre": "3",
        "other_fibres": "5 6",
        "evidence": "why",
        "what_to_do": "look",
        "files": "",
    }
    work = {"cable": "SIM-12", "distance_m": "1203.4", "ribbon": "1", "failing_fibres": "3 5"}
    tables = {
        "splices": [SPLICE, {**SPLICE, "loss_db": "", "verdict": "not measured"}],
        "findings": [told],
        "resplice": [
            {**work, "advice": "redo now"},
            {**work, "advice": "re-dress and shoot again"},
        ],
        "shots": [],
    }
    read = read_review(Run(1, "one line\n  goes on\n\nnext\n- item\n", "", tables))
    over, unmeasured = read.rows
    assert (over.graded, over.faulted, over.ordered) == (True, True, True)
    assert (unmeasured.loss_db, unmeasured.graded) == (None, False)
    assert read.findings[0].fibres == {3, 5, 6}
    assert [sorted(order.failing) for order in read.orders] == [[3, 5]]
    assert read.paragraphs == ("one line goes on", "next", "next: - item")


@pytest.mark.parametrize(
    "run",
    [
        Run(1, "", "", {}),
        Run(3, "hello", "", {}),
        Run(1, "Traceback (most recent call last)", "", {}),
        Run(0, "fine", "", {}),
        Run(0, "fine", "", {"splices": []}, broke="KeyError: 'x'"),
        Run(0, "fine", "", {"splices": []}, warned=("RuntimeWarning: divide",)),
    ],
)
def test_faults_of_the_program_are_crashes(run: Run) -> None:
    assert read_review(run).crashed is not None

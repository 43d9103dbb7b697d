"""The page of measured figures shows what the benchmarks have stored, the worst first."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from benchmarks.stored import Figure
from benchmarks.write_measured import PAGE, page, read
from core_constants import constants


def test_the_page_is_what_the_stored_figures_make() -> None:
    stored = read()
    assert stored
    assert PAGE.read_text(encoding="utf-8") == page(stored)


def test_sensitivity_is_of_constants_that_are_there() -> None:
    # Where this fails: tests/benchmarks/sensitivity.py --most 0 --store drops what is gone.
    (stored,) = (each for each in read() if each["name"] == "sensitivity")
    names = [row["constant"] for row in stored["changes_worst_first"]] + stored["change_nothing"]
    tried = {name.partition(" = ")[0] for name in names}
    assert len(tried) > 50
    assert tried <= {f"{each.path.stem}.{each.name}" for each in constants()}


@pytest.mark.parametrize(
    ("figure", "holds"),
    [
        (Figure("a", 1.2, at_most=1.2), True),
        (Figure("a", 1.3, at_most=1.2), False),
        (Figure("a", 0.99, at_least=0.99), True),
        (Figure("a", 0.98, at_least=0.99), False),
        (Figure("a", 0.03, low=0.011, high=0.05, not_above=0.01), False),
        (Figure("a", 0.03, low=0.009, high=0.05, not_above=0.01), True),
        (Figure("a", 93.0, between=(93.0, 97.0)), True),
        (Figure("a", 97.1, between=(93.0, 97.0)), False),
        (Figure("a", math.nan, at_most=1.0), False),
        (Figure("a", math.nan, at_least=1.0), False),
        (Figure("a", math.nan, between=(1.0, 2.0)), False),
        (Figure("a", 5.0), None),
    ],
)
def test_a_goal_is_met_up_to_its_limit_and_never_by_what_is_no_number(
    figure: Figure, holds: bool | None
) -> None:
    assert figure.holds is holds
    assert figure.as_json().get("holds") is holds
    assert (figure.badness > 1) is (holds is False)


def test_what_misses_its_goal_stands_first_and_by_how_far() -> None:
    figures = [
        Figure("plain", 7.0),
        Figure("held", 1.0, at_most=2.0),
        Figure("nearly", 1.9, at_most=2.0),
        Figure("missed", 2.1, at_most=2.0),
        Figure("far", 20.0, at_most=2.0),
    ]
    good = {"name": "a", "what": "", "figures": [Figure("fine", 1, at_most=2).as_json()]}
    bad = {"name": "b", "what": "", "figures": [figure.as_json() for figure in figures]}
    text = page([good, bad])
    head, _, sections = text.partition("\n## b\n")
    assert head.index("| b | far |") < head.index("| b | missed |")
    assert "held" not in head
    assert "fine" not in head
    order = [sections.index(f"| {name} |") for name in ("far", "missed", "nearly", "held", "plain")]
    assert order == sorted(order)
    assert sections.index("\n## a\n") > max(order)


def test_whatever_else_is_stored_is_shown(tmp_path: Path) -> None:
    rows = [{"family": "fast", "ratio": 1.01234567}, {"family": "slow", "coverage": None}]
    (tmp_path / "receivers.json").write_text(json.dumps(rows), encoding="utf-8")
    other = {"name": "mutation", "killed": 12, "survivors": ["a | b"], "modules": {"x": rows}}
    (tmp_path / "mutation.json").write_text(json.dumps(other), encoding="utf-8")
    text = page(read(tmp_path))
    for shown in (
        "## receivers",
        "| fast | 1.012 | – |",
        "| slow | – | – |",
        "killed: 12",
        "- a \\| b",
        "**modules: x**",
    ):
        assert shown in text

"""Before and after of repairs: only what reads otherwise is printed, and how many there are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from printed_example import example

from otdravg.cable.model import Attempt, CableReview, FibreKey, History
from otdravg.closeout.html import closeout_html
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.tables.lists import Listing, listings
from otdravg.words.headings import Language, Words

WORDS = Words(Language.ENGLISH)


def shot_again(fibre: int, *losses_db: float | None) -> History:
    attempts = tuple(
        Attempt(n, None, loss_db, None if loss_db is None else 0.001, f"{n}_AB", f"{n}_BA")
        for n, loss_db in enumerate(losses_db, start=1)
    )
    return History(FibreKey("X", fibre), 1550, "C1", attempts)


def repairs(review: CableReview) -> Listing:
    return listings(review, WORDS)["repairs"]


@pytest.fixture
def review() -> CableReview:
    history = (
        shot_again(1, 0.300, 0.050),
        shot_again(2, 0.100, 0.101),  # within its uncertainty
        shot_again(3, 0.300, 0.280, 0.060),
        shot_again(4, None, 0.060),  # nothing to compare with
    )
    return replace(example(fibres=12), history=history)


def test_only_splices_that_read_otherwise_are_listed_with_every_attempt(
    review: CableReview,
) -> None:
    rows = repairs(review).rows
    columns = {heading: n for n, heading in enumerate(repairs(review).headings)}
    fibre, loss, u = (columns[WORDS[key]] for key in
                      ("fibre", "loss_db", "expanded_uncertainty_db"))  # fmt: skip
    assert [(row[fibre], row[loss]) for row in rows] == [
        ("1", "0.300"), ("1", "0.050"), ("3", "0.300"), ("3", "0.280"), ("3", "0.060"),
    ]  # fmt: skip
    assert {row[u] for row in rows} == {"0.002"}


def test_the_remark_counts_all_that_were_measured_more_than_once(review: CableReview) -> None:
    assert repairs(review).remark.startswith("Only splices")
    assert "All 4 that" in repairs(review).remark
    assert "repairs" not in listings(replace(review, history=()), WORDS)


def test_the_page_shows_the_same_rows(review: CableReview) -> None:
    page = closeout_html(review, Sketches(), Template()).decode()
    assert repairs(review).remark in page
    rows = repairs(review).rows
    assert len(rows) == 5
    for row in rows:
        assert "".join(f"<td>{cell}</td>" for cell in row) in page

"""A simulated week: every bad splice called before its closure is shut, no good ribbon cut."""

from __future__ import annotations

from random import Random

import pytest
from construction import Clock, Crew, Site5, look, run_week, watching

from otdravg.cable import Options, review
from otdravg.verdict import default
from otdravg.watch import Kind


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Crew:
    place = tmp_path_factory.mktemp("week")
    site = Site5(place / "shots", fibres=24, seed=1)
    site.bent |= {(2, 5), (4, 20)}
    rng = Random(5)
    # The laptop is switched off now and then; what was said is in the file.
    return run_week(
        site, restart=lambda n: rng.random() < 0.25, place=place / "said.json", by_chance=rng
    )


def test_every_closure_is_shut_and_none_too_early(week: Crew) -> None:
    assert sorted(week.shut) == [1, 2, 3, 4, 5]
    assert week.wrong_shuts == []


def test_every_bad_splice_is_called_before_its_closure_is_shut(week: Crew) -> None:
    assert len(week.ever_bad) >= 5
    assert week.ever_bad <= week.called_bad


def test_no_good_ribbon_is_cut(week: Crew) -> None:
    assert len(week.cut) >= 4
    assert week.wrong_cuts == []


def test_bends_are_dressed_and_never_cut_for(week: Crew) -> None:
    assert week.site.bent == set()
    assert not {(2, 5), (4, 20)} & week.called_bad


def test_nothing_is_said_twice_over_restarts(week: Crew) -> None:
    """A call that stands is heard once; one that was taken back may come again."""
    heard: set[str] = set()
    for text in week.texts:
        if text.startswith("no longer so"):
            heard.discard(text.split('"')[1])
        elif "keep it open" in text or "may be shut" in text:
            assert text not in heard
            heard.add(text)
    assert heard


def test_the_end_state_is_that_of_a_review_and_of_a_watch_that_never_stopped(week: Crew) -> None:
    clock = Clock()
    answer = look(watching(week.site, clock), clock)
    assert answer is not None
    assert answer.review is not None
    assert answer.is_proved
    # The whole review of the folder, by the call that the command "cable" makes.
    plain = review(week.site.folder, default(), Options(fibre_count=24))
    assert answer.review.rows == plain.rows
    assert answer.review.findings == plain.findings
    shut = [e.values["closure"] for e in answer.events if e.kind is Kind.SHUT]
    assert shut == [1, 2, 3, 4, 5]

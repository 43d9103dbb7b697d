"""A fixed share of each fuzzing script, two minutes at most: the same cases every time.

The series are the scripts' own; their numbers are such that the full runs begin elsewhere.
"""

from __future__ import annotations

from functools import partial

import pairs
import pytest
import reader
import reviews
from byte_check import check_finite
from campaign import Case, run_cases

SEED = 1


def hold(case: Case, numbers: range) -> None:
    """Run cases; a fault names the first cases that show it."""
    tally = run_cases(case, numbers)
    assert tally.done == len(numbers)
    assert not tally.faults, {fault: tally.numbers[fault] for fault in tally.faults}


def test_damaged_files_are_refused_or_read_right() -> None:
    hold(partial(reader.case, SEED), range(6000))


def test_odd_pairs_are_refused_or_measured_without_surprise() -> None:
    hold(partial(pairs.case, SEED), range(150))


@pytest.mark.parametrize("number", [254, 2651, 3814, 4641, 6112, 6296, 7996, 15605])
def test_pairs_that_the_full_run_found(number: int) -> None:
    """One of each kind of fault that 20,000 pairs showed: levels and steps of hundreds of dB,
    reflections of no height, spacings that differ a million times, headers that say ``nan``.
    """
    hold(partial(pairs.case, SEED), range(number, number + 1))


def test_reviews_account_for_everything() -> None:
    hold(partial(reviews.case, SEED), range(100))


def test_a_broken_property_is_a_fault() -> None:
    """The harness itself: what raises is counted with its number and place."""

    def case(number: int) -> str:
        if number % 3 == 0:
            raise ZeroDivisionError("planted")
        return "fine"

    tally = run_cases(case, range(10))
    assert tally.outcomes == {"fine": 6}
    (fault,) = tally.faults
    assert fault.startswith("ZeroDivisionError at test_fuzz_slice.py:")
    assert tally.numbers[fault] == [0, 3, 6, 9]


def test_a_case_that_hangs_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("campaign._HANGING_S", 0.05)

    def case(number: int) -> str:
        while number == 1:
            pass
        return "fine"

    tally = run_cases(case, range(3))
    assert tally.outcomes == {"fine": 2}
    assert list(tally.numbers.values()) == [[1]]


@pytest.mark.parametrize("value", [float("nan"), [1.0, float("inf")], {"a": -float("inf")}])
def test_a_number_that_is_none_is_noticed(value: object) -> None:
    with pytest.raises(AssertionError, match="value"):
        check_finite(value, "value")

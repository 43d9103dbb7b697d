"""The same bytes whoever measures, in whatever order."""

from __future__ import annotations

import random
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import pytest

from otdravg.cable import CableReview, review
from otdravg.cable.files.folder import RawShot
from otdravg.cable.measure.jobs import spread
from otdravg.tables.splices import cable_tables
from otdravg.verdict import default

pytestmark = pytest.mark.usefixtures("measured_anew")


def test_order_of_files_and_number_of_workers_do_not_matter(
    clean_shots: tuple[RawShot, ...], clean: CableReview
) -> None:
    shuffled = list(clean_shots)
    random.Random(5).shuffle(shuffled)
    with ProcessPoolExecutor(2) as executor:
        result = review(shuffled, default(), executor=executor)
    assert cable_tables(result) == cable_tables(clean)


def _failing(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


def test_results_come_in_order_and_an_error_ends_the_work() -> None:
    counted: list[int] = []
    with ThreadPoolExecutor(2) as executor:
        assert spread(abs, list(range(-20, 0)), executor, counted.append, batch=3) == list(
            range(20, 0, -1)
        )
        assert sum(counted) == 20
        with pytest.raises(ValueError, match="three"):
            spread(_failing, list(range(9)), executor, batch=2)

"""One simulated cable for all tests of closeouts; it is measured once."""

from __future__ import annotations

from pathlib import Path

import pytest
from closeout_example import MADE_AT, simulated_review, troubled

from otdravg.cable import CableReview
from otdravg.closeout.sketches import Sketches, pair_sketches
from otdravg.closeout.template import Template


@pytest.fixture(scope="session")
def shots_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("crew") / "shots"


@pytest.fixture(scope="session")
def good_review(shots_folder: Path) -> CableReview:
    return simulated_review(shots_folder)


@pytest.fixture(scope="session")
def bad_review(good_review: CableReview) -> CableReview:
    return troubled(good_review)


@pytest.fixture(scope="session")
def sketches(good_review: CableReview) -> Sketches:
    return pair_sketches(good_review)


@pytest.fixture
def template() -> Template:
    return Template(company="Example Splicing (simulated)", project="P-0", made_at=MADE_AT)

"""What all tests of odd files share."""

from __future__ import annotations

import pytest

from otdravg.cable.measure import jobs


@pytest.fixture(autouse=True)
def _no_block_for_the_system(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory is held against what a file asks for: a block that is never touched would count."""
    monkeypatch.setattr(jobs, "LARGE_BLOCK_BYTES", 1)

"""A small simulated week's folder that several tests copy from, made once."""

from __future__ import annotations

from pathlib import Path

import pytest
from construction import Site5


@pytest.fixture
def site(tmp_path: Path) -> Site5:
    """Twelve fibres at five closures, all good but one bad splice: fibre 5 at closure 3."""
    site = Site5(tmp_path / "shots", fibres=12, seed=4, bad_share=0.0)
    site.losses_db[3, 5] = 0.31
    return site

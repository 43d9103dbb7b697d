"""What holds for all tests: the same examples every time, one thread, pairs measured once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# Before numpy is loaded: a process per processor is as many as there is work for.
os.environ.setdefault("OMP_NUM_THREADS", "1")

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")


@pytest.fixture(scope="session", autouse=True)
def _pairs_are_measured_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    from measured_once import MeasuredOnce

    from otdravg.cable.measure import jobs

    own = tmp_path_factory.getbasetemp()
    shared = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "measured"
    shared.mkdir(exist_ok=True)
    once = MeasuredOnce(Path(shared))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(jobs, "_measured", once.measured)
        patch.setattr(jobs, "_looked_at", once.looked_at)
        yield


@pytest.fixture
def measured_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests of who measures: every pair is measured again."""
    from measured_once import LOOKED_AT, MEASURED

    from otdravg.cable.measure import jobs

    monkeypatch.setattr(jobs, "_measured", MEASURED)
    monkeypatch.setattr(jobs, "_looked_at", LOOKED_AT)

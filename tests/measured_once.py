"""Pairs of shots that many tests simulate alike, measured once in a run of the tests.

A measurement is made of nothing but the bytes of two files and what is stated of them, which the
tests of ``pair/`` hold, and ``tests/robustness/test_determinism.py`` for whole processes. Between
tests of what is made of measurements it is kept in a folder, so that all workers, and the
processes that they start, share it.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path, PurePath
from typing import TypeVar

from otdravg.cable.location import Location
from otdravg.cable.measure import jobs
from otdravg.cable.measure.jobs import Job, Outcome, Sketch
from otdravg.errors import OtdravgError
from otdravg.shot.trace import Trace

#: What measures a pair, and what looks at a shot without a partner.
MEASURED, LOOKED_AT = jobs._measured, jobs._looked_at

T = TypeVar("T")


class MeasuredOnce:
    """Takes the place of what measures, and keeps what came of the same files and names."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def measured(self, job: Job, ab: Trace, ba: Trace) -> Outcome:
        asked = replace(job, ab=_content(job.ab), ba=_content(job.ba))
        outcome = self._kept(asked, lambda: replace(MEASURED(job, ab, ba), job=asked))
        return replace(outcome, job=job)

    def looked_at(self, trace: Trace | OtdravgError | None, *stated: object) -> Sketch | None:
        if not isinstance(trace, Trace):
            return None
        name = PurePath(trace.identity.path).name
        shot = replace(trace, identity=replace(trace.identity, path=name))
        return self._kept((shot, stated), lambda: LOOKED_AT(trace, *stated))

    def _kept(self, asked: object, make: Callable[[], T]) -> T:
        kept = self._folder / hashlib.sha256(pickle.dumps(asked)).hexdigest()
        if kept.exists():
            known: T = pickle.loads(kept.read_bytes())
            return known
        made = make()
        with tempfile.NamedTemporaryFile(dir=self._folder, delete=False) as draft:
            pickle.dump(made, draft)
        Path(draft.name).replace(kept)
        return made


def _content(place: Location | None) -> Location | None:
    return None if place is None else replace(place, path=PurePath(str(place)).name, member=None)

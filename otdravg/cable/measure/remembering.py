"""Measurements that are kept from one review to the next, so that only new pairs are measured.

A review gives its work to an executor; this one answers what it has been asked before. What a
job is holds the hash of each file, so that a file that was written again is measured again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from typing import Any

from otdravg.cable.measure.jobs import Job, Outcome, measure_job


class Remembering(Executor):
    """An executor that measures no job twice.

    Parameters
    ----------
    inner : Executor or None
        Where new jobs are measured; None: here.
    """

    def __init__(self, inner: Executor | None = None) -> None:
        self._inner = inner
        self._known: dict[Job, Outcome] = {}
        self._used: set[Job] = set()
        self.measured = 0  #: jobs that were really measured, so far

    def submit(self, work: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        """Do a piece of work; see :meth:`concurrent.futures.Executor.submit`."""
        if len(given) != 2 or given[0] is not measure_job:
            return self._pass_on(work, *given, **named)
        jobs: Sequence[Job] = given[1]
        self._used.update(jobs)
        new = [job for job in jobs if job not in self._known]
        answer: Future[Any] = Future()
        if not new:
            answer.set_result([self._known[job] for job in jobs])
            return answer
        self.measured += len(new)

        def take(done: Future[list[Outcome]]) -> None:
            if not answer.set_running_or_notify_cancel():
                return
            if (error := done.exception()) is not None:
                answer.set_exception(error)
                return
            found = dict(zip(new, done.result(), strict=True))
            answer.set_result([found[j] if j in found else self._known[j] for j in jobs])
            self._known.update((j, o) for j, o in found.items() if _will_not_change(o))

        self._pass_on(work, measure_job, new).add_done_callback(take)
        return answer

    def forget_unused(self) -> None:
        """Let go of what was not asked for since this was called last: it bounds the memory."""
        self._known = {job: found for job, found in self._known.items() if job in self._used}
        self._used = set()

    def _pass_on(self, work: Callable[..., Any], /, *given: Any, **named: Any) -> Future[Any]:
        if self._inner is not None:
            return self._inner.submit(work, *given, **named)
        done: Future[Any] = Future()
        done.set_result(work(*given, **named))
        return done


def _will_not_change(outcome: Outcome) -> bool:
    """Whether the files decided the outcome; a file that could not be read may be there again."""
    return outcome.axis is not None or outcome.refusal is not None or _is_single(outcome.job)


def _is_single(job: Job) -> bool:
    return job.ab is None or job.ba is None

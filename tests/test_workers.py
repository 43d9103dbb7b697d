"""Worker processes: they start, end with Ctrl-C even while they start, and may not vanish."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from concurrent.futures import Future, ProcessPoolExecutor

import pytest

from otdravg.errors import WorkersLost
from otdravg.workers import local_workers


def test_work_is_done_in_other_processes() -> None:
    with local_workers(2) as executor:
        assert executor.submit(os.getpid).result() != os.getpid()
    assert multiprocessing.active_children() == []


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="cannot be held back here")
def test_ctrl_c_while_they_start_waits_until_they_can_be_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    submit = ProcessPoolExecutor.submit

    def press_and_submit(self, *work):  # type: ignore[no-untyped-def]
        signal.raise_signal(signal.SIGINT)
        return submit(self, *work)

    monkeypatch.setattr(ProcessPoolExecutor, "submit", press_and_submit)
    threads = threading.active_count()
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt) as stopped, local_workers(2):
            pytest.fail("it went on")
    finally:
        signal.signal(signal.SIGINT, before)
    # The traceback still holds the pool: nothing but an orderly end can have ended it.
    assert stopped.tb is not None
    assert multiprocessing.active_children() == []
    assert threading.active_count() == threads


def test_work_that_has_not_begun_is_given_up() -> None:
    waiting: list[Future[int]] = []

    def submit_and_fail() -> None:
        with local_workers(1) as executor:
            waiting.extend(executor.submit(os.getpid) for _ in range(200))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        submit_and_fail()
    assert any(future.cancelled() for future in waiting)


def test_a_worker_that_vanishes_is_one_line() -> None:
    with pytest.raises(WorkersLost) as lost, local_workers(2) as executor:
        executor.submit(os._exit, 1).result()
    assert str(lost.value) == (
        "one of 2 worker processes vanished, as when memory runs out; "
        "close other programs or run again with fewer workers"
    )

"""Worker processes: they start, end with Ctrl-C even while they start, and may not vanish."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future

import pytest

from otdravg.errors import WorkersLost
from otdravg.system.workers import local_workers


def test_work_is_done_in_other_processes() -> None:
    with local_workers(2) as executor:
        assert executor.submit(os.getpid).result() != os.getpid()
    assert multiprocessing.active_children() == []


#: The signal comes with the first work, and is let through when all workers are started.
_STOPPED_WHILE_STARTING = """
import multiprocessing, signal, sys, threading
from concurrent.futures import ProcessPoolExecutor
from otdravg.system.workers import local_workers

signal.signal(signal.SIGINT, signal.default_int_handler)
submit = ProcessPoolExecutor.submit

def press_and_submit(self, *work):
    signal.raise_signal(signal.SIGINT)
    return submit(self, *work)

ProcessPoolExecutor.submit = press_and_submit
try:
    with local_workers(2):
        print("it went on")
except KeyboardInterrupt as stopped:  # its traceback still holds the pool
    print(multiprocessing.active_children(), threading.active_count(), "after", stopped)
"""


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="cannot be held back here")
def test_ctrl_c_while_they_start_waits_until_they_can_be_ended() -> None:
    done = subprocess.run(
        [sys.executable, "-c", _STOPPED_WHILE_STARTING], capture_output=True, text=True, check=True
    )
    assert (done.stdout.split(), done.stderr) == (["[]", "1", "after"], "")


def test_work_that_has_not_begun_is_given_up() -> None:
    waiting: list[Future[None]] = []

    def submit_and_fail() -> None:
        with local_workers(1) as executor:
            waiting.extend(executor.submit(time.sleep, 0.01) for _ in range(200))
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

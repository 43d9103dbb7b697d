"""Worker processes: they start, end with Ctrl-C even while they start, and may not vanish."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from otdravg.errors import OutOfMemory, WorkersLost
from otdravg.system import workers
from otdravg.system.workers import local_workers, room_for_workers


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


def _give_up_memory() -> None:
    raise MemoryError


@pytest.mark.parametrize("work", [(_give_up_memory,), (np.empty, 10**15)])
def test_memory_that_runs_out_in_a_worker_is_one_line(work: tuple[Any, ...]) -> None:
    with pytest.raises(OutOfMemory, match="fewer workers") as raised, local_workers(1) as executor:
        executor.submit(*work).result()
    assert "\n" not in str(raised.value)


class TestRoom:
    """64 MB each, and 600 bytes for each point of the longest shot, of 3/4 of what is free."""

    @pytest.fixture
    def machine(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """A folder with what a system of 16 processors says; nothing at first."""
        monkeypatch.setattr(os, "cpu_count", lambda: 16)
        monkeypatch.setattr(workers, "MEMORY_INFO", tmp_path / "meminfo")
        monkeypatch.setattr(workers, "MEMORY_LIMIT", tmp_path / "memory.max")
        return tmp_path

    def test_processors_are_the_most(self, machine: Path) -> None:
        assert room_for_workers(40_000).workers == 16
        (machine / "meminfo").write_text("MemTotal: 99000000 kB\nMemAvailable:   32000000 kB\n")
        assert room_for_workers(40_000).workers == 16

    def test_free_memory_is_shared_out(self, machine: Path) -> None:
        (machine / "meminfo").write_text("MemTotal: 99000000 kB\nMemAvailable:    1000000 kB\n")
        # 0.75 · 1.024 GB / (64 MB + 24 MB) = 8.7; / (64 MB + 1.2 GB) = 0.6 (arithmetic).
        assert room_for_workers(40_000).workers == 8
        assert room_for_workers(2_000_000).workers == 1
        assert str(room_for_workers(40_000)) == "processors for 16 and memory for 8"

    def test_a_container_has_its_own_limit(self, machine: Path) -> None:
        (machine / "meminfo").write_text("MemAvailable: 32000000 kB\n")
        (machine / "memory.max").write_text("max\n")
        assert room_for_workers(40_000).workers == 16
        (machine / "memory.max").write_text("500000000\n")
        assert room_for_workers(40_000).workers == 4

    def test_the_pool_of_processes_ends_at_61_on_windows(
        self, machine: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(os, "cpu_count", lambda: 128)
        monkeypatch.setattr(sys, "platform", "win32")
        assert room_for_workers(40_000).workers == 61

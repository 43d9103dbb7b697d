"""Worker processes of this machine that end with their work, with Ctrl-C and with their parent."""

from __future__ import annotations

import multiprocessing
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import wait
from pathlib import Path

from otdravg.errors import OutOfMemory, WorkersLost

#: A worker that has loaded the package and waits, and what it takes for each point of the two
#: shots of a pair (measured: 39 MB, and 231 to 288 bytes a point for pairs of 80,000 to 1.3
#: million points; highest resident size, Linux, numpy 2).
WORKER_BYTES = 64_000_000
BYTES_PER_POINT = 300
#: Share of the free memory that workers may take; the rest is for what they bring back. Chosen.
WORKERS_SHARE = 0.75
#: The pool of processes takes no more on Windows (Python's documentation, concurrent.futures).
MOST_ON_WINDOWS = 61
#: Where Linux says what memory is free (proc(5)), and what a container may use (cgroup v2).
MEMORY_INFO = Path("/proc/meminfo")
MEMORY_LIMIT = Path("/sys/fs/cgroup/memory.max")


@dataclass(frozen=True, slots=True)
class Room:
    """How many worker processes a machine has room for."""

    processors: int
    by_memory: int | None  # None: the system does not say what memory is free

    @property
    def workers(self) -> int:
        """Processes at most, at least 1."""
        return max(min(self.processors, self.by_memory or self.processors), 1)

    def __str__(self) -> str:
        memory = "" if self.by_memory is None else f" and memory for {self.by_memory}"
        return f"processors for {self.processors}{memory}"


def room_for_workers(points: int) -> Room:
    """Tell how many workers processors and memory allow.

    Parameters
    ----------
    points : int
        Points of the longest shot that may come; a worker holds two such shots.
    """
    processors = os.cpu_count() or 1
    if sys.platform == "win32":
        processors = min(processors, MOST_ON_WINDOWS)
    free = _free_bytes()
    need = WORKER_BYTES + 2 * BYTES_PER_POINT * points
    return Room(processors, None if free is None else max(int(WORKERS_SHARE * free / need), 1))


def _free_bytes() -> int | None:
    """Memory that programs can have; None where the system does not say (other than Linux)."""
    known: list[int] = []
    with suppress(OSError):
        text = MEMORY_INFO.read_text(encoding="ascii")
        known += [1024 * int(kb) for kb in re.findall(r"^MemAvailable: *(\d+) kB", text, re.M)]
    with suppress(OSError, ValueError):  # "max": this container has no limit of its own
        known.append(int(MEMORY_LIMIT.read_text(encoding="ascii")))
    return min(known, default=None)


@contextmanager
def local_workers(count: int) -> Iterator[Executor]:
    """Hold worker processes that are started and prepared.

    Leaving by an error or by Ctrl-C gives up what has not begun and waits for what has. Workers
    are not terminated: a pool whose workers vanish fails the work that was given up a second
    time, and says so in a traceback.

    Parameters
    ----------
    count : int
        Processes, at least 1.

    Raises
    ------
    WorkersLost
        If a worker vanished, as when the system ran out of memory and killed it.
    OutOfMemory
        If a worker, or what is done with its results, was given no more memory.
    """
    with ProcessPoolExecutor(count, initializer=_begin) as executor:
        try:
            with _interrupts_held():
                for _ in range(count):
                    executor.submit(os.getpid)  # any work: it starts the processes
            yield executor
        except BrokenProcessPool as error:
            raise WorkersLost(count) from error
        except BaseException as error:
            executor.shutdown(cancel_futures=True)
            if isinstance(error, MemoryError):
                raise OutOfMemory from error
            raise


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while workers start: until they are prepared they would answer it too."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """Prepare a worker. A terminal sends Ctrl-C to all, only their parent shall answer.

    The pool's workers wait for work on a pipe that they keep open themselves: when their parent
    is killed they would wait for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent.sentinel,), daemon=True).start()


def _end_after(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)

"""Worker processes of this machine that end with their work, with Ctrl-C and with their parent."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.connection import wait

from otdravg.errors import WorkersLost

__all__ = ["local_workers"]


@contextmanager
def local_workers(count: int, prepare: Callable[[], object] | None = None) -> Iterator[Executor]:
    """Hold worker processes that are started and prepared.

    Leaving by an error or by Ctrl-C gives up what has not begun and waits for what has. Workers
    are not terminated: a pool whose workers vanish fails the work that was given up a second
    time, and says so in a traceback.

    Parameters
    ----------
    count : int
        Processes, at least 1.
    prepare : callable or None
        Called in each worker before its first work; picklable.

    Raises
    ------
    WorkersLost
        If a worker vanished, as when the system ran out of memory and killed it.
    """
    with ProcessPoolExecutor(count, initializer=_begin, initargs=(prepare,)) as executor:
        try:
            with _interrupts_held():
                for _ in range(count):
                    executor.submit(os.getpid)  # any work: it starts the processes
            yield executor
        except BrokenProcessPool as error:
            raise WorkersLost(count) from error
        except BaseException:
            executor.shutdown(cancel_futures=True)
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


def _begin(prepare: Callable[[], object] | None) -> None:
    """Prepare a worker. A terminal sends Ctrl-C to all, only their parent shall answer.

    The pool's workers wait for work on a pipe that they keep open themselves: when their parent
    is killed they would wait for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent.sentinel,), daemon=True).start()
    if prepare is not None:
        prepare()


def _end_after(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)

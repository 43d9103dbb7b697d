"""Waiting until something may have happened in a folder: told by the system, or by the clock.

What the system tells (watchdog, extra "watch") only ends a wait early. What happened is always
found by looking, so that a share or a stick whose changes nobody tells loses nothing.
"""

from __future__ import annotations

import importlib
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

#: Seconds between two looks where nothing tells of changes. Chosen, not derived: with the 4 s of an
#: answer about 3,456 shots it leaves the answer within 5 s, and a look at them takes 0.04 s.
POLL_S = 1.0
#: Where the system tells, it is looked all the same, but less often: shares do not tell. Chosen.
TOLD_POLL_S = 10.0


@contextmanager
def waiting(
    folders: Sequence[Path], poll_s: float | None
) -> Iterator[Callable[[float | None], None]]:
    """Give a function that waits for a change, so many seconds at most.

    ``poll_s``: look that often and ask the system for nothing; None: be told if possible.
    """
    changed = threading.Event()
    observer = None if poll_s is not None else _observer(folders, changed)
    most_s = poll_s if poll_s is not None else (POLL_S if observer is None else TOLD_POLL_S)

    def wait(due_s: float | None) -> None:
        changed.wait(most_s if due_s is None else min(due_s, most_s))
        changed.clear()

    try:
        yield wait
    finally:
        if observer is not None:
            observer.stop()
            observer.join()


def _observer(folders: Sequence[Path], changed: threading.Event) -> Any:
    """An observer that sets an event at every change; None where there is none to be had."""
    try:
        events = importlib.import_module("watchdog.events")
        observers = importlib.import_module("watchdog.observers")
    except ImportError:
        return None
    handler = events.FileSystemEventHandler()
    handler.on_any_event = lambda event: changed.set()
    observer = observers.Observer()
    try:
        for folder in folders:
            observer.schedule(handler, str(folder), recursive=True)
        observer.start()
    except OSError:  # no more watches to be had, or a disk that has none: looking does it
        return None
    return observer

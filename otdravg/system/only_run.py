"""One run at a time writes to one target."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from otdravg.errors import OutputRefused
from otdravg.findings import Statement, says


@contextmanager
def as_refusal(target: Path, advice: Statement) -> Iterator[None]:
    """Turn what the system says while a target is written into one line about the target.

    Raises
    ------
    OutputRefused
        In place of any ``OSError``.
    """
    try:
        yield
    except OSError as error:
        raise OutputRefused.by_system(target, error, advice) from error


@contextmanager
def only_run(target: Path) -> Iterator[None]:
    """Hold a lock beside the target; the system lets go of it however the program ends.

    Raises
    ------
    OutputRefused
        If another run holds it, or none can be made there.
    """
    place = Path(os.path.realpath(target))
    lock = place.with_name(f".{place.name}.lock")
    # Read and write, so that opening a pipe of that name does not wait for its other end.
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    with as_refusal(target, says("choose-another")):
        descriptor = os.open(lock, flags, 0o644)
    try:
        with as_refusal(target, says("choose-another")):
            is_ours = _locked(descriptor)
        if not is_ours or not _is_still(lock, descriptor):
            raise OutputRefused(target, says("other-run"), says("wait-for-end"))
        try:
            yield
        finally:
            with suppress(OSError):  # another system refuses while it is open: then it stays
                lock.unlink()
            _let_go(descriptor)
    finally:
        os.close(descriptor)


def _is_still(lock: Path, descriptor: int) -> bool:
    """Whether the lock file has not been taken away by the run that had it before."""
    try:
        return os.path.samestat(lock.stat(), os.fstat(descriptor))
    except OSError:
        return False


def _locked(descriptor: int) -> bool:
    """Take a lock that ends with the process; False if another one has it."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _let_go(descriptor: int) -> None:
    """Give the lock back even if a worker process still holds the same open file."""
    with suppress(ImportError):
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_UN)

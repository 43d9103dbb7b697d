"""Where a command measures: here, or in processes of this machine."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path

from otdravg.cli.terminal import print_error
from otdravg.report.page import counted
from otdravg.sor.sizes import SizeLimits
from otdravg.system.workers import local_workers, room_for_workers

#: Below the 32 MiB up to which glibc learns from what is freed.
LARGE_BLOCK_BYTES = 30_000_000


@contextmanager
def measuring_executor(
    workers: int | None, folders: tuple[Path, ...], size_limits: SizeLimits
) -> Iterator[Executor | None]:
    """Where to measure: processes of this machine, or here for a single worker."""
    from otdravg.cable.files.folder import find_files

    shots = (file.location.size_bytes for file in find_files(folders) if file.is_trace_file)
    # Two bytes a point (SR-4731, DataPts).
    room = room_for_workers(min(max(shots, default=0) // 2, size_limits.points))
    count = min(workers or room.workers, room.workers)
    if workers is not None and workers > count:
        print_error(f"{counted(count, 'worker process')}, not {workers}: this machine has {room}")
    if count == 1:
        yield None
        return
    with local_workers(count, _keep_freed_memory) as executor:
        yield executor


def _keep_freed_memory() -> None:
    """Let the C library keep what one shot has freed for the next one.

    glibc gives arrays back to the system at once until it has seen a larger block freed, and then
    takes them again page by page: 7 % of the time of a large run. This block is never touched, so
    it costs nothing; with other libraries it does nothing.
    """
    import numpy as np

    np.empty(LARGE_BLOCK_BYTES, dtype=np.uint8)

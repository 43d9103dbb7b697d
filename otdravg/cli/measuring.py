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
    with local_workers(count) as executor:
        yield executor

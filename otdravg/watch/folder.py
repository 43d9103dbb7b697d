"""Files of a folder that are complete: nobody has touched them for a while, and they were read.

The folder's clock and the instrument's may be wrong, so age is counted by looks at the folder:
a file is complete when size and time have stayed what they were for so many seconds by a clock
that only goes forward. Nothing in the folder is ever written, locked or moved.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from otdravg.cable.files.folder import FoundFile, RawShot, find_files, read_header
from otdravg.cable.measure.jobs import spread
from otdravg.errors import OtdravgError
from otdravg.sor.sizes import SizeLimits

#: Seconds for which a file has to be left alone. Chosen, not derived: an instrument writes a shot
#: in less than one, a stick over USB 1 pauses for less than two.
SETTLE_S = 4.0

#: What tells that a file was touched: size, time of the last change in ns, number on the disk.
Signature = tuple[int, int, int]
Listing = Mapping[FoundFile, Signature]


def listed(folders: Sequence[Path]) -> Listing:
    """List every file below some folders with what tells that it was touched.

    Raises
    ------
    BadSetting
        If a folder is not there, or cannot be read.
    """
    found: dict[FoundFile, Signature] = {}
    for file in find_files(folders):
        try:
            status = os.stat(file.location.path, follow_symlinks=False)
        except OSError:  # gone between listing and now: the next look will tell
            continue
        found[file] = (file.location.size_bytes, status.st_mtime_ns, status.st_ino)
    return found


@dataclass(frozen=True, slots=True)
class Look:
    """What one look at the folder showed."""

    shots: tuple[RawShot, ...]  # of the files that are complete
    settling: int  # files that changed too short a time ago
    due_s: float | None  # seconds until the first of them may be complete; None: none is awaited
    away: str = ""  # why the folder could not be read this time; the shots are those from before


class Follower:
    """Looks at a folder again and again.

    Parameters
    ----------
    folders : sequence of Path
        Later ones hold shots taken after a repair.
    settle_s : float
        So long size and time of a file have to stay the same.
    clock : callable
        Seconds that only grow, from any zero.
    listing : callable
        What is in the folders, as :func:`listed` tells it.
    """

    def __init__(
        self,
        folders: Sequence[Path],
        settle_s: float,
        clock: Callable[[], float],
        listing: Callable[[Sequence[Path]], Listing] = listed,
        size_limits: SizeLimits | None = None,
    ) -> None:
        self._folders = folders
        self._settle_s = settle_s
        self._clock = clock
        self._listing = listing
        self._read = partial(read_header, size_limits=size_limits or SizeLimits())
        self._since: dict[str, tuple[Signature, float]] = {}
        self._shots: dict[str, tuple[float, RawShot]] = {}  # with the time of the touch before it
        self._last: Look | None = None

    def look(self, executor: Executor | None = None) -> Look:
        """Look once, and read what has become complete.

        Raises
        ------
        OtdravgError
            If the folder cannot be read, and never could.
        """
        try:
            files = self._listing(self._folders)
        except OtdravgError as error:
            if self._last is None:
                raise
            # A share or a stick that is away is not a folder from which all was deleted.
            return Look(self._last.shots, 0, None, str(error))
        now = self._clock()
        self._since = {
            file.path: (signature, self._touched(file, signature, now))
            for file, signature in files.items()
        }
        ages = {path: now - since for path, (_, since) in self._since.items()}
        complete = [file for file in files if ages[file.path] >= self._settle_s]
        known = {
            file.path: kept
            for file in complete
            if (kept := self._shots.get(file.path)) is not None
            and kept[0] == self._since[file.path][1]
        }
        new = [file for file in complete if file.path not in known]
        for file, shot in zip(new, spread(self._read, new, executor, batch=64), strict=True):
            known[file.path] = self._since[file.path][1], shot
        # What could not even be opened, as a file that its writer has locked, is tried again.
        self._shots = {
            path: kept for path, kept in known.items() if kept[1].sha256 or not kept[1].problem
        }
        waiting = [age for age in ages.values() if age < self._settle_s]
        self._last = Look(
            tuple(known[file.path][1] for file in sorted(complete)),
            len(waiting),
            self._settle_s - max(waiting) if waiting else None,
        )
        return self._last

    def _touched(self, file: FoundFile, signature: Signature, now: float) -> float:
        """When a file was touched last, by our clock.

        A stick that is put in again numbers its files anew, and so does its driver when it runs
        short of memory: where only the number is another one, the content tells.
        """
        before, since = self._since.get(file.path, (None, now))
        if before is None or before == signature:
            return since
        _, kept = self._shots.get(file.path, (now, None))
        is_same = (
            before[:2] == signature[:2]
            and kept is not None
            and bool(kept.sha256)
            and self._read(file).sha256 == kept.sha256
        )
        return since if is_same else now

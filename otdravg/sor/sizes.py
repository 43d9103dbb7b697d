"""How large a trace file may be: what a stranger's file can cost to read is bounded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from os import PathLike

from otdravg.errors import UnreadableTrace
from otdravg.findings import says


@dataclass(frozen=True, slots=True)
class SizeLimits:
    """The largest file that is read; each limit is far above what instruments store.

    Parameters
    ----------
    points : int
        Data points of a file. Instruments store up to some hundred thousand (common practice, no
        source); 2 million are 100 km at every 5 cm.
    file_bytes : int
        Size of a file: four times what so many points take, for makers' own blocks.
    blocks : int
        Blocks after the Map. The standard has seven, makers add a few.
    traces : int
        Pulse widths, and scale factors of the data points; an instrument has about a dozen.
    """

    points: int = 2_000_000
    file_bytes: int = 16 * 2**20
    blocks: int = 256
    traces: int = 256

    def times(self, factor: int) -> SizeLimits:
        """Return limits so many times larger."""
        return SizeLimits(
            self.points * factor,
            self.file_bytes * factor,
            self.blocks * factor,
            self.traces * factor,
        )

    def check_points(self, found: int, path: str | PathLike[str]) -> None:
        """Refuse too many data points."""
        self._check("DataPts", found, self.points, "data points", path)

    def check_file(self, found: int, path: str | PathLike[str]) -> None:
        """Refuse too large a file; ``found`` is its size in bytes."""
        self._check("file", found, self.file_bytes, "bytes", path)

    def check_blocks(self, found: int, path: str | PathLike[str]) -> None:
        """Refuse too many blocks after the Map."""
        self._check("Map", found, self.blocks, "blocks", path)

    def check_traces(self, block: str, what: str, found: int, path: str | PathLike[str]) -> None:
        """Refuse too many pulse widths or scale factors; ``what`` says which."""
        self._check(block, found, self.traces, what, path)

    @staticmethod
    def _check(block: str, found: int, most: int, what: str, path: str | PathLike[str]) -> None:
        if found <= most:
            return
        expected = says("expected-at-most", most=most, what=what, found=found)
        advice = says("allow-larger", factor=math.ceil(found / most))
        raise UnreadableTrace(path, block, None, expected, advice)


#: No limits: for bytes that were let in before, or are the program's own.
ANY_SIZE = SizeLimits().times(2**32)

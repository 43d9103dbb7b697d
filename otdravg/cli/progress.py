"""Progress of long work on stderr, with the time left; silent when it is not a terminal."""

from __future__ import annotations

import sys
import time
from typing import TextIO

from otdravg.cli.terminal import spoken
from otdravg.words.catalogue import group, say

_LEAST_SECONDS = 0.2
_BAR = 24


class ProgressLine:
    """One line that is written over: stage, bar, count, time left."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._shown = self._stream.isatty()
        self._stage = ""
        self._began = self._last = 0.0
        self._written = False

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Show how far a stage is; called as often as anybody likes."""
        if not self._shown or total == 0:
            return
        now = time.monotonic()
        if stage != self._stage:
            self._stage, self._began, self._last = stage, now, 0.0
        if now - self._last < _LEAST_SECONDS and done < total:
            return
        self._last = now
        filled = _BAR * done // total
        bar = "#" * filled + "." * (_BAR - filled)
        shown = group("stage", spoken())[stage]
        line = f"{shown}: [{bar}] {done}/{total}{self._left(now, done, total)}"
        self._stream.write(f"\r{line:<79}"[:80])
        self._stream.flush()
        self._written = True

    def _left(self, now: float, done: int, total: int) -> str:
        if not 0 < done < total:
            return ""
        seconds = round((now - self._began) * (total - done) / done)
        minutes, seconds = divmod(seconds, 60)
        left = say("screen", "time-left", spoken(), minutes=minutes, seconds=seconds)
        return f", {left}"

    def clear(self) -> None:
        """Take the line away before anything else is printed."""
        if self._written:
            self._stream.write("\r" + " " * 79 + "\r")
            self._stream.flush()

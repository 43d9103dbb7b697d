"""How fast a crew shoots, by the times in its files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from otdravg.cable.lists.instruments import instrument_name
from otdravg.cable.model import ShotRecord, ShotUse

#: A longer gap between two shots is no part of shooting, s. Chosen, not derived: a break, a drive.
_PAUSE_S = 900.0


@dataclass(frozen=True, slots=True)
class Pace:
    """What the files of one instrument say of its work."""

    instrument: str
    shots: int
    again: int  # of them shot again later, or unusable
    gaps: int  # between shots, pauses left out
    working_s: float  # all of them together
    between_s: float | None  # median from shot to shot, less averaging; None without times

    @property
    def per_hour(self) -> float | None:
        """Shots per hour of work; None where the times tell nothing."""
        return 3600 * self.gaps / self.working_s if self.working_s > 0 else None

    @property
    def share_again(self) -> float:
        """Share of shots that were taken again."""
        return self.again / self.shots


def paces(records: Sequence[ShotRecord]) -> tuple[Pace, ...]:
    """Return the pace of every instrument, by name; files that are copies do not count."""
    groups: dict[str, list[ShotRecord]] = defaultdict(list)
    for record in records:
        if record.identity is not None and record.use is not ShotUse.REPEAT:
            groups[instrument_name(record)].append(record)
    return tuple(_pace(name, own) for name, own in sorted(groups.items()))


def _pace(name: str, records: Sequence[ShotRecord]) -> Pace:
    again = sum(record.use is ShotUse.EARLIER for record in records)
    timed: list[tuple[datetime, float]] = sorted(
        (r.taken, r.settings.averaging_time_s) for r in records if r.taken and r.settings
    )
    own = [
        (gap_s, averaging_s)
        for (earlier, _), (later, averaging_s) in pairwise(timed)
        if 0 < (gap_s := (later - earlier).total_seconds()) <= _PAUSE_S
    ]
    between = [max(gap_s - averaging_s, 0.0) for gap_s, averaging_s in own]
    return Pace(
        name,
        len(records),
        again,
        len(own),
        sum(gap_s for gap_s, _ in own),
        median(between) if between else None,
    )

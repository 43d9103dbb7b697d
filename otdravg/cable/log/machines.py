"""What splicing machines estimate, beside what was measured from both ends."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from otdravg.cable.log.model import LogLine, Machine

#: Fewer ribbons say nothing of a machine. Chosen, not derived.
_LEAST_RIBBONS = 5
#: Median absolute deviation to standard deviation, and mean to median, for normal errors.
_MAD, _MEDIAN = 1.4826, 1.2533
#: An estimate is far below what was measured from this, dB, and this many of its machine's
#: scatters beyond its bias. Chosen, not derived: estimates of good splices are a few hundredths off
#: (common practice, no source).
_FAR_DB, _FAR_SCATTERS = 0.1, 4.0


def machines(lines: Sequence[LogLine], measured_db: Mapping[int, float]) -> tuple[Machine, ...]:
    """Compare the estimates of each splicer with what was measured.

    ``measured_db`` is the highest true loss of a ribbon's fibres, by the number of its line.
    """
    apart: dict[str, list[float]] = defaultdict(list)
    for line in lines:
        if line.estimated_db is not None and line.line in measured_db:
            apart[line.splicer].append(line.estimated_db - measured_db[line.line])
    return tuple(_machine(splicer, own) for splicer, own in sorted(apart.items()))


def _machine(splicer: str, apart_db: Sequence[float]) -> Machine:
    bias_db = float(np.median(apart_db))
    scatter_db = _MAD * float(np.median(np.abs(np.array(apart_db) - bias_db)))
    u_db = _MEDIAN * scatter_db / len(apart_db) ** 0.5
    return Machine(splicer, len(apart_db), bias_db, u_db, scatter_db)


def far_below(line: LogLine, measured_db: float | None, own: Sequence[Machine]) -> float | None:
    """By how much an estimate is below what was measured, dB, if that is far; else None."""
    if line.estimated_db is None or measured_db is None:
        return None
    below_db = measured_db - line.estimated_db
    machine = next((m for m in own if m.splicer == line.splicer), None)
    if machine is not None and machine.ribbons >= _LEAST_RIBBONS:
        least_db = _FAR_SCATTERS * machine.scatter_db - machine.bias_db
    else:
        least_db = 0.0
    return below_db if below_db > max(_FAR_DB, least_db) else None

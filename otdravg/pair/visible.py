"""How small a splice a shot can show at all, and where.

A step is seen when its likelihood ratio passes the threshold of the stated false-alarm rate.
With the Cramér-Rao bound u(z) on a step at z (straight pieces on both sides, the ramp left
out), the reading scatters around the step by u, so that a one-way step s is seen with
probability Φ(s/u − √threshold). The limit is the step that is seen 19 times in 20.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from otdravg.pair.measure import Measurement
from otdravg.shot.detect import Detection, threshold_of
from otdravg.shot.settings import Direction
from otdravg.shot.steps import Search, alone_between

FloatArray = npt.NDArray[np.float64]

#: A step at the limit is seen with this probability. Paper: Currie, Anal. Chem. 40 (1968) 586,
#: overlooks one in twenty at the limit of detection; from memory.
SEEN_SHARE = 0.95
#: Positions along the span at which the limit is given. Chosen, not derived: a picture shows no
#: more; the worst place is looked for by itself.
_CURVE_POINTS = 41
#: Cells that a piece needs on either side before its line is trusted, as in the search. Derived:
#: level and slope take two, one is left to judge them by.
_LEAST_CELLS = 3


@dataclass(frozen=True, slots=True, eq=False)
class DirectionLimit:
    """Detection limit of one shot of a pair.

    ``distance_m`` (shape (n,)) runs from the span's A end, ``step_db`` (shape (n,)) is the
    smallest one-way step that is seen there, NaN where none can be (dead zone, no signal).
    ``worst_m`` is the middle of the section with the largest limit, clear of all events;
    ``blind_m`` are the middles of sections in which nothing can be seen.
    """

    direction: Direction
    false_alarm_rate: float
    distance_m: FloatArray
    step_db: FloatArray
    worst_m: float | None
    worst_db: float | None
    blind_m: tuple[float, ...]


def smallest_step_db(u_db: FloatArray, threshold: float, seen: float = SEEN_SHARE) -> FloatArray:
    """Give the step that passes a threshold with a probability.

    Parameters
    ----------
    u_db : array
        Standard deviation of the step's estimate in dB.
    threshold : float
        Of the likelihood ratio (step/u)², see :func:`otdravg.shot.steps.threshold_for`.
    seen : float
        Probability that the step is seen.

    Returns
    -------
    array
        (√threshold + Φ⁻¹(seen))·u in dB, shape of ``u_db``. The chance that a step of the
        wrong sign passes is left out; it is nil above a threshold of 4.
    """
    return np.asarray(u_db * (math.sqrt(threshold) + NormalDist().inv_cdf(seen)))


def limit_at(detection: Detection, x_m: FloatArray, seen: float = SEEN_SHARE) -> FloatArray:
    """Give the smallest one-way step that a shot shows at distances from its front panel.

    Parameters
    ----------
    detection : Detection
        A searched shot; its events bound the straight pieces.
    x_m : array
        Distances from the front panel in metres, shape (n,).

    Returns
    -------
    array
        dB, shape (n,); NaN inside dead zones and beyond the signal.
    """
    shot = detection.shot
    zones = [(0.0, float(shot.x_m[shot.front_clear]))]
    for event in detection.before_end:
        clear_m = max(event.clear_m, event.distance_m + shot.recovery_m)
        zones.append((event.distance_m - shot.guard_m, clear_m))
    x = np.asarray(x_m, dtype=float)
    stop_m = detection.end_m if detection.end_seen else shot.signal_end_m
    search, behind = Search.of(shot), x + shot.recovery_m
    lo, hi = alone_between(search, zones, x, stop_m - shot.guard_m)
    u_db = np.hypot(search.step(lo, x, behind, hi).u_db, shot.rounding_db)
    enough = (search.index(x) - lo >= _LEAST_CELLS) & (hi - search.index(behind) >= _LEAST_CELLS)
    threshold = threshold_of(shot, detection.false_alarm_rate)
    limit = smallest_step_db(np.where(enough, u_db, np.nan), threshold, seen)
    return np.where(np.isfinite(limit), limit, np.nan)


def detection_limits(measurement: Measurement) -> tuple[DirectionLimit, DirectionLimit]:
    """Give the detection limit of both shots of a pair along its span, A→B first."""
    length_m = measurement.axis.length_m
    edges = np.array([0.0, *(p.middle_m for p in measurement.places), length_m])
    middle = (edges[:-1] + edges[1:]) / 2
    grid = np.linspace(0.0, length_m, _CURVE_POINTS)
    found = []
    for detection, side, direction in (
        (measurement.detection_ab, measurement.side_ab, Direction.A_TO_B),
        (measurement.detection_ba, measurement.side_ba, Direction.B_TO_A),
    ):
        limits = limit_at(detection, np.asarray(side.x(np.concatenate([grid, middle]))))
        curve, sections = limits[: grid.size], limits[grid.size :]
        seen = np.isfinite(sections)
        worst = int(np.nanargmax(sections)) if seen.any() else None
        found.append(
            DirectionLimit(
                direction,
                detection.false_alarm_rate,
                grid,
                curve,
                None if worst is None else float(middle[worst]),
                None if worst is None else float(sections[worst]),
                tuple(float(z) for z in middle[~seen]),
            )
        )
    return found[0], found[1]

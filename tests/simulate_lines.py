"""Read a step off a level curve by two straight lines: numpy only, nothing of the package."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def one_way_loss_db(
    distance_m: FloatArray,
    level_db: FloatArray,
    event_m: float,
    before_m: tuple[float, float],
    after_m: tuple[float, float],
) -> float:
    """Extrapolate lines fitted before and after to the event: positive is a loss."""
    ends = []
    for low_m, high_m in (before_m, after_m):
        inside = (distance_m >= low_m) & (distance_m <= high_m)
        # Distances from the event keep the fit well conditioned; its value there is the constant.
        slope, constant = np.polyfit(distance_m[inside] - event_m, level_db[inside], 1)
        assert np.isfinite(slope)
        ends.append(float(constant))
    return ends[0] - ends[1]

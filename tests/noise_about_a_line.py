"""The noise of points about one straight line, as the core estimates it, for several folders."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from otdravg.shot.noise import DB_PER_RELATIVE_POWER, Lines, NoiseModel, noise_about

__all__ = ["noise_about_a_line"]

FloatArray = npt.NDArray[np.float64]


def noise_about_a_line(
    residual_db: FloatArray,
    level_db: FloatArray,
    *,
    usable: npt.NDArray[np.bool_] | None = None,
    pieces: int = 1,
    **how: Any,
) -> NoiseModel:
    """Estimate from residuals of power, in dB to first order, about levels that lie on a line.

    The line counts as so many pieces, of two fitted parameters each.
    """
    points = level_db.size
    assert np.ptp(np.diff(level_db)) < 1e-9
    slope_db = (level_db[-1] - level_db[0]) / (points - 1)
    edges = np.linspace(0, points, pieces + 1).astype(np.intp)
    line = Lines(edges[:-1], edges[1:], level_db[edges[:-1]], np.full(pieces, slope_db))
    power = np.exp(level_db / DB_PER_RELATIVE_POWER) * (1 + residual_db / DB_PER_RELATIVE_POWER)
    return noise_about(line, power, np.ones(points, bool) if usable is None else usable, **how)

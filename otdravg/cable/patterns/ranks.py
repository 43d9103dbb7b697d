"""Rank tests: significance that does not lean on the shape of the losses' distribution.

Splice losses are skewed, with a few large ones. Ranked within its own ribbon, a fibre's
loss is as likely to come first as last if positions do not matter, whatever that shape.

References
----------
.. [1] M. Friedman, "The use of ranks to avoid the assumption of normality implicit in the
   analysis of variance", Journal of the American Statistical Association 32 (1937).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["rank_sum_chance", "ranks_in_rows"]

FloatArray = npt.NDArray[np.float64]

#: Up to so many rows the distribution is computed exactly, beyond it is normal.
_EXACT_ROWS = 40


def ranks_in_rows(y: FloatArray) -> FloatArray:
    """Rank every row from 1 (smallest), ties shared, NaN kept.

    Parameters
    ----------
    y : ndarray, shape (rows, columns)
    """
    from scipy.stats import rankdata  # half a second: not every command asks for patterns

    return np.asarray(rankdata(y, axis=1, nan_policy="omit"), dtype=np.float64)


def rank_sum_chance(ranks: FloatArray, sizes: npt.NDArray[np.int_]) -> float:
    """Return the chance that ranks drawn by luck sum up to at least the given ones.

    Parameters
    ----------
    ranks : ndarray, shape (n,)
        Rank of one member in each of n rows.
    sizes : ndarray of int, shape (n,)
        How many members each row has.

    Notes
    -----
    Each rank is uniform on 1…size and independent of the others, as in Friedman's test [1]_.
    Up to 40 rows the sum's distribution is their exact convolution; beyond, the normal one
    with the same mean and variance, which is on the safe side since the true tails are
    lighter.
    """
    total = float(ranks.sum())
    if ranks.size > _EXACT_ROWS:
        mean = float(np.sum((sizes + 1) / 2))
        variance = float(np.sum((sizes**2 - 1) / 12))
        return 0.5 * math.erfc((total - 0.5 - mean) / math.sqrt(2 * variance))
    chances = np.ones(1)
    for size in sizes:
        chances = np.convolve(chances, np.full(size, 1 / size))
    # Entry i of the convolution is the sum n + i; a shared rank may make the total a half.
    first = math.ceil(total - ranks.size - 1e-9)
    return float(min(chances[max(first, 0) :].sum(), 1.0))

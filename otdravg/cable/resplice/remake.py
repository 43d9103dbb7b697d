"""What remaking a ribbon risks and can gain, judged by this cable's own splices.

A ribbon is cut and spliced as a whole, so a remake throws all its fibres anew. How well
that goes is estimated from the splices that the same crew made on the same cable.

References
----------
.. [1] D. Marcuse, "Loss analysis of single-mode fiber splices", Bell Syst. Tech. J. 56
   (1977): the loss of unequal mode fields, which no remake removes.
.. [2] G. Casella, "An introduction to empirical Bayes data analysis", The American
   Statistician 39 (1985): rates of small groups shrunk towards that of all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from otdravg.fit.reading import mode_field_ratio
from otdravg.verdict.connector import mismatch_loss_db

__all__ = [
    "chance_all_pass",
    "chance_over",
    "expected_worst_db",
    "floor_db",
    "shrunk_rates",
]

FloatArray = npt.NDArray[np.float64]

#: Grid on which losses are added and their distribution kept.
_GRID_DB = 0.001


def chance_all_pass(p_fail: float, fibres: int) -> float:
    """Return (1 - p)^R: the chance that all R fibres of a ribbon come out within the limit.

    Notes
    -----
    Takes the fibres of a ribbon as independent. They share cleave and arc, so failures come
    in company: the true chance of a clean ribbon is rather higher, and so is that of several
    failures at once.
    """
    return float((1 - p_fail) ** fibres)


def shrunk_rates(failing: Sequence[int], counted: Sequence[int]) -> tuple[FloatArray, float]:
    """Estimate a failure rate for each group, leaning on all groups where a group is small.

    Parameters
    ----------
    failing, counted : sequence of int
        Failing and counted splices in each group (closure); groups may be empty.

    Returns
    -------
    rates : ndarray, shape (groups,)
        (k + M·μ)/(n + M) with k of n failing in the group.
    overall : float
        μ = (K + ½)/(N + 1) over all groups (Jeffreys' prior: never exactly 0 or 1).

    Notes
    -----
    M, the weight of the overall rate, maximises the beta-binomial likelihood of the groups
    [2]_: large where they differ no more than chance makes them, small where they do differ.
    """
    from scipy.special import betaln  # half a second: most commands never ask

    k, n = np.asarray(failing, dtype=float), np.asarray(counted, dtype=float)
    overall = float((k.sum() + 0.5) / (n.sum() + 1))
    weights = np.geomspace(1.0, 1e5, 61)[:, None]
    a, b = weights * overall, weights * (1 - overall)
    likelihood = (betaln(k + a, n - k + b) - betaln(a, b)).sum(axis=1)
    weight = float(weights[int(np.argmax(likelihood)), 0])
    return (k + weight * overall) / (n + weight), overall


def floor_db(backscatter_step_db: float | None) -> float:
    """Estimate the loss in dB that unequal mode fields cost and no remake removes [1]_.

    The mode-field ratio comes from the backscatter step as if both glasses scattered alike:
    an estimate. Without a step, 0 dB.
    """
    if backscatter_step_db is None:
        return 0.0
    return mismatch_loss_db(mode_field_ratio(backscatter_step_db))


def expected_worst_db(removable_db: FloatArray, floors_db: Sequence[float]) -> float:
    """Return the worst loss to be expected in a ribbon after a remake.

    Parameters
    ----------
    removable_db : ndarray, shape (n,)
        What splices of this cable lose beyond their floors, in dB; not empty.
    floors_db : sequence of float
        Floors of the ribbon's fibres, in dB; not empty.

    Returns
    -------
    float
        Mean of max(floor + draw) over the fibres, in dB.

    Notes
    -----
    Each fibre's remake is an independent draw from the empirical distribution F of
    ``removable_db``. The largest of them lies below t with the chance Π F(t - floor), which
    is summed on a grid of 0.001 dB.
    """
    draws = np.rint(np.maximum(removable_db, 0.0) / _GRID_DB).astype(int)
    shifts = [round(floor / _GRID_DB) for floor in floors_db]
    top = int(draws.max()) + max(shifts) + 1
    share = np.cumsum(np.bincount(draws, minlength=top)) / draws.size
    below = np.ones(top)
    for shift in shifts:
        below[:shift] = 0.0
        below[shift:] *= share[: top - shift]
    return float(np.sum(1 - below) * _GRID_DB)


def chance_over(loss_db: float, u_db: float | None, limit_db: float) -> float | None:
    """Return the chance that the true loss is above the limit, for a normal error u.

    None where u is not known: not known is not 0.
    """
    if u_db is None:
        return None
    if not u_db:
        return 1.0 if loss_db > limit_db else 0.0
    return 0.5 * math.erfc((limit_db - loss_db) / (u_db * math.sqrt(2)))

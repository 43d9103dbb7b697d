"""Whether a place that reads as one splice is two, closer together than the pulse.

The search calls a place a group where the ramp of one shot is bent more than any receiver bends
it. Where both receivers are known to be sharp, less is enough: both shots are held together against
one splice and against two.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from otdravg.fit.side import Place, Side
from otdravg.pair.measure import Measurement
from otdravg.shot.ramp import RampWindows
from otdravg.shot.response import Response
from otdravg.shot.settings import ResponseSource

FloatArray = npt.NDArray[np.float64]

#: Distances between two splices that are tried, in tenths of the shorter pulse, and up to which a
#: receiver may make one splice look like two. Derived: further apart than a pulse and its tail two
#: splices show as two; a pole of 0.1 pulses that is not known rounds a ramp like two of them 0.1
#: to 0.2 pulses apart.
TENTHS, ROUNDED = 12, 2
#: Share of the loss that either of them has at least. Chosen, not derived: less does not show.
LEAST_SHARE = 0.1
#: Further apart they must leave less than this share of what nearer ones leave, and so much less of
#: the squared residuals in units of the noise. Benchmark: pair_scenarios, 1,117 single splices over
#: 0.18 dB leave more than 0.9 of it, two of 0.12 or 0.15 dB 0.52 at most and 8 less.
TWO_LEAVE, TWO_LESS = 0.65, 5.0


def two_splices_m(measurement: Measurement, row: int) -> float | None:
    """Tell how far apart two splices are that explain a place, if one splice does not.

    Parameters
    ----------
    measurement : Measurement
    row : int
        Which of its places.

    Returns
    -------
    float or None
        Metres; ``None`` where one splice explains both shots as well, and where a receiver that
        rounds its ramps, or may, would look like two.
    """
    sides = measurement.side_ab, measurement.side_ba
    if not all(_is_sharp(side.shot.response) for side in sides):
        return None
    step_m = min(side.shot.pulse_m for side in sides) / 10
    left = np.sum([_left_by(side, measurement.places, row, step_m) for side in sides], axis=0)
    one = float(left[: ROUNDED + 1].min())
    best = ROUNDED + 1 + int(np.argmin(left[ROUNDED + 1 :]))
    told = left[best] < TWO_LEAVE * one and left[best] < one - TWO_LESS
    return best * step_m if told else None


def _is_sharp(response: Response) -> bool:
    known = response.source is not ResponseSource.NONE
    return known and not (response.poles or response.short) and response.smoothing == 1


def _left_by(side: Side, places: tuple[Place, ...], row: int, step_m: float) -> FloatArray:
    """What the best two splices 0, 1, 2 … steps apart leave of one shot, shape (TENTHS + 1,).

    Weighted squares; both ramps are those of the whole step, mixed by the share that each has.
    """
    lo, hi = (edge[row : row + 1] for edge in side.cells_around(places))
    at_m = side.x(np.array([places[row].middle_m]))
    shot = side.shot
    windows = RampWindows.around(shot, at_m, max(shot.pulse_m, shot.recovery_m / 1.3), lo, hi)
    reach = round(1.2 * shot.pulse_m / step_m)
    each = windows.residual(at_m[:, None] + np.arange(-reach, reach + 1) * step_m)[0]
    products = np.einsum("gw,hw->gh", each, each)
    square = np.diag(products)
    left = [square.min()]
    for apart in range(1, TENTHS + 1):
        first, second, both = square[:-apart], square[apart:], np.diag(products, apart)
        unlike = np.maximum(first + second - 2 * both, 1e-30)
        share = np.clip((second - both) / unlike, LEAST_SHARE, 1 - LEAST_SHARE)
        mixed = share**2 * first + (1 - share) ** 2 * second + 2 * share * (1 - share) * both
        left.append(mixed.min())
    return np.array(left)

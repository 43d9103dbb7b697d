"""Whether glass can tell at all that numbers are exchanged: the odds that a perfect reader has.

The reader has the *true* one-way readings at every splice, the true length and attenuation of
every reel, each with the uncertainty that a shot of this catalogue allows, and knows how the
glass of the cable is drawn (``world.draw_cable``). Of a pair of shots of one fibre the readings
x = l + b and y = l − b have a loss l and a step b in common, and lengths and attenuations agree;
the readings of two fibres are independent. The odds of the true pairs against the labelled ones
are the ratio of both likelihoods; what the labels themselves are worth is not in them.

A kind in which a few fibres are mixed up draws until the odds are clear: no program is blamed
for what nobody can tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp
from simulated import Fibre

from scenarios.cable.world import Cable

__all__ = ["CLEAR_NATS", "clearly", "margin_nats"]

Floats: TypeAlias = npt.NDArray[np.float64]

#: Odds from which on there is no argument: a million to one.
CLEAR_NATS = math.log(1e6)
_REDRAWS = 2_000

#: Standard uncertainty of a one-way reading, dB, and of a reel's length, m; both larger than what
#: shots of this catalogue allow (measured: 1 mdB, 1.1 m for two closures apart).
_U_READING_DB, _U_LENGTH_M = 0.002, 1.5
#: Of the attenuation of a reel of 1 km, dB/km; derived: a line through coherence ripple of 3 mdB
#: that is new every 10 m has 0.003 · √(12 · 10 m / 1 km) / 1 km, and falls as length^1.5.
_U_SLOPE_AT_1_KM = 0.0011
#: How losses and steps are drawn, and the share and width of a tail of bad splices.
_LOSS_DB, _LOSS_SPREAD_DB, _STEP_SPREAD_DB = 0.07, 0.025, 0.07
_BAD_SHARE, _BAD_SPREAD_DB = 0.05, 0.25
_LENGTH_SPREAD, _SLOPE_SPREAD_DB_PER_KM = 3e-4, 0.002


def margin_nats(cable: Cable, among: Collection[int] | None = None) -> float:
    """Give the log odds of the true pairs against the labelled ones, where both exist.

    ``among`` are the fibres that count; without it all of the cable.
    """
    at_a = {cable.at_b.get(n, n): n for n in cable.numbers}
    counted = cable.numbers if among is None else among
    wrong = [n for n in counted if n in at_a and at_a[n] != n]
    true = sum(_log_one_fibre(cable, cable.glass[n], cable.glass[n]) for n in wrong)
    labelled = sum(_log_one_fibre(cable, cable.glass[n], cable.glass[at_a[n]]) for n in wrong)
    return true - labelled


def clearly(draw: Callable[[], Cable], *groups: Collection[int]) -> Cable:
    """Draw until the glass tells the mix-up clearly, in each of the groups of fibres.

    Raises
    ------
    ValueError
        If it never does: the kind is not tellable.
    """
    for _ in range(_REDRAWS):
        cable = draw()
        if all(margin_nats(cable, group) >= CLEAR_NATS for group in groups or (None,)):
            return cable
    raise ValueError("no version of this story can be told by its glass")


def _log_one_fibre(cable: Cable, near: Fibre, far: Fibre) -> float:
    """Log density of a shot from A of one glass and one from B of another, if both are one."""
    x = _losses(near) + np.asarray(near.backscatter_steps_db)
    y = _losses(far) - np.asarray(far.backscatter_steps_db)
    splices = [
        math.log(share) + _log_pair(x - _LOSS_DB, y - _LOSS_DB, spread, _STEP_SPREAD_DB)
        for share, spread in ((1 - _BAD_SHARE, _LOSS_SPREAD_DB), (_BAD_SHARE, _BAD_SPREAD_DB))
    ]
    told = float(logsumexp(splices, axis=0).sum())
    u_slope = _U_SLOPE_AT_1_KM / (_usual(cable, _lengths) / 1_000) ** 1.5
    for of, spread, u in (
        (_lengths, _LENGTH_SPREAD * _usual(cable, _lengths), _U_LENGTH_M),
        (_slopes, _SLOPE_SPREAD_DB_PER_KM, u_slope),
    ):
        middle = _usual(cable, of)
        told += float(_log_pair(of(near) - middle, of(far) - middle, spread, 0.0, u).sum())
    return told


def _usual(cable: Cable, of: Callable[[Fibre], Floats]) -> Floats:
    """Give the mean over the cable of what each reel has."""
    return np.asarray(np.mean([of(glass) for glass in cable.glass.values()], axis=0))


def _log_pair(
    x: Floats,
    y: Floats,
    alike: float | Floats,
    opposite: float,
    u: float | Floats = _U_READING_DB,
) -> Floats:
    """Log density of x = c + d + noise and y = c − d + noise: mean and half difference part."""
    mean, half = (x + y) / 2, (x - y) / 2
    u_each = u / math.sqrt(2)
    return _log_normal(mean, np.hypot(alike, u_each)) + _log_normal(
        half, np.hypot(opposite, u_each)
    )


def _log_normal(x: Floats, spread: float | Floats) -> Floats:
    return np.asarray(-0.5 * (x / spread) ** 2 - np.log(spread))


def _losses(glass: Fibre) -> Floats:
    return np.array([joint.loss_db for joint in glass.joints])


def _lengths(glass: Fibre) -> Floats:
    return np.array([section.length_m for section in glass.sections])


def _slopes(glass: Fibre) -> Floats:
    return np.array([section.attenuation_db_per_km for section in glass.sections])

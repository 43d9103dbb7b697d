"""Features of shots as the model of the method says, without files; everything is invented."""

from __future__ import annotations

import numpy as np

FloatArray = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def shots(
    fibres: int, seed: int, *, noise: float = 0.1, closures: int = 5
) -> tuple[FloatArray, FloatArray]:
    """Features as the model of the method says: readings l + b and l − b, equal lengths and slopes.

    Fibres by features, as ``fingerprint.features_of`` has them: losses, slopes, lengths of
    sections. ``noise`` is the scatter of a reading against that between fibres.
    """
    rng = np.random.default_rng(seed)
    from_a, from_b = np.empty((2, fibres, 3 * closures + 2))
    for n in range(fibres):
        loss = rng.lognormal(np.log(0.05), 0.4, closures)
        step = rng.normal(0, 0.06, closures)
        slope = 0.19 + rng.normal(0, 0.002, closures + 1)
        length = 2000 + rng.normal(0, 0.6, closures + 1)

        def read(value: np.ndarray, spread: float) -> np.ndarray:
            return value + rng.normal(0, noise * spread, value.size)

        for side, sign in ((from_a, 1), (from_b, -1)):
            side[n] = np.concatenate(
                (read(loss + sign * step, 0.06), read(slope, 0.002), read(length, 0.6))
            )
    return from_a, from_b

"""Shots without noise, ripple or rounding, by the definition of the signal in closed form.

A point shows the mean power over the pulse of what the glass scatters back, which falls by an
exponential along each piece of fibre; a reflection adds its power for as long as the pulse is.
Shares nothing with the package: the truth is what is put in, to the last digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from making import INDEX, PULSE_100_NS_M, instrument, shot, span
from scipy.signal import lfilter

from otdravg.shot.trace import Trace

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Glass:
    """A fibre from its A end: pieces, and what a shot from A and from B reads at their joints."""

    lengths_m: tuple[float, ...]
    losses_db: tuple[float, ...] = ()
    steps_db: tuple[float, ...] = ()  # what a reading from A exceeds the loss by
    heights_db: tuple[float, ...] = ()  # of a reflection above the fibre in front of it; 0: none
    slopes_db_per_km: tuple[float, ...] = (0.2,)
    panel_db: float = 8.0  # height of the instrument's own reflection

    @property
    def joints_m(self) -> FloatArray:
        """Positions of the joints."""
        return np.cumsum(self.lengths_m)[:-1]

    def read_db(self, *, from_b: bool = False) -> list[float]:
        """One-way readings of the joints, in the order of the shot."""
        steps = self.steps_db or (0.0,) * len(self.losses_db)
        read = [q - s if from_b else q + s for q, s in zip(self.losses_db, steps, strict=True)]
        return read[::-1] if from_b else read

    def power(self, x_m: FloatArray, pulse_m: float, *, from_b: bool = False) -> FloatArray:
        """Linear power at positions from the shot's own end; the fibre begins with 1."""
        way = -1 if from_b else 1
        slopes = (self.slopes_db_per_km * len(self.lengths_m))[: len(self.lengths_m)]
        heights = (self.heights_db or (0.0,) * len(self.losses_db))[::way]
        at_m, level_db = 0.0, 0.0
        power = np.where((x_m >= 0) & (x_m < pulse_m), 10 ** (self.panel_db / 5) - 1, 0.0)
        read = self.read_db(from_b=from_b)
        for k, (length_m, slope) in enumerate(
            zip(self.lengths_m[::way], slopes[::way], strict=True)
        ):
            rate = slope / 1000 * np.log(10) / 5  # of the power, per metre
            start = np.clip(x_m - pulse_m, at_m, at_m + length_m) - at_m
            stop = np.clip(x_m, at_m, at_m + length_m) - at_m
            lit = (np.exp(-rate * start) - np.exp(-rate * stop)) / rate / pulse_m
            power += 10 ** (level_db / 5) * lit
            at_m, level_db = at_m + length_m, level_db - slope / 1000 * length_m
            if k < len(read):
                over = 10 ** (level_db / 5) * (10 ** (heights[k] / 5) - 1)
                power += over * ((x_m >= at_m) & (x_m < at_m + pulse_m))
                level_db -= read[k]
        return power


def exact(
    glass: Glass, *, pulse_ns: float = 100.0, spacing_m: float = 1.0, from_b: bool = False,
    record: float = 1.3, dark: float = 1e-7,
) -> Trace:  # fmt: skip
    """A trace of the glass from one of its ends, over a floor that is ``dark``."""
    length_m = float(sum(glass.lengths_m))
    base = shot(span([length_m], []), instrument(pulse_ns, spacing_m), 1, record=record)
    base = replace(base, identity=replace(base.identity, sha256="", path="BA"[not from_b] + ".sor"))
    x_m = base.with_index(INDEX).distance_m
    power = glass.power(x_m, pulse_ns * PULSE_100_NS_M / 100, from_b=from_b)
    return replace(base, level_db=5 * np.log10(np.maximum(power, dark)), table=())


def through_poles(trace: Trace, poles: Sequence[float]) -> Trace:
    """The same shot through a receiver's poles, in pulse lengths: each a sum of exponentials."""
    power = 10 ** (trace.level_db / 5)
    for pole in poles:
        a = np.exp(-trace.spacing_m(INDEX) / (pole * trace.pulse_m(INDEX)))
        power = lfilter([1 - a], [1, -a], power)
    return replace(trace, level_db=5 * np.log10(np.maximum(power, 1e-12)))


def boxed(trace: Trace, points: int, *, in_db: bool) -> Trace:
    """The same shot behind a maker's running mean over an odd number of points."""
    values = trace.level_db if in_db else 10 ** (trace.level_db / 5)
    padded = np.pad(values, points // 2, mode="edge")
    means = np.convolve(padded, np.full(points, 1 / points), "valid")
    return replace(trace, level_db=means if in_db else 5 * np.log10(np.maximum(means, 1e-12)))

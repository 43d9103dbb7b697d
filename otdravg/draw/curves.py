"""The curves that the picture of a pair draws: half-difference and half-sum over the span.

Only for the eye. The numbers come from the joint fit; here its clean stretches are
smoothed over a pulse and laid on one grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.fit.side import Side
from otdravg.pair.measure import Measurement

FloatArray = npt.NDArray[np.float64]

#: More points than this on one curve no page can show.
_MOST_POINTS = 3000


@dataclass(frozen=True, slots=True, eq=False)
class SpanCurves:
    """Curves over one grid, all of shape (n,), NaN where a shot shows nothing.

    With F the level of the shot from A, G that from B and S(z) the attenuation from A to z,
    ``from_a_db`` is F + S and ``from_b_db`` is -(G - S), each shifted to 0 where the span
    begins. Both fall by the one-way readings, their mean by the true losses.
    ``half_sum_db`` is (F + G)/2, shifted likewise.
    """

    length_m: float
    z_m: FloatArray
    from_a_db: FloatArray
    from_b_db: FloatArray
    half_sum_db: FloatArray
    clean_range_db: tuple[float, float]  # lowest and highest level of both shots, reflections out

    @property
    def half_difference_db(self) -> FloatArray:
        """(F - G)/2 with the attenuation taken out: falls by every true loss."""
        return (self.from_a_db + self.from_b_db) / 2


def span_curves(measurement: Measurement) -> SpanCurves:
    """Compute the curves of a measured pair.

    Notes
    -----
    F = C_A - S - losses before z + B(z) and G = C_B - (S(L) - S) - losses behind z + B(z),
    so (F - G)/2 holds no backscatter B and (F + G)/2 no loss.
    """
    length_m = measurement.axis.length_m
    spacing_m = max(side.shot.spacing_m for side in (measurement.side_ab, measurement.side_ba))
    count = int(min(length_m / spacing_m + 1, _MOST_POINTS))
    z_m = np.linspace(0.0, length_m, max(count, 2))
    clean_ab_db = _clean(measurement.side_ab, measurement, z_m)
    clean_ba_db = _clean(measurement.side_ba, measurement, z_m)
    fibre_db = _attenuation_to(measurement, z_m)
    # Bridged once they are level: dead zones of long pulses are long enough for fibre to fall.
    from_a_db = _bridged(clean_ab_db + fibre_db, measurement, z_m)
    from_b_db = _bridged(fibre_db - clean_ba_db, measurement, z_m)
    begin = _first_section_seen_twice(from_a_db, from_b_db, measurement, z_m)
    return SpanCurves(
        length_m=length_m,
        z_m=z_m,
        from_a_db=_from_zero(from_a_db, begin),
        from_b_db=_from_zero(from_b_db, begin),
        half_sum_db=_from_zero((from_a_db - from_b_db) / 2, begin),
        clean_range_db=value_range(clean_ab_db, clean_ba_db),
    )


def _clean(side: Side, measurement: Measurement, z_m: FloatArray) -> FloatArray:
    """Level of one shot on the grid, smoothed over its pulse; NaN where it is not clean fibre."""
    level_db = np.full(z_m.size, np.nan)
    position = side.z()
    width_m = max(side.shot.pulse_m, float(z_m[1] - z_m[0]))
    width = max(int(width_m / side.shot.spacing_m), 1)
    for lo, hi in zip(*side.ranges(measurement.places), strict=True):
        used = np.arange(lo, hi)[side.weight[lo:hi] > 0]
        if used.size < 2:
            continue
        points = position[used]
        smooth = _centred_mean(side.response_db[used], width)
        order = np.argsort(points)
        inside = (z_m >= points.min()) & (z_m <= points.max())
        level_db[inside] = np.interp(z_m[inside], points[order], smooth[order])
    return level_db


def _bridged(level_db: FloatArray, measurement: Measurement, z_m: FloatArray) -> FloatArray:
    """Carry the level into the dead zone of each place from both sides up to the place itself."""
    known = np.isfinite(level_db)
    if not known.any() or not measurement.places:
        return level_db
    places_m = np.array([place.middle_m for place in measurement.places])
    section = np.searchsorted(places_m, z_m)
    index = np.arange(z_m.size)
    before = np.maximum.accumulate(np.where(known, index, 0))
    after = np.minimum.accumulate(np.where(known, index, z_m.size - 1)[::-1])[::-1]
    source = np.where(section[before] == section, before, after)
    reach_m = max(4 * s.shot.recovery_m for s in (measurement.side_ab, measurement.side_ba))
    near = (section[source] == section) & (np.abs(z_m[source] - z_m) <= reach_m)
    return np.where(known | ~near, level_db, level_db[source])


def _centred_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean over ``width`` neighbours, fewer near the ends but always as many on both sides."""
    index = np.arange(values.size)
    half = np.minimum(np.minimum(index, values.size - 1 - index), width // 2)
    sums = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((sums[index + half + 1] - sums[index - half]) / (2 * half + 1))


def _attenuation_to(measurement: Measurement, z_m: FloatArray) -> FloatArray:
    """Attenuation of the fibre alone from A to each point, dB."""
    overall = measurement.attenuation_db_per_km or 0.0
    edges, totals = [0.0], [0.0]
    for section in measurement.sections:
        own = section.attenuation_db_per_km
        db_per_km = overall if own is None else own
        edges.append(section.end_m)
        totals.append(totals[-1] + db_per_km * (section.end_m - section.start_m) / 1000)
    if len(edges) == 1:
        return overall * z_m / 1000
    return np.interp(z_m, edges, totals)


def _from_zero(values_db: FloatArray, begin: npt.NDArray[np.intp]) -> FloatArray:
    """Shift a curve so that it starts at 0 dB."""
    return values_db - values_db[begin].mean() if begin.size else values_db


def _first_section_seen_twice(
    from_a_db: FloatArray, from_b_db: FloatArray, measurement: Measurement, z_m: FloatArray
) -> npt.NDArray[np.intp]:
    """Grid indices of the first section that both shots show; none if there is no such section."""
    section = np.searchsorted([place.middle_m for place in measurement.places], z_m)
    both = np.isfinite(from_a_db) & np.isfinite(from_b_db)
    return np.flatnonzero(both & (section == section[np.argmax(both)]))


def value_range(*curves: FloatArray) -> tuple[float, float]:
    """Range that holds 99 % of all finite values; (0, 0) if there is none.

    What is left out are the last metres of a reflection's tail, not a section of fibre.
    """
    values = np.concatenate(curves)
    values = values[np.isfinite(values)]
    if not values.size:
        return 0.0, 0.0
    low, high = np.percentile(values, (0.5, 99.5))
    return float(low), float(high)


def signal_range(level_db: FloatArray) -> tuple[float, float]:
    """Range of levels of a shot from its noise floor up, single clipped points left out."""
    width = max(level_db.size // 200, 1)
    power = np.convolve(10 ** (level_db / 5), np.full(width, 1 / width), mode="valid")
    return float(5 * np.log10(power.min())), float(level_db.max())


def value_at(z_m: FloatArray, curve: FloatArray, at_m: FloatArray) -> FloatArray:
    """Read a curve at some positions, across its gaps."""
    known = np.isfinite(curve)
    return np.interp(at_m, z_m[known], curve[known]) if known.any() else np.zeros_like(at_m)


def envelope(
    x_m: FloatArray, y_db: FloatArray, from_m: float, to_m: float, bins: int = _MOST_POINTS // 2
) -> tuple[FloatArray, FloatArray]:
    """Thin a curve out for drawing: lowest and highest point of each of so many equal pieces.

    Unlike plain decimation this keeps every reflection, however narrow. Points that are not known
    are left out.
    """
    shown = (x_m >= from_m) & (x_m <= to_m) & np.isfinite(y_db)
    x_m, y_db = x_m[shown], y_db[shown]
    piece = x_m.size // bins
    if piece < 2:
        return x_m, y_db
    count = x_m.size // piece
    rows = y_db[: count * piece].reshape(count, piece)
    first = np.arange(count) * piece
    rest = np.arange(count * piece, x_m.size)
    extremes = (first + rows.argmin(axis=1), first + rows.argmax(axis=1), rest)
    kept = np.unique(np.concatenate(extremes))
    return x_m[kept], y_db[kept]

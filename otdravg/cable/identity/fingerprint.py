"""Which shots are of one fibre: every shot from A held against every shot from B.

A fibre's glass shows in both of its shots: the length and the attenuation of each section
read alike from both ends, and at a splice the backscatter step turns its sign while the
loss does not. Each such feature is a pair of numbers (a from A, b from B). For shots of
one fibre (a + b)/2 and (a − b)/2 scatter as they do over the cable's own pairs; for shots
of two fibres a and b scatter independently. The log-likelihood ratio of both cases, added
up over all features, says how well two shots go together.

Scales are taken from the cable itself (median absolute deviations), densities have heavy
tails (Student's t with four degrees of freedom), and any feature may be misread, so that
one bad splice or one misplaced event decides nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.measure.jobs import Sketch
from otdravg.shot.detect import EventKind

__all__ = [
    "Comparison",
    "Features",
    "ShotOnSpan",
    "features_of",
    "margins",
    "swaps",
]

FloatArray = npt.NDArray[np.float64]

#: From this many fibres on, each feature has a scale of its own; below they are pooled by kind.
_OWN_SCALE_FROM = 24
#: Degrees of freedom of the densities.
_FREEDOM = 4.0
#: A section needs this many clean blocks for a slope.
_LEAST_BLOCKS = 4
#: Places less certain than this are not compared, m.
_SURE_PLACE_M = 1.5
#: A true loss below zero is impossible; readings of a sketch are this uncertain, dB.
_EDGE_DB = 0.004
#: Most that one impossible loss may count.
_MOST_FOR_EDGE = 12.0
#: Chance that a feature is misread and says nothing of the pair.
_MISREAD = 0.03
#: Median absolute deviation, and ninth decile of absolute deviations, of a normal distribution.
_MAD_TO_SIGMA = 1.4826
_NINTH_DECILE = 1.6449
#: Smallest scale that is believed: of losses in dB, of slopes in dB/km, of lengths in m.
_LEAST_SCALE = (5e-4, 2e-4, 0.02)


@dataclass(frozen=True, slots=True, eq=False)
class ShotOnSpan:
    """A sketch laid on the span: where it starts in the shot, and the closures it passes.

    ``closures_m`` are distances from the end that the shot was taken from, ascending.
    """

    sketch: Sketch
    start_m: float
    closures_m: FloatArray
    length_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Features of one shot in order from A: step readings, slopes and lengths of sections."""

    loss_db: FloatArray  # shape (K,)
    slope_db_per_km: FloatArray  # shape (K + 1,)
    section_m: FloatArray  # shape (K + 1,)

    def stacked(self) -> FloatArray:
        """All features in one array, NaN where the shot does not show one."""
        return np.concatenate((self.loss_db, self.slope_db_per_km, self.section_m))


def features_of(shot: ShotOnSpan, *, from_a: bool) -> Features:
    """Read the features of one shot."""
    sketch = shot.sketch
    x: FloatArray = sketch.first_m + sketch.block_m * np.arange(sketch.level_db.size, dtype=float)
    level = sketch.level_db.astype(float)
    closures = shot.start_m + shot.closures_m
    edges = np.concatenate(([shot.start_m], closures, [shot.start_m + shot.length_m]))
    half = sketch.block_m / 2
    lo = np.searchsorted(x, edges[:-1] + sketch.recovery_m + half)
    hi = np.maximum(np.searchsorted(x, edges[1:] - half), lo)
    centre, height, slope = _lines(x, level, lo, hi)
    left = height[:-1] + slope[:-1] * (closures - centre[:-1])
    right = height[1:] + slope[1:] * (closures - centre[1:])
    marks = _marks(sketch, edges)
    features = left - right, -1000 * slope, np.diff(marks)
    return Features(*features) if from_a else Features(*(f[::-1] for f in features))


def _lines(
    x: FloatArray, level: FloatArray, lo: npt.NDArray[np.intp], hi: npt.NDArray[np.intp]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean place, mean level and slope of the clean blocks from lo to hi, NaN if too few."""
    known = np.isfinite(level)
    middle = x[x.size // 2]  # sums of large squares would lose digits
    xs, ys = np.where(known, x - middle, 0.0), np.where(known, level, 0.0)
    sums = np.zeros((5, x.size + 1))
    np.cumsum([known, xs, ys, xs * xs, xs * ys], axis=1, out=sums[:, 1:])
    count, sum_x, sum_y, sum_xx, sum_xy = sums[:, hi] - sums[:, lo]
    count = np.where(count >= _LEAST_BLOCKS, count, np.nan)
    centre, height = sum_x / count, sum_y / count
    slope = (sum_xy - sum_x * height) / (sum_xx - sum_x * centre)
    return centre + middle, height, slope


def _marks(sketch: Sketch, edges: FloatArray) -> FloatArray:
    """Where the shot itself shows the span's ends and closures; NaN where it shows nothing.

    The place of a small step is too uncertain to tell fibres apart by.
    """
    own = np.array(
        [
            e.distance_m
            for e in sketch.events
            if e.kind is not EventKind.ECHO and e.u_distance_m <= _SURE_PLACE_M
        ]
    )
    marks = np.full(edges.size, np.nan)
    marks[0] = edges[0]
    if own.size == 0:
        return marks
    gap = np.abs(own - edges[1:, None])
    nearest = gap.argmin(axis=1)
    seen = gap.min(axis=1) <= 3 * sketch.placing_m + 5.0
    marks[1:][seen] = own[nearest][seen]
    return marks


class Comparison:
    """Every shot from A held against every shot from B of the same fibres.

    Parameters
    ----------
    from_a, from_b : sequence of sequences of Features or None
        For each wavelength the features of the same n fibres in the same order, with the
        same closures; None where a shot is missing. Wavelengths see the same glass: their
        features are averaged, not counted twice.

    Notes
    -----
    A ratio is the log-likelihood of "one fibre" less that of "two fibres", NaN where a shot is
    missing. Above 0 speaks for one fibre.
    """

    def __init__(
        self,
        from_a: Sequence[Sequence[Features | None]],
        from_b: Sequence[Sequence[Features | None]],
    ) -> None:
        n = len(from_a[0])
        shots = [f for side in (*from_a, *from_b) for f in side if f is not None]
        width = shots[0].stacked().size if shots else 2
        tables_a = [_table(features, n, width) for features in from_a]
        tables_b = [_table(features, n, width) for features in from_b]
        self._middles = [_middles(a, b) for a, b in zip(tables_a, tables_b, strict=True)]
        centred_a = [a - middle for a, (middle, _) in zip(tables_a, self._middles, strict=True)]
        centred_b = [b - middle for b, (_, middle) in zip(tables_b, self._middles, strict=True)]
        # One row per feature: what is worked on together lies together.
        self._from_a = _Readings(_mean_of(tables_a).T, _mean_of(centred_a).T)
        self._from_b = _Readings(_mean_of(tables_b).T, _mean_of(centred_b).T)
        closures = (width - 2) // 3
        self._kinds = np.repeat((0, 1, 2), (closures, closures + 1, closures + 1))
        a, b = self._from_a.centred, self._from_b.centred
        both = np.isfinite(a) & np.isfinite(b)
        self._usable = np.flatnonzero(both.sum(axis=1) >= 3)
        self._scales = _scales(a.T, b.T, both.T, self._kinds)

    def own(self) -> FloatArray:
        """Ratio of every fibre's own two shots, shape (n,)."""
        return self._summed(self._from_a, self._from_b)

    def ratios(
        self, from_a: npt.NDArray[np.intp] | None = None, from_b: npt.NDArray[np.intp] | None = None
    ) -> FloatArray:
        """Ratios of some shots from A (rows) with some from B (columns); all by default."""
        everybody = np.arange(self._from_a.centred.shape[1])
        rows = everybody if from_a is None else from_a
        columns = everybody if from_b is None else from_b
        return self._summed(self._from_a.of(rows[:, None]), self._from_b.of(columns[None, :]))

    def ratio_of(self, shot: Features, fibre: int, *, from_a: bool, wavelength: int = 0) -> float:
        """Ratio of a shot that is none of these to a fibre's shot from the other end.

        Parameters
        ----------
        shot : Features
        fibre : int
            Index of the fibre whose shot it is held against.
        from_a : bool
            Whether the shot is taken to be from A.
        wavelength : int
            Index of its wavelength.
        """
        raw = shot.stacked()[:, None]
        stranger = _Readings(raw, raw - self._middles[wavelength][0 if from_a else 1][:, None])
        partner = (self._from_b if from_a else self._from_a).of(np.array([fibre]))
        pair = (stranger, partner) if from_a else (partner, stranger)
        return float(self._summed(*pair)[0])

    def _summed(self, from_a: _Readings, from_b: _Readings) -> FloatArray:
        """Sum of all features' ratios for shots that are broadcast together."""
        shape = np.broadcast_shapes(from_a.centred.shape[1:], from_b.centred.shape[1:])
        total = np.zeros(shape)
        for k in self._usable:
            a, b = from_a.centred[k], from_b.centred[k]
            scale_a, scale_b, scale_mean, scale_half = self._scales[:, k]
            alone_a, alone_b = _log_density(a, scale_a), _log_density(b, scale_b)
            # d(mean, half)/d(a, b) has determinant 1/2. Two densities share one logarithm.
            term = _squares(a + b, 2 * scale_mean)
            term *= _squares(a - b, 2 * scale_half)
            np.log(term, out=term)
            term *= -(_FREEDOM + 1) / 2
            term -= alone_a + np.log(2 * scale_mean * scale_half)
            term -= alone_b
            # What one of both shots does not show says nothing.
            np.nan_to_num(term, copy=False, nan=0.0)
            # A feature may be misread (an event taken for its neighbour): no proof alone.
            np.logaddexp(np.log1p(-_MISREAD) + term, np.log(_MISREAD), out=term)
            if self._kinds[k] == 0:
                # A reading that is not there makes no loss impossible.
                below = np.fmin(from_a.raw[k] + from_b.raw[k], 0.0)
                term -= np.minimum((below / (2 * _EDGE_DB)) ** 2 / 2, _MOST_FOR_EDGE)
            total += term
        return np.where(from_a.is_missing | from_b.is_missing, np.nan, total)


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """Features of several shots, one row each: as read, and less their usual value."""

    raw: FloatArray  # shape (features, shots)
    centred: FloatArray

    @property
    def is_missing(self) -> npt.NDArray[np.bool_]:
        """Which shots are not there at all."""
        return np.asarray(np.isnan(self.centred).all(axis=0))

    def of(self, shots: npt.NDArray[np.intp]) -> _Readings:
        """Take some shots, in an array of any shape."""
        return _Readings(self.raw[:, shots], self.centred[:, shots])


def _squares(difference: FloatArray, scale: float) -> FloatArray:
    """1 + x²/ν of Student's density, overwriting what it is given."""
    difference /= scale
    difference *= difference
    difference /= _FREEDOM
    difference += 1.0
    return difference


def _table(features: Sequence[Features | None], n: int, width: int) -> FloatArray:
    blank = np.full(width, np.nan)
    rows = [blank if f is None else f.stacked() for f in features]
    return np.array(rows, dtype=float).reshape(n, width)


def _middles(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each side's median of every feature over the fibres seen from both ends."""
    both = np.isfinite(a) & np.isfinite(b)
    return _median(np.where(both, a, np.nan)), _median(np.where(both, b, np.nan))


def _mean_of(tables: Sequence[FloatArray]) -> FloatArray:
    """Mean over wavelengths of what is known."""
    stack = np.array(tables)
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _median(values: FloatArray) -> FloatArray:
    """Median of each column, 0 where a column has no value."""
    known = np.isfinite(values).any(axis=0)
    result = np.zeros(values.shape[1])
    if known.any():
        result[known] = np.nanmedian(values[:, known], axis=0)
    return result


def _scales(
    a: FloatArray, b: FloatArray, both: npt.NDArray[np.bool_], kinds: npt.NDArray[np.intp]
) -> FloatArray:
    """Robust scales of a, b, (a + b)/2 and (a − b)/2 for every feature, shape (4, width)."""
    values = np.where(both, (a, b, (a + b) / 2, (a - b) / 2), np.nan)
    deviation = np.abs(values - np.array([_median(v) for v in values])[:, None, :])
    scales = np.empty((4, a.shape[1]))
    for kind, least in enumerate(_LEAST_SCALE):
        columns = np.flatnonzero(kinds == kind)
        for row in range(4):
            pooled = deviation[row][:, columns]
            pooled = pooled[np.isfinite(pooled)]
            common = _scale_of(pooled) if pooled.size else least
            for k in columns:
                own = deviation[row][:, k]
                own = own[np.isfinite(own)]
                scale = common if own.size < _OWN_SCALE_FROM else _scale_of(own)
                scales[row, k] = max(scale, least)
    return scales


def _scale_of(deviation: FloatArray) -> float:
    """Scale of absolute deviations: by their median, or by their ninth decile if that is more.

    Places lie on the points of the record: where most fibres share a point, the median says
    that all are equal, and every other one would be an outlier that only its partner explains.
    """
    middle, high = np.quantile(deviation, (0.5, 0.9))
    return float(max(_MAD_TO_SIGMA * middle, high / _NINTH_DECILE))


def _log_density(x: FloatArray, scale: float) -> FloatArray:
    """Logarithm of Student's density without its constant."""
    return np.asarray(-np.log(scale) - (_FREEDOM + 1) / 2 * np.log1p((x / scale) ** 2 / _FREEDOM))


def swaps(ratios: FloatArray, threshold: float) -> list[tuple[int, int, float]]:
    """Find pairs of fibres whose shots fit better crosswise.

    Returns
    -------
    list of (i, j, margin)
        i < j, each fibre in at most one pair; ``margin`` is the gain in log-likelihood when
        the shots of i and j from B are exchanged, above ``threshold``; the largest first.
    """
    own = np.diag(ratios)
    gain = ratios + ratios.T - own[:, None] - own[None, :]
    gain = np.where(np.isfinite(gain), gain, -np.inf)
    better = (ratios > own[:, None]) & (own[None, :] < ratios.T)
    i, j = np.nonzero(np.triu((gain > threshold) & (better | better.T), 1))
    found: list[tuple[int, int, float]] = []
    used: set[int] = set()
    for n in np.argsort(-gain[i, j], kind="stable"):
        p, q = int(i[n]), int(j[n])
        if p not in used and q not in used:
            used |= {p, q}
            found.append((p, q, float(gain[p, q])))
    return found


def margins(ratios: FloatArray) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """How much better each fibre's own pair fits than any with another fibre's shot.

    Returns
    -------
    margin : array, shape (n,)
        Own ratio less the best other in its row or column; NaN if a shot is missing.
    best_other : array of int, shape (n,)
        Index of that other fibre; -1 if there is none.
    """
    n = ratios.shape[0]
    own = np.diag(ratios).copy()
    if n < 2:
        return np.full(n, np.nan), np.full(n, -1)
    others = np.where(np.eye(n, dtype=bool) | ~np.isfinite(ratios), -np.inf, ratios)
    row, column = others.max(axis=1), others.max(axis=0)
    best = np.where(row >= column, others.argmax(axis=1), others.argmax(axis=0))
    top = np.maximum(row, column)
    known = np.isfinite(own) & np.isfinite(top)
    return np.where(known, own - np.where(known, top, 0.0), np.nan), np.where(known, best, -1)

"""Which shots are of one fibre: shots from A held against shots from B.

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

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: How far the scales of one kind stray from their law, as a share: of losses, slopes, lengths; and
#: where the law of slopes is that of noise. What 1/share² fibres say of one feature weighs as much
#: as what all features of its kind say. Chosen, not derived.
_UNLIKE, _UNLIKE_NOISE = (0.25, 1.0, 1.0), (0.25, 0.25, 1.0)
#: From so many on places of one kind have a scale of their own. Chosen, not derived.
_OWN_PLACES_FROM = 24
#: Degrees of freedom of the densities. Benchmark: numbering; four and sixteen tell less.
_FREEDOM = 8.0
#: A section needs this many clean blocks for a slope.
_LEAST_BLOCKS = 4
#: Places less certain than this are not compared, m.
_SURE_PLACE_M = 1.5
#: A true loss below zero is impossible; readings of a sketch are this uncertain, dB.
_EDGE_DB = 0.004
#: Two readings of one splice from one end differ by this, dB. Benchmark: numbering, where shots of
#: one fibre from one end do so by 0.001 to 0.003 dB.
_SAME_END_DB = 0.0025
#: Most that one impossible loss may count.
_MOST_FOR_EDGE = 12.0
#: Chance that a feature is misread and says nothing of the pair.
_MISREAD = 0.03
#: Share of bad splices, of whose losses nothing else is known than how far they reach above the
#: usual ones, dB: both ends see them. Chosen, not derived: no source counts them.
_BAD_LOG_SHARE, _BAD_DB = float(np.log(2 * 0.03)), 0.2
#: Values further away than so many scales are not of the bulk; so often scales are fitted. Chosen,
#: not derived.
_FAR, _REFITS = 4.0, 4
#: Share of fibres all of whose splices lose more than usual by some amount: another drawing, a bad
#: groove. Chosen, not derived: no source counts them.
_LOSSY = 0.02
#: Median absolute deviation, third quartile and ninth decile of absolute deviations of a normal
#: distribution.
_MAD_TO_SIGMA = 1.4826
_THIRD_QUARTILE = 1.1503
_NINTH_DECILE = 1.6449
#: Shots that are held against all others at once: what bounds the memory.
_BLOCK = 256
#: Up to so many fibres every pair is compared in full; up to so many once and for all.
_ALL_PAIRS, _WHOLE_TABLE = 600, 192
#: So many likelihood ratios are multiplied before their logarithm is taken: none overflows.
_FACTORS = 12
#: What one pair can speak against the labels of all at most. Chosen, not derived: shots are spoilt
#: in other ways, too.
_AGAINST = -6.0
#: Log-likelihood of what cannot be.
_NEVER = 1e6
#: Smallest scale that is believed: of losses in dB, of slopes in dB/km, of lengths in m.
_LEAST_SCALE = (5e-4, 2e-4, 0.02)


def features_of(
    sketch: Sketch, start_m: float, closures_m: FloatArray, length_m: float, *, from_a: bool
) -> FloatArray:
    """Read the features of one shot that is laid on the span.

    Parameters
    ----------
    sketch : Sketch
    start_m : float
        Where the span starts in the shot, metres from the front panel.
    closures_m : ndarray, shape (K,)
        The closures it passes, metres from the end that the shot was taken from, ascending.
    length_m : float
        Of the span.
    from_a : bool
        Whether the shot was taken from A.

    Returns
    -------
    ndarray, shape (3 K + 2,)
        In order from A, NaN where the shot does not show one: K step readings in dB, and of K + 1
        sections the slopes in dB/km, then the lengths in m.
    """
    x: FloatArray = sketch.first_m + sketch.block_m * np.arange(sketch.level_db.size, dtype=float)
    level = sketch.level_db.astype(float)
    closures = start_m + closures_m
    edges = np.concatenate(([start_m], closures, [start_m + length_m]))
    half = sketch.block_m / 2
    lo = np.searchsorted(x, edges[:-1] + sketch.recovery_m + half)
    hi = np.maximum(np.searchsorted(x, edges[1:] - half), lo)
    centre, height, slope = _lines(x, level, lo, hi)
    left = height[:-1] + slope[:-1] * (closures - centre[:-1])
    right = height[1:] + slope[1:] * (closures - centre[1:])
    marks = _marks(sketch, edges)
    way = 1 if from_a else -1
    return np.concatenate([f[::way] for f in (left - right, -1000 * slope, np.diff(marks))])


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
    """Any shot from A held against any shot from B of the same fibres.

    Parameters
    ----------
    from_a, from_b : sequence of array, shape (n, features)
        For each wavelength the features (:func:`features_of`) of the same n fibres in the same
        order, with the same closures; NaN where a shot is missing. Wavelengths see the same glass:
        their features are averaged, not counted twice.

    Notes
    -----
    A ratio is the log-likelihood of "one fibre" less that of "two fibres", NaN where a shot is
    missing. Above 0 speaks for one fibre.
    """

    def __init__(self, from_a: Sequence[FloatArray], from_b: Sequence[FloatArray]) -> None:
        sides = np.asarray(from_a), np.asarray(from_b)  # wavelengths × fibres × features
        n, width = sides[0].shape[1:]
        self._middles = [[_median(table) for table in side] for side in sides]
        closures = (width - 2) // 3
        self._kinds = np.repeat((0, 1, 2), (closures, closures + 1, closures + 1))
        # One row per feature: what is worked on together lies together.
        a, b = (
            _mean_of(side - np.array(middles)[:, None]).T
            for side, middles in zip(sides, self._middles, strict=True)
        )
        self._alone = _scales(np.concatenate((a, b), axis=1), self._kinds, ends=2)
        self._noise_law = _noise_law(np.concatenate(sides).reshape(-1, width), self._kinds)
        self._from_a, self._from_b = (
            _Readings.of_shots(_mean_of(side).T, centred, self._alone)
            for side, centred in zip(sides, (a, b), strict=True)
        )
        self.size = n
        self._whole: FloatArray | None = None  # all pairs, of a small cable
        self.is_shot = (~self._from_a.is_missing, ~self._from_b.is_missing)
        self.scale_by(np.arange(n))

    def scale_by(self, partner: IntArray) -> None:
        """Take the scales of (a + b)/2 and (a − b)/2 from pairs that are taken for one fibre.

        ``partner``, shape (n,): index of the shot from B of the fibre of each shot from A, -1 for
        none; at first the one of the same number.
        """
        self._together, self._usable = self._scales_of(partner)
        self._whole = None

    @property
    def is_alike(self) -> bool:
        """Whether readings at splices differ between fibres by no more than they are uncertain."""
        losses = self._alone[self._kinds == 0]
        return bool(losses.size) and float(np.median(losses)) < 2 * _EDGE_DB

    def guess(self) -> None:
        """Take scales that pairs may have, where nothing is known of any pair.

        Losses vary less than backscatter steps; attenuation and length read alike from both ends.
        """
        share = np.where(self._kinds == 0, 0.2, 0.9)
        self._together = self._alone * np.sqrt((share, 1 - share))
        self._usable = np.arange(share.size)
        self._whole = None

    def _scales_of(self, partner: IntArray) -> tuple[FloatArray, npt.NDArray[np.intp]]:
        rows = np.flatnonzero(partner >= 0)
        a, b = self._from_a.centred[:, rows], self._from_b.centred[:, partner[rows]]
        usable = np.flatnonzero(np.isfinite(a + b).sum(axis=1) >= 3)
        mean = _scales((a + b) / 2, self._kinds)
        half = _scales((a - b) / 2, self._kinds, self._noise_law)
        # The variances of both add up to that of a reading, whoever its partner is.
        return self._alone / np.hypot(mean, half) * (mean, half), usable

    def spread(self, partner: IntArray) -> float:
        """How widely the features of pairs scatter: a mean log-likelihood of a fibre, negated."""
        scales, usable = self._scales_of(partner)
        return float(np.log(2 * scales.prod(axis=0) / self._alone**2)[usable].sum())

    def standing_out(self, fibres: IntArray) -> float:
        """How far the pairs of some fibres stand out among all pairs of their shots.

        In standard deviations of what numbers drawn at random would give; of many fibres a sample.
        """
        some = fibres[:: -(-fibres.size // _WHOLE_TABLE)]
        table = np.maximum(self.ratios(some, some), _AGAINST)
        table += table.mean() - table.mean(axis=0) - table.mean(axis=1)[:, None]
        deviation = float(np.sqrt((table**2).sum() / max(some.size - 1, 1)))
        return float(np.trace(table)) / deviation if deviation else 0.0

    def own(self) -> FloatArray:
        """Ratio of every fibre's own two shots, shape (n,)."""
        everybody = np.arange(self.size)
        return self.of_pairs(everybody, everybody)

    def ratios(self, from_a: IntArray | None = None, from_b: IntArray | None = None) -> FloatArray:
        """Ratios of some shots from A (rows) with some from B (columns); all by default."""
        everybody = np.arange(self.size)
        rows = everybody if from_a is None else from_a
        columns = everybody if from_b is None else from_b
        return self.of_pairs(rows[:, None], columns[None, :])

    def of_pairs(self, from_a: IntArray, from_b: IntArray) -> FloatArray:
        """Ratios of pairs whose shots are given by two arrays that are broadcast together."""
        if self.size > _WHOLE_TABLE:
            return self._summed(self._from_a.of(from_a), self._from_b.of(from_b))
        if self._whole is None:
            rows = np.arange(self.size)
            self._whole = self._summed(self._from_a.of(rows[:, None]), self._from_b.of(rows[None]))
        return self._whole[from_a, from_b]

    def margins(self) -> tuple[FloatArray, IntArray]:
        """How much better each fibre's own pair fits than any with another fibre's shot.

        Returns
        -------
        margin : array, shape (n,)
            Own ratio less the best other in its row or column; NaN if a shot is missing.
        best_other : array of int, shape (n,)
            Index of that other fibre; -1 if there is none.
        """
        everybody = np.arange(self.size)
        own = self.own()
        rivals = self._nearest() if self.size > _ALL_PAIRS else self._best_of_all()
        top = np.array(
            [
                np.where(there >= 0, self.of_pairs(*pair), -np.inf)
                for there, pair in zip(
                    rivals,
                    ((everybody, np.maximum(rivals[0], 0)), (np.maximum(rivals[1], 0), everybody)),
                    strict=True,
                )
            ]
        )
        top = np.where(np.isnan(top), -np.inf, top)
        side = top.argmax(axis=0)
        best, most = rivals[side, everybody], top[side, everybody]
        known = np.isfinite(own) & np.isfinite(most)
        return np.where(known, own - np.where(known, most, 0.0), np.nan), np.where(known, best, -1)

    def proof(self, best: IntArray) -> FloatArray:
        """How much likelier each fibre is itself than exchanged with the likeliest other.

        ``best``: the others that :meth:`margins` found; of few fibres all others are tried.
        """
        everybody = np.arange(self.size)
        others = everybody[None, :] if self.size <= _WHOLE_TABLE else np.maximum(best, 0)[:, None]
        rows, own = everybody[:, None], self.own()
        gain = own[rows] + own[others] - self.of_pairs(rows, others) - self.of_pairs(others, rows)
        gain = np.where((rows == others) | np.isnan(gain), np.inf, gain)
        return np.asarray(gain.min(axis=1))

    def _best_of_all(self) -> IntArray:
        ratios = self.ratios()
        np.fill_diagonal(ratios, np.nan)
        return np.array([_best(ratios), _best(ratios.T)])

    def _nearest(self) -> IntArray:
        """The other shot that fits each one best by normal densities: one product of matrices.

        Of thousands of fibres all pairs would be too many to be compared in full.
        """
        mean, half = self._together[:, self._usable, None]
        clipped, own = [], []
        alone = self._alone[self._usable, None]
        for side in (self._from_a, self._from_b):
            values = np.nan_to_num(np.clip(side.centred[self._usable], -3 * alone, 3 * alone))
            weight = 0.5 / alone**2 - (half**-2 + mean**-2) / 8
            fit = np.where(side.is_missing, -_NEVER, (weight * values**2).sum(axis=0))
            clipped.append(values)
            own.append(fit.astype(np.float32))
        left = np.ascontiguousarray((clipped[0] * (half**-2 - mean**-2) / 4).T, dtype=np.float32)
        right = clipped[1].astype(np.float32)
        everybody = np.arange(self.size)
        best = np.zeros((2, self.size), dtype=np.intp)
        most = np.full(self.size, -np.inf, dtype=np.float32)
        for start in range(0, self.size, _BLOCK):
            rows = everybody[start : start + _BLOCK]
            table = left[rows] @ right + own[1]
            table[rows - start, rows] = -_NEVER
            best[0, rows] = table.argmax(axis=1)
            table += own[0][rows, None]
            highest = table.argmax(axis=0)
            better = table[highest, everybody] > most
            best[1, better] = highest[better] + start
            most = np.where(better, table[highest, everybody], most)
        return best

    def ratio_of(self, shot: FloatArray, fibre: int, *, from_a: bool, wavelength: int = 0) -> float:
        """Ratio of a shot that is none of these to a fibre's shot from the other end.

        Parameters
        ----------
        shot : array, shape (features,)
        fibre : int
            Index of the fibre whose shot it is held against.
        from_a : bool
            Whether the shot is taken to be from A.
        wavelength : int
            Index of its wavelength.
        """
        raw, middle = shot[:, None], self._middles[0 if from_a else 1][wavelength][:, None]
        stranger = _Readings.of_shots(raw, raw - middle, self._alone)
        partner = (self._from_b if from_a else self._from_a).of(np.array([fibre]))
        pair = (stranger, partner) if from_a else (partner, stranger)
        return float(self._summed(*pair)[0])

    def shot_twice(self, *, from_a: bool) -> FloatArray:
        """How much likelier each shot is another one of a fibre, from its end, than one of any.

        Returns
        -------
        array, shape (n, n)
            For the shots of one end: the log-likelihood of "row and column are of one fibre" less
            that of a column that has nothing to do with the row.
        """
        side = self._from_a if from_a else self._from_b
        total = np.zeros((self.size, self.size))
        for few in np.array_split(self._usable, max(-(-self._usable.size // _FACTORS), 1)):
            product = np.ones_like(total)  # one logarithm for several: that is what takes time
            for k in few:
                x = side.centred[k]
                # One fibre reads alike but for noise, of which there is twice what a reading has.
                noise = _SAME_END_DB if self._kinds[k] == 0 else 2 * self._together[1, k]
                noise = float(min(noise, self._alone[k]))
                ratio = _squares(x[:, None] - x[None, :], noise) ** (-(_FREEDOM + 1) / 2)
                ratio *= (1 - _MISREAD) / noise * np.exp(-side.log_density[k])
                product *= np.nan_to_num(ratio + _MISREAD, copy=False, nan=1.0)
            total += np.log(product)
        np.fill_diagonal(total, np.nan)
        missing = side.is_missing
        return np.where(missing[:, None] | missing, np.nan, total)

    def _lossy(self, from_a: _Readings, from_b: _Readings) -> FloatArray:
        """How much more the splices of a fibre lose in the mean than usual, dB; never less."""
        shape = np.broadcast_shapes(from_a.centred.shape[1:], from_b.centred.shape[1:])
        total, count = np.zeros((2, *shape))
        for k in self._usable[self._kinds[self._usable] == 0]:
            both = from_a.centred[k] + from_b.centred[k]
            known = np.isfinite(both)
            total += np.where(known, both, 0.0)
            count += known
        return np.asarray(np.maximum(total, 0.0) / np.maximum(2 * count, 1.0))

    def _summed(self, from_a: _Readings, from_b: _Readings) -> FloatArray:
        """Sum of all features' ratios for shots that are broadcast together."""
        shape = np.broadcast_shapes(from_a.centred.shape[1:], from_b.centred.shape[1:])
        lossy = self._lossy(from_a, from_b)
        # Of losses as usual, of losses all higher by as much, of slopes and of lengths.
        usual, higher, slopes, lengths = sums = np.zeros((4, *shape))
        for k in self._usable:
            a, b = from_a.centred[k], from_b.centred[k]
            known = np.isfinite(a + b)
            a, b = np.where(known, a, 0.0), np.where(known, b, 0.0)
            scale_mean, scale_half = self._together[:, k]
            # d(mean, half)/d(a, b) has determinant 1/2. Two densities share one logarithm.
            apart = _squares(a - b, 2 * scale_half)
            alone = from_a.log_density[k] + from_b.log_density[k]
            alone = alone + np.log(2 * scale_mean * scale_half)
            kind = int(self._kinds[k])
            for own, more in (
                ((usual, 0.0), (higher, lossy)) if kind == 0 else ((sums[kind + 1], 0.0),)
            ):
                term = _squares(a + b - 2 * more, 2 * scale_mean)
                term *= apart
                np.log(term, out=term)
                term *= -(_FREEDOM + 1) / 2
                if kind == 0:
                    np.logaddexp(term, _bad(a + b - 2 * more, 2 * scale_mean, apart), out=term)
                term -= alone
                # What one of both shots does not show says nothing.
                term[~known] = 0.0
                # A feature may be misread (an event taken for its neighbour): no proof alone.
                np.logaddexp(np.log1p(-_MISREAD) + term, np.log(_MISREAD), out=term)
                own += term
            if kind == 0:
                # A reading that is not there makes no loss impossible.
                below = np.fmin(from_a.raw[k] + from_b.raw[k], 0.0)
                slopes -= np.minimum((below / (2 * _EDGE_DB)) ** 2 / 2, _MOST_FOR_EDGE)
        # One event that is misplaced makes two sections wrong.
        np.logaddexp(lengths, np.log(_MISREAD), out=lengths)
        losses = np.logaddexp(np.log1p(-_LOSSY) + usual, np.log(_LOSSY) + higher)
        total = losses + slopes + lengths
        return np.where(from_a.is_missing | from_b.is_missing, np.nan, total)


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """Features of several shots, one row each: as read, less their usual value, and how usual."""

    raw: FloatArray  # shape (features, shots)
    centred: FloatArray
    log_density: FloatArray
    is_missing: npt.NDArray[np.bool_]  # shape (shots,)

    @classmethod
    def of_shots(cls, raw: FloatArray, centred: FloatArray, scale: FloatArray) -> _Readings:
        """Take features of shots that scatter over the cable with some scale each."""
        density = _log_density(centred, scale[:, None])
        return cls(raw, centred, density, np.asarray(np.isnan(centred).all(axis=0)))

    def of(self, shots: IntArray) -> _Readings:
        """Take some shots, in an array of any shape."""
        return _Readings(
            self.raw[:, shots],
            self.centred[:, shots],
            self.log_density[:, shots],
            self.is_missing[shots],
        )


def _squares(difference: FloatArray, scale: float) -> FloatArray:
    """1 + x²/ν of Student's density, overwriting what it is given."""
    difference /= scale
    difference *= difference
    difference /= _FREEDOM
    difference += 1.0
    return difference


def _bad(more_than_usual: FloatArray, scale: float, apart: FloatArray) -> FloatArray:
    """Log-density of what bad splices read, as those of usual ones without their constant."""
    density = _log_density(more_than_usual, np.array(2 * _BAD_DB)) + np.log(scale)
    density -= (_FREEDOM + 1) / 2 * np.log(apart)
    return np.where(more_than_usual > 0, density + _BAD_LOG_SHARE, -np.inf)


def _best(ratios: FloatArray) -> IntArray:
    """Index of the largest in each row, -1 where nothing is known."""
    known = np.isfinite(ratios)
    return np.where(known.any(axis=1), np.where(known, ratios, -np.inf).argmax(axis=1), -1)


def _mean_of(stack: FloatArray) -> FloatArray:
    """Mean over wavelengths of what is known."""
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _median(values: FloatArray) -> FloatArray:
    """Median of each column, 0 where a column has no value."""
    return np.asarray(_quantiles(values.T, (0.5,))[0])


def _scales(
    values: FloatArray, kinds: npt.NDArray[np.intp], law: FloatArray | None = None, ends: int = 1
) -> FloatArray:
    """Robust scale of every feature (rows) over shots or pairs (columns).

    What few values say of one feature leans on what all of its kind say. ``law``: how the scales of
    slopes go together, in any unit, where they are noise. ``ends``: values of a fibre.
    """
    lent = 0.5 / (np.array(_UNLIKE if law is None else _UNLIKE_NOISE)[kinds]) ** 2
    law = np.ones(kinds.size) if law is None else law
    deviation = np.abs(values - _median(values.T)[:, None]) / law[:, None]
    scales = np.empty(kinds.size)
    for kind, least in enumerate(_LEAST_SCALE):
        rows = kinds == kind
        if kind == 2:
            scales[rows] = np.maximum(_scales_of_places(deviation[rows]), least)
        else:
            scales[rows] = _fitted(deviation[rows], lent[rows] * ends, least / law[rows])
    return np.asarray(scales * law)


def _fitted(deviation: FloatArray, lent: FloatArray, least: FloatArray) -> FloatArray:
    """Scales of Student's densities of the bulk of each row of absolute deviations.

    Each row has ``lent`` values of all rows, too. Bad splices are not of the bulk.
    """
    scales = np.full(lent.size, _robust(deviation.reshape(1, -1))[0])
    known, deviation = np.isfinite(deviation), np.nan_to_num(deviation)
    for _ in range(_REFITS):
        scales = np.maximum(scales, least)
        x = (deviation / scales[:, None]) ** 2
        taken = known & (x < _FAR**2)
        own = np.where(taken, (_FREEDOM + 1) / (_FREEDOM + x) * deviation**2, 0.0).sum(axis=1)
        count = taken.sum(axis=1)
        common = own.sum() / max(int(count.sum()), 1)
        scales = np.sqrt((own + lent * common) / (count + lent))
    return np.asarray(np.maximum(scales, least))


def _scales_of_places(deviation: FloatArray) -> FloatArray:
    """Scales of places, which lie on the points of the record: by the ninth decile.

    Where most fibres share a point, the median says that all are equal, and every other one would
    be an outlier that only its partner explains. None is less than half a step.
    """
    everything = deviation[np.isfinite(deviation)]
    steps = everything[everything > _LEAST_SCALE[2]]
    own, common = (
        np.maximum(_MAD_TO_SIGMA * middle, high / _NINTH_DECILE)
        for middle, high in (
            _quantiles(rows, (0.5, 0.9)) for rows in (deviation, deviation.reshape(1, -1))
        )
    )
    few = np.isfinite(deviation).sum(axis=1) < _OWN_PLACES_FROM
    return np.asarray(np.maximum(np.where(few, common, own), steps.min() / 2 if steps.size else 0))


def _noise_law(shots: FloatArray, kinds: npt.NDArray[np.intp]) -> FloatArray:
    """How noise of slopes goes with the length of sections, as length^−1.5; else 1."""
    law = np.ones(kinds.size)
    lengths_m = _median(shots)[kinds == 2]
    if np.all(lengths_m > 0):
        law[kinds == 1] = (lengths_m / lengths_m.max()) ** -1.5
    return law


def _robust(deviation: FloatArray) -> FloatArray:
    """Scale of each row of absolute deviations, by median and third quartile; 0 without any."""
    middle, outer = _quantiles(deviation, (0.5, 0.75))
    return np.asarray((_MAD_TO_SIGMA * middle + outer / _THIRD_QUARTILE) / 2)


def _quantiles(values: FloatArray, shares: Sequence[float]) -> FloatArray:
    """Quantiles of what is known in each row, shape (shares, rows); 0 where nothing is."""
    if not values.shape[1]:
        return np.zeros((len(shares), values.shape[0]))
    ranked = np.sort(values, axis=1)  # what is not known comes last
    last = np.isfinite(ranked).sum(axis=1) - 1
    place = np.multiply.outer(shares, np.maximum(last, 0))
    low = place.astype(np.intp)
    rows = np.arange(ranked.shape[0])
    below, above = ranked[rows, low], ranked[rows, np.minimum(low + 1, np.maximum(last, 0))]
    return np.where(last >= 0, below + (place - low) * (above - below), 0.0)


def _log_density(x: FloatArray, scale: FloatArray) -> FloatArray:
    """Logarithm of Student's density without its constant."""
    return np.asarray(-np.log(scale) - (_FREEDOM + 1) / 2 * np.log1p((x / scale) ** 2 / _FREEDOM))

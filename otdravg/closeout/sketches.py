"""Shots thinned out for pictures: every peak and step survives, the numbers are not in them.

A closeout shows both shots of every fibre. All points of a large cable would be gigabytes,
so each shot is cut into bins and of each bin the lowest, the highest and the mean level are
kept. Shots of a fibre that needs work are kept in full beside that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.files.folder import load
from otdravg.cable.measure.jobs import spread
from otdravg.cable.model import CableReview, FibreKey, FibreResult, ShotRecord, ShotUse
from otdravg.errors import OtdravgError
from otdravg.shot.settings import Direction
from otdravg.shot.trace import Trace
from otdravg.verdict.decision import Action
from otdravg.verdict.verdicts import severity

FloatArray = npt.NDArray[np.float64]
LevelArray = npt.NDArray[np.int32]

#: Bins over a span and its cords. A screen is hardly wider.
BINS = 600
#: Part of the span that is kept beyond what is known of the far end.
_MARGIN = 0.03
#: Fibres of one cable that are kept in full; beyond it, the worst ones.
MOST_IN_FULL = 60


@dataclass(frozen=True, slots=True, eq=False)
class TraceSketch:
    """One shot on the axis of the span, in equal bins.

    Bin k reaches from ``first_m + k·step_m`` to ``first_m + (k + 1)·step_m``, in metres from
    the span's A end whatever the direction of the shot. Levels are whole thousandths of a dB,
    which is what the trace file holds; shape (n,), n at least 1.
    """

    direction: Direction
    file: str
    first_m: float
    step_m: float
    low_mdb: LevelArray
    high_mdb: LevelArray
    mean_mdb: LevelArray

    @property
    def is_full(self) -> bool:
        """Whether every bin is one point of the shot."""
        return self.low_mdb is self.high_mdb

    @property
    def z_m(self) -> FloatArray:
        """Middle of every bin, metres from the span's A end, ascending; shape (n,)."""
        middles = np.arange(self.low_mdb.size, dtype=np.float64) + 0.5
        return self.first_m + middles * self.step_m

    @property
    def low_db(self) -> FloatArray:
        """Lowest level of every bin."""
        return self.low_mdb / 1000

    @property
    def high_db(self) -> FloatArray:
        """Highest level of every bin."""
        return self.high_mdb / 1000

    @property
    def mean_db(self) -> FloatArray:
        """Mean level of every bin."""
        return self.mean_mdb / 1000

    def polyline(self) -> tuple[FloatArray, FloatArray]:
        """Return (z_m, level_db) of a line through the lowest and highest level of every bin."""
        if self.is_full:
            return self.z_m, self.low_db
        return np.repeat(self.z_m, 2), np.stack((self.low_db, self.high_db), axis=1).ravel()


@dataclass(frozen=True, slots=True, eq=False)
class PairSketch:
    """Both shots of one fibre at one wavelength, on the same bins.

    ``full_ab`` and ``full_ba`` hold every point of a fibre that needs work, else ``None``.
    """

    key: FibreKey
    wavelength_nm: int
    length_m: float
    ab: TraceSketch
    ba: TraceSketch
    full_ab: TraceSketch | None = None
    full_ba: TraceSketch | None = None

    @property
    def finest(self) -> tuple[TraceSketch, TraceSketch]:
        """Both shots with as many points as there are."""
        return self.full_ab or self.ab, self.full_ba or self.ba

    def halves(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return (z_m, half_sum_db, half_difference_db) at the points of A where B has some too.

        Notes
        -----
        With F the level from A and G that from B: (F + G)/2 holds no loss and shows the
        glass; (F - G)/2 falls by the attenuation and by the true loss of every splice.
        """
        ab, ba = self.finest
        z_m, other_m = ab.z_m, ba.z_m
        shared = (z_m >= other_m[0]) & (z_m <= other_m[-1])
        z_m, f_db = z_m[shared], ab.mean_db[shared]
        g_db = np.interp(z_m, other_m, ba.mean_db)
        return z_m, (f_db + g_db) / 2, (f_db - g_db) / 2


@dataclass(frozen=True, slots=True)
class Sketches:
    """Sketches of a review, by fibre and wavelength; a fibre without a pair has none."""

    pairs: tuple[PairSketch, ...] = ()

    def by_place(self) -> Mapping[tuple[FibreKey, int], PairSketch]:
        """Return the sketches by fibre and wavelength in nm."""
        return {(pair.key, pair.wavelength_nm): pair for pair in self.pairs}


@dataclass(frozen=True, slots=True)
class Span:
    """Where a span lies in both shots of it: what thinning has to know.

    Lengths in metres; ``start_a_m`` and ``start_b_m`` are where the span begins in either shot.
    """

    key: FibreKey
    wavelength_nm: int
    length_m: float
    index_used: float
    start_a_m: float
    start_b_m: float

    @classmethod
    def of(cls, fibre: FibreResult) -> Span:
        """Take it from the results of a cable."""
        return cls(
            fibre.key, fibre.wavelength_nm, fibre.length_m, fibre.index_used,
            fibre.start_a_m, fibre.start_b_m,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Task:
    """One pair to thin out."""

    fibre: FibreResult
    ab: ShotRecord
    ba: ShotRecord
    in_full: bool


def pair_sketches(
    review: CableReview,
    *,
    most_in_full: int = MOST_IN_FULL,
    executor: Executor | None = None,
    done: Callable[[int], None] = lambda count: None,
) -> Sketches:
    """Read the shots of every measured fibre again and thin them out.

    Parameters
    ----------
    review : CableReview
        With shots that still lie where they were read from.
    most_in_full : int
        Pairs that are kept with every point: those that need work, the worst first.
    executor : concurrent.futures.Executor, optional
        Where files are read; here by default.
    done : callable
        Called with the number of pairs finished since the last call.

    Returns
    -------
    Sketches
        In the order of ``review.fibres``. A pair with a file that has gone meanwhile is left out.
    """
    used = {
        (shot.path, shot.taken_for.wavelength_nm): shot
        for shot in review.shots
        if shot.use in (ShotUse.USED, ShotUse.EARLIER)
    }
    in_full = _needing_work(review, most_in_full)
    tasks = []
    for fibre in review.fibres:
        ab = used.get((fibre.file_ab, fibre.wavelength_nm))
        ba = used.get((fibre.file_ba, fibre.wavelength_nm))
        if ab is not None and ba is not None:
            full = (fibre.key, fibre.wavelength_nm) in in_full
            tasks.append(_Task(fibre, ab, ba, full))
    return Sketches(
        tuple(pair for pair in spread(_sketched, tasks, executor, done) if pair is not None)
    )


def _needing_work(review: CableReview, most: int) -> frozenset[tuple[FibreKey, int]]:
    """Fibres and wavelengths with a splice that asks for something, at most so many."""
    worst: dict[tuple[FibreKey, int], tuple[int, float]] = {}
    for row in review.rows:
        if row.verdict.action is not Action.NONE:
            rank = severity(row.verdict.verdict), row.loss_db or 0.0
            place = row.key, row.wavelength_nm
            worst[place] = max(worst.get(place, rank), rank)
    ranked = sorted(worst, key=lambda place: (-worst[place][0], -worst[place][1], place))
    return frozenset(ranked[:most])


def _sketched(task: _Task) -> PairSketch | None:
    try:
        ab = load(task.ab.location, task.ab.trace_number, Direction.A_TO_B)
        ba = load(task.ba.location, task.ba.trace_number, Direction.B_TO_A)
    except (OtdravgError, OSError):
        return None  # the picture is missing; every number stands in the review
    return thinned(
        Span.of(task.fibre), (ab, task.ab.path), (ba, task.ba.path), in_full=task.in_full, bins=BINS
    )


def thinned(
    span: Span,
    ab: tuple[Trace, str],
    ba: tuple[Trace, str],
    *,
    in_full: bool,
    bins: int = BINS,
) -> PairSketch:
    """Thin out both shots of a span.

    Parameters
    ----------
    span : Span
    ab, ba : (Trace, str)
        The shots from A and from B, each with its file's name as shown.
    in_full : bool
        Whether every point is kept too.
    bins : int
        How many bins the span and its cords have.
    """
    length_m, index = span.length_m, span.index_used
    margin_m = _MARGIN * length_m
    first_m = -max(span.start_a_m, 0.0) - margin_m
    last_m = length_m + max(span.start_b_m, 0.0) + margin_m
    spacing_m = max(ab[0].spacing_m(index), ba[0].spacing_m(index))
    # A bin is wider than a point is long, so that none of them stays empty.
    step_m = max((last_m - first_m) / bins, spacing_m * (1 + 1e-6))
    bounds = first_m, last_m, step_m
    on_axis = (
        _OnAxis.of(ab[0], ab[1], span.start_a_m, length_m, index),
        _OnAxis.of(ba[0], ba[1], span.start_b_m, length_m, index),
    )
    full = [shot.full(first_m, last_m) if in_full else None for shot in on_axis]
    return PairSketch(
        span.key,
        span.wavelength_nm,
        length_m,
        on_axis[0].binned(*bounds),
        on_axis[1].binned(*bounds),
        full[0],
        full[1],
    )


@dataclass(frozen=True, slots=True, eq=False)
class _OnAxis:
    """All points of one shot on the axis of the span, ascending."""

    direction: Direction
    file: str
    first_m: float  # position of the first point
    spacing_m: float
    level_mdb: LevelArray

    @classmethod
    def of(cls, trace: Trace, file: str, start_m: float, length_m: float, index: float) -> _OnAxis:
        spacing_m = trace.spacing_m(index)
        level = np.round(trace.level_db * 1000).astype(np.int32)
        along_m = trace.offset_m(index) - start_m
        direction = trace.identity.direction
        if direction is Direction.A_TO_B:
            return cls(direction, file, along_m, spacing_m, level)
        first_m = length_m - along_m - (level.size - 1) * spacing_m
        return cls(direction, file, first_m, spacing_m, level[::-1])

    def _cut(self, first_m: float, last_m: float) -> tuple[float, LevelArray]:
        """Position of the first point, and the points, between two positions; at least one."""
        size = self.level_mdb.size
        lo = int(np.clip(np.ceil((first_m - self.first_m) / self.spacing_m), 0, size - 1))
        hi = int(np.clip(np.ceil((last_m - self.first_m) / self.spacing_m), lo + 1, size))
        return self.first_m + lo * self.spacing_m, self.level_mdb[lo:hi]

    def full(self, first_m: float, last_m: float) -> TraceSketch:
        at_m, level = self._cut(first_m, last_m)
        level = np.ascontiguousarray(level)
        return TraceSketch(
            self.direction, self.file, at_m - self.spacing_m / 2, self.spacing_m,
            level, level, level,
        )  # fmt: skip

    def binned(self, first_m: float, last_m: float, step_m: float) -> TraceSketch:
        at_m, level = self._cut(first_m, last_m)
        position = (at_m - first_m) / step_m + np.arange(level.size) * (self.spacing_m / step_m)
        bin_of = np.floor(position + 1e-9).astype(np.intp)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(bin_of)) + 1))
        counts = np.diff(np.append(starts, level.size))
        mean = np.add.reduceat(level.astype(np.int64), starts) / counts
        return TraceSketch(
            self.direction,
            self.file,
            first_m + int(bin_of[0]) * step_m,
            step_m,
            np.minimum.reduceat(level, starts),
            np.maximum.reduceat(level, starts),
            np.round(mean).astype(np.int32),
        )

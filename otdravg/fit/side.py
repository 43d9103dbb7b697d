"""One shot as a side of a pair: its place on the common axis and its clean stretches.

A side turns positions on the span (z, metres from the A end) into its own front-panel
coordinate, knows which of its points are clean fibre in each section, and which weight
they have. Both sides run through the same code; only the direction of travel differs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import wraps
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from otdravg.fit.joint import JointFit, SectionSums
from otdravg.shot.lines import LineTerms
from otdravg.shot.noise import DB_PER_RELATIVE_POWER, Lines
from otdravg.shot.shot import Shot
from otdravg.shot.tails import Lifted

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Kept free behind the dead zone of a reflection, share of the dead zone, but of the stretch
#: behind it no more than this share. Chosen, not derived: a tail of one pole is squared in twice
#: its time; giving up a quarter of the points costs 1/√0.75, 15 % of the uncertainty.
TAIL_MARGIN = 1.0
TAIL_SHARE = 0.25
#: A section is bent where a curve of the third degree takes off so much of its chi-squared.
#: Derived: χ² of four degrees of freedom is larger once in 10 million.
BENT = 38.0
#: A section must have so many pulses, and points, to show a bend (chosen, not derived: shorter ones
#: hold three independent readings or less).
LEAST_BENT_PULSES, LEAST_BENT_POINTS = 3.0, 16
#: Legendre polynomials of the first degrees in powers of t, and all of them at t = −1 and 1.
#: Standard: any table of orthogonal polynomials (DLMF, section 18.3).
LEGENDRE = np.array([[2, 0, 0, 0], [0, 2, 0, 0], [-1, 0, 3, 0], [0, -3, 0, 5]]) / 2
LEGENDRE_AT_ENDS = np.array([[1.0, 1.0], [-1.0, 1.0], [1.0, 1.0], [-1.0, 1.0]])
#: Points on either side of a step from which a curve can be told from it (chosen, not derived: a
#: line takes two, as many again judge it).
LEAST_CURVED_POINTS = 4


#: A section of fewer cells is summed point by point. Chosen, not derived: two at either end may not
#: count.
FEW_CELLS = 8


class SpanStart(Enum):
    """What says where the span begins in a shot."""

    STATED_CORD = "stated-cord"
    USER_OFFSET = "user-offset"  # set in the file
    OTHER_SHOT_ENDS = "other-shot-ends"
    FIRST_CONNECTOR = "first-connector"
    LONE_CONNECTOR = "lone-connector"  # the front panel: cords come in pairs, this one is alone
    FRONT_PANEL = "front-panel"


@dataclass(frozen=True, slots=True)
class Axis:
    """How the two shots were put on one axis: z = x_A − start_a = length − (x_B − start_b)."""

    group_index: float
    length_m: float
    u_length_m: float
    start_a_m: float  # launch cord length in shot A→B
    start_b_m: float  # launch cord length in shot B→A
    matched: int  # events seen from both ends
    residuals_m: tuple[float, ...]  # of z_A + z_B = L, one per matched event
    basis_a: SpanStart  # how start_a_m was found
    basis_b: SpanStart
    lone_connector_m: float | None = None  # front panel to the connector that is in the span


@dataclass(frozen=True, slots=True)
class Place:
    """A position on the span, or a group from ``start_m`` to ``stop_m`` (equal if single)."""

    start_m: float
    stop_m: float
    reflective: bool = False
    members: int = 1
    asked: bool = False
    u_m: float = 0.0  # standard uncertainty of the position

    @property
    def middle_m(self) -> float:
        """Where the readings of this place are taken."""
        return (self.start_m + self.stop_m) / 2


Found = TypeVar("Found")


def _kept(find: Callable[[Any, Sequence[Place]], Found]) -> Callable[[Any, Sequence[Place]], Found]:
    """Remember what a method of a side finds for some places: it is asked for them many times."""

    @wraps(find)
    def found(side: RoughSide, places: Sequence[Place]) -> Found:
        key = (find.__name__, *places)  # by name: a measurement goes from process to process
        if key not in side.known:
            side.known[key] = find(side, places)
        return side.known[key]  # type: ignore[no-any-return]

    return found


@dataclass(frozen=True, slots=True, eq=False)
class RoughSide:
    """One shot on the axis of the span, as the search left it; ``forward`` is A→B.

    Its sections are summed over the cells of the search.
    """

    shot: Shot
    start_m: float  # of the span in front-panel coordinates
    length_m: float
    forward: bool
    peaks_m: FloatArray  # shape (3, P): first point and dead zone's end of each reflection, margin
    entry_m: float  # where the span becomes clean behind the connector it starts with
    known: dict[Any, Any] = field(default_factory=dict, kw_only=True)  # where places disturb it

    @classmethod
    def of(cls, shot: Shot, start_m: float, length_m: float, forward: bool) -> RoughSide:
        """Put a shot on the axis."""
        # The front panel comes first.
        firsts = [shot.start, *(p.first for p in shot.peaks)]
        clears = [shot.front_clear, *(p.clear for p in shot.peaks)]
        peaks_m = shot.x_m[np.minimum([firsts, clears], shot.x_m.size - 1)]
        margin = TAIL_MARGIN * (np.array(clears) - firsts) * shot.spacing_m
        peaks_m = np.concatenate([peaks_m, margin[None]])
        side = cls(shot, start_m, length_m, forward, peaks_m, float(peaks_m[1, 0]))
        if start_m <= 0:
            return side
        # Behind the dead zone of the connector at the near end of the span.
        z = 0.0 if forward else length_m
        return replace(side, entry_m=max(float(side.dead_zones([Place(z, z)])[0, 1]), side.entry_m))

    def x(self, z_m: FloatArray | float) -> FloatArray:
        """Front-panel coordinate of positions on the span."""
        z = np.asarray(z_m, dtype=float)
        return self.start_m + z if self.forward else self.start_m + self.length_m - z

    def z(self, x_m: FloatArray | None = None) -> FloatArray:
        """Positions on the span, metres from the A end, of all points or of places in the shot."""
        along = (self.shot.x_m if x_m is None else x_m) - self.start_m
        return along if self.forward else self.length_m - along

    @_kept
    def dead_zones(self, places: Sequence[Place]) -> FloatArray:
        """Front-panel coordinates between which places disturb this shot, shape (P, 2)."""
        shot = self.shot
        spans = np.array([(p.start_m, p.stop_m) for p in places]).reshape(-1, 2)
        first, last = self.x(spans if self.forward else spans[:, ::-1]).T
        start, clear = first - shot.guard_m, shot.clear_m(first, last)
        if shot.peaks:
            slack = shot.placing_m
            lead, peak_clear, _ = self.peaks_m[:, 1:]
            here = (first[:, None] - slack <= lead) & (lead <= last[:, None] + slack)
            clear = np.maximum(clear, np.where(here, peak_clear, -np.inf).max(axis=1))
            ahead = lead - (1 + shot.smoothing / 2) * shot.spacing_m
            start = np.minimum(start, np.where(here, ahead, np.inf).min(axis=1))
        return np.stack([start, clear], axis=1)

    @_kept
    def stretches(self, places: Sequence[Place]) -> tuple[FloatArray, FloatArray]:
        """Clean stretch (from, to) of each section in front-panel coordinates, in z order.

        ``places`` are the inner positions in z order; there is one section more. Behind a
        reflection the stretch begins a little later than the dead zone ends: a tail that no
        longer shows still lifts what follows by a share of a millidecibel.
        """
        along = slice(None, None, 1 if self.forward else -1)  # zones and sections as light travels
        starts, clears = self.dead_zones(places)[along].T
        exit_start = self.start_m + self.length_m - self.shot.guard_m - self.shot.spacing_m
        begin = np.concatenate(([self.entry_m], clears))[along]
        stop = np.concatenate((starts, [exit_start]))[along]
        _, clear, margin = self.peaks_m
        here = np.abs(begin[:, None] - clear) < self.shot.spacing_m
        surely = np.where(here, margin, 0.0).max(axis=1)
        return begin + np.minimum(surely, TAIL_SHARE * np.maximum(stop - begin, 0)), stop

    def cells_around(self, places: Sequence[Place]) -> tuple[IndexArray, IndexArray]:
        """Cells among which each place is alone between its neighbours, shape (P,) each."""
        begin, stop = self.stretches(places)
        before, behind = (slice(None, -1), slice(1, None))
        if not self.forward:
            before, behind = behind, before
        lo = self.shot.cells.index(begin[before])
        return lo, np.maximum(self.shot.cells.index(stop[behind]), lo)

    def gaps_m(self, places: Sequence[Place]) -> FloatArray:
        """Clean fibre between consecutive places, shape (P − 1,); negative where zones overlap.

        Infinite where the shot does not reach the farther place.
        """
        zones = self.dead_zones(places)
        near, far = (zones[:-1], zones[1:]) if self.forward else (zones[1:], zones[:-1])
        farther = [p.stop_m for p in places[1:]]
        if not self.forward:
            farther = [p.start_m for p in places[:-1]]
        reached = self.x(np.array(farther)) < self.shot.signal_end_m
        return np.where(reached, far[:, 0] - near[:, 1], np.inf)

    @_kept
    def ranges(self, places: Sequence[Place]) -> tuple[IndexArray, IndexArray]:
        """Point indices lo ≤ i < hi of each section's clean stretch."""
        begin, stop = self.stretches(places)
        lo = np.searchsorted(self.shot.x_m, begin, side="left")
        hi = np.searchsorted(self.shot.x_m, stop, side="right")
        hi = np.minimum(hi, self.shot.end + 1)
        return lo.astype(np.intp), np.maximum(hi, lo).astype(np.intp)

    def section_sums(self, places: tuple[Place, ...], middle_m: FloatArray) -> FloatArray:
        """Weighted sums of every section about its middle, shape (5, S)."""
        begin, stop = self.stretches(places)
        lo, hi = self.shot.cells.index(begin), self.shot.cells.index(stop)
        hi, about = np.maximum(hi, lo), self.x(middle_m)
        sums = self._less_sure(self.shot.cells.sums.moments(lo, hi, about), places)
        short = np.flatnonzero(hi - lo < FEW_CELLS)
        if short.size:
            lo, hi = self.ranges(places)
        for k in short.tolist():  # cells beside what disturbs do not count: its points may
            here = slice(lo[k], hi[k])
            level, clean = self.shot.level_db[here], ~self.shot.in_peak[here]
            terms = LineTerms.of(
                self.shot.x_m[here], level, clean / self.shot.noise.long_run_db2(level)
            )
            if level.size:
                sums[:, k] = terms.moments(np.array([0]), hi[k : k + 1] - lo[k], about[k])[:, 0]
        return sums

    def _less_sure(self, sums: FloatArray, places: Sequence[Place]) -> FloatArray:
        """Sums with the weight that what stands out at both ends of short sections leaves them."""
        if not self.shot.loud_ends:
            return sums
        begin, stop = self.stretches(places)
        points = np.maximum((stop - begin) / self.shot.spacing_m, 1.0)
        return np.asarray(sums / (1 + self.shot.loud_ends / points))

    def lines(self, fit: JointFit, places: tuple[Place, ...]) -> Lines:
        """Lines that a fit lays through this shot's points, in travel order."""
        lo, hi = self.ranges(places)
        seen = fit.seen_ab if self.forward else fit.seen_ba
        hi = np.where(seen, hi, lo)
        z = self.z(self.shot.x_m[np.minimum(lo, self.shot.x_m.size - 1)])
        level, slope = fit.lines(z, forward=self.forward)
        slope = slope * (self.shot.spacing_m if self.forward else -self.shot.spacing_m)
        order = slice(None, None, 1 if self.forward else -1)
        return Lines(lo[order], hi[order], level[order], slope[order])

    def model(self, fit: JointFit, places: tuple[Place, ...]) -> FloatArray:
        """Fitted level at every point of the clean stretches; own level elsewhere."""
        return self.lines(fit, places).over(self.shot.level_db)

    def renoised(self, fit: JointFit, places: tuple[Place, ...]) -> Side:
        """Return the side with its noise model estimated again from the fit's residuals.

        The weights of points are those of the new model; cells serve the search alone, which is
        over.
        """
        shot, lines = self.shot, self.lines(fit, places)
        shot = replace(shot, noise=shot.noise_about(lines))
        return replace(self, shot=shot).weighted(lines.over(shot.level_db))

    def weighted(self, model_db: FloatArray) -> Side:
        """Return the side with weights and linearised response for a noise-free model.

        Notes
        -----
        Receiver noise is symmetric in linear power, so the response is the model plus
        (5/ln 10)·(P/P_model − 1): unbiased where the logarithm would read low.
        """
        shot, used = self.shot, slice(0, self.shot.end + 1)
        usable = ~shot.in_peak[used]
        usable &= model_db[used] > shot.faintest_db
        inverse = np.exp(np.where(usable, model_db[used], 0.0) * (-1 / DB_PER_RELATIVE_POWER))
        response, weight = np.zeros(model_db.size), np.zeros(model_db.size)
        ratio = DB_PER_RELATIVE_POWER * (shot.power[used] * inverse - 1)
        np.add(model_db[used], ratio, out=response[used], where=usable)
        weight[used] = usable / shot.noise.long_run_at(inverse * inverse)
        terms = LineTerms.of(shot.x_m, response, weight)
        return Side(
            shot, self.start_m, self.length_m, self.forward, self.peaks_m, self.entry_m,
            weight, response, terms, known=self.known,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Side(RoughSide):
    """One shot on the axis of the span, each of its points with its weight."""

    weight: FloatArray  # shape (n,), 1/long-run variance of clean points, else 0
    response_db: FloatArray  # shape (n,), the unbiased linearised level of clean points, else 0
    terms: LineTerms  # of the points

    def section_sums(self, places: tuple[Place, ...], middle_m: FloatArray) -> FloatArray:
        """Weighted sums of every section about its middle, shape (5, S)."""
        return self._less_sure(self.terms.moments(*self.ranges(places), self.x(middle_m)), places)

    def curve_over_step(
        self, places: tuple[Place, ...], chosen: npt.NDArray[np.bool_]
    ) -> FloatArray:
        """How much better a smooth curve explains both sections at some places than a step does.

        Chi-squared of two lines, joined by a step, less that of one curve of the third degree,
        which has as many parameters; shape (P,), −inf where there are too few points, and where a
        place is not ``chosen``. A step is
        hardly like a curve: of what it adds to the chi-squared of a line, one in the middle leaves
        a curve the larger half.
        """
        lo, hi = self.ranges(places)
        better = np.full(len(places), -np.inf)
        for j in np.flatnonzero(chosen).tolist():
            near, far = (slice(int(lo[m]), int(hi[m])) for m in (j, j + 1))
            used = np.concatenate(
                [np.arange(near.start, near.stop), np.arange(far.start, far.stop)]
            )
            used = used[self.weight[used] > 0]
            behind = (used >= far.start) & (used < far.stop)
            if min(np.count_nonzero(behind), np.count_nonzero(~behind)) < LEAST_CURVED_POINTS:
                continue
            t = self.shot.x_m[used]
            # What is left out between them must not hide how sharp the step is.
            if min(np.ptp(t[behind]), np.ptp(t[~behind])) < t[behind].min() - t[~behind].max():
                continue
            t = 2 * (t - t.min()) / (t.max() - t.min()) - 1
            root = np.sqrt(self.weight[used])
            level = self.response_db[used]
            level = (level - level.mean()) * root
            step = np.stack([~behind, ~behind * t, behind, behind * t], axis=1) * root[:, None]
            curve = np.stack([np.ones_like(t), t, t**2, t**3], axis=1) * root[:, None]
            left = []
            for columns in (step, curve):
                q = np.linalg.qr(columns)[0]
                left.append(-float(np.square(np.einsum("wa,w->a", q, level)).sum()))
            better[j] = left[0] - left[1]
        return better

    def bends_db(self, fit: JointFit, places: tuple[Place, ...]) -> FloatArray:
        """How far off its line this shot is at both ends of each section, in z order; shape (S, 2).

        0 where a section is straight within its noise, or too short to tell. What bends a section
        is no fibre: a tail that no model of the receiver holds, or a splice that was not found.
        """
        lines = self.lines(fit, places)
        least = max(LEAST_BENT_PULSES * self.shot.pulse_m / self.shot.spacing_m, LEAST_BENT_POINTS)
        ends = np.zeros((lines.lo.size, 2))
        long = np.flatnonzero(lines.hi - lines.lo > least)
        if not long.size:
            return ends
        count = (lines.hi - lines.lo)[long]
        begin = np.cumsum(count) - count
        along = np.arange(int(count.sum())) - np.repeat(begin, count)
        used = np.repeat(lines.lo[long], count) + along
        t = along * np.repeat(2 / (count - 1), count) - 1
        line = (
            np.repeat(lines.level_db[long], count) + np.repeat(lines.slope_db[long], count) * along
        )
        powers = np.empty((7 + 4, t.size))  # w·t⁰ … w·t⁶, and those that meet what is off the line
        powers[0] = self.weight[used]
        for k in range(1, 7):
            np.multiply(powers[k - 1], t, out=powers[k])
        np.multiply(powers[:4], self.response_db[used] - line, out=powers[7:])
        sums = np.add.reduceat(powers, begin, axis=1).T
        order = np.arange(4)
        normal = LEGENDRE @ sums[:, order[:, None] + order] @ LEGENDRE.T
        right = sums[:, 7:] @ LEGENDRE.T
        sound = np.linalg.matrix_rank(normal) == order.size
        off = np.linalg.solve(normal[sound], right[sound, :, None])[:, :, 0]
        bent = np.einsum("sa,sa->s", off, right[sound]) > BENT
        ends[long[sound][bent]] = (off @ LEGENDRE_AT_ENDS)[bent]
        return ends if self.forward else ends[::-1, ::-1]

    def lifted_db(self, places: tuple[Place, ...], share: float) -> FloatArray:
        """How much such a share of a slow tail lifts both ends of each section, in z order."""
        if not share:
            return np.zeros((len(places) + 1, 2))
        begin, stop = self.stretches(places)
        lo, hi = (
            self.shot.cells.index(begin),
            self.shot.cells.index(np.minimum(stop, self.shot.signal_end_m)),
        )
        ends = share * Lifted.of(self.shot, lo, hi).ends_db
        return ends if self.forward else ends[:, ::-1]


#: The shot from A and the shot from B.
Sides = tuple[RoughSide, RoughSide]


def with_bends(sides: tuple[Side, Side], fit: JointFit, places: tuple[Place, ...]) -> JointFit:
    """Return a fit whose uncertainty knows of sections that are not straight."""
    ends = np.stack([side.bends_db(fit, places) for side in sides], axis=2)
    bends = np.hypot(ends[:-1, 1], ends[1:, 0])
    lifted = [side.lifted_db(places, side.shot.response.u_slow) for side in sides]
    slow = np.stack(lifted, axis=2)
    return replace(fit, bends_db=np.hypot(bends, slow[:-1, 1] - slow[1:, 0]))


def pair_sums(sides: Sides, places: tuple[Place, ...]) -> SectionSums:
    """Sums of all sections between ``places`` (in z order) in both shots, A→B first."""
    edges = np.array([0.0, *(p.middle_m for p in places), sides[0].length_m])
    middle = (edges[:-1] + edges[1:]) / 2
    half_m = sides[0].shot.pulse_m / 2, sides[1].shot.pulse_m / 2
    ab, ba = (side.section_sums(places, middle) for side in sides)
    return SectionSums(middle, ab, ba, half_m)

"""The response as the ramps of splices show it, where reflections told nothing or too little.

Reflections clip, stand too close to each other, or are not there; splices do not saturate a
receiver, and the ramp of each is the pulse seen through the whole response. A few shapes (nothing,
one pole, two, a running mean, a pole and a running mean) are compared over all clear ramps of a
shot by likelihood. What reflections told stands unless the ramps speak clearly against it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt

from otdravg.shot.response import OWN_SHARE, SECOND, SHORT, Response
from otdravg.shot.settings import ResponseSource

FloatArray = npt.NDArray[np.float64]

#: Window around the start of a ramp, pulses, and points in a pulse. Derived: seven pulses behind
#: its start a step through a pole of 1.5 is there to 99 %; ten points show a flank of 0.3.
BEFORE, BEHIND, PER_PULSE = 4.0, 7.0, 10
#: Points that a pulse must cover for its ramps to have a shape (chosen, not derived: a flank and a
#: bend take two each).
LEAST_POINTS = 4.0
#: Starts that are tried about the place where a step was found, pulses. Chosen, not derived: the
#: search puts a ramp that is two pulses longer than expected a pulse off; a tenth is a point.
OFFSET, OFFSET_STEP = 2.0, 0.1
#: Ramps nearer to each other than this are the same ramp, pulses. Chosen, not derived: what a wrong
#: shape leaves of one is found as others.
SAME_RAMP = 5.0
#: Ramps that are looked at, the clearest first (chosen, not derived: more would not make it surer).
MOST_RAMPS = 10
#: A ramp's power stands out of what it leaves over by this ratio. Chosen, not derived: twenty
#: sigmas show shapes apart that differ by a tenth.
CLEAR = 400.0
#: What one ramp may say against a shape, in log-likelihood. Chosen, not derived: a second splice in
#: its window makes it say anything; below two of these, two ramps must agree.
MOST_OF_ONE = 40.0
#: Log-likelihood by which the ramps must prefer another shape, and penalty of each length. Chosen,
#: not derived: neighbours in noise are not independent, so far more than the 3.3 of one in a
#: thousand and the 1 of Akaike.
SURE, PENALTY = 25.0, 6.0
#: The same where reflections told a response. Derived: MOST_OF_ONE and half of it again, so that no
#: single ramp, which may be two splices, overrules them.
SURER = 60.0
#: Shapes within this log-likelihood of the best are looked at closely (chosen, not derived).
CLOSE = 40.0
#: Poles and running means of together less than this, in pulses, are left alone: the dead zone of
#: any step has room for them. Derived: STEP_RECOVERY less GUARD_SHARE is 0.25.
LEAST_SPREAD = 0.3
#: Lengths from the ramps are not known better than this, as a share. Benchmark: receivers, the
#: scatter of what ramps show.
LEAST_U = 0.015
#: Longest pole and running mean that are tried, pulses: what would be longer is no ramp. Derived: a
#: step through a longer pole is not there within the window.
LONGEST = 2.5, 4.0
#: One in so many shapes is looked at first. Chosen, not derived: neighbours differ by a tenth, and
#: only whether another shape is much better is asked.
FEWER = 4
#: Running means that are tried (chosen, not derived: a seventh apart, refined afterwards).
MEANS = tuple(np.geomspace(0.25, LONGEST[1], 21).tolist())
#: Steps in which lengths are refined, as shares, roughly and finely. Derived: shapes that are tried
#: first stand up to a fifth apart.
REFINED = ((0.85, 0.925, 1.0, 1.08, 1.17), (0.95, 0.975, 1.0, 1.025, 1.05))


@dataclass(frozen=True, slots=True)
class Shape:
    """Poles, the longest first, and the width of a running mean, in pulses."""

    poles: tuple[float, ...] = ()
    mean: float = 0.0

    @property
    def penalty(self) -> float:
        """What a shape must be better by to be worth its lengths."""
        return PENALTY * (len(self.poles) + (self.mean > 0))

    @property
    def spread(self) -> float:
        """How much longer than the pulse an edge becomes, pulses."""
        return sum(self.poles) + self.mean

    def scaled(self, factors: tuple[float, ...]) -> Shape:
        """The same with every length by a factor of its own."""
        poles = tuple(p * f for p, f in zip(self.poles, factors, strict=False))
        return Shape(tuple(sorted(poles, reverse=True)), self.mean * factors[-1])


@lru_cache(maxsize=1)
def _grids() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points of a window, starts that are tried, and level and slope as unit columns."""
    points = np.arange(-BEFORE, BEHIND, 1 / PER_PULSE)
    starts = np.arange(-OFFSET, OFFSET + OFFSET_STEP / 2, OFFSET_STEP)
    straight = np.linalg.qr(np.stack([np.ones_like(points), points], axis=1))[0]
    return points, starts, straight


@lru_cache(maxsize=1)
def _tried() -> tuple[tuple[Shape, ...], FloatArray]:
    """Shapes that are tried first, and their columns, shape (S, O, W)."""
    poles = np.geomspace(0.15, LONGEST[0], 17).tolist()
    shapes = [Shape()]
    shapes += [Shape((p,)) for p in poles]
    shapes += [Shape((p, p * second)) for p in poles[:13] for second in (1.0, 0.6, 0.35)]
    shapes += [Shape((), w) for w in MEANS]
    both = product(np.geomspace(0.2, 1.6, 7).tolist(), np.geomspace(0.4, 2.5, 6).tolist())
    shapes += [Shape((p,), w) for p, w in both]
    return tuple(shapes), np.stack([_columns(shape) for shape in shapes])


@lru_cache(maxsize=1)
def _few() -> tuple[tuple[Shape, ...], FloatArray]:
    """Some of the shapes, at every second start: enough to tell whether any is worth trying."""
    shapes, columns = _tried()
    return shapes[::FEWER], columns[::FEWER, ::2]


def _beside(known: Shape) -> tuple[tuple[Shape, ...], FloatArray]:
    """Shapes with a known first pole, and their columns."""
    first = known.poles[0]
    shapes = [Shape((first,)), *(Shape((first, first * second)) for second in SECOND)]
    shapes += [Shape((first,), w) for w in MEANS]
    return tuple(shapes), np.stack([_columns(shape) for shape in shapes])


def ramp_share(shape: Shape, behind: FloatArray) -> FloatArray:
    """Share of a step that shows so many pulses behind its start, shape as ``behind``.

    Notes
    -----
    A ramp u through a pole λ is u − λ·(1 − e^(−u/λ)) within the pulse and 1 − λ·(e^(1/λ) − 1)·
    e^(−u/λ) behind it; through two, (λ₁·s₁ − λ₂·s₂)/(λ₁ − λ₂) by partial fractions.
    """
    step = 1 / (5 * PER_PULSE)
    grid = np.arange(-12.0, 24.0, step)
    share = np.clip(grid, 0.0, 1.0)
    if shape.poles:
        first = shape.poles[0]
        share = _through_pole(grid, first)
        for second in shape.poles[1:]:
            apart = min(second, 0.97 * first)  # equal ones are the limit
            share = (first * share - apart * _through_pole(grid, apart)) / (first - apart)
    if shape.mean > step:
        integral = np.concatenate(([0.0], np.cumsum((share[1:] + share[:-1]) / 2))) * step
        ends = [
            np.interp(grid + away, grid, integral) + np.maximum(grid + away - grid[-1], 0.0)
            for away in (shape.mean / 2, -shape.mean / 2)
        ]
        share = (ends[0] - ends[1]) / shape.mean
    return np.asarray(np.interp(behind, grid, share))


def _through_pole(u: FloatArray, length: float) -> FloatArray:
    inside = u + length * np.expm1(-np.clip(u, 0, 1) / length)
    behind = 1 - length * np.expm1(1 / length) * np.exp(-np.maximum(u, 1) / length)
    return np.where(u <= 0, 0.0, np.where(u <= 1, inside, behind))


def _columns(shape: Shape) -> FloatArray:
    """Ramp from every start that is tried, level and slope taken out, length 1; shape (O, W)."""
    points, starts, straight = _grids()
    share = ramp_share(shape, points - starts[:, None])
    share -= np.einsum("oc,vc->ov", np.einsum("ow,wc->oc", share, straight), straight)
    return np.asarray(share / np.sqrt(np.einsum("ow,ow->o", share, share))[:, None])


def _windows(power: FloatArray, at: FloatArray, pulse_points: float) -> FloatArray:
    """Power around ramps that start at points ``at``, level and slope taken out; shape (K, W)."""
    points, _, straight = _grids()
    place = at[:, None] + points * pulse_points
    half = pulse_points / PER_PULSE / 2
    if half > 0.5:
        sums = np.concatenate(([0.0], np.cumsum(power)))
        index = np.arange(sums.size) - 0.5
        ends = [np.interp(place + away, index, sums) for away in (half, -half)]
        y = (ends[0] - ends[1]) / (2 * half)
    else:
        y = np.interp(place, np.arange(power.size), power)
    y = y / y[:, : int(BEFORE * PER_PULSE) // 2].mean(axis=1, keepdims=True)
    y -= np.einsum("kc,vc->kv", np.einsum("kw,wc->kc", y, straight), straight)
    return np.asarray(y)


def _left_over(ramps: FloatArray, columns: FloatArray) -> FloatArray:
    """Squares that each shape leaves of each ramp at its best start, shape (K, S)."""
    total = np.einsum("kw,kw->k", ramps, ramps)[:, None]
    fitted = np.square(np.einsum("kw,sow->kso", ramps, columns))  # tensordot goes to threads
    best = np.clip(fitted.argmax(axis=2), 1, fitted.shape[2] - 2)[:, :, None]
    low, top, high = (np.take_along_axis(fitted, best + k, axis=2)[:, :, 0] for k in (-1, 0, 1))
    # Between two starts the squares are a parabola.
    curve = np.maximum(2 * top - low - high, 1e-30)
    vertex = top + np.clip((high - low) ** 2 / (8 * curve), 0.0, curve / 8)
    return np.asarray(total - vertex + OWN_SHARE**2 * total)


@dataclass(frozen=True, slots=True, eq=False)
class _Ramps:
    """Clear ramps of a shot, and what the best shape leaves of each."""

    windows: FloatArray  # shape (K, W)
    best: FloatArray  # shape (K,)

    def with_best_of(self, columns: FloatArray) -> _Ramps:
        """The same, shapes among which the best may be added."""
        left = _left_over(self.windows, columns).min(axis=1)
        return _Ramps(self.windows, np.minimum(self.best, left))

    def against(self, shapes: tuple[Shape, ...], columns: FloatArray) -> FloatArray:
        """Log-likelihood against each shape, penalties included, shape (S,)."""
        left = _left_over(self.windows, columns)
        each = 0.5 * self.windows.shape[1] * np.log(left / self.best[:, None])
        penalties = np.array([shape.penalty for shape in shapes])
        return np.asarray(np.clip(each, 0.0, MOST_OF_ONE).sum(axis=0) + penalties)


def shown_by_ramps(
    power: FloatArray, at: FloatArray, pulse_points: float, present: Response
) -> Response | None:
    """Return the response that the ramps of a shot show if they do not show the present one.

    Parameters
    ----------
    power : array, shape (n,)
        Linear power as it was recorded, the fibre's usual slope taken out.
    at : array, shape (K,)
        Where steps were found, in points; no reflection stands near them.
    pulse_points : float
    present : Response
        What reflections told.
    """
    known = Shape(
        tuple(sorted(present.poles, reverse=True)),
        present.smoothing / pulse_points if present.smoothing >= 3 else 0.0,
    )
    ramps = _clear_ramps(power, at, pulse_points, known)
    if ramps is None:
        return None
    # Tails tell the longest pole better than any ramp; what is shorter may hide below it.
    sure = bool(known.poles) and present.edges > 1
    mine = np.stack([_columns(known)])
    shapes, columns = _few()
    rough = float(ramps.against((known,), mine)[0]) - ramps.against(shapes, columns).min()
    if rough < SURE / 2:  # as with nearly every receiver that is known
        return None
    shapes, columns = _beside(known) if sure else _tried()
    ramps = ramps.with_best_of(columns)
    against = ramps.against(shapes, columns)
    now = float(ramps.against((known,), mine)[0])
    needed = SURER if present.source is ResponseSource.LEARNT else SURE
    if now - against.min() < needed:
        return None
    best, least = known, now
    closest = np.flatnonzero(against < against.min() + CLOSE)
    for first in _best_of_each_kind([*(shapes[k] for k in closest), known], ramps):
        shape, cost = first, float(ramps.against((first,), np.stack([_columns(first)]))[0])
        for factors in REFINED:
            free = [factors] * len(shape.poles) + [factors if shape.mean else (1.0,)]
            if sure:
                free[0] = (1.0,)
            tried = tuple(shape.scaled(f) for f in product(*free))
            costs = ramps.against(tried, np.stack([_columns(t) for t in tried]))
            if costs.min() < cost:
                shape, cost = tried[int(np.argmin(costs))], float(costs.min())
        if cost < least:
            best, least = shape, cost
    believed = best.mean < LONGEST[1] and max(best.poles, default=0.0) < LONGEST[0]
    if now - least < needed or max(best.spread, known.spread) < LEAST_SPREAD or not believed:
        return None
    poles = best.poles if sum(best.poles) >= SHORT else ()
    smoothing = round(best.mean * pulse_points)
    return replace(
        present,
        poles=poles,
        smoothing=smoothing if smoothing >= 3 else 1,
        u_poles=(present.u_poles if sure else _relative_u(best, ramps)) if poles else 0.0,
        misfit=present.misfit if sure else 0.0,
        source=ResponseSource.LEARNT,
    )


def _clear_ramps(
    power: FloatArray, at: FloatArray, pulse_points: float, known: Shape
) -> _Ramps | None:
    """The clearest ramps, none near another."""
    if not at.size or pulse_points < LEAST_POINTS:
        return None
    windows = _windows(power, at, pulse_points)
    best = np.minimum(
        _left_over(windows, _few()[1]).min(axis=1),
        _left_over(windows, _columns(known)[None])[:, 0],
    )
    freedom = windows.shape[1] - 5  # level, slope, size, start and a length
    clear = (np.einsum("kw,kw->k", windows, windows) / best - 1) * freedom
    kept: list[int] = []
    for k in np.argsort(-clear).tolist():
        apart = all(abs(at[k] - at[j]) > SAME_RAMP * pulse_points for j in kept)
        if clear[k] > CLEAR and apart and len(kept) < MOST_RAMPS:
            kept.append(k)
    return _Ramps(windows[kept], best[kept]) if kept else None


def _best_of_each_kind(shapes: list[Shape], ramps: _Ramps) -> list[Shape]:
    """The best shape of every number of poles, with and without a running mean."""
    kinds: dict[tuple[int, bool], list[Shape]] = {}
    for shape in shapes:
        kinds.setdefault((len(shape.poles), shape.mean > 0), []).append(shape)
    found = []
    for kind in kinds.values():
        costs = ramps.against(tuple(kind), np.stack([_columns(shape) for shape in kind]))
        found.append(kind[int(np.argmin(costs))])
    return found


def _relative_u(shape: Shape, ramps: _Ramps) -> float:
    """Relative standard uncertainty of lengths, where the likelihood falls by e^(-1/2)."""
    step = REFINED[1][-1] - 1
    tried = tuple(shape.scaled((f,) * (len(shape.poles) + 1)) for f in (1 - step, 1.0, 1 + step))
    low, here, high = ramps.against(tried, np.stack([_columns(t) for t in tried])).tolist()
    return max(step / float(np.sqrt(max(low + high - 2 * here, 1e-3))), LEAST_U)

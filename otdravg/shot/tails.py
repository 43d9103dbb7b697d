"""Tails that no dead zone ends: those found as steps, and those that fall as 1/t.

What a slow receiver leaves behind a reflection or the front panel falls less and less. Two windows
of a few pulses may not tell it from fibre, and the search finds one small loss behind the other. A
tail that falls as 1/t bends fibre over hundreds of pulses, behind losses too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import takewhile

import numpy as np
import numpy.typing as npt

from otdravg.shot.noise import DB_PER_RELATIVE_POWER
from otdravg.shot.response import LEAST_SLOW, MOST_SLOW, REMAINS, slow_tail
from otdravg.shot.shot import Shot
from otdravg.shot.steps import Search, Zone, beside

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]

#: Lengths of tails that are looked for behind dead zones, pulses, and steps that one may be taken
#: for. Chosen, not derived: shorter ones end with the dead zone; longer ones are as good as fibre.
SHORTEST_TAIL, LONGEST_TAIL, MOST_OF_TAIL = 0.5, 60.0, 8
#: A tail that is left where a dead zone ends is no higher, dB. Chosen, not derived: more than the
#: end of a dead zone passes over, less than a splice that anybody would cut.
MOST_LEFT_DB = 0.1
#: What bends fibre counts from so many sigmas on. Chosen, not derived: it is never quite such a
#: tail, and an exponential looks like one by up to 20; it only corrects what shows behind the end.
SLOW_SIGMAS = 6.0
#: Cells that a share of 1 would lift by more than this are no fibre, dB. Derived: by 0.2 dB at the
#: least share that counts.
MOST_LIFTED_DB = 2000.0
#: Cells that a section must have to show a bend (chosen, not derived: shorter ones hold three
#: independent readings or less).
LEAST_BENT_CELLS = 16


@dataclass(frozen=True, slots=True, eq=False)
class Lifted:
    """What a tail that falls as 1/t does to straight sections of a shot.

    ``ends_db`` (shape (S, 2)) is how much a share of one would lift both ends of each section's
    line, in the direction of travel; ``share`` and ``u_share`` are what bends all sections together
    best, 0 where no tail shows.
    """

    ends_db: FloatArray
    share: float
    u_share: float

    @classmethod
    def of(cls, shot: Shot, lo: IndexArray, hi: IndexArray) -> Lifted:
        """Look at the cells lo ≤ i < hi of each section."""
        cells = shot.cells
        power = np.maximum(cells.power, 1e-13)
        lit = np.where(cells.x_m < 0, 0.0, power)
        pulse_cells = shot.pulse_m / (cells.width * shot.spacing_m)
        tail = slow_tail(lit, pulse_cells, shot.response.reach)
        tail *= DB_PER_RELATIVE_POWER / power
        ends = np.zeros((lo.size, 2))
        sections = np.flatnonzero(hi - lo >= LEAST_BENT_CELLS)
        if not sections.size:
            return cls(ends, 0.0, 0.0)
        first, count = lo[sections], (hi - lo)[sections]
        begin = np.cumsum(count) - count
        along = np.arange(int(count.sum())) - np.repeat(begin, count)
        used = np.repeat(first, count) + along
        x = 2 * along / np.repeat(count - 1, count) - 1

        def summed(values: FloatArray) -> FloatArray:
            return np.asarray(np.add.reduceat(values, begin, axis=-1))

        weight = cells.weight[used] * (tail[used] < MOST_LIFTED_DB)
        both = np.stack([cells.level_db[used], tail[used]])
        known = summed((weight > 0).astype(float)) >= LEAST_BENT_CELLS
        w, wx, wxx = (np.where(known, summed(weight * x**k), 1.0) for k in range(3))
        middle = wx / w
        spread = np.where(known, wxx - wx * middle, 1.0)
        level = summed(weight * both) / w
        x -= np.repeat(middle, count)
        slope = summed(weight * x * both) / spread
        both -= np.repeat(level, count, axis=1) + np.repeat(slope, count, axis=1) * x
        kept = np.repeat(known, count) * weight
        shared, own, rest = (
            float(np.einsum("i,i,i", kept, one, other))
            for one, other in ((both[0], both[1]), (both[1], both[1]), (both[0], both[0]))
        )
        freedom = float(np.count_nonzero(kept)) - 2 * float(known.sum())
        at_ends = level[1] + slope[1] * (np.array([[-1.0], [1.0]]) - middle)
        ends[sections[known]] = at_ends.T[known]
        if not own > 0 or freedom < 1:
            return cls(ends, 0.0, 0.0)
        share = shared / own
        u_share = math.sqrt(max((rest - share * shared) / freedom, 1.0) / own)
        whole = share + shot.response.slow
        sure = abs(share) > SLOW_SIGMAS * u_share and LEAST_SLOW < whole < MOST_SLOW
        return cls(ends, share if sure else 0.0, u_share if sure else 0.0)


def tails(
    search: Search, fixed: list[Zone], steps: list[float], stop_m: float
) -> dict[float, float]:
    """Dead zones behind which a tail explains steps better: where they end → where it does, m.

    Parameters
    ----------
    search : Search
    fixed : list of (start, clear)
        Dead zones of reflections and dips.
    steps : list of float
        Where steps were found.
    stop_m : float
        Where clean fibre stops.
    """
    shot = search.shot
    over: dict[float, float] = {}
    zones = sorted([(-np.inf, float(shot.x_m[shot.front_clear])), *fixed])
    losses = search.step(*beside(search, fixed, steps, stop_m)).loss_db if steps else ()
    at = sorted(zip(steps, losses, strict=True))
    ends = [*(start for start, _ in zones[1:]), stop_m]
    for (_, clear), end in zip(zones, ends, strict=True):
        reach = min(end, clear + LONGEST_TAIL * shot.pulse_m)
        behind = [(step, loss) for step, loss in at if clear <= step < end]
        falling = [step for step, _ in takewhile(lambda s: s[1] > 0, behind) if step < reach]
        for count in range(min(len(falling), MOST_OF_TAIL), 0, -1):
            stop = behind[count][0] if count < len(behind) else end
            tail = _tail_behind(search, clear, falling[:count], stop)
            if tail is not None and tail > clear:
                over[clear] = min(tail, stop)
                break
    return over


def _tail_behind(search: Search, clear_m: float, steps: list[float], stop_m: float) -> float | None:
    """Where a tail ends that explains the cells behind a dead zone as well as steps do, or None."""
    shot, cells = search.shot, search.shot.cells
    starts, clears = np.array([*steps, stop_m]), np.array([clear_m, *shot.clear_m(np.array(steps))])
    lo, hi = search.index(clears), search.index(starts)
    lo = np.minimum(lo, hi)
    used = np.concatenate([np.arange(a, b) for a, b in zip(lo, hi, strict=True)])
    used = used[cells.weight[used] > 0]
    piece = np.searchsorted(lo[1:], used, side="right")
    if used.size < 2 * (len(steps) + 1) + 3 or not np.bincount(piece, minlength=lo.size).all():
        return None
    x = (cells.x_m[used] - clear_m) / shot.pulse_m
    level = cells.level_db[used] - search.prior.mean * shot.pulse_m * x
    weight = cells.weight[used]
    left = _left_by_lines(x, level, weight, piece)
    # Powers add: of the fibre's where the tail is over, one.
    power = np.exp((level - level[piece == len(steps)].mean()) / DB_PER_RELATIVE_POWER)
    root = np.sqrt(weight) * (DB_PER_RELATIVE_POWER / power)
    lengths = SHORTEST_TAIL * (LONGEST_TAIL / 2 / SHORTEST_TAIL) ** (np.arange(24) / 23)
    lengths = lengths[lengths < x[-1]]
    if not lengths.size:
        return None
    # What level and slope leave of the power, and of each tail that is tried.
    straight = np.stack([root, root * (x - np.average(x, weights=root * root))])
    straight /= np.sqrt(np.einsum("aw,aw->a", straight, straight))[:, None]
    both = np.concatenate([(power * root)[None], np.exp(-x / lengths[:, None]) * root])
    both -= np.einsum("ta,aw->tw", np.einsum("tw,aw->ta", both, straight), straight)
    target, shapes = both[0], both[1:]
    size = np.einsum("tw,tw->t", shapes, shapes)
    height = np.einsum("tw,w->t", shapes, target) / size
    cost = float(np.einsum("w,w", target, target)) - height * height * size
    cost[(height <= 0) | (height >= MOST_LEFT_DB / DB_PER_RELATIVE_POWER)] = np.inf
    best = int(np.argmin(cost))
    if not cost[best] < left + 2 * (3 * len(steps) - 2):
        return None
    decays = max(math.log(float(height[best]) / REMAINS), 0.0)
    return clear_m + shot.pulse_m * float(lengths[best]) * decays


def _left_by_lines(x: FloatArray, y: FloatArray, weight: FloatArray, piece: IndexArray) -> float:
    """Weighted squares that the best line through each piece leaves; no piece is empty."""
    inverse = 1 / np.bincount(piece, weight)
    x = x - (np.bincount(piece, weight * x) * inverse)[piece]
    y = y - (np.bincount(piece, weight * y) * inverse)[piece]
    fall, spread = np.bincount(piece, weight * x * y), np.bincount(piece, weight * x * x)
    return float((weight * y * y).sum() - (fall**2 / np.maximum(spread, 1e-30)).sum())

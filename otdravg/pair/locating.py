"""Where exactly a splice lies: the ramps of both shots together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from otdravg.fit.side import Place, Sides
from otdravg.shot.ramp import compound_ramps, grid_step_m, location_cost, lowest

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]

#: Starts of a ramp that are tried at once: roughly first, then finely around the best. Chosen, not
#: derived: the cost is smooth over a tenth of a pulse.
MOST_STARTS = 32


def located(sides: Sides, places: list[Place]) -> list[Place]:
    """Place each splice where the ramps of both shots together fit best."""
    ordered = sorted(places, key=lambda p: p.start_m)
    chosen = [i for i, p in enumerate(ordered) if not (p.reflective or p.members > 1 or p.asked)]
    if not chosen:
        return ordered
    at = np.array([ordered[i].start_m for i in chosen])
    lower = np.array([0.0, *(p.stop_m for p in ordered)])[chosen]
    upper = np.array([*(p.start_m for p in ordered[1:]), sides[0].length_m])[chosen]
    finest = min(grid_step_m(s.shot) for s in sides)
    reach = max(s.shot.pulse_m + 2 * s.shot.spacing_m for s in sides)
    step = max(finest, 2 * reach / MOST_STARTS)
    alone = [[edge[chosen] for edge in side.cells_around(ordered)] for side in sides]
    while True:
        grid = at[:, None] + np.arange(-reach, reach + 0.5 * step, step)
        allowed = (grid >= lower[:, None] + step) & (grid <= upper[:, None] - step)
        costs = [
            np.nan_to_num(location_cost(side.shot, side.x(grid), lo, hi))
            for side, (lo, hi) in zip(sides, alone, strict=True)
        ]
        total = costs[0] + costs[1]
        best, beyond, width = lowest(np.where(allowed, total, np.inf))
        known = total.any(axis=1) & (allowed.sum(axis=1) >= 3)
        at = np.where(known, grid[np.arange(best.size), best] + step * beyond, at)
        if step <= finest:
            break
        reach, step = 4 * step, max(finest, 8 * step / MOST_STARTS)
    slack = max(s.shot.placing_m for s in sides)
    lean, u_lean = _lean_m(grid, allowed, costs, step)
    at = np.clip(at - lean, lower, upper)
    u_m = np.where(known, np.minimum(np.hypot(step * width, u_lean), slack), slack)
    for i, z, u in zip(chosen, at.tolist(), u_m.tolist(), strict=True):
        ordered[i] = replace(ordered[i], start_m=z, stop_m=z, u_m=u)
    return ordered


def _lean_m(
    grid: FloatArray, allowed: BoolArray, costs: list[FloatArray], step: float
) -> tuple[FloatArray, FloatArray]:
    """How much places lean towards the shot that sees them more clearly, and how sure that is, m.

    Receivers show a ramp late: too far from A in the shot from A, too near in the other. All
    places share that difference; the mean of both positions is free of it, their mean weighted
    by the clearness of the ramps is not.
    """
    (at_a, u_a), (at_b, u_b) = (_alone(grid, allowed, cost, step) for cost in costs)
    variance = u_a**2 + u_b**2
    sure = np.isfinite(variance)
    if not sure.any():
        return np.zeros(grid.shape[0]), np.zeros(grid.shape[0])
    late = float(np.average((at_a - at_b)[sure], weights=1 / variance[sure]))
    # A ramp that only one shot shows is left where it was found: it may be none.
    lean = np.zeros(sure.size)
    lean[sure] = (u_b[sure] ** 2 - u_a[sure] ** 2) / variance[sure]
    u_late = 1 / float(np.sqrt((1 / variance[sure]).sum()))
    return lean * late / 2, np.abs(lean) * u_late / 2


def _alone(
    grid: FloatArray, allowed: BoolArray, cost: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Where one shot alone puts each place, and how surely; infinite where it cannot."""
    best, beyond, width = lowest(np.where(allowed, cost, np.inf))
    inner = cost.any(axis=1) & (best > 0) & (best < cost.shape[1] - 1)
    at = grid[np.arange(best.size), best] + step * beyond
    return at, np.where(inner, step * width, np.inf)


def compounded(sides: Sides, places: tuple[Place, ...]) -> list[Place]:
    """Turn a place into a group where a shot's ramp there is two ramps, not one."""
    result = list(places)
    chosen = [i for i, p in enumerate(places) if not (p.reflective or p.members > 1 or p.asked)]
    starts: dict[int, list[float]] = {}
    for side in sides:
        lo, hi = (edge[chosen] for edge in side.cells_around(places))
        at = side.x(np.array([places[i].start_m for i in chosen]))
        for k, two in compound_ramps(side.shot, at, lo, hi).items():
            starts.setdefault(chosen[k], []).extend(side.z(np.array(two)).tolist())
    for i, ends in starts.items():
        result[i] = replace(places[i], start_m=min(ends), stop_m=max(ends), members=2)
    return result

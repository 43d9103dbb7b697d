"""The fewest closures to open so that every span meets the profile, found exactly.

Opening a closure is the dear part of a repair: a crew, a vehicle, a permit. At an open
closure any ribbon can be remade; a remake throws all its fibres anew.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from otdravg.cable.resplice.model import Openings
from otdravg.errors import OtdravgError
from otdravg.findings import says
from otdravg.grouping import grouped

#: Row, column and value of each entry of a sparse matrix.
_Entries = tuple[list[int], list[int], list[float]]

#: An expected loss is met to a ten-thousandth of a dB.
_MET_DB = 1e-4


@dataclass(frozen=True, slots=True)
class SpanNeed:
    """One fibre under one span rule.

    ``deficit_db`` is what its summed loss has to shrink by; negative: what it may still grow
    by. ``gain_db`` is what remaking its ribbon at a closure is expected to bring, by closure
    number; negative where the splice is better than what a remake usually gives.
    """

    fibre: int
    ribbon: int
    deficit_db: float
    gain_db: Mapping[int, float]


def fewest_openings(
    needs: Sequence[SpanNeed],
    *,
    opened: Collection[int] = (),
    remade: Collection[tuple[int, int]] = (),
) -> Openings:
    """Find the fewest closures whose ribbons, remade, bring every fibre within its span rule.

    Parameters
    ----------
    needs : sequence of SpanNeed
        Every fibre under every span rule, those within included: a remake must not spoil them.
    opened, remade : collections
        Closures that are opened and (closure, ribbon) that are remade anyway.

    Returns
    -------
    Openings

    Notes
    -----
    Mixed-integer programs, solved to proven optimality (HiGHS): first the fewest closures, then
    for each ribbon the fewest remakes at these. Another choice of as many closures may do with
    fewer remakes. A ribbon that no choice of remakes brings within is out of reach and left.
    """
    lost: list[int] = []
    soluble: list[list[SpanNeed]] = []
    every = {closure for need in needs for closure in need.gain_db}
    for own in grouped(needs, lambda need: need.ribbon).values():
        short = [need.fibre for need in own if need.deficit_db > _MET_DB]
        if not short:
            continue
        # Ribbons share nothing but the closures, and every closure may be opened: a ribbon
        # that has an answer alone has one among the others.
        if _remakes(own, every, remade) is None:
            lost += short
        else:
            soluble.append(own)
    closures = _closures(soluble, opened, remade) if soluble else set(opened)
    remakes = set(remade)
    for own in soluble:
        remakes |= _remakes(own, closures, remade) or set()
    return Openings(
        closures=tuple(sorted(closures | set(opened))),
        extra=tuple(sorted(closures - set(opened))),
        remakes=tuple(sorted(remakes)),
        out_of_reach=tuple(sorted(set(lost))),
    )


def _closures(
    ribbons: Sequence[Sequence[SpanNeed]],
    opened: Collection[int],
    remade: Collection[tuple[int, int]],
) -> set[int]:
    """Find the fewest closures; each ribbon has an answer if all are open."""
    needs = [need for own in ribbons for need in own]
    closures = sorted({closure for need in needs for closure in need.gain_db})
    units = sorted({(closure, need.ribbon) for need in needs for closure in need.gain_db})
    first = {closure: i for i, closure in enumerate(closures)}
    column = {unit: len(closures) + i for i, unit in enumerate(units)}
    rows, columns, values = _gains(needs, column)
    low = [need.deficit_db - _MET_DB for need in needs]
    for unit in units:  # a ribbon is remade only where the closure is open
        rows += [len(low), len(low)]
        columns += [first[unit[0]], column[unit]]
        values += [1.0, -1.0]
        low.append(0.0)
    cost = np.concatenate([np.ones(len(closures)), np.zeros(len(units))])
    fixed = {first[closure] for closure in opened if closure in first}
    fixed |= {column[unit] for unit in remade if unit in column}
    chosen = _chosen(cost, (rows, columns, values), low, fixed)
    if chosen is None:
        raise OtdravgError(says("no-openings"))
    return {closure for closure, i in first.items() if i in chosen}


def _remakes(
    needs: Sequence[SpanNeed], closures: Collection[int], remade: Collection[tuple[int, int]]
) -> set[tuple[int, int]] | None:
    """Find the fewest remakes of one ribbon at open closures; None if none bring it within."""
    ribbon = needs[0].ribbon
    own = sorted({c for need in needs for c in need.gain_db if c in closures})
    if not own:
        return None
    column = {(closure, ribbon): i for i, closure in enumerate(own)}
    entries = _gains(needs, column)
    low = [need.deficit_db - _MET_DB for need in needs]
    fixed = {column[unit] for unit in remade if unit in column}
    chosen = _chosen(np.ones(len(own)), entries, low, fixed)
    return None if chosen is None else {unit for unit, i in column.items() if i in chosen}


def _gains(needs: Sequence[SpanNeed], column: Mapping[tuple[int, int], int]) -> _Entries:
    """Rows of the program that say what each remake brings each span."""
    rows, columns, values = [], [], []
    for number, need in enumerate(needs):
        for closure, gain in need.gain_db.items():
            if (closure, need.ribbon) in column:
                rows.append(number)
                columns.append(column[closure, need.ribbon])
                values.append(gain)
    return rows, columns, values


def _chosen(
    cost: npt.NDArray[np.float64], entries: _Entries, low: Sequence[float], fixed: set[int]
) -> set[int] | None:
    """Choose columns at the least cost so that every row reaches its mark; None: impossible."""
    # Half a second: most commands never ask, and few cables have spans over their rules.
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array

    rows, columns, values = entries
    least = np.zeros(cost.size)
    least[sorted(fixed)] = 1
    matrix = coo_array((values, (rows, columns)), shape=(len(low), cost.size)).tocsr()
    result = milp(
        cost,
        integrality=np.ones(cost.size),
        bounds=Bounds(least, np.ones(cost.size)),
        constraints=LinearConstraint(matrix, np.asarray(low), np.inf),
    )
    return None if result.x is None else set(np.flatnonzero(result.x > 0.5).tolist())

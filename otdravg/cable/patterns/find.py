"""Patterns in the splices of a cable: where to look, never what the cause is.

Splices of one ribbon at one closure share their cleave and their arc, so two questions are
kept apart. Within a ribbon: does a position lose more than the others? Between ribbons: does
a closure, a ribbon or a single mass splice lose more, or does loss drift along the work?
Each question has its own scatter, and all answers together share one false-alarm rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from otdravg.cable.model import SpliceRow
from otdravg.cable.patterns.compare import LossTable, SplicingOrder, compared
from otdravg.cable.patterns.model import Pattern, PatternKind, Patterns
from otdravg.cable.patterns.robust import holm
from otdravg.fit.reading import Kind
from otdravg.grouping import grouped
from otdravg.verdict.decision import Verdict

__all__ = ["Pattern", "PatternKind", "Patterns", "find_patterns", "is_sample"]

#: Data that say nothing of how the splices were made.
_LEFT_OUT = (Verdict.BEND, Verdict.IMPLAUSIBLE, Verdict.NOT_GRADABLE)


def find_patterns(
    rows: Sequence[SpliceRow],
    *,
    level: float = 0.05,
    least_db: float = 0.01,
    order: SplicingOrder | None = None,
) -> Patterns:
    """Look for positions, edges, ribbons, closures and drifts that stand out.

    Parameters
    ----------
    rows : sequence of SpliceRow
        Judged rows of one or several cables; those between closures, connectors, suspected
        bends and doubtful data are left out.
    level : float
        Chance of any false pattern over all comparisons.
    least_db : float
        A smaller effect is not worth a look, however sure.
    order : mapping, optional
        Order of splicing, as a splice log has it. Where it does not have all ribbons of a closure,
        they are taken in the order of their numbers, and a rise along them is not called a drift.

    Notes
    -----
    One wavelength of each cable: the one with most splices, the shortest among equals, since
    bends add least there. Per closure a robust fit ribbons + positions; then, on the ribbons'
    levels less their drift, a robust fit closures + ribbons (:mod:`otdravg.cable.patterns.robust`).
    Tests are one-sided: more loss. An effect said to hold at most closures has to remain when
    the closure that shows it most is taken away. Chances are adjusted over everything tested:
    an equal share of the level for each kind of pattern, Holm's procedure within a kind.
    """
    tested: list[Pattern] = []
    by_cable = grouped(filter(is_sample, rows), lambda row: row.cable)
    for cable in sorted(by_cable):
        tested += compared(LossTable.of(by_cable[cable]), order or {})
    found = [p for p in _adjusted(tested) if p.p_adjusted < level and p.effect_db >= least_db]
    return Patterns(tuple(_without_echoes(found)), len(tested), level)


def is_sample(row: SpliceRow) -> bool:
    """Whether a row says how a splice was made: measured, neither bent nor doubtful."""
    return (
        row.closure_number is not None
        and row.loss_db is not None
        and row.kind is Kind.SPLICE
        and row.verdict.verdict not in _LEFT_OUT
    )


def _adjusted(tested: Sequence[Pattern]) -> list[Pattern]:
    """Adjust the chances for the number of comparisons.

    Each kind of pattern gets an equal share of the level, so that the hundreds of mass splices
    do not drown the few closures; within a kind Holm's procedure.
    """
    by_kind = grouped(tested, lambda pattern: pattern.kind)
    return [
        replace(pattern, p_adjusted=min(1.0, float(p) * len(by_kind)))
        for own in by_kind.values()
        for pattern, p in zip(own, holm([p.p_value for p in own]), strict=True)
    ]


def _without_echoes(found: Sequence[Pattern]) -> list[Pattern]:
    """Leave out edge positions one by one where the edge says it; clearest first."""
    edges = {
        (edge.cable, position)
        for edge in found
        if edge.kind is PatternKind.EDGE
        for position in edge.positions
    }
    kept = [
        p
        for p in found
        if p.kind is not PatternKind.POSITION or (p.cable, p.positions[0]) not in edges
    ]
    return sorted(kept, key=lambda p: (p.cable, p.p_adjusted, -p.effect_db))

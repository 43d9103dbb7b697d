"""What is proved of a splice, and when: from one end, from both, and for bends after closing.

Splices are proved before a closure is closed, bends after it: fibres are laid into their trays in
between (common practice, no source).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from otdravg.cable.model import Closure, GroupResult, Proof, SpliceRow
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict import Profile
from otdravg.verdict.decision import Verdict
from otdravg.verdict.rules import Closures
from otdravg.verdict.splice import splice_limit
from otdravg.verdict.verdicts import Circumstances

__all__ = ["with_group_proof", "with_proof"]

_GOOD = (Verdict.WITHIN, Verdict.ACCEPTED)
_ORDER = tuple(Proof)


def with_proof(
    rows: Sequence[SpliceRow], closures: Sequence[Closure], profile: Profile
) -> list[SpliceRow]:
    """Say of each splice how far it is proved.

    A reading from one end is plausible if it is no higher than the limit of the true loss; it may
    hide as much again as the glass on both sides differs. The dates are those of the instruments;
    that of closing is the crew's.
    """
    at = {(one.cable, one.number): one for one in closures}
    return [
        row
        if row.closure_number is None
        else _proved(row, at.get((row.cable, row.closure_number)), profile)
        for row in rows
    ]


def _proved(row: SpliceRow, closure: Closure | None, profile: Profile) -> SpliceRow:
    if row.coverage is not Coverage.BOTH:
        return replace(row, proof=Proof.ONE_END) if _is_plausible(row, profile) else row
    if row.verdict.verdict not in _GOOD:
        return row
    closed = None if closure is None else closure.closed
    taken = None if row.taken is None else row.taken.replace(tzinfo=None)
    is_after = closed is not None and taken is not None and taken > closed
    is_due = closed is not None or profile.stage.is_building
    is_due |= profile.stage.closures is Closures.OPEN
    if is_after and row.bend_db is not None:
        return replace(row, proof=Proof.CHECKED, proved=row.taken, bend_checked=row.taken)
    return replace(row, proof=Proof.BEND_DUE if is_due else Proof.BOTH, proved=row.taken)


def _is_plausible(row: SpliceRow, profile: Profile) -> bool:
    readings = [db for db in (row.loss_ab_db, row.loss_ba_db) if db is not None]
    limit_db, _ = splice_limit(profile, Circumstances(row.wavelength_nm))
    shown = reported(max(readings, default=None), Quantity.LOSS_DB)
    unsure = row.verdict.verdict in (Verdict.ONE_WAY, Verdict.WITHIN_ONE_WAY)
    return unsure and shown is not None and (limit_db is None or shown <= limit_db)


def with_group_proof(groups: Iterable[GroupResult], rows: Sequence[SpliceRow]) -> list[GroupResult]:
    """Say of ribbons, closures and cables how far the least proved of their splices is."""
    at: dict[tuple[str, int, int | None], list[SpliceRow]] = defaultdict(list)
    for row in rows:
        if row.closure_number is not None:
            at[row.cable, row.wavelength_nm, row.closure_number].append(row)
            at[row.cable, row.wavelength_nm, None].append(row)  # of the cable as a whole
    result = []
    for group in groups:
        fibres = set(group.fibres)
        own = [
            row
            for row in at[group.cable, group.wavelength_nm, group.closure_number]
            if row.fibre in fibres
        ]
        least = min((row.proof for row in own), key=_ORDER.index, default=Proof.OPEN)
        result.append(
            replace(
                group,
                proof=least,
                proved=_since(row.proved for row in own),
                bend_checked=_since(row.bend_checked for row in own),
            )
        )
    return result


def _since(dates: Iterable[datetime | None]) -> datetime | None:
    """The latest of some dates; None if one is missing."""
    known = list(dates)
    there = [one for one in known if one is not None]
    return max(there) if there and len(there) == len(known) else None

"""Ends of fibres in a cable under construction: told from breaks, and what they mean."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from statistics import median

from otdravg.cable.checks.notes import about_fibre, about_fibres
from otdravg.cable.files.attempts import date_of
from otdravg.cable.log.held import HeldLog, unit_of, units_named
from otdravg.cable.measure.building import reel_ends, usual_end
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, FibreKey, ReelEnd, SpliceRow
from otdravg.findings import Scope, Statement, caution, defect, note, says
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.splice import with_more

#: Fibres of a ribbon end at the end of a reel within so much, m. Chosen, not derived: a ribbon is
#: cut as a whole; a place is known to some metres.
_CUT_M = 25.0
#: What is open in a row as long as no light comes from the far end.
_OPEN = (Verdict.ONE_WAY, Verdict.NOT_MEASURED)


def not_due_yet(rows: Sequence[SpliceRow], far_end_open: frozenset[FibreKey]) -> list[SpliceRow]:
    """Ask for no shot from the far end of fibres that it cannot see; they stay unproved."""
    return [
        replace(
            row,
            verdict=replace(with_more(row.verdict, says("far-end-open")), action=Action.NONE),
        )
        if row.key in far_end_open and row.verdict.verdict in _OPEN
        else row
        for row in rows
    ]


def building_findings(
    measured: Sequence[Measured],
    ends: Sequence[ReelEnd],
    known: Sequence[KnownClosure],
    log: HeldLog,
    ribbon_size: int | None,
) -> list[CableFinding]:
    """Say how far a cable is built, and which fibres do not end where they should."""
    if not known:
        return [CableFinding(note("reel-ends-unknown", Scope.CABLE))]
    by_unit: dict[tuple[str, int], list[ReelEnd]] = defaultdict(list)
    for end in ends:
        by_unit[end.key.cable, unit_of(end.key.fibre, ribbon_size)].append(end)
    names = [one.name for one in sorted(known, key=lambda c: c.distance_m)]
    order = {name: n for n, name in enumerate(names)}
    usual = {unit: usual_end(own) for unit, own in by_unit.items()}
    before = _ends_before(measured, known)
    newest = {
        one.key: taken for one in measured if (ab := one.records[0]) and (taken := date_of(ab))
    }
    findings = list(_built(usual, names, ribbon_size))
    for unit, own in by_unit.items():
        there = [end.distance_m for end in own if end.closure == usual[unit] and not end.is_whole]
        for end in own:
            if usual[unit] and end.closure == usual[unit]:
                findings += _short_of(end, median(there))
            findings += _odd_end(end, usual[unit], before.get(end.key), order, names)
        findings += _logged_open(unit, own, usual[unit], log, newest, ribbon_size)
    return findings


def _ends_before(
    measured: Sequence[Measured], known: Sequence[KnownClosure]
) -> Mapping[FibreKey, ReelEnd]:
    """The farthest end that an earlier shot of each fibre showed."""
    farthest: dict[FibreKey, ReelEnd] = {}
    for one in measured:
        for _, outcome in one.earlier:
            for end in reel_ends([one.with_outcome(outcome)], known):
                if end.closure or end.is_whole:
                    old = farthest.get(end.key)
                    if old is None or end.distance_m > old.distance_m:
                        farthest[end.key] = end
    return farthest


def _built(
    usual: Mapping[tuple[str, int], str], names: Sequence[str], ribbon_size: int | None
) -> Iterator[CableFinding]:
    """How far the ribbons of each cable are spliced."""
    by_cable: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for (cable, unit), closure in usual.items():
        by_cable[cable][closure].append(unit)
    for cable, own in sorted(by_cable.items()):
        parts = tuple(
            says("built-to", units=units_named(own[closure], ribbon_size), end=_end(closure))
            for closure in (*names, "")
            if closure in own
        )
        if any(own):
            yield CableFinding(note("built-so-far", Scope.CABLE, parts=parts), cable)


def _end(closure: str) -> Statement:
    return says("end-at-closure", name=closure) if closure else says("end-behind-last")


def _short_of(end: ReelEnd, usual_m: float) -> Iterator[CableFinding]:
    """A fibre that ends short of the end of its reel, as the rest of its ribbon shows it."""
    if usual_m - end.distance_m > _CUT_M:
        said = defect(
            "end-between-closures", Scope.CABLE, "short", end_m=end.distance_m,
            short_m=usual_m - end.distance_m, end=_end(end.closure),
        )  # fmt: skip
        yield about_fibre(end.key, said, distance_m=end.distance_m)


def _odd_end(
    end: ReelEnd,
    usual: str,
    before: ReelEnd | None,
    order: Mapping[str, int],
    names: Sequence[str],
) -> Iterator[CableFinding]:
    if not end.closure and not end.is_whole:
        said = defect("end-between-closures", Scope.CABLE, end_m=end.distance_m)
        yield about_fibre(end.key, said, distance_m=end.distance_m)
        return
    place = order.get(end.closure, len(names))
    if place < order.get(usual, len(names)):
        said = defect(
            "end-behind-ribbon", Scope.CABLE, end_m=end.distance_m, name=end.closure,
            end=_end(usual),
        )  # fmt: skip
    elif before is not None and place < order.get(before.closure, len(names)):
        said = defect(
            "end-moved-back", Scope.CABLE, end_m=end.distance_m, name=end.closure,
            before_m=before.distance_m,
        )  # fmt: skip
    else:
        return
    yield about_fibre(end.key, said, closure=end.closure, distance_m=end.distance_m)


def _logged_open(
    unit: tuple[str, int],
    ends: Sequence[ReelEnd],
    usual: str,
    log: HeldLog,
    newest: Mapping[FibreKey, datetime],
    ribbon_size: int | None,
) -> Iterator[CableFinding]:
    """A ribbon that the log has spliced where it ends: open, or its shots are older."""
    fibres = [end.key.fibre for end in ends]
    taken = max((newest[end.key] for end in ends if end.key in newest), default=None)
    for line in log.ahead:
        if (line.ribbon, line.closure) != (unit[1], usual):
            continue
        is_after = taken is not None and taken.replace(tzinfo=None) > line.when
        grave = caution if is_after else note
        said = grave(
            "open-by-shots" if is_after else "spliced-since-shot", Scope.CABLE,
            units=units_named([unit[1]], ribbon_size), name=usual, line=line.line,
            when=f"{line.when:%Y-%m-%d %H:%M}",
        )  # fmt: skip
        yield about_fibres(unit[0], fibres, said, each=True, closure=usual)

"""Rows of one place, over its wavelengths: bends told from splices, and what they give rise to."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import hypot

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.model import CableFinding, FibreKey, SpliceRow
from otdravg.findings import Finding, Scope, Statement, caution, note, says
from otdravg.fit.reading import Kind
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.place import judge_place
from otdravg.verdict.rules import Combination, Profile, default
from otdravg.verdict.splice import with_more
from otdravg.verdict.verdicts import PlaceReading, SpliceVerdict

#: An event between closures above this is worth a look (common practice, no source).
_WORTH_A_LOOK_DB = 0.05


def judged_together(rows: Sequence[SpliceRow], profile: Profile) -> list[SpliceRow]:
    """Judge rows again, wavelengths of one place together; each has a verdict of its own.

    Parameters
    ----------
    rows : sequence of SpliceRow
        In any order; returned in the same.
    profile : Profile
    """
    judged, silent = list(rows), profile.bend.threshold_db is None
    # A bend is one whatever the contract says of it.
    told = replace(profile, bend=default().bend) if silent else profile
    for members in _by_place(judged):
        _judge_together(judged, members, told, silent=silent)
        if profile.splice.wavelengths is Combination.ANY:
            _let_one_pass(judged, members)
    return judged


def _let_one_pass(rows: list[SpliceRow], members: Sequence[int]) -> None:
    """Where one wavelength is within its limit, the profile asks nothing of the others.

    A bend stays one: it is undone by hand.
    """
    passing = [rows[n].wavelength_nm for n in members if rows[n].verdict.verdict is Verdict.WITHIN]
    for n in members if passing else ():
        own = rows[n].verdict
        if own.verdict in (Verdict.OVER, Verdict.FAILED, Verdict.TOO_CLOSE):
            cleared = replace(
                own, verdict=Verdict.INFORMATION, action=Action.NONE, rule="splice.wavelengths"
            )
            more = says("other-wavelength-passes", nominal_nm=f"{passing[0]}")
            rows[n] = replace(rows[n], verdict=with_more(cleared, more))


def _by_place(rows: Sequence[SpliceRow]) -> list[list[int]]:
    """Numbers of the rows of each place, over its wavelengths.

    Events between closures belong together if they are nearer than a few metres.
    """
    places: dict[tuple[FibreKey, int], list[int]] = defaultdict(list)
    loose: dict[FibreKey, list[int]] = defaultdict(list)
    for number, row in enumerate(rows):
        if row.closure_number is not None:
            places[row.key, row.closure_number].append(number)
        else:
            loose[row.key].append(number)
    between: list[list[int]] = []
    for numbers in loose.values():
        in_order = sorted(numbers, key=lambda n: rows[n].distance_m)
        between.append(in_order[:1])
        for before, number in pairwise(in_order):
            last, at = rows[before], rows[number]
            near = at.distance_m - last.distance_m < 8.0 + 1e-3 * at.distance_m
            if near and at.wavelength_nm != last.wavelength_nm:
                between[-1].append(number)
            else:
                between.append([number])
    return [*places.values(), *between]


def _judge_together(
    rows: list[SpliceRow], members: Sequence[int], profile: Profile, *, silent: bool
) -> None:
    """Compare the wavelengths of one place: extra loss at the longer ones points to a bend.

    ``silent`` says that the contract has no rule for bends.
    """
    measured = sorted(
        (n for n in members if rows[n].loss_db is not None and rows[n].kind is not Kind.GROUP),
        key=lambda n: rows[n].wavelength_nm,
    )
    if len({rows[n].wavelength_nm for n in measured}) < 2:
        return
    readings = {
        rows[n].wavelength_nm: PlaceReading(rows[n].verdict, rows[n].loss_db, rows[n].u_loss_db)
        for n in measured
    }
    verdicts = judge_place(profile, readings)
    short = rows[measured[0]]
    for n in measured[1:]:
        row = rows[n]
        verdict = verdicts[row.wavelength_nm]
        rows[n] = replace(
            row,
            verdict=_by_own_rule(row.verdict, verdict) if silent else verdict,
            bend_db=(row.loss_db or 0.0) - (short.loss_db or 0.0),
            u_bend_db=None
            if row.u_loss_db is None or short.u_loss_db is None
            else hypot(row.u_loss_db, short.u_loss_db),
            bend_suspected=verdict.verdict is Verdict.BEND,
        )


def _by_own_rule(contract: SpliceVerdict, bend: SpliceVerdict) -> SpliceVerdict:
    """Where the contract says nothing of bends, a bend is told from splices that fail only.

    The contract's verdict on all others stands: they are named in a finding.
    """
    if bend.verdict is not Verdict.BEND or contract.action is not Action.RE_SPLICE:
        return contract
    told = with_more(contract, bend.reason)
    return replace(bend, reason=with_more(told, says("no-bend-rule")).reason)


def row_findings(rows: Sequence[SpliceRow], maps: Mapping[str, CableMap]) -> Iterator[CableFinding]:
    """Findings that rows give rise to: bends, events between closures, reflecting splices."""
    panels = _panels(rows)
    for members in _by_place(rows):
        own = [rows[n] for n in members]
        first, bent = own[0], [rows[n] for n in members if rows[n].bend_suspected]
        if first.closure_number is None:
            if maps[first.cable].passes.get(first.fibre):
                yield _between(own, maps[first.cable])
            continue
        if any(row.kind is Kind.CONNECTOR for row in own):
            yield _reflecting(own, is_usual=_place(first) in panels)
        if bent:
            yield _bend(bent)


def _losses(rows: Sequence[SpliceRow]) -> tuple[Statement, ...]:
    return tuple(
        says("loss-at", loss_db=row.loss_db, expanded_db=row.expanded_uncertainty_db,
             at_nm=row.wavelength_nm)
        if row.loss_db is not None
        else says("covered-at", coverage=row.coverage.value, at_nm=row.wavelength_nm)
        for row in rows
    )  # fmt: skip


def _between(rows: Sequence[SpliceRow], own_map: CableMap) -> CableFinding:
    first = rows[0]
    large = any((row.loss_db or 0.0) >= _WORTH_A_LOOK_DB for row in rows)
    bent = any(row.bend_suspected for row in rows)
    grave = caution if large or bent else note
    said = grave(
        "event-between-closures", Scope.CABLE, "bent" if bent else "",
        losses=_losses(rows), at_m=first.distance_m,
        between=own_map.stretch(first.fibre, first.distance_m),
    )  # fmt: skip
    return _about_place(rows, first, said)


def _about_place(rows: Sequence[SpliceRow], at: SpliceRow, said: Finding) -> CableFinding:
    """A finding about the rows of one place; ``at`` is the row that it names."""
    files = dict.fromkeys(f for row in rows for f in (row.file_ab, row.file_ba) if f)
    return about_fibre(
        at.key, said, closure=at.closure, files=tuple(files), distance_m=at.distance_m
    )


def _place(row: SpliceRow) -> tuple[str, int | None]:
    return row.cable, row.closure_number


def _panels(rows: Sequence[SpliceRow]) -> set[tuple[str, int | None]]:
    """Closures at which most fibres reflect: they are plugged there, not spliced."""
    fibres = Counter(map(_place, rows))
    plugged = Counter(_place(row) for row in rows if row.kind is Kind.CONNECTOR)
    return {place for place, count in plugged.items() if 2 * count > fibres[place]}


def _reflecting(rows: Sequence[SpliceRow], *, is_usual: bool) -> CableFinding:
    """What reflects at a closure; at one of connectors it is a note where a rule lets it pass."""
    first = rows[0]
    is_judged = all(
        row.verdict.verdict is Verdict.WITHIN and row.verdict.rule.startswith("connector.")
        for row in rows
    )
    heights = [row.reflectance_db for row in rows if row.reflectance_db is not None]
    grave = note if is_usual and is_judged else caution
    said = grave(
        "reflection-in-closure", Scope.CABLE, "" if heights else "unmeasured",
        reflectance_db=max(heights, default=None), at_m=first.distance_m, losses=_losses(rows),
    )  # fmt: skip
    return _about_place(rows, first, said)


def _bend(rows: Sequence[SpliceRow]) -> CableFinding:
    worst = max(rows, key=lambda row: row.bend_db or 0.0)
    said = caution(
        "bend-suspected", Scope.CABLE, more_db=worst.bend_db or 0.0,
        expanded_db=None if worst.u_bend_db is None else 2 * worst.u_bend_db,
        long_nm=worst.wavelength_nm, at_m=worst.distance_m,
    )  # fmt: skip
    return replace(_about_place(rows, worst, said), wavelength_nm=worst.wavelength_nm)

"""Judge rows by the profile: each on its own, then the wavelengths of one place together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import hypot

from otdravg.cable.identity.crossed import NOT_ONE_FIBRE
from otdravg.cable.model import (
    FibreKey,
    SpliceRow,
)
from otdravg.fit.reading import Coverage, Kind
from otdravg.pair.checks import NOT_MEASURED_SO
from otdravg.verdict import (
    Circumstances,
    PlaceReading,
    Profile,
    SpliceVerdict,
    Verdict,
    default,
)
from otdravg.verdict.decision import Action

__all__ = ["by_place", "judged_rows"]


def judged_rows(
    rows: Sequence[SpliceRow],
    profile: Profile,
    lengths_m: Mapping[tuple[FibreKey, int], float],
    doubts: Mapping[tuple[FibreKey, int], frozenset[str]],
) -> list[SpliceRow]:
    """Judge every row by the profile, wavelengths of one place together.

    Parameters
    ----------
    rows : sequence of SpliceRow
        In any order; returned in the same.
    profile : Profile
    lengths_m, doubts : mapping
        Span length, and codes of findings that speak against the data, by fibre and
        wavelength.
    """
    # Whatever the contract says: half the sum of two fibres' readings is no loss, nor is what
    # comes of points that nobody measured.
    not_gradable = profile.data.not_gradable | NOT_ONE_FIBRE | NOT_MEASURED_SO
    profile = replace(profile, data=replace(profile.data, not_gradable=not_gradable))
    judged = []
    for row in rows:
        place = row.key, row.wavelength_nm
        one_way = row.loss_ab_db if row.coverage is Coverage.ONLY_AB else row.loss_ba_db
        verdict = profile.judge_splice(
            row.loss_db,
            row.u_loss_db,
            row.wavelength_nm,
            row.kind,
            row.attempt,
            row.coverage,
            Circumstances(
                one_way_db=None if row.coverage is Coverage.BOTH else one_way,
                one_way_reason=row.reason,
                length_m=lengths_m.get(place),
                finding_codes=doubts.get(place, frozenset()),
            ),
        )
        judged.append(replace(row, verdict=_outside_closures(row, verdict)))
    # A bend is one whatever the contract says of it.
    told = replace(profile, bend=default().bend) if profile.bend is None else profile
    for members in by_place(judged).values():
        _judge_together(judged, members, told, silent=profile.bend is None)
    return judged


def _outside_closures(row: SpliceRow, verdict: SpliceVerdict) -> SpliceVerdict:
    """Between closures there is no splice to remake: somebody has to look what it is."""
    if row.closure_number is not None or verdict.action is not Action.RE_SPLICE:
        return verdict
    reason = f"{verdict.reason} It lies between closures: find out what it is first."
    return replace(verdict, action=Action.LOOK, reason=reason)


def by_place(rows: Sequence[SpliceRow]) -> dict[tuple[object, ...], list[int]]:
    """Numbers of the rows of each place, over its wavelengths.

    Events between closures belong together if they are nearer than a few metres.
    """
    places: dict[tuple[object, ...], list[int]] = defaultdict(list)
    loose: dict[FibreKey, list[int]] = defaultdict(list)
    for number, row in enumerate(rows):
        if row.closure_number is not None:
            places[row.key, row.closure_number].append(number)
        else:
            loose[row.key].append(number)
    for key, numbers in loose.items():
        numbers.sort(key=lambda n: rows[n].distance_m)
        last: int | None = None
        for number in numbers:
            at = rows[number]
            same = (
                last is not None
                and at.distance_m - rows[last].distance_m < 8.0 + 1e-3 * at.distance_m
                and at.wavelength_nm != rows[last].wavelength_nm
            )
            if not same:
                start = number
            places[key, "between", start].append(number)
            last = number
    return places


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
    verdicts = profile.judge_place(readings).by_wavelength_nm
    short = rows[measured[0]]
    for n in measured[1:]:
        row = rows[n]
        verdict = verdicts[row.wavelength_nm]
        rows[n] = replace(
            row,
            verdict=_by_own_rule(row.verdict, verdict) if silent else verdict,
            bend_db=(row.loss_db or 0.0) - (short.loss_db or 0.0),
            u_bend_db=hypot(row.u_loss_db or 0.0, short.u_loss_db or 0.0),
            bend_suspected=verdict.verdict is Verdict.BEND,
        )


def _by_own_rule(contract: SpliceVerdict, bend: SpliceVerdict) -> SpliceVerdict:
    """Where the contract says nothing of bends, a bend is told from splices that fail only.

    The contract's verdict on all others stands: they are named in a finding.
    """
    if bend.verdict is not Verdict.BEND or contract.action is not Action.RE_SPLICE:
        return contract
    reason = f"{contract.reason} {bend.reason} (The profile has no rule for bends.)"
    return replace(bend, reason=reason)

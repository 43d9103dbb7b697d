"""The wavelengths of one place judged together: bends told from splices."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from math import hypot

from otdravg.cable.model import FibreKey, SpliceRow
from otdravg.findings import says
from otdravg.fit.reading import Kind
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.place import judge_place
from otdravg.verdict.rules import Combination, Profile, default
from otdravg.verdict.splice import with_more
from otdravg.verdict.verdicts import PlaceReading, SpliceVerdict

__all__ = ["by_place", "judged_together"]


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
    for members in by_place(judged).values():
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
    verdicts = judge_place(profile, readings).by_wavelength_nm
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

"""What a technician does now, said first: one word, where with which loss, or what settles it."""

from __future__ import annotations

from dataclasses import dataclass

from otdravg.findings import Finding, Severity, Statement, says
from otdravg.fit.reading import Kind
from otdravg.forecast.settle import place_of
from otdravg.quantities import Quantity, distance, reported
from otdravg.verdict.decision import Answer, Verdict
from otdravg.verdict.judge import Action, Judged, PairReport

__all__ = ["Ends", "answer_lines", "doubts_about", "ends_of", "later_steps"]

#: Steps that the first lines have said already, whatever else they say.
_SAID_BY_THE_ANSWER = {"re-splice", "nothing-to-redo", "nothing-to-redo-one"}


@dataclass(frozen=True, slots=True)
class Ends:
    """The ends of a fibre as the headers name them; empty where nobody typed a name."""

    a: str
    b: str
    told_by_headers: bool  # both headers name their own end first; else the order of the files told


def ends_of(report: PairReport) -> Ends:
    """Name the ends of a fibre, by the header of the shot from A; from B if that has none."""
    ab, ba = report.measurement.ab.identity, report.measurement.ba.identity
    typed, mirrored = _typed(ab.location_a, ab.location_b), _typed(ba.location_b, ba.location_a)
    told = all(typed) and typed == mirrored and typed[0] != typed[1]
    named = ab if any(typed) else ba
    return Ends(named.location_a.strip(), named.location_b.strip(), told)


def _typed(*names: str) -> tuple[str, ...]:
    return tuple(" ".join(name.split()).casefold() for name in names)


def doubts_about(report: PairReport) -> tuple[tuple[str, Finding], ...]:
    """Give what is in doubt of the pair and what is broken in its files, with what it is about."""
    shots = (("shot A→B", report.measurement.ab), ("shot B→A", report.measurement.ba))
    broken = [
        (about, finding)
        for about, shot in shots
        for finding in shot.findings
        if finding.severity is Severity.DEFECT
    ]
    return (*(("pair", doubt) for doubt in report.doubts), *broken)


def answer_lines(report: PairReport) -> tuple[Statement, ...]:
    """Say what is to be done, most urgent first; the first line alone is the answer in short.

    Parameters
    ----------
    report : PairReport

    Returns
    -------
    tuple of Statement
        A line for every splice to cut; else why the pair is not cleared and what would settle
        it; else that nothing is to be done.
    """
    if report.answer is Answer.CUT:
        return tuple(_cut(report, j) for j in report.splices if j.action is Action.RE_SPLICE)
    if report.answer is Answer.LEAVE:
        return (_nothing_to_do(report),)
    first = report.next_steps[0]
    about = dict(first.values).get("place")
    settling = [s for s in report.next_steps[1:] if about and dict(s.values).get("place") == about]
    if report.in_doubt:
        settling = [says("neither-cut-nor-cleared")]
    return (first, *settling)


def later_steps(report: PairReport) -> tuple[Statement, ...]:
    """Give the next steps that the answer has not said already."""
    said = answer_lines(report)
    return tuple(
        step
        for step in report.next_steps
        if step not in said and step.code not in _SAID_BY_THE_ANSWER
    )


def _cut(report: PairReport, judged: Judged) -> Statement:
    """Say which splice to cut, how far from both ends, and by how much it is over."""
    number = judged.reading.number
    known = [s for s in report.next_steps if dict(s.values).get("number") == number]
    ends = ends_of(report)
    at_m, from_b_m = judged.reading.distance_m, judged.reading.distance_from_b_m
    loss_db, limit_db = judged.reported_loss_db, judged.limit_db
    return says(
        "cut",
        *(more for step in known for more in step.more),
        number=number,
        from_a=distance(at_m, km=report.in_km),
        from_b=distance(from_b_m, km=report.in_km),
        end_a=says("named-end", name=ends.a, end="A") if ends.a else says("end-of-span", end="A"),
        end_b=says("named-end", name=ends.b, end="B") if ends.b else says("end-of-span", end="B"),
        loss_db=loss_db,
        expanded_db=_expanded(judged),
        over_db=None if loss_db is None or limit_db is None else loss_db - limit_db,
        limit=_limit(report),
    )


def _nothing_to_do(report: PairReport) -> Statement:
    """Say that all is within, and how near to the limit the worst one is."""
    passing = [j for j in report.splices if j.verdict is Verdict.WITHIN]
    if not passing:
        unsaid = (s for s in report.next_steps if s.code == "no-splice-shows")
        return next(unsaid, says("nothing-over", limit=_limit(report)))
    worst = max(passing, key=lambda judged: judged.loss_db or 0.0)
    return says(
        "leave",
        count=len(passing),
        limit=_limit(report),
        place=place_of(worst.reading, km=report.in_km),
        loss_db=worst.reported_loss_db,
        expanded_db=_expanded(worst),
    )


def _expanded(judged: Judged) -> object:
    return reported(judged.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB)


def _limit(report: PairReport) -> Statement:
    if report.limit_is_stated:
        return says("limit-stated", limit_db=report.limit_db)
    return says("limit-default", limit_db=report.limit_db)

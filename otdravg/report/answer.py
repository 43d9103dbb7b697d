"""What a technician does now, said first: where to cut, what would settle a doubt, or nothing."""

from __future__ import annotations

from otdravg.findings import Finding, Severity, Statement, says
from otdravg.forecast.settle import place_of
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Answer, Verdict
from otdravg.verdict.judge import PairReport


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
        cuts = [step for step in report.next_steps if step.code == "re-splice"]
        by_default = (
            () if report.limit_is_stated else (says("limit-is-default", limit=_limit(report)),)
        )
        return (*cuts, *by_default)
    if report.answer is Answer.LEAVE:
        return (_nothing_to_do(report),)
    first = report.next_steps[0]
    if report.in_doubt:
        return (first, says("neither-cut-nor-cleared"))
    about = dict(first.values).get("place")
    settling = [s for s in report.next_steps[1:] if about and dict(s.values).get("place") == about]
    return (first, *settling)


def later_steps(report: PairReport) -> tuple[Statement, ...]:
    """Give the next steps that the answer has not said already."""
    said = {"nothing-to-redo", "nothing-to-redo-one"}
    lines = answer_lines(report)
    return tuple(s for s in report.next_steps if s not in lines and s.code not in said)


def _nothing_to_do(report: PairReport) -> Statement:
    """Say that all is within, and how near to the limit the worst one is."""
    passing = [j for j in report.splices if j.verdict is Verdict.WITHIN]
    if not passing and report.limit_db is None and report.rules:
        return says("whole-fibre", reason=report.rules[0].reason)
    if not passing:
        unseen = (step for step in report.next_steps if step.code == "no-splice-shows")
        return next(unseen, says("nothing-over", limit=_limit(report)))
    worst = max(passing, key=lambda judged: judged.loss_db or 0.0)
    return says(
        "leave",
        count=len(passing),
        limit=_limit(report),
        place=place_of(worst.reading, km=report.in_km),
        loss_db=worst.reported_loss_db,
        expanded_db=reported(worst.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
    )


def _limit(report: PairReport) -> Statement:
    if report.limit_is_stated:
        return says("limit-stated", limit_db=report.limit_db)
    return says("limit-default", limit_db=report.limit_db)

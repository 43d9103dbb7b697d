"""A cable review with everything that is known, and a listing of files, for a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from otdravg import __version__
from otdravg.cable.identity.ends import cables_with_open_ends
from otdravg.cable.log.model import SpliceLog
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Closure,
    Confidence,
    ShotRecord,
    ShotUse,
    SpliceRow,
)
from otdravg.findings import Severity
from otdravg.quantities import Quantity, distance_text, loss_text, reported
from otdravg.report.page import Page, counted
from otdravg.shot.settings import Direction
from otdravg.verdict.decision import Verdict
from otdravg.words.statements import caution_statement

__all__ = ["add_details", "finding_sentence", "listing_text"]

_CLOSURE_WIDTHS = (3, 12, 8, 8, 8, 8)


def add_details(page: Page, review: CableReview) -> None:
    """Add to a page what stands behind its first lines."""
    page.line()
    page.paragraph(f"Details (otdravg {__version__})")
    uses = Counter(shot.use for shot in review.shots)
    parts = [f"{uses[use]} {use.value}" for use in ShotUse if uses[use]]
    page.entry("Files", f"{len(review.shots)} found: {', '.join(parts) or 'none'}")
    counts = Counter(check.confidence for check in review.identities)
    parts = [f"{counts[c]} {c.value}" for c in Confidence if counts[c]]
    if parts:
        page.entry("Identity", f"pairs by their glass: {', '.join(parts)}")
    for cable in review.cables:
        _closures(page, cable, review)
    _findings(page, review.findings, "Notes")
    _work(page, review)
    _patterns(page, review)
    _log(page, review.log)
    page.line()
    page.paragraph(caution_statement())


def _closures(page: Page, cable: str, review: CableReview) -> None:
    closures = [c for c in review.closures if c.cable == cable]
    if not closures:
        return
    page.line()
    page.row(("No", "Distance", "Spliced", "Over", "Median", "Worst", "Closure"), _CLOSURE_WIDTHS)
    page.row(("", "from A", "fibres", "limit", "dB", "dB", ""), _CLOSURE_WIDTHS)
    page.rule()
    for closure in closures:
        rows = [r for r in review.rows if r.cable == cable and r.closure_number == closure.number]
        page.row(
            (
                str(closure.number),
                distance_text(closure.distance_m, km=closures[-1].distance_m >= 2000),
                str(len(closure.fibres)),
                str(len({r.fibre for r in rows if r.verdict.verdict in _OVER})),
                *_middle_and_worst(rows),
                _closure_name(closure),
            ),
            _CLOSURE_WIDTHS,
        )
    page.rule()


_OVER = (Verdict.OVER, Verdict.FAILED)


def _closure_name(closure: Closure) -> str:
    return "" if closure.name == str(closure.number) else closure.name


def _middle_and_worst(rows: Sequence[SpliceRow]) -> tuple[str, str]:
    losses = sorted(r.loss_db for r in rows if r.loss_db is not None)
    if not losses:
        return "-", "-"
    middle = reported(losses[len(losses) // 2], Quantity.LOSS_DB)
    return str(middle), str(reported(losses[-1], Quantity.LOSS_DB))


def _findings(page: Page, findings: Sequence[CableFinding], notes: str) -> None:
    for severity, heading in (
        (Severity.DEFECT, "Wrong or missing"),
        (Severity.CAUTION, "Look before relying on it"),
        (Severity.NOTE, notes),
    ):
        own = [f for f in findings if f.severity is severity]
        if own and heading:
            page.line()
            page.line(f"{heading} ({len(own)})")
            for finding in own:
                page.bullet(finding_sentence(finding))


def finding_sentence(finding: CableFinding) -> str:
    """Write a finding in one line: code, where, evidence, what to do."""
    where = []
    if finding.fibre is not None:
        where.append(f"fibre {finding.fibre}")
    if finding.wavelength_nm is not None:
        where.append(f"{finding.wavelength_nm} nm")
    if finding.closure:
        where.append(f"closure {finding.closure}")
    if not where and finding.files:
        where.append(finding.files[0])
    place = f" ({', '.join(where)})" if where else ""
    what = f"{finding.code}{place}: {finding.evidence.rstrip('.')}"
    return (
        f"{what} ({finding.acknowledged})"
        if finding.acknowledged
        else f"{what}; {finding.what_to_do}"
    )


def _work(page: Page, review: CableReview) -> None:
    units = review.plan.units if review.plan is not None else ()
    if units:
        page.line()
        page.line(f"Work list ({counted(len(units), 'ribbon')} at closures, in order from A)")
    for unit in units:
        ribbon = "" if unit.ribbon is None else f", ribbon {unit.ribbon}"
        page.bullet(f"closure {unit.closure}{ribbon}: {unit.advised.value}. {unit.because}")
        for option in unit.options:
            page.bullet(f"{option.choice.value}: {option.sentence}", indent=2)


def _patterns(page: Page, review: CableReview) -> None:
    patterns = review.patterns
    if patterns is None or not patterns.found:
        return
    page.line()
    page.line(f"What stands out (out of {counted(patterns.tested, 'comparison')})")
    for pattern in patterns.found:
        page.bullet(f"{pattern.sentence}; {pattern.where_to_look}")


def _log(page: Page, log: SpliceLog) -> None:
    """Say what the machines' estimates are worth, and how loss rises with the use of tools."""
    if not log.splices:
        return
    page.line()
    page.line(f"Splice log ({counted(len(log.splices), 'splice')} of this cable)")
    for machine in log.machines:
        bias = loss_text(machine.bias_db, 2 * machine.u_bias_db)
        page.bullet(
            f"splicer {machine.splicer or '(not named)'}: estimates {bias} more than measured, "
            f"scatter {loss_text(machine.scatter_db)} ({counted(machine.ribbons, 'splice')})"
        )
    for wear in log.wear:
        rise = loss_text(wear.rise_db, 2 * wear.u_rise_db)
        page.bullet(
            f"{wear.tool.value} of {wear.name or '(not named)'}: loss rises by {rise} for 1,000 "
            f"fibres; {wear.fibres_now:,} since the last turn or change"
        )


def _by_cable(record: ShotRecord) -> tuple[bool, str, int, int, str]:
    """Order of the listing: what could not be told comes last."""
    taken = record.taken_for
    return (
        not taken.is_complete,
        taken.cable,
        taken.fibre or 0,
        taken.wavelength_nm or 0,
        record.path,
    )


_LIST_WIDTHS = (7, 6, 8, 9)


def listing_text(
    records: Sequence[ShotRecord], findings: Sequence[CableFinding], *, ascii_only: bool = False
) -> str:
    """Write how every file would be taken."""
    page = Page(ascii_only=ascii_only, colour=False)
    page.row(("Fibre", "Dir", "nm", "Attempt", "File"), _LIST_WIDTHS)
    page.rule()
    still_open = cables_with_open_ends(records)
    told_later = {records[n].path for numbers in still_open.values() for n in numbers}
    last = None
    for record in sorted(records, key=_by_cable):
        taken = record.taken_for
        if taken.cable != last:
            page.line(f"Cable {taken.cable or 'not known'}")
            last = taken.cable
        later = record.path in told_later
        as_used = later or record.use is ShotUse.USED
        page.row(
            (
                str(taken.fibre or "-"),
                "?" if later else _direction(taken.direction),
                str(taken.wavelength_nm or "-"),
                "?" if later else str(record.attempt or "-"),
                record.path if as_used else f"{record.path}: {record.use.value}",
            ),
            _LIST_WIDTHS,
        )
    page.rule()
    every = [*findings, *(f for r in records for f in r.findings)]
    _findings(page, every, "")
    for cable, numbers in still_open.items():
        page.line()
        page.paragraph(
            f"? {cable or 'Cable not known'}: headers, names and folders leave open from which end "
            f"{counted(len(numbers), 'shot')} were taken. A full run tells it by the shots "
            "themselves and says so in a finding."
        )
    page.line()
    page.line("Nothing was measured. shots.csv of a full run says what decided each part.")
    return page.text()


def _direction(direction: Direction) -> str:
    return "-" if direction is Direction.UNKNOWN else direction.value

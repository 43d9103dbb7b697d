"""A cable review and a listing of files for an 80-column terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from otdravg import __version__
from otdravg.cable.checks.notes import numbers_text
from otdravg.cable.identity.ends import cables_with_open_ends
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    ChangeKind,
    Closure,
    Confidence,
    ShotRecord,
    ShotUse,
    SpliceRow,
)
from otdravg.findings import Severity
from otdravg.fit.reading import Kind
from otdravg.quantities import Quantity, distance_text, reported
from otdravg.report.page import Page, counted
from otdravg.shot.settings import Direction
from otdravg.tables.wholes import UNJUDGED
from otdravg.verdict.decision import Action, Verdict
from otdravg.verdict.limits import Rule
from otdravg.words.catalogue import told
from otdravg.words.statements import caution_statement

__all__ = ["cable_text", "listing_text"]

#: Findings shown of one kind; the table has them all.
_SHOWN_PER_KIND = 4
#: Units of the work list shown.
_UNITS_SHOWN = 12
#: Patterns shown.
_PATTERNS_SHOWN = 6

_CLOSURE_WIDTHS = (3, 12, 8, 8, 8, 8)


def cable_text(review: CableReview, *, ascii_only: bool = False, colour: bool = False) -> str:
    """Write the summary of a review.

    Parameters
    ----------
    review : CableReview
    ascii_only : bool
        Spell arrows and plus-minus in ASCII.
    colour : bool
        Tint the headings; the words say the same without it.
    """
    page = Page(ascii_only=ascii_only, colour=colour)
    cables = ", ".join(name or "cable without a name" for name in review.cables) or "no cable"
    page.paragraph(f"otdravg {__version__}: cable review, {cables}")
    _files(page, review)
    _profile(page, review)
    for cable in review.cables:
        _closures(page, cable, review)
    _verdicts(page, review)
    _identities(page, review)
    _findings(page, review.findings, "findings.csv")
    _looks(page, review)
    _work(page, review)
    _patterns(page, review)
    _comparison(page, review)
    page.line()
    page.paragraph(caution_statement())
    return page.text()


def _files(page: Page, review: CableReview) -> None:
    uses = Counter(shot.use for shot in review.shots)
    parts = [f"{uses[use]} {use.value}" for use in ShotUse if uses[use]]
    page.entry("Files", f"{len(review.shots)} found: {', '.join(parts) or 'none'}")
    fibres = {(f.key, f.wavelength_nm) for f in review.fibres}
    wavelengths = sorted({nm for _, nm in fibres})
    shown = ", ".join(str(nm) for nm in wavelengths)
    count = len({key for key, _ in fibres})
    page.entry("Fibres", f"{count} measured from both ends at {shown or 'no'} nm")


def _profile(page: Page, review: CableReview) -> None:
    profile = review.profile
    remark = "; this is a default, the contract's figures decide" if profile.is_default else ""
    rule = "guarded by the uncertainty" if profile.rule is Rule.GUARDED else "plain"
    page.entry("Profile", f"{profile.name}, rule {rule}{remark}")
    if review.decisions:
        page.entry("Decisions", f"{len(review.decisions)}, last seal {review.decisions_seal}")


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


def _verdicts(page: Page, review: CableReview) -> None:
    counts = Counter(row.verdict.verdict for row in review.rows)
    parts = [f"{counts[verdict]} {verdict.value}" for verdict in Verdict if counts[verdict]]
    page.entry("Splices", f"{counted(len(review.rows), 'row')}: {', '.join(parts) or 'none'}")


def _fibres(numbers: Iterable[int]) -> str:
    own = sorted(set(numbers))
    return f"fibre {own[0]}" if len(own) == 1 else f"fibres {numbers_text(own)}"


def _identities(page: Page, review: CableReview) -> None:
    counts = Counter(check.confidence for check in review.identities)
    parts = [f"{counts[c]} {c.value}" for c in Confidence if counts[c]]
    if parts:
        page.entry("Identity", f"pairs by their glass: {', '.join(parts)}")


def _findings(page: Page, findings: Sequence[CableFinding], table: str) -> None:
    for severity, heading in (
        (Severity.DEFECT, "Wrong or missing"),
        (Severity.CAUTION, "Look before relying on it"),
    ):
        own = [f for f in findings if f.severity is severity]
        if not own:
            continue
        page.line()
        page.line(f"{heading} ({len(own)})")
        shown: Counter[tuple[str, str]] = Counter()
        for finding in own:
            kind = finding.cable, finding.code
            shown[kind] += 1
            if shown[kind] <= _SHOWN_PER_KIND:
                page.bullet(_sentence(finding))
        for (_, code), count in shown.items():
            if count > _SHOWN_PER_KIND:
                page.bullet(f"{count - _SHOWN_PER_KIND} more of {code}: see {table}")
    notes = sum(f.severity is Severity.NOTE for f in findings)
    if notes:
        page.line()
        page.line(f"{counted(notes, 'note')}: in {table}")


def _sentence(finding: CableFinding) -> str:
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
    if finding.acknowledged:
        return f"{what} ({finding.acknowledged})"
    return f"{what}; {finding.what_to_do}"


def _looks(page: Page, review: CableReview) -> None:
    """Name what is over its limit and yet nothing to remake: no work list has it."""
    rows = [
        row
        for row in review.rows
        if row.verdict.action is Action.LOOK and row.verdict.verdict is Verdict.OVER
    ]
    if rows:
        page.line()
        page.line("Over the limit, but look before anything is cut")
    for row in rows[:_UNITS_SHOWN]:
        where = f"closure {row.closure}" if row.closure else distance_text(row.distance_m, km=True)
        reason = told(row.verdict.reason)
        page.bullet(f"fibre {row.fibre}, {row.wavelength_nm} nm, {where}: {reason}")
    if len(rows) > _UNITS_SHOWN:
        page.bullet(f"{len(rows) - _UNITS_SHOWN} more: see splices.csv")


def _work(page: Page, review: CableReview) -> None:
    units = review.plan.units if review.plan is not None else ()
    page.line()
    if not units:
        splices = [row for row in review.rows if row.kind is not Kind.CONNECTOR]
        unjudged = sum(row.verdict.verdict in UNJUDGED for row in splices)
        if not any(row.loss_db is not None for row in splices):
            page.line("No splice was measured.")
        elif unjudged:
            page.line(f"{unjudged} of {counted(len(splices), 'splice')} are not judged; of the "
                      "others none has to be remade.")  # fmt: skip
        else:
            page.line("No splice has to be remade.")
        return
    page.line(f"Work list ({counted(len(units), 'ribbon')} at closures, in order from A)")
    for unit in units[:_UNITS_SHOWN]:
        ribbon = "" if unit.ribbon is None else f", ribbon {unit.ribbon}"
        fibres = _fibres(failing.fibre for failing in unit.failing)
        page.bullet(
            f"closure {unit.closure}{ribbon}, {fibres}: {unit.advised.value}. {unit.because}"
        )
    if len(units) > _UNITS_SHOWN:
        page.bullet(f"{len(units) - _UNITS_SHOWN} more: see resplice.csv")


def _patterns(page: Page, review: CableReview) -> None:
    patterns = review.patterns
    if patterns is None or not patterns.found:
        return
    page.line()
    page.line(f"What stands out (out of {counted(patterns.tested, 'comparison')})")
    for pattern in patterns.found[:_PATTERNS_SHOWN]:
        page.bullet(f"{pattern.sentence}; {pattern.where_to_look}")
    if len(patterns.found) > _PATTERNS_SHOWN:
        page.bullet(f"{len(patterns.found) - _PATTERNS_SHOWN} more: see patterns.csv")


def _comparison(page: Page, review: CableReview) -> None:
    if not review.changes:
        return
    counts = Counter(change.kind for change in review.changes)
    parts = [f"{counts[kind]} {kind.value}" for kind in ChangeKind if counts[kind]]
    page.line()
    page.entry("Compared", f"with the earlier run: {', '.join(parts)}")


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
    _findings(page, every, "findings.csv of a full run")
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

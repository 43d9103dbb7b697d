"""A cable review with everything that is known, and a listing of files, for a terminal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from otdravg import __version__
from otdravg.cable.identity.ends import cables_with_open_ends
from otdravg.cable.log.model import SpliceLog
from otdravg.cable.model import (
    CableFinding,
    CableReview,
    Confidence,
    ShotRecord,
    ShotUse,
)
from otdravg.findings import Severity
from otdravg.quantities import distance, in_km
from otdravg.report.page import Page
from otdravg.shot.settings import Direction
from otdravg.tables.summary import figures_of
from otdravg.verdict.decision import Verdict
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words
from otdravg.words.statements import caution_statement

_CLOSURE_WIDTHS = (3, 12, 8, 8, 8, 8)


def add_details(page: Page, review: CableReview, words: Words) -> None:
    """Add to a page what stands behind its first lines."""
    page.line()
    page.paragraph(words.say("cable", "details", version=__version__))
    uses = Counter(words.value(shot.use.value) for shot in review.shots)
    what = _counted(uses, [words.value(use.value) for use in ShotUse]) or words.say("cable", "none")
    page.entry(
        words.say("cable", "label-files"),
        words.say("cable", "found", count=len(review.shots), what=what),
    )
    counts = Counter(words.value(check.confidence.value) for check in review.identities)
    what = _counted(counts, [words.value(confidence.value) for confidence in Confidence])
    if what:
        label, text = (words.say("cable", key) for key in ("label-identity", "by-glass"))
        page.entry(label, f"{text}: {what}")
    for cable in review.cables:
        _closures(page, cable, review, words)
    _findings(page, review.findings, words)
    _work(page, review, words)
    _patterns(page, review, words)
    _log(page, review.log, words)
    page.line()
    page.paragraph(caution_statement(words.language))


def _counted(counts: Counter[str], names: Iterable[str]) -> str:
    return ", ".join(f"{counts[name]} {name}" for name in names if counts[name])


def _closures(page: Page, cable: str, review: CableReview, words: Words) -> None:
    closures = [c for c in review.closures if c.cable == cable]
    if not closures:
        return
    page.line()
    for heads in ("heads-1", "heads-2"):
        page.row(words.say("cable", heads).split("/"), _CLOSURE_WIDTHS)
    page.rule()
    for closure in closures:
        rows = [r for r in review.rows if r.cable == cable and r.closure_number == closure.number]
        losses, is_km = figures_of(rows), in_km(closures[-1].distance_m)
        page.row(
            (
                str(closure.number),
                words.told(distance(closure.distance_m, km=is_km)),
                str(len(closure.fibres)),
                str(len({r.fibre for r in rows if r.verdict.verdict in _OVER})),
                *(words.decimal(f) or "-" for f in (losses.median_db, losses.largest_db)),
                "" if closure.name == str(closure.number) else closure.name,
            ),
            _CLOSURE_WIDTHS,
        )
    page.rule()


_OVER = (Verdict.OVER, Verdict.FAILED)


def _findings(
    page: Page, findings: Sequence[CableFinding], words: Words, *, notes: bool = True
) -> None:
    for severity in (Severity.DEFECT, Severity.CAUTION, Severity.NOTE):
        own = [f for f in findings if f.severity is severity]
        if own and (notes or severity is not Severity.NOTE):
            page.line()
            page.line(words.say("cable", f"heading-{severity.value}", count=len(own)))
            for finding in own:
                page.bullet(finding_sentence(finding, words))


def finding_sentence(finding: CableFinding, words: Words) -> str:
    """Write a finding in one line: code, where, evidence, what to do."""
    where = []
    if finding.fibre is not None:
        where.append(words.say("pair", "fibre", fibre=str(finding.fibre)))
    if finding.wavelength_nm is not None:
        where.append(f"{finding.wavelength_nm} nm")
    if finding.closure:
        where.append(words.say("say", "closure-named", name=finding.closure))
    if not where and finding.files:
        where.append(finding.files[0])
    place = f" ({', '.join(where)})" if where else ""
    what = f"{finding.code}{place}: {words.told(finding.evidence).rstrip('.')}"
    if finding.acknowledged:
        return f"{what} ({words.told(finding.acknowledged)})"
    return f"{what}; {words.told(finding.what_to_do)}"


def _work(page: Page, review: CableReview, words: Words) -> None:
    units = review.plan.units if review.plan is not None else ()
    if units:
        page.line()
        page.line(words.say("cable", "work-list", count=len(units)))
    for unit in units:
        place = words.say("say", "closure-named", name=unit.closure)
        if unit.ribbon is not None:
            place += ", " + words.say("say", "at-ribbon", ribbon=unit.ribbon)
        page.bullet(f"{place}: {words.value(unit.advised.value)}. {words.told(unit.because)}")
        for option in unit.options:
            page.bullet(words.told(option.said), indent=2)


def _patterns(page: Page, review: CableReview, words: Words) -> None:
    patterns = review.patterns
    if patterns is None or not patterns.found:
        return
    page.line()
    page.line(words.say("cable", "stands-out", count=patterns.tested))
    for pattern in patterns.found:
        page.bullet(f"{words.told(pattern.said)}; {words.told(pattern.where_to_look)}")


def _log(page: Page, log: SpliceLog, words: Words) -> None:
    """Say what the machines' estimates are worth, and how loss rises with the use of tools."""
    if not log.splices:
        return
    page.line()
    page.line(words.say("cable", "log", splices=len(log.splices)))
    nobody = words.say("cable", "not-named")
    for machine in log.machines:
        page.bullet(
            words.say(
                "cable", "log-machine", name=machine.splicer or nobody, bias_db=machine.bias_db,
                expanded_db=2 * machine.u_bias_db, scatter_db=machine.scatter_db,
                splices=machine.ribbons,
            )
        )  # fmt: skip
    for wear in log.wear:
        page.bullet(
            words.say(
                "cable", "log-wear", tool=wear.tool.value, name=wear.name or nobody,
                rise_db=wear.rise_db, expanded_db=2 * wear.u_rise_db, fibres=wear.fibres_now,
            )
        )  # fmt: skip


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
    records: Sequence[ShotRecord],
    findings: Sequence[CableFinding],
    *,
    ascii_only: bool = False,
    language: Language = Language.ENGLISH,
) -> str:
    """Write how every file would be taken."""
    page = Page(ascii_only=ascii_only, colour=False)
    words = Words(language)
    page.row(words.say("cable", "list-heads").split("/"), _LIST_WIDTHS)
    page.rule()
    still_open = cables_with_open_ends(records)
    told_later = {records[n].path for numbers in still_open.values() for n in numbers}
    unknown = words.say("cable", "cable-unknown")
    last = None
    for record in sorted(records, key=_by_cable):
        taken = record.taken_for
        if taken.cable != last:
            heading = words.say("cable", "cable", name=taken.cable) if taken.cable else unknown
            page.line(heading[:1].upper() + heading[1:])
            last = taken.cable
        later = record.path in told_later
        as_used = later or record.use is ShotUse.USED
        page.row(
            (
                str(taken.fibre or "-"),
                "?" if later else _direction(taken.direction),
                str(taken.wavelength_nm or "-"),
                "?" if later else str(record.attempt or "-"),
                record.path if as_used else f"{record.path}: {words.value(record.use.value)}",
            ),
            _LIST_WIDTHS,
        )
    page.rule()
    every = [*findings, *(f for r in records for f in r.findings)]
    _findings(page, every, words, notes=False)
    for cable, numbers in still_open.items():
        page.line()
        page.paragraph(words.say("cable", "ends-open", cable=cable or unknown, shots=len(numbers)))
    page.line()
    page.line(words.say("cable", "nothing-measured"))
    return page.text()


def _direction(direction: Direction) -> str:
    return "-" if direction is Direction.UNKNOWN else direction.value

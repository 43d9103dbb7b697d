"""The tables below the list of splices: plan, repairs, changes, fibres, patterns, findings."""

from __future__ import annotations

from collections.abc import Iterable

from otdravg.cable.model import CableReview
from otdravg.closeout.html.content import Part
from otdravg.quantities import Quantity, reported
from otdravg.system.printable import printable
from otdravg.tables.lists import REPAIR_COLUMNS, repair_remark, repair_rows
from otdravg.tables.places import place_text
from otdravg.words.headings import Words

__all__ = ["parts"]

Rows = tuple[tuple[str, ...], ...]


def parts(review: CableReview, words: Words) -> list[Part]:
    """Return what the page shows below the list, in order; empty tables that say nothing left out.

    Texts from outside are made printable here; the template escapes them.
    """
    made = [
        _plan(review, words),
        _repairs(review, words),
        _decisions(review, words),
        _changes(review, words),
        _patterns(review, words),
        _spans(review, words),
        _findings(review, words),
    ]
    return [part for part in made if part.rows or part.remark]


def _headings(words: Words, *keys: str) -> tuple[str, ...]:
    return tuple(words[key] for key in keys)


def _printable(rows: Iterable[tuple[str, ...]]) -> Rows:
    return tuple(tuple(printable(cell) for cell in row) for row in rows)


def _figure(words: Words, value: float | None, quantity: Quantity) -> str:
    return words.decimal(reported(value, quantity))


def _plan(review: CableReview, words: Words) -> Part:
    units = review.plan.units if review.plan is not None else ()
    rows = [
        (
            unit.cable,
            unit.closure,
            _figure(words, unit.distance_m, Quantity.DISTANCE_M),
            ", ".join(filter(None, (str(unit.ribbon or ""), place_text(unit.place, words)))),
            ", ".join(
                f"{one.fibre} ({words.cell('colour', one.colour)}, {one.wavelength_nm} nm, "
                f"{words.decimal(one.loss_db)} dB)"
                for one in unit.failing
            ),
            words.value(unit.advised.value),
            words.told(unit.because),
            " – ".join(words.told(option.said) for option in unit.options),
        )
        for unit in units
    ]
    keys = (
        "cable", "closure", "distance_m", "ribbon", "failing", "advice", "because", "choice",
    )  # fmt: skip
    remark = words["advice_only"] if rows else words["no_resplice"]
    return Part("plan", words["sheet_resplice"], _headings(words, *keys), _printable(rows), remark)


def _repairs(review: CableReview, words: Words) -> Part:
    rows, remark = repair_rows(review, words), repair_remark(review, words)
    headings = _headings(words, *REPAIR_COLUMNS)
    return Part("repairs", words["repairs"], headings, _printable(rows), remark)


def _decisions(review: CableReview, words: Words) -> Part:
    keys = (
        "what", "cable", "fibre", "wavelength_nm", "closure", "file", "value", "who", "when", "why",
    )  # fmt: skip
    rows = [tuple(entry.cells()[key] for key in keys) for entry in review.decisions]
    return Part("decisions", words["sheet_decisions"], _headings(words, *keys), _printable(rows))


def _changes(review: CableReview, words: Words) -> Part:
    rows = [
        (
            words.value(change.kind.value),
            change.key.cable,
            str(change.key.fibre),
            change.closure,
            str(change.wavelength_nm),
            _figure(words, change.before_db, Quantity.LOSS_DB),
            _figure(words, change.after_db, Quantity.LOSS_DB),
            _figure(words, change.combined_uncertainty_db, Quantity.UNCERTAINTY_DB),
        )
        for change in review.changes
    ]
    keys = (
        "change", "cable", "fibre", "closure", "wavelength_nm", "before_db", "after_db",
        "combined_uncertainty_db",
    )  # fmt: skip
    return Part("changes", words["sheet_changes"], _headings(words, *keys), _printable(rows))


def _patterns(review: CableReview, words: Words) -> Part:
    found = review.patterns.found if review.patterns is not None else ()
    rows = [
        (one.cable, str(one.wavelength_nm), words.told(one.said), words.told(one.where_to_look))
        for one in found
    ]
    keys = ("cable", "wavelength_nm", "evidence", "where_to_look")
    return Part("patterns", words["patterns"], _headings(words, *keys), _printable(rows))


def _spans(review: CableReview, words: Words) -> Part:
    rows = [
        (
            fibre.key.cable,
            str(fibre.key.fibre),
            str(fibre.wavelength_nm),
            _figure(words, fibre.length_m, Quantity.DISTANCE_M),
            _figure(words, fibre.attenuation_db_per_km, Quantity.ATTENUATION_DB_PER_KM),
            str(fibre.splice_count),
            _figure(words, fibre.span_mean_db, Quantity.LOSS_DB),
            words.value(fibre.verdict.verdict.value) if fibre.verdict else "",
        )
        for fibre in review.fibres
    ]
    keys = (
        "cable", "fibre", "wavelength_nm", "span_length", "attenuation", "splice_count",
        "span_mean", "verdict",
    )  # fmt: skip
    return Part("spans", words["spans"], _headings(words, *keys), _printable(rows))


def _findings(review: CableReview, words: Words) -> Part:
    rows = [
        (
            words.value(finding.severity.value),
            finding.code,
            finding.cable,
            "" if finding.fibre is None else str(finding.fibre),
            finding.closure,
            words.told(finding.evidence),
            words.told(finding.what_to_do),
            ", ".join(finding.files[:4])
            + (f" (+ {len(finding.files) - 4})" if len(finding.files) > 4 else ""),
        )
        for finding in review.findings
    ]
    keys = (
        "severity", "finding", "cable", "fibre", "closure", "evidence", "what_to_do", "files",
    )  # fmt: skip
    remark = "" if rows else words["no_findings"]
    return Part("findings", words["findings"], _headings(words, *keys), _printable(rows), remark)

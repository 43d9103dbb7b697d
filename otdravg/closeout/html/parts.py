"""The tables below the list of splices: plan, repairs, changes, fibres, patterns, findings."""

from __future__ import annotations

from collections.abc import Iterable

from otdravg.cable.model import CableReview
from otdravg.closeout.html.content import Part
from otdravg.quantities import Quantity, reported
from otdravg.system.printable import printable
from otdravg.tables.lists import (
    CHANGE_COLUMNS,
    FINDING_COLUMNS,
    PATTERN_COLUMNS,
    REPAIR_COLUMNS,
    change_rows,
    finding_rows,
    pattern_rows,
    repair_remark,
    repair_rows,
)
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
        _listed(
            words,
            "repairs",
            "repairs",
            REPAIR_COLUMNS,
            repair_rows(review, words),
            repair_remark(review, words),
        ),
        _decisions(review, words),
        _listed(words, "changes", "sheet_changes", CHANGE_COLUMNS, change_rows(review, words)),
        _listed(words, "patterns", "patterns", PATTERN_COLUMNS, pattern_rows(review, words)),
        _spans(review, words),
        _listed(
            words,
            "findings",
            "findings",
            FINDING_COLUMNS,
            finding_rows(review, words),
            "" if review.findings else words["no_findings"],
        ),
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


def _decisions(review: CableReview, words: Words) -> Part:
    keys = (
        "what", "cable", "fibre", "wavelength_nm", "closure", "file", "value", "who", "when", "why",
    )  # fmt: skip
    rows = [tuple(entry.cells()[key] for key in keys) for entry in review.decisions]
    return Part("decisions", words["sheet_decisions"], _headings(words, *keys), _printable(rows))


def _listed(
    words: Words,
    anchor: str,
    heading: str,
    keys: tuple[str, ...],
    rows: list[tuple[str, ...]],
    remark: str = "",
) -> Part:
    return Part(anchor, words[heading], _headings(words, *keys), _printable(rows), remark)


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

"""Lists that paper and page show alike: repairs, changes, patterns, findings."""

from __future__ import annotations

from otdravg.cable.checks.repairs import has_changed
from otdravg.cable.model import CableReview, ChangeKind
from otdravg.quantities import Quantity, reported
from otdravg.tables.deliveries import fibres_since
from otdravg.words.headings import Words

__all__ = [
    "CHANGE_COLUMNS",
    "FINDING_COLUMNS",
    "PATTERN_COLUMNS",
    "REPAIR_COLUMNS",
    "change_rows",
    "finding_rows",
    "pattern_rows",
    "repair_remark",
    "repair_rows",
]

#: Names of the columns of :func:`repair_rows`.
REPAIR_COLUMNS = (
    "cable", "fibre", "closure", "wavelength_nm", "attempt", "taken", "loss_db",
    "expanded_uncertainty_db", "file_ab", "file_ba",
)  # fmt: skip


def repair_rows(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Write every attempt, oldest first, of the splices that read otherwise now.

    A fibre that was shot again has new readings of all its splices; most say what they said.
    """
    return [
        (
            history.key.cable,
            str(history.key.fibre),
            history.closure,
            str(history.wavelength_nm),
            str(attempt.number),
            "" if attempt.taken is None else f"{attempt.taken:%Y-%m-%d %H:%M}",
            words.decimal(reported(attempt.loss_db, Quantity.LOSS_DB)),
            words.decimal(
                reported(
                    None if attempt.u_loss_db is None else 2 * attempt.u_loss_db,
                    Quantity.UNCERTAINTY_DB,
                )
            ),
            attempt.file_ab,
            attempt.file_ba,
        )
        for history in review.history
        if has_changed(history)
        for attempt in history.attempts
    ]


def repair_remark(review: CableReview, words: Words) -> str:
    """Say how many splices were measured more than once, and where all of them stand."""
    count = len(review.history)
    return words["changed_only"].format(count=count) if count else ""


#: Names of the columns of :func:`change_rows`.
CHANGE_COLUMNS = (
    "change", "cable", "fibre", "closure", "wavelength_nm", "before_db", "after_db",
    "combined_uncertainty_db",
)  # fmt: skip


def change_rows(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Write what changed since the run that this one was held against, in fibres of both.

    Fibres that are new or withdrawn as a whole stand on page one, and every splice in the table.
    """
    changed = set(fibres_since(review).get("fibres_changed", ()))
    return [
        (
            words.value(change.kind.value),
            change.key.cable,
            str(change.key.fibre),
            change.closure,
            str(change.wavelength_nm),
            words.decimal(reported(change.before_db, Quantity.LOSS_DB)),
            words.decimal(reported(change.after_db, Quantity.LOSS_DB)),
            words.decimal(reported(change.combined_uncertainty_db, Quantity.UNCERTAINTY_DB)),
        )
        for change in review.changes
        if change.key in changed and change.kind is not ChangeKind.SAME
    ]


#: Names of the columns of :func:`pattern_rows`.
PATTERN_COLUMNS = ("cable", "wavelength_nm", "evidence", "where_to_look")


def pattern_rows(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Write what stands out over the whole cable, with where to look."""
    found = review.patterns.found if review.patterns is not None else ()
    return [
        (one.cable, str(one.wavelength_nm), words.told(one.said), words.told(one.where_to_look))
        for one in found
    ]


#: Names of the columns of :func:`finding_rows`.
FINDING_COLUMNS = (
    "severity", "finding", "cable", "fibre", "closure", "evidence", "what_to_do", "files",
)  # fmt: skip
#: Files of a finding that are named; the full list is in the tables beside the document.
_MOST_FILES = 4


def finding_rows(review: CableReview, words: Words) -> list[tuple[str, ...]]:
    """Write every finding with its evidence and what to do."""
    return [
        (
            words.value(finding.severity.value),
            finding.code,
            finding.cable,
            "" if finding.fibre is None else str(finding.fibre),
            finding.closure,
            words.told(finding.evidence),
            words.told(finding.what_to_do),
            _files(finding.files),
        )
        for finding in review.findings
    ]


def _files(files: tuple[str, ...]) -> str:
    more = len(files) - _MOST_FILES
    return ", ".join(files[:_MOST_FILES]) + (f" (+ {more})" if more > 0 else "")

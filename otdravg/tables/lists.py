"""Before and after: splices that read otherwise since their fibres were shot again."""

from __future__ import annotations

from otdravg.cable.checks.repairs import has_changed
from otdravg.cable.model import CableReview
from otdravg.quantities import Quantity, reported
from otdravg.words.headings import Words

__all__ = ["REPAIR_COLUMNS", "repair_remark", "repair_rows"]

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

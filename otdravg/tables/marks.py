"""How a splice is marked in maps and tables: by tone, and by a sign that needs no colour."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum

from otdravg.cable.model import SpliceRow
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict

__all__ = ["SIGNS", "Mark", "mark_of", "sign_of"]


class Mark(Enum):
    """What a cell shows; the four tones are shares of the limit, each darker than the last."""

    QUARTER = "quarter"  # at most a quarter of the limit
    HALF = "half"
    MOST = "most"
    FULL = "full"  # more than three quarters of the limit, and within it
    PLAIN = "plain"  # measured, and no limit applies
    OVER = "over"  # asks for a new splice, or for the owner's leave
    LOOK = "look"  # asks for something else: look, shoot again, re-dress
    BLANK = "blank"  # not measured, and nothing is asked


_TONES = (
    (Decimal("0.25"), Mark.QUARTER),
    (Decimal("0.50"), Mark.HALF),
    (Decimal("0.75"), Mark.MOST),
)

#: Signs behind a figure: over the limit, limit inside the uncertainty, look for another cause.
SIGNS = ("!", "?", "*")


def mark_of(row: SpliceRow) -> Mark:
    """Tell how one splice is marked.

    Parameters
    ----------
    row : SpliceRow
        Judged already: the mark repeats the verdict and decides nothing.
    """
    action = row.verdict.action
    if action in (Action.RE_SPLICE, Action.ASK) or row.verdict.verdict is Verdict.FAILED:
        return Mark.OVER
    if action is not Action.NONE:
        return Mark.LOOK
    loss_db = reported(row.loss_db, Quantity.LOSS_DB)
    if loss_db is None:
        return Mark.BLANK
    limit_db = row.verdict.limit_db
    if not limit_db:
        return Mark.PLAIN
    share = loss_db / limit_db
    return next((mark for top, mark in _TONES if share <= top), Mark.FULL)


def sign_of(row: SpliceRow) -> str:
    """Return the sign that stands behind the figure of a splice, if any."""
    over, close, doubt = SIGNS
    mark = mark_of(row)
    if mark is Mark.OVER:
        return over
    if row.verdict.near_limit:
        return close
    return doubt if mark is Mark.LOOK else ""

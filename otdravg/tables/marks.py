"""The state of a splice: one tone in maps, one sign behind figures, one word, in every output."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum

from otdravg.cable.model import SpliceRow
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict

__all__ = ["CLOSE_SIGN", "LEGEND", "SIGNS", "Mark", "mark_of", "sign_of"]


class Mark(Enum):
    """What a cell shows; the four tones are shares of the limit, each darker than the last."""

    QUARTER = "quarter"  # at most a quarter of the limit
    HALF = "half"
    MOST = "most"
    FULL = "full"  # more than three quarters of the limit, and within it
    PLAIN = "plain"  # measured, and no limit applies
    OVER = "over"  # asks for a new splice, or for the owner's leave
    LOOK = "look"  # measured, and asks for something else: look, shoot again, re-dress
    ONE_WAY = "one-way"  # one direction only: no loss
    BLANK = "blank"  # not measured from either end
    MISSING = "missing"  # no shot of this fibre at this wavelength


_TONES = (
    (Decimal("0.25"), Mark.QUARTER),
    (Decimal("0.50"), Mark.HALF),
    (Decimal("0.75"), Mark.MOST),
)

#: The sign of each state that has one; it needs no colour. ``?`` is behind a figure whose limit
#: lies inside its uncertainty, whatever else is said of it, unless it is over.
SIGNS = {
    Mark.OVER: "!",
    Mark.LOOK: "*",
    Mark.ONE_WAY: "→",
    Mark.BLANK: "–",
    Mark.MISSING: "×",
}
CLOSE_SIGN = "?"
#: Keys of the words that say what the signs mean, in the order of what they ask for.
LEGEND = (
    "legend_over", "legend_close", "legend_doubt", "legend_one_way", "legend_missing",
    "legend_not_shot",
)  # fmt: skip


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
    loss_db = reported(row.loss_db, Quantity.LOSS_DB)
    if loss_db is None:
        one_way = row.coverage in (Coverage.ONLY_AB, Coverage.ONLY_BA)
        return Mark.ONE_WAY if one_way else Mark.BLANK
    if action is not Action.NONE:
        return Mark.LOOK
    limit_db = row.verdict.limit_db
    if not limit_db:
        return Mark.PLAIN
    share = loss_db / limit_db
    return next((mark for top, mark in _TONES if share <= top), Mark.FULL)


def sign_of(row: SpliceRow) -> str:
    """Return the sign of a splice: behind its figure, or in its place; empty if it has none."""
    mark = mark_of(row)
    if row.verdict.near_limit and mark is not Mark.OVER and row.loss_db is not None:
        return CLOSE_SIGN
    return SIGNS.get(mark, "")

"""The state of a splice: one word and one sign for each, and a tone in maps, in every output."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from enum import Enum

from otdravg.cable.model import SpliceRow
from otdravg.fit.reading import Coverage
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Words


class State(Enum):
    """Where a splice stands: each one that is expected is in one of these, and counted there.

    The value is its word in tables and JSON; languages translate it. docs/how-to-packager.md
    shows them all.
    """

    #: By the rules, and nothing to do; a limit need not apply.
    WITHIN = "within limit"
    #: Refused by the rules: to be spliced again, or the owner's leave to be asked.
    OVER = "over limit"
    #: Measured, and asks for something else: look, shoot again, re-dress.
    OPEN = "open"
    #: A reading from one end only: no loss.
    ONE_WAY = "one direction only"
    #: Not measured from either end.
    NOT_MEASURED = "not measured"
    #: No shot of this fibre at this wavelength.
    NOT_SHOT = "not shot"

    @property
    def sign(self) -> str:
        """The sign behind a figure, or in its place; it needs no colour."""
        return _SIGNS[self]


_SIGNS = {
    State.WITHIN: "",
    State.OVER: "!",
    State.OPEN: "*",
    State.ONE_WAY: "→",
    State.NOT_MEASURED: "–",
    State.NOT_SHOT: "×",
}
#: What is said of a figure whose limit lies inside its uncertainty, whatever its state, unless it
#: is over: word and sign.
CLOSE = "limit inside loss ± U", "?"

#: Verdicts that refuse a splice as it is; what else asks for something is open.
_REFUSED = frozenset(
    {Verdict.OVER, Verdict.FAILED, Verdict.EVIDENCE_DUE, Verdict.METHOD_BARRED, Verdict.TEMPORARY}
)


class Mark(Enum):
    """The tone of a cell; four of them are shares of the limit, each darker than the last."""

    QUARTER = "quarter"  # at most a quarter of the limit
    HALF = "half"
    MOST = "most"
    FULL = "full"  # more than three quarters of the limit, and within it
    PLAIN = "plain"  # measured, and no limit applies
    OVER = "over"
    LOOK = "look"
    ONE_WAY = "one-way"
    BLANK = "blank"
    MISSING = "missing"


#: Shares of the limit, in percent, by tone.
_SHARES = ((25, Mark.QUARTER), (50, Mark.HALF), (75, Mark.MOST), (100, Mark.FULL))
_TONE_OF = {
    State.OVER: Mark.OVER,
    State.OPEN: Mark.LOOK,
    State.ONE_WAY: Mark.ONE_WAY,
    State.NOT_MEASURED: Mark.BLANK,
    State.NOT_SHOT: Mark.MISSING,
}


def state_of(row: SpliceRow) -> State:
    """Tell where a splice stands.

    Parameters
    ----------
    row : SpliceRow
        Judged already: the state repeats the verdict and decides nothing.
    """
    action = row.verdict.action
    if action in (Action.RE_SPLICE, Action.ASK) or row.verdict.verdict in _REFUSED:
        return State.OVER
    if row.loss_db is None:
        one_way = row.coverage in (Coverage.ONLY_AB, Coverage.ONLY_BA)
        return State.ONE_WAY if one_way else State.NOT_MEASURED
    return State.WITHIN if action is Action.NONE else State.OPEN


def mark_of(row: SpliceRow) -> Mark:
    """Return the tone of a splice: of its state, or of its share of the limit."""
    state = state_of(row)
    if state in _TONE_OF:
        return _TONE_OF[state]
    loss_db, limit_db = reported(row.loss_db, Quantity.LOSS_DB), row.verdict.limit_db
    if not limit_db or loss_db is None:
        return Mark.PLAIN
    percent = 100 * loss_db / limit_db
    return next((mark for top, mark in _SHARES if percent <= Decimal(top)), Mark.FULL)


def sign_of(row: SpliceRow) -> str:
    """Return the sign of a splice: behind its figure, or in its place; empty if it has none."""
    state = state_of(row)
    if row.verdict.near_limit and state is not State.OVER and row.loss_db is not None:
        return CLOSE[1]
    return state.sign


def legend(words: Words, *, shares: bool = True) -> Iterator[tuple[Mark, str, str]]:
    """Yield tone, sign and meaning of everything that a cell can show."""
    if shares:
        for percent, mark in _SHARES:
            yield mark, "", words["legend_share"].format(percent=percent)
        yield Mark.PLAIN, "", words["legend_plain"]
    for state, mark in _TONE_OF.items():
        yield mark, state.sign, words.value(state.value)
        if state is State.OVER:
            yield Mark.FULL, CLOSE[1], words.value(CLOSE[0])


def signs_line(words: Words) -> str:
    """Say in a line what the signs mean."""
    return "; ".join(f"{sign} {text}" for _, sign, text in legend(words, shares=False)) + "."

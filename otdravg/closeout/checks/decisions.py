"""A file of decisions held against those that the outputs of a closeout were made with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.decisions.record import read_decisions
from otdravg.closeout.checks.model import at
from otdravg.closeout.json_file import read_closeout
from otdravg.errors import BadCloseout, BadSetting
from otdravg.findings import Statement, says
from otdravg.system.printable import printable


def compare_decisions(
    made_with: Sequence[SealedDecision], now: Sequence[SealedDecision], name: str
) -> tuple[Statement, ...]:
    """Hold a file of decisions against those that outputs were made with.

    That shows what a chain of seals cannot show by itself: a file cut short, put back to an
    earlier state, or sealed anew.

    Parameters
    ----------
    made_with : sequence of SealedDecision
        As :func:`decisions_made_with` reads them from the outputs.
    now : sequence of SealedDecision
        What the file holds now.
    name : str
        The file, as messages call it.

    Returns
    -------
    tuple of Statement
        What is not as it was; empty if nothing is.
    """
    for number, (wanted, found) in enumerate(zip(made_with, now, strict=False), start=1):
        if _comparable(wanted) != _comparable(found):
            return (at(name, says("wrong-decision", number=number, said=wanted.decision.said)),)
    here, there = len(now), len(made_with)
    if here < there:
        first = made_with[here].decision.said
        gone = says("wrong-cut-short", gone=there - here, here=here, there=there, first=first)
        return (at(name, gone),)
    return (at(name, says("wrong-more-decisions", more=here - there)),) if here > there else ()


def decisions_made_with(folder: Path) -> tuple[SealedDecision, ...]:
    """Read the decisions that the outputs in a folder were made with.

    Raises
    ------
    BadCloseout
        If the folder holds no table of them and none without them, or it cannot be read.
    """
    document, table = folder / "closeout.json", folder / "decisions.csv"
    if document.is_file():
        return read_closeout(document).review.decisions
    if table.is_file():
        try:
            return read_decisions(table).entries
        except BadSetting as error:
            raise BadCloseout(table, says("not-readable", why=error.said)) from error
    if not (folder / "splices.csv").is_file():
        raise BadCloseout(folder, says("no-decisions-table"))
    return ()


def _comparable(entry: SealedDecision) -> list[str]:
    return [printable(text).removeprefix("'") for text in entry.cells().values()]

"""A file of decisions held against those that the outputs of a closeout were made with."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.decisions.record import read_decisions
from otdravg.closeout.json_file import read_closeout
from otdravg.errors import BadCloseout, BadSetting
from otdravg.report.page import counted
from otdravg.system.printable import printable
from otdravg.words.catalogue import told

__all__ = ["compare_decisions", "decisions_made_with"]


def compare_decisions(
    made_with: Sequence[SealedDecision], now: Sequence[SealedDecision], name: str
) -> tuple[str, ...]:
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
    tuple of str
        A sentence for what is not as it was; empty if nothing is.
    """
    for number, (wanted, found) in enumerate(zip(made_with, now, strict=False), start=1):
        if _comparable(wanted) != _comparable(found):
            return (
                f"{name}: decision {number} is not the one that the outputs were made with "
                f"({told(wanted.decision.said)})",
            )
    if len(now) < len(made_with):
        gone = counted(len(made_with) - len(now), "decision")
        return (
            f"{name}: cut short by {gone}: it holds {len(now)}, the outputs were made with "
            f"{len(made_with)}; the first that is gone is "
            f"{told(made_with[len(now)].decision.said)}",
        )
    if len(now) > len(made_with):
        more = counted(len(now) - len(made_with), "decision")
        return (f"{name}: {more} more than the outputs were made with; make them again",)
    return ()


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
            raise BadCloseout(table, f"cannot be read ({error})") from error
    if not (folder / "splices.csv").is_file():
        raise BadCloseout(folder, "holds no table to compare decisions with")
    return ()


def _comparable(entry: SealedDecision) -> list[str]:
    return [printable(text).removeprefix("'") for text in entry.cells().values()]

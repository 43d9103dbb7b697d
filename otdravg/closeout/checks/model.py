"""What a check of a closeout answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from otdravg.findings import Statement, says


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked: how many of it, and what is wrong.

    ``not_done`` says why it could not be checked; None if it was.
    """

    what: Statement
    count: int
    problems: tuple[Statement, ...] = ()
    not_done: Statement | None = None


def checked(what: Statement, count: int, problems: Iterable[Statement]) -> Check:
    """Return a check that was done."""
    return Check(what, count, tuple(problems))


def at(place: Statement | str, what: Statement) -> Statement:
    """Say what is wrong, behind the file or the splice where it is."""
    return says("wrong-at", place=place, what=what)

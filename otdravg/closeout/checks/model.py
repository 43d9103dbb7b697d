"""What a check of a closeout answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Check", "checked"]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked: how many of it, and what is wrong.

    ``not_done`` says why it could not be checked, and is empty if it was.
    """

    what: str
    count: int
    problems: tuple[str, ...] = ()
    not_done: str = ""


def checked(what: str, count: int, problems: Iterable[str]) -> Check:
    """Return a check that was done."""
    return Check(what, count, tuple(problems))

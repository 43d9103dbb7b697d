"""What a job says, and what somebody says beside it: two that differ are refused."""

from __future__ import annotations

from typing import TypeVar

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.job.model import Job
from otdravg.verdict import Profile

T = TypeVar("T")
#: The job where none is given.
NOTHING_STATED = Job("", 0, ())


def agreed(option: str, typed: T | None, stated: T | None) -> T | None:
    """Return what an option or the job says; two that differ are refused."""
    if typed is None:
        return stated
    if stated not in (None, "", ()) and typed != stated:
        raise BadSetting(
            option,
            _shown(typed),
            says("job-says", stated=repr(_shown(stated))),
        )
    return typed


def _shown(value: object) -> object:
    """Show a value in one word: profiles by name, a table of closures by its size."""
    if isinstance(value, tuple):
        numbers = [str(one) for one in value if isinstance(one, int)]
        return ", ".join(numbers) or f"{len(value)} closures"
    return value.name if isinstance(value, Profile) else value

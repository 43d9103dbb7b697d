"""The one exception family of the package.

Anything that stops a job is an :class:`OtdravgError` whose text is one line:
what it concerns first, what to do last. Oddities that do not stop a job are not
exceptions but :class:`otdravg.findings.Finding` values on the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from os import PathLike

from otdravg.findings import Statement


class OtdravgError(Exception):
    """Root of every error that this package raises on purpose."""


class UnreadableTrace(OtdravgError):
    """A trace file that cannot be used.

    Parameters
    ----------
    path : path or str
        The file, as the user named it.
    block : str
        The block that is at fault (``"Map"``, ``"DataPts"``, …) or ``"file"``.
    offset : int or None
        Byte offset in the file at which reading stopped.
    expected : str
        What should have been there and what was.
    advice : str
        What to do about it.
    said : Statement or None
        All but the file, for other languages; :func:`otdravg.words.catalogue.unreadable` makes it.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        block: str,
        offset: int | None,
        expected: str,
        advice: str,
        said: Statement | None = None,
    ) -> None:
        self.said = said
        self.path = str(path)
        self.block = block
        self.offset = offset
        self.expected = expected
        self.advice = advice
        place = block if offset is None else f"{block} at byte {offset}"
        super().__init__(f"{self.path}: {place}: {expected}; {advice}")


class UnwritableTrace(OtdravgError):
    """A value that the trace format cannot hold, named by block and field."""

    def __init__(self, block: str, field: str, problem: str) -> None:
        self.block = block
        self.field = field
        self.problem = problem
        super().__init__(f"{block}.{field}: {problem}")


class Refusal(Enum):
    """Why two shots were not taken as one fibre shot from both ends."""

    SAME_CONTENT = "same content twice"
    WAVELENGTH = "different wavelengths"
    LENGTH = "different lengths"
    SAME_END = "both shots from the same end"
    PATTERN = "event patterns do not mirror"
    NO_SIGNAL = "no usable fibre signal"
    DAMAGED = "damaged points"


class ShotsDoNotPair(OtdravgError):
    """Two shots that do not belong together, with the evidence.

    Made by :func:`otdravg.words.catalogue.do_not_pair`, which words it.
    """

    def __init__(self, reason: Refusal, evidence: Statement, advice: Statement, text: str) -> None:
        self.reason = reason
        self.evidence = evidence
        self.advice = advice
        super().__init__(text)


class BadSetting(OtdravgError):
    """An option or setting outside what is allowed: name, value, what is allowed.

    ``said`` is the same as a statement, for other languages, where
    :func:`otdravg.words.catalogue.bad_setting` made it.
    """

    def __init__(
        self, name: str, value: object, allowed: str, said: Statement | None = None
    ) -> None:
        self.said = said
        self.name = name
        self.value = value
        self.allowed = allowed
        super().__init__(f"{name}: {value!r} is not usable; {allowed}")


class OutputRefused(OtdravgError):
    """An output that could not be written, or would replace something unasked."""

    def __init__(self, path: str | PathLike[str], problem: str, advice: str) -> None:
        self.path = str(path)
        self.problem = problem
        self.advice = advice
        super().__init__(f"{self.path}: {problem}; {advice}")

    @classmethod
    def by_system(cls, path: str | PathLike[str], error: OSError, advice: str) -> OutputRefused:
        """Say what the system said; Windows denies to replace what a program has open."""
        if isinstance(error, PermissionError):
            advice = "close it where it is open, as in a spreadsheet, or check the rights"
        return cls(path, f"could not be written ({error.strerror or error})", advice)

    @classmethod
    def open_elsewhere(cls, path: str | PathLike[str]) -> OutputRefused:
        """Say that another program has the file open."""
        return cls(path, "is open in another program", "close it there, as in the spreadsheet")


class BadSettings(BadSetting):
    """A file of settings that cannot be used: file, key, value, what is allowed.

    Parameters
    ----------
    path : path or str
        The file, as the user named it.
    problems : sequence of BadSetting
        Everything that is wrong with it, at least one; the first is the error's own text.
    """

    def __init__(self, path: str | PathLike[str], problems: Sequence[BadSetting]) -> None:
        first = problems[0]
        super().__init__(first.name, first.value, first.allowed, first.said)
        self.path = str(path)
        self.problems = tuple(problems)
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        self.args = (f"{self.path}: {first}{more}",)


class BadProfile(BadSettings):
    """An acceptance profile that cannot be used."""


class BadJob(BadSettings):
    """A job that cannot be used."""


class BadCloseout(OtdravgError):
    """A closeout that cannot be read back: path, what is wrong, what to do."""

    def __init__(
        self,
        path: str | PathLike[str],
        problem: str,
        advice: str = "take the file as otdravg wrote it",
    ) -> None:
        self.path = str(path)
        self.problem = problem
        self.advice = advice
        super().__init__(f"{path}: {problem}; {advice}")


class OutOfMemory(OtdravgError):
    """Memory that the work asked for and the system did not give, here or in a worker."""

    def __init__(self) -> None:
        super().__init__(
            "memory ran out before the job was done; close other programs, or run again with "
            "fewer workers (--workers 1)"
        )


class WorkersLost(OtdravgError):
    """A worker process that vanished in the middle of its work: how many there were, what to do."""

    def __init__(self, count: int) -> None:
        self.count = count
        super().__init__(
            f"one of {count} worker processes vanished, as when memory runs out; "
            "close other programs or run again with fewer workers"
        )

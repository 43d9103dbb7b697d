"""The one exception family of the package.

Anything that stops a job is an :class:`OtdravgError` that says one line: what it concerns
first, what to do last. It holds codes and values, as findings do. Oddities that do not stop a
job are not exceptions but :class:`otdravg.findings.Finding` values on the result.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import Enum
from os import PathLike

from otdravg.findings import Statement, says
from otdravg.words.catalogue import told


class OtdravgError(Exception):
    """Root of every error that this package raises on purpose; its text is English.

    Parameters
    ----------
    said : Statement
        What it says, in any language by :func:`otdravg.words.told`.
    made_of : object
        What a class of its own is made of, from which it is made again in another process.
    """

    def __init__(self, said: Statement, *made_of: object) -> None:
        super().__init__(*(made_of or (said,)))
        self.said = said

    def __str__(self) -> str:
        return told(self.said)

    @property
    def lines(self) -> tuple[Statement, ...]:
        """What it says, a line each: one, but for files with several faults."""
        return (self.said,)


class Unusable(OtdravgError):
    """Something typed that cannot be used: what to write, or to leave out."""


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
    expected : Statement
        What should have been there and what was.
    advice : Statement, optional
        What to do about it; usually it is to be copied again.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        block: str,
        offset: int | None,
        expected: Statement,
        advice: Statement | None = None,
    ) -> None:
        self.path = str(path)
        self.block = block
        self.offset = offset
        self.expected = expected
        self.advice = advice or says("copy-again")
        place = block if offset is None else says("at-byte", block=block, offset=offset)
        # All but the file.
        self.cause = says("unreadable", place=place, expected=expected, advice=self.advice)
        said = says("bad-line", path=self.path, problem=self.cause)
        super().__init__(said, path, block, offset, expected, advice)


class UnwritableTrace(OtdravgError):
    """A value that the trace format cannot hold, named by block and field."""

    def __init__(self, block: str, field: str, problem: str | Statement) -> None:
        self.block = block
        self.field = field
        self.problem = problem
        said = says("bad-line", path=f"{block}.{field}", problem=self.problem)
        super().__init__(said, block, field, problem)


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
    """Two shots that do not belong together, with the evidence."""

    def __init__(self, reason: Refusal, evidence: Statement, advice: Statement) -> None:
        self.reason = reason
        self.evidence = evidence
        self.advice = advice
        said = says("refused", reason=reason.value, evidence=evidence, advice=advice)
        super().__init__(said, reason, evidence, advice)


class BadSetting(OtdravgError):
    """An option or setting outside what is allowed: name, value, what is allowed."""

    def __init__(self, name: str | Statement, value: object, allowed: Statement) -> None:
        self.name = name if isinstance(name, str) else told(name)
        self.value = value
        self.allowed = allowed
        said = says("bad-setting", name=name, value=repr(value), wanted=self.allowed)
        super().__init__(said, name, value, allowed)


class _BadFile(OtdravgError):
    """A file or folder that stops the work: which, what is wrong with it, what to do."""

    def __init__(self, path: str | PathLike[str], problem: Statement, advice: Statement) -> None:
        self.path = str(path)
        self.problem = problem
        self.advice = advice
        said = says("bad-file", path=self.path, problem=problem, advice=advice)
        super().__init__(said, path, problem, advice)


class OutputRefused(_BadFile):
    """An output that could not be written, or would replace something unasked."""

    @classmethod
    def by_system(
        cls, path: str | PathLike[str], error: OSError, advice: Statement
    ) -> OutputRefused:
        """Say what the system said; Windows denies to replace what a program has open."""
        if isinstance(error, PermissionError):
            advice = says("close-or-rights")
        return cls(path, says("write-failed", why=error.strerror or str(error)), advice)

    @classmethod
    def open_elsewhere(cls, path: str | PathLike[str]) -> OutputRefused:
        """Say that another program has the file open."""
        return cls(path, says("open-elsewhere"), says("close-there"))


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
        first, more = problems[0], len(problems) - 1
        super().__init__(first.name, first.value, first.allowed)
        self.path = str(path)
        self.problems = tuple(problems)
        self.args = (path, problems)
        self.said = says("bad-line", path=self.path, problem=first.said)
        if more:
            self.said = says("bad-lines", path=self.path, problem=first.said, more=more)

    @property
    def lines(self) -> tuple[Statement, ...]:
        """All that is wrong with the file, a line each."""
        return tuple(says("bad-line", path=self.path, problem=one.said) for one in self.problems)


class BadProfile(BadSettings):
    """An acceptance profile that cannot be used."""


class BadJob(BadSettings):
    """A job that cannot be used."""


class BadCloseout(_BadFile):
    """A closeout that cannot be read back."""

    def __init__(
        self, path: str | PathLike[str], problem: Statement, advice: Statement | None = None
    ) -> None:
        super().__init__(path, problem, advice or says("as-written"))


class OutOfMemory(OtdravgError):
    """Memory that the work asked for and the system did not give, here or in a worker."""

    def __init__(self) -> None:
        super().__init__(says("out-of-memory"))

    def __reduce__(self) -> tuple[type[OutOfMemory], tuple[()]]:
        return type(self), ()


class WorkersLost(OtdravgError):
    """A worker process that vanished in the middle of its work: how many there were, what to do."""

    def __init__(self, count: int) -> None:
        self.count = count
        super().__init__(says("workers-lost", count=count), count)

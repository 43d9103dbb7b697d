"""What there is to say, as codes and values: findings, reasons, next steps.

A finding is a plain value that travels with the result and is shown in every
output. It never stops a job and is never silently dropped. It holds a code and
what was seen; :mod:`otdravg.words` makes the sentences, in any language.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import Union


class Severity(Enum):
    """How much a finding matters to the person reading the result."""

    NOTE = "note"  # worth knowing, the numbers stand as they are
    CAUTION = "caution"  # the numbers stand, but look before relying on them
    DEFECT = "defect"  # something is missing, wrong or could not be measured


class Scope(Enum):
    """What a finding concerns as a whole, where no block and no direction is meant."""

    FILE = "file"
    PAIR = "pair"
    CLOSURES = "closures"
    JOB = "job"
    CABLE = "cable"  # the finding of a cable names its fibres itself


#: What was seen: a text, a number, a number as somebody typed or as it was judged (Decimal),
#: nothing where it is not known, something said, or a list of things with values of their own
#: or of things said.
Value = Union[
    str, int, float, Decimal, None,
    "Finding", "Statement", "tuple[Values, ...]", "tuple[Statement, ...]",
]  # fmt: skip
#: Values by name, the unit in the name, in the order in which they were given.
Values = tuple[tuple[str, Value], ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """One observation about a file, a shot, a pair or a cable.

    Parameters
    ----------
    code : str
        Stable short name in lower case with hyphens, such as
        ``"checksum-mismatch"``; documented in the finding reference.
    severity : Severity
        How much it matters.
    where : str or Enum
        What it concerns: the name of a block (``"Cksum"``), a direction or a ``Scope``.
    values : Values
        The evidence: numbers and texts by name, units in the names.
    case : str
        Which of the sentences of the code says it, where a code has several; else empty.
    """

    code: str
    severity: Severity
    where: str | Enum
    values: Values = ()
    case: str = ""

    def __getitem__(self, name: str) -> Value:
        """Return a value by its name."""
        return dict(self.values)[name]


@dataclass(frozen=True, slots=True)
class Statement:
    """Something to say that is no finding: why a verdict is what it is, or what to do next.

    Parameters
    ----------
    code : str
        Stable short name, such as ``"re-splice"``.
    values : Values
        Numbers and texts by name, units in the names.
    more : tuple of Statement
        What is said right behind it.
    """

    code: str
    values: Values = ()
    more: tuple[Statement, ...] = ()

    def __getitem__(self, name: str) -> Value:
        """Return a value by its name."""
        return dict(self.values)[name]


def says(code: str, /, *more: Statement, **named: Value) -> Statement:
    """Return a statement; further ones are said right behind it."""
    return Statement(code, values(**named), more)


def plain(text: str) -> Statement:
    """Return a text as a statement: it is the same in every language."""
    return says("as-found", text=text)


def values(**named: Value) -> Values:
    """Return values by name, as a finding or one thing in a list of it holds them."""
    return tuple(named.items())


def note(code: str, where: str | Enum, case: str = "", /, **named: Value) -> Finding:
    """Return a finding that is worth knowing."""
    return Finding(code, Severity.NOTE, where, values(**named), case)


def caution(code: str, where: str | Enum, case: str = "", /, **named: Value) -> Finding:
    """Return a finding that asks for a look before the numbers are relied on."""
    return Finding(code, Severity.CAUTION, where, values(**named), case)


def defect(code: str, where: str | Enum, case: str = "", /, **named: Value) -> Finding:
    """Return a finding of something missing, wrong or not measurable."""
    return Finding(code, Severity.DEFECT, where, values(**named), case)

"""Findings: what was odd about the data and what was done about it.

A finding is a plain value that travels with the result and is shown in every
output. It never stops a job and is never silently dropped.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

__all__ = ["Finding", "Severity"]


class Severity(Enum):
    """How much a finding matters to the person reading the result."""

    NOTE = "note"  # worth knowing, the numbers stand as they are
    CAUTION = "caution"  # the numbers stand, but look before relying on them
    DEFECT = "defect"  # something is missing, wrong or could not be measured


@dataclass(frozen=True, slots=True)
class Finding:
    """One observation about a file, a shot, a pair or a cable.

    Parameters
    ----------
    severity : Severity
        How much it matters.
    code : str
        Stable short name in lower case with hyphens, such as
        ``"checksum-mismatch"``; documented in the finding reference.
    where : str
        The block, shot or place it concerns, such as ``"Cksum"`` or ``"A→B"``.
    text : str
        One sentence: the evidence, with numbers and units.
    done : str
        What the program did about it, or what the user should do.
    """

    severity: Severity
    code: str
    where: str
    text: str
    done: str

"""Findings put together for tests of outputs: any code, the same text for all of its values."""

from __future__ import annotations

from string import Formatter

from otdravg.findings import Finding, Scope, Severity
from otdravg.words.catalogue import Language, _book

__all__ = ["wordy"]


def wordy(code: str, text: str, severity: Severity = Severity.DEFECT) -> Finding:
    """A finding of a cable whose sentences hold a text wherever they ask for a value."""
    message = _book(Language.ENGLISH)["finding"][code]
    case = next(iter(message)) if "text" not in message else ""
    parts = {**message, **message[case]} if case else message
    names = {name for part in ("text", "done") for _, name, _, _ in Formatter().parse(parts[part])}
    return Finding(
        code,
        severity,
        Scope.CABLE,
        tuple((name, text) for name in sorted(filter(None, names))),
        case,
    )

"""Findings put together for tests of outputs: any code, the same text for all of its values."""

from __future__ import annotations

from string import Formatter

from otdravg.findings import Finding, Scope, Severity
from otdravg.words.catalogue import Language, _book

__all__ = ["wordy"]


def wordy(
    code: str, text: str, severity: Severity = Severity.DEFECT, case: str | None = None
) -> Finding:
    """A finding of a cable whose sentences hold a text wherever they ask for a value.

    Without a case the first one that is complete.
    """
    message = _book(Language.ENGLISH)["finding"][code]
    cases = {"": message} | {k: {**message, **v} for k, v in message.items() if isinstance(v, dict)}
    if case is None:
        case = next(k for k, parts in cases.items() if {"text", "done"} <= parts.keys())
    sentences = (cases[case][part] for part in ("text", "done"))
    names = {name for one in sentences for _, name, _, _ in Formatter().parse(one) if name}
    named = tuple((name, text) for name in sorted(names))
    return Finding(code, severity, Scope.CABLE, named, case)

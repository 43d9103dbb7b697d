"""English sentences for outputs that do not ask for a language yet; the last one gone, it goes."""

from __future__ import annotations

from otdravg.findings import Finding, Statement
from otdravg.words.catalogue import Language, done, place, sentence, told

__all__ = ["causes_of", "done_of", "evidence_of", "text_of"]


def text_of(finding: Finding) -> str:
    """Say in English what was seen."""
    return sentence(finding, Language.ENGLISH)


def evidence_of(finding: Finding) -> str:
    """Say in English where and what was seen."""
    return f"{place(finding.where, Language.ENGLISH)}: {text_of(finding)}"


def done_of(finding: Finding) -> str:
    """Say in English what was done about it, or what to do."""
    return done(finding, Language.ENGLISH)


def causes_of(missing: tuple[Statement, ...]) -> str:
    """Say in English why a place was not measured; nothing where it was."""
    return "; ".join(told(cause, Language.ENGLISH) for cause in missing)

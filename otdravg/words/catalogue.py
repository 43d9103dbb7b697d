"""Sentences from the message catalogues: one TOML file for each language, loaded when needed.

A message holds ``{name}`` where a value goes. ``{length_m}`` has the decimals of its quantity,
``{at_m:.0f}`` fewer, ``{change_db:+.2f}`` its sign, ``{points:point|points}`` is the word that
goes with the number, ``{name!r}`` is quoted; ``{parts:,}`` has commas between things said,
``{bytes:,}`` between thousands, ``{action:word}`` is a fixed word of the results,
``{name:setting}`` what an error calls a setting, ``{findings:codes}`` names findings by what they
are called, ``{place:first}`` begins a sentence. The signs in figures are the language's.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cache
from typing import Any

from otdravg.findings import Finding, Scope, Statement, Value, Values
from otdravg.quantities import figure

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

#: Groups of fixed texts that a value can be one of.
_TABLES = ("word", "setting")
#: So many things of a list are named, the others counted.
LISTED = 8


class Language(Enum):
    """Language of headings, labels and sentences, by its ISO 639-1 code."""

    ENGLISH = "en"
    GERMAN = "de"


def sentence(finding: Finding, language: Language = Language.ENGLISH) -> str:
    """Say what was seen, with its numbers and units.

    Raises
    ------
    KeyError
        For a code, a case or a value that the catalogue does not know of.
    """
    return _said(finding, "text", language)


def done(finding: Finding, language: Language = Language.ENGLISH) -> str:
    """Say what the program did about it, or what the user should do."""
    return _said(finding, "done", language)


def place(where: str | Enum, language: Language = Language.ENGLISH) -> str:
    """Name what a finding concerns: blocks and directions are the same in every language."""
    if isinstance(where, Scope):
        return str(_book(language)["where"][where.value])
    return str(where.value) if isinstance(where, Enum) else where


def told(statement: Statement, language: Language = Language.ENGLISH) -> str:
    """Say a statement and what follows it, as whole sentences."""
    first = say("say", statement.code, language, **dict(statement.values))
    return " ".join((first, *(told(more, language) for more in statement.more)))


def line(finding: Finding, about: str = "", language: Language = Language.ENGLISH) -> str:
    """Write a finding as one sentence: how grave, where, the evidence, what was done."""
    places = dict.fromkeys(p for p in (about, place(finding.where, language)) if p)
    severity = _book(language)["severity"][finding.severity.value]
    return f"{severity}, {', '.join(places)}: {_both(finding, language)}."


def _both(finding: Finding, language: Language) -> str:
    return f"{sentence(finding, language)}; {done(finding, language)}"


def say(group: str, key: str, language: Language = Language.ENGLISH, /, **named: Value) -> str:
    """Fill in a message that belongs to no finding, such as where a span starts."""
    message = _book(language)[group]
    return _filled(message[key], tuple(named.items()), message, language)


def wording(group: str, key: str, language: Language = Language.ENGLISH) -> str | dict[str, str]:
    """Return a message that is not filled in yet, or its forms by case."""
    message: str | dict[str, str] = _book(language)[group][key]
    return message


def group(name: str, language: Language = Language.ENGLISH) -> dict[str, str]:
    """Return a group of texts that are shown as they are, by key."""
    texts: dict[str, str] = _book(language)[name]
    return texts


def has_words(group: str, key: str) -> bool:
    """Tell whether the catalogues know a key of a group."""
    return key in _book(Language.ENGLISH)[group]


def _said(finding: Finding, part: str, language: Language) -> str:
    book = _book(language)
    message = book["finding"][finding.code]
    if finding.case:
        message = {**message, **(message.get(finding.case) or book["case"][finding.case])}
    return _filled(message[part], finding.values, message, language)


@cache
def _book(language: Language) -> dict[str, Any]:
    """Load a catalogue, the first time that a sentence of the language is asked for."""
    from importlib import resources

    file = resources.files("otdravg.words") / f"{language.value}.toml"
    book: dict[str, Any] = tomllib.loads(file.read_text(encoding="utf-8"))
    return book


def _filled(pattern: str, named: Values, message: Mapping[str, str], language: Language) -> str:
    shown = {name: _Shown(name, value, message, language) for name, value in named}
    return pattern.format_map(shown)


def _names_one(value: Value) -> bool:
    """Whether a list holds one thing, or a text of numbers one number: ``7``, not ``1–4``."""
    return (
        value.isdigit() if isinstance(value, str) else isinstance(value, tuple) and len(value) == 1
    )


_FINDING_PARTS: dict[str, Callable[[Finding, Language], str]] = {
    "": _both,
    "seen": sentence,
    "done": done,
    "where": lambda finding, language: place(finding.where, language),
}


@dataclass(frozen=True, slots=True)
class _Shown:
    """A value as a message shows it; a list takes the pattern of its items from the message."""

    name: str
    value: Value
    message: Mapping[str, str]
    language: Language

    def __format__(self, spec: str) -> str:
        value = self.value
        if "|" in spec:
            # Unicode CLDR, cardinals: one for 1 without decimals, else other; in both languages.
            is_one = value == 1 if isinstance(value, int | float) else _names_one(value)
            return spec.split("|")[not is_one]
        if value is None:
            return say("list", "unknown", self.language)
        if isinstance(value, str):
            book = _book(self.language)
            if spec == "codes":
                return ", ".join(book["code"].get(code, code) for code in value.split(", "))
            return book[spec].get(value, value) if spec in _TABLES else value
        if isinstance(value, tuple):
            return self._listed(value, spec)
        if isinstance(value, Finding):
            return _FINDING_PARTS[spec](value, self.language)
        if isinstance(value, Statement):
            text = told(value, self.language)
            if spec == "clause":
                return text.rstrip(".")
            return text[:1].upper() + text[1:] if spec == "first" else text
        sign = _book(self.language)["language"]["decimal_sign"]
        signs = str.maketrans({".": sign, ",": "." if sign == "," else ","})
        return figure(self.name, value, spec).translate(signs)

    def __repr__(self) -> str:
        opening, closing = _book(self.language)["language"]["quotes"]
        return f"{opening}{repr(self.value)[1:-1]}{closing}"

    def _listed(self, items: tuple[Values, ...] | tuple[Statement, ...], spec: str) -> str:
        named = [
            told(item, self.language)
            if isinstance(item, Statement)
            else _filled(self.message[self.name], item, self.message, self.language)
            for item in items
        ]
        is_comma = spec == "," or not isinstance(items[0], Statement)
        text = (", " if is_comma else "; ").join(named[:LISTED])
        if len(named) <= LISTED:
            return text
        return text + say("list", "more", self.language, more=len(named) - LISTED)

"""A profile in plain sentences, for a person who has to check it against the contract."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from enum import Enum
from types import SimpleNamespace
from typing import Any

from otdravg.verdict.keys import KEYS, Key, keys_of
from otdravg.verdict.rules import DbByWavelength, Profile
from otdravg.verdict.splice import method_name
from otdravg.words.catalogue import Language, say, told, wording

Line = tuple[str, str]  # short label and sentence
#: Units of figures that are not a key's bounds.
_UNITS = {"metres": "m", "wavelengths": "nm"}


def described(profile: Profile, language: Language = Language.ENGLISH) -> tuple[Line, ...]:
    """Say every rule of a profile: label (at most 11 letters) and sentence, in order."""
    lines: list[Line] = []
    seen = ""
    tables = dict.fromkeys(key.table for key in KEYS)
    for table in tables:
        for path, name, holder in holders(profile, table, language):
            parts = list(_sentences(profile, table, path, holder, language))
            if name is not None and parts:
                parts = [", ".join(parts) if not name else f"{name}: {', '.join(parts)}"]
            # Of a list of tables the origin may stand once, beside the list.
            origin = profile.origins.get(path, profile.origins.get(path.removesuffix("[1]")))
            if parts and origin:
                parts.append(say("key-part", "origin", language, text=origin))
            label = say("key-table", table.partition(".")[0], language)
            for part in parts:
                lines.append(("" if label == seen else label, part))
                seen = label
    return tuple(lines)


def holders(
    profile: Profile, table: str, language: Language = Language.ENGLISH
) -> Iterator[tuple[str, str | None, Any]]:
    """Give what holds the keys of a table: where it stands in the file, its name, the object.

    A name, even an empty one, says that all of it is one line.
    """
    if table == "traces":
        yield table, None, SimpleNamespace(name=profile.trace_name)
    elif table == "decision":
        yield table, None, profile
    elif table == "splice.*":
        for method, own in profile.splice.methods.items():
            yield f"splice.{method.value}", told(method_name(method), language), own
    elif table == "stages.*":
        for stage in profile.stages.values() or [profile.stage]:
            in_force = say("key-part", "in-force", language, name=stage.name)
            yield (
                f"stages.{stage.name}", in_force if stage == profile.stage else stage.name, stage
            )  # fmt: skip
    elif table.endswith("[]"):
        room, name = table[:-2].split(".")
        for number, own in enumerate(getattr(getattr(profile, room), name), 1):
            yield f"{room}.{name}[{number}]", "", own
    else:
        holder: Any = profile
        for part in table.split("."):
            holder = None if holder is None else getattr(holder, part)
        if holder is not None:
            yield table, None, holder


def _sentences(
    profile: Profile, table: str, path: str, holder: object, language: Language
) -> Iterator[str]:
    for key in keys_of(table):
        text = sentence_of(key, getattr(holder, key.name), language)
        own = (profile.origins.get(f"{path}.{key.name}{end}") for end in ("", "_at"))
        if text and (origin := next(filter(None, own), None)):
            text += f" ({say('key-part', 'origin', language, text=origin)})"
        if text:
            yield text


def sentence_of(key: Key, value: Any, language: Language = Language.ENGLISH) -> str:
    """Say what a key with a value asks for; empty where it asks for nothing."""
    message = wording("key", key.path, language)
    if isinstance(value, bool):
        name = str(value).lower()
    elif isinstance(value, Enum):
        name = value.value
    else:
        name = "other" if value else "none"
    if isinstance(message, str):
        message = {"other": message}
    return str(message.get(name, "")).format(value=_shown(key, value, language))


def _shown(key: Key, value: Any, language: Language) -> str:
    """Write a key's value with its unit."""
    unit = _UNITS.get(key.kind, key.allowed[1] if key.kind in ("number", "by_wavelength") else "")
    if isinstance(value, DbByWavelength):
        parts = [] if value.general is None else [_figure(value.general, unit)]
        parts += [
            say("key-part", "at", language, figure=_figure(figure, unit), nm=nm)
            for nm, figure in sorted(value.by_wavelength_nm.items())
        ]
        return ", ".join(parts)
    if isinstance(value, Iterable) and not isinstance(value, str):
        texts = sorted(str(v.value) if isinstance(v, Enum) else str(v) for v in value)
        return _figure(", ".join(texts), unit)
    return _figure(f"{value:g}" if isinstance(value, float) else value, unit)


def _figure(value: Decimal | str | int, unit: str) -> str:
    return f"{value} {unit}".rstrip()

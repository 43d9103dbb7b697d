"""Strict reading of one table of a profile: every key known, every value in its range.

Problems are collected, not raised one by one, so that a person can mend a profile in one go.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from enum import Enum
from typing import Any, TypeVar

from otdravg.errors import BadSetting
from otdravg.verdict.rules import DbByWavelength

__all__ = ["Bounds", "Table"]

Bounds = tuple[Decimal, Decimal]
E = TypeVar("E", bound=Enum)
#: Wavelengths that a profile may name, nm. Chosen, not derived: 650 nm, the shortest that fibre is
#: tested at, and 1675 nm, the end of the U band (ITU-T G Suppl. 39, from memory), with room.
_WAVELENGTHS_NM = (600, 1700)


class Table:
    """One table of the file. Getters note a problem and return the default on any fault."""

    def __init__(self, content: dict[str, Any], path: str, problems: list[BadSetting]) -> None:
        self._content = content
        self._path = path
        self._asked: list[str] = []
        self.problems = problems

    def key(self, name: str) -> str:
        """Return the full path of a key, as in ``splice.attempts.allowed``."""
        return f"{self._path}.{name}" if self._path else name

    def note(self, name: str, allowed: str) -> None:
        """Collect a problem with a key of this table."""
        self.problems.append(BadSetting(self.key(name), self._content.get(name), allowed))

    def __contains__(self, name: str) -> bool:
        return name in self._content

    def names(self) -> tuple[str, ...]:
        """Keys that the file has in this table."""
        return tuple(self._content)

    def _take(self, name: str) -> Any:
        self._asked.append(name)
        return self._content.get(name)

    def table(self, name: str) -> Table:
        """Return a table below this one; empty if the file has none."""
        value = self._take(name)
        if value is not None and not isinstance(value, dict):
            self.note(name, f"write it as a table, [{self.key(name)}]")
            value = None
        return Table(value or {}, self.key(name), self.problems)

    def tables(self, name: str) -> list[Table]:
        """Return a list of tables, [[name]]."""
        value = self._take(name)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(part, dict) for part in value):
            self.note(name, f"write it as tables, [[{self.key(name)}]], or as a list of {{ }}")
            return []
        return [
            Table(part, f"{self.key(name)}[{number}]", self.problems)
            for number, part in enumerate(value, 1)
        ]

    def text(self, name: str, default: str = "") -> str:
        """Return a text of one line or more."""
        value = self._take(name)
        if value is None:
            return default
        if not isinstance(value, str) or not value.strip():
            self.note(name, 'write a text in quotes, as in "text"')
            return default
        return value.strip()

    def texts(self, name: str) -> tuple[str, ...]:
        """Return a list of texts."""
        value = self._take(name)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            self.note(name, 'write a list of texts, as in ["one", "two"]')
            return ()
        return tuple(v.strip() for v in value)

    def flag(self, name: str, default: bool) -> bool:
        """Return true or false."""
        value = self._take(name)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.note(name, "write true or false, without quotes")
            return default
        return value

    def choice(self, name: str, kind: type[E], default: E) -> E:
        """Return one of an enum's values."""
        value = self._take(name)
        if value is None:
            return default
        allowed = [member.value for member in kind]
        if value not in allowed:
            self.note(name, "write one of " + ", ".join(f'"{word}"' for word in allowed))
            return default
        return kind(value)

    def number(self, name: str, bounds: Bounds, unit: str) -> Decimal | None:
        """Return a decimal inside bounds, both ends allowed."""
        return self._number(name, self._take(name), bounds, unit)

    def _number(self, name: str, value: Any, bounds: Bounds, unit: str) -> Decimal | None:
        if value is None:
            return None
        decimal = _decimal(value)
        if decimal is None or not bounds[0] <= decimal <= bounds[1]:
            wanted = f"write a number from {bounds[0]} to {bounds[1]}{unit and ' ' + unit}"
            self.problems.append(BadSetting(self.key(name), _plain(value), wanted))
            return None
        return decimal

    def whole(self, name: str, low: int, high: int) -> int | None:
        """Return a whole number inside bounds."""
        value = self._take(name)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.note(name, f"write a whole number from {low} to {high}")
            return None
        return value

    def metres(self, name: str) -> float | None:
        """Return a length in metres."""
        value = self.number(name, (Decimal(0), Decimal(1_000_000)), "m")
        return None if value is None else float(value)

    def by_wavelength(self, name: str, bounds: Bounds, unit: str) -> DbByWavelength:
        """Return a figure ``name`` and its exceptions in ``name_at = { 1310 = 0.25 }``."""
        general = self.number(name, bounds, unit)
        own: dict[int, Decimal] = {}
        exceptions = self.table(f"{name}_at")
        for wavelength in exceptions.names():
            nm = _wavelength_nm(wavelength)
            figure = exceptions.number(wavelength, bounds, unit)
            if nm is None:
                exceptions.note(wavelength, "write the wavelength in nm (600 to 1700), as in 1310")
            elif figure is not None:
                own[nm] = figure
        return DbByWavelength(general, own)

    def wavelengths(self, name: str) -> tuple[int, ...]:
        """Return a list of wavelengths in nm."""
        value = self._take(name)
        if value is None:
            return ()
        low, high = _WAVELENGTHS_NM
        if not isinstance(value, list) or not all(
            isinstance(v, int) and not isinstance(v, bool) and low <= v <= high for v in value
        ):
            self.note(name, f"write a list of wavelengths in nm ({low} to {high}), as [1310, 1550]")
            return ()
        return tuple(sorted(set(value)))

    def need(self, *names: str) -> None:
        """Note every key of these that is missing."""
        for name in names:
            if name not in self._content:
                self.problems.append(BadSetting(self.key(name), "(missing)", "it has to be there"))

    def close(self, also: Iterable[str] = ()) -> None:
        """Note every key that nobody asked for: a misspelt limit must not be silently ignored."""
        known = sorted({*self._asked, *also})
        for name in self._content:
            if name in known:
                continue
            near = difflib.get_close_matches(name, known, 1)
            hint = f"did you mean {near[0]}?" if near else "known here: " + ", ".join(known)
            self.problems.append(
                BadSetting(self.key(name), _plain(self._content[name]), f"unknown key; {hint}")
            )


def each(tables: list[Table], read: Callable[[Table], Any]) -> tuple[Any, ...]:
    """Read a list of tables one by one and close each."""
    parts = []
    for table in tables:
        parts.append(read(table))
        table.close()
    return tuple(parts)


def _decimal(value: Any) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, (int, Decimal)):
        return None
    decimal = Decimal(value)
    return decimal if decimal.is_finite() else None


def _plain(value: Any) -> Any:
    """Show a decimal as it was typed."""
    return float(value) if isinstance(value, Decimal) else value


def _wavelength_nm(text: str) -> int | None:
    low, high = _WAVELENGTHS_NM
    if not re.fullmatch(r"\d{3,4}", text, re.ASCII) or not low <= int(text) <= high:
        return None
    return int(text)

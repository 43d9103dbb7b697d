"""Figures that a benchmark keeps: one JSON file each in ``results/``; the docs are made of them."""

from __future__ import annotations

import json
import math
import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("results")


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured figure, with its interval and its goal where it has them.

    Parameters
    ----------
    what : str
        What was measured.
    value : float, int or str
        The figure.
    unit : str
        Its unit, or what it is a part of (``of 200``).
    low, high : float, optional
        Exact 95 % interval, or least and largest where ``what`` or the benchmark says so.
    at_most, at_least : float, optional
        Goal for the value.
    not_above : float, optional
        Goal for a rate: the interval must not lie above it.
    between : (float, float), optional
        Goal for the value: inside, limits included.
    note : str
        What else has to be known.
    """

    what: str
    value: float | int | str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    at_most: float | None = None
    at_least: float | None = None
    not_above: float | None = None
    between: tuple[float, float] | None = None
    note: str = ""

    @property
    def goal(self) -> str:
        """The goal as text; empty where there is none."""
        if self.between is not None:
            return f"{self.between[0]:g} to {self.between[1]:g}"
        for sign, limit in (
            ("≤", self.at_most),
            ("≥", self.at_least),
            ("interval not above", self.not_above),
        ):
            if limit is not None:
                return f"{sign} {limit:g}"
        return ""

    @property
    def holds(self) -> bool | None:
        """Whether the goal is met; ``None`` without a goal. What is not a number meets none."""
        if not self.goal or isinstance(self.value, str):
            return None
        if self.between is not None:
            return self.between[0] <= self.value <= self.between[1]
        if self.not_above is not None:
            return self.low is not None and self.low <= self.not_above
        if self.at_most is not None:
            return self.value <= self.at_most
        return self.at_least is not None and self.value >= self.at_least

    @property
    def badness(self) -> float:
        """How far from its goal, as a ratio: above 1 misses it. NaN is worst."""
        value = self.value
        if not self.goal or isinstance(value, str):
            return 0.0
        if math.isnan(value):
            return math.inf
        if self.between is not None:
            middle, half = sum(self.between) / 2, (self.between[1] - self.between[0]) / 2
            return abs(value - middle) / half
        if self.at_least is not None:
            return self.at_least / value if value > 0 else math.inf
        limit = self.at_most if self.at_most is not None else self.not_above
        worst = self.low if self.not_above is not None and self.low is not None else value
        assert limit is not None
        if limit <= 0:
            return math.inf if worst > limit else 1.0
        return worst / limit

    def as_json(self) -> dict[str, Any]:
        """The figure as it is stored: without what it has not."""
        kept: dict[str, Any] = {"what": self.what, "value": _number(self.value), "unit": self.unit}
        if self.low is not None or self.high is not None:
            kept["interval"] = [_number(self.low), _number(self.high)]
        if self.goal:
            kept |= {
                "goal": self.goal,
                "holds": self.holds,
                "badness": _number(min(self.badness, 1e9)),
            }
        if self.note:
            kept["note"] = self.note
        return kept

    def text(self) -> str:
        """The figure in one line, for the terminal."""
        value = self.value if isinstance(self.value, str) else f"{self.value:.4g}"
        parts = [f"{self.what}: {value} {self.unit}".rstrip()]
        if self.low is not None and self.high is not None:
            parts.append(f"({self.low:.4g} to {self.high:.4g})")
        if self.goal:
            parts.append(f"[{self.goal}: {'holds' if self.holds else 'MISSES'}]")
        if self.note:
            parts.append(f"· {self.note}")
        return " ".join(parts)


def _number(value: float | str | None) -> float | str | None:
    """A number as JSON can hold it, to six digits: more would be noise in every comparison."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def rounded(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows of a table as they are stored."""
    return [{key: _number(value) for key, value in row.items()} for row in rows]


def machine() -> str:
    """What the figures were measured on, and how busy it was: times mean little on a busy one."""
    busy = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{os.cpu_count()} cores{busy}, {platform.machine()}, {platform.system()}, "
        f"Python {platform.python_version()}"
    )


def save(name: str, what: str, figures: Sequence[Figure], **more: Any) -> Path:
    """Keep a benchmark's figures; ``more`` may hold tables (lists of rows) and lists of lines."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{name}.json"
    content = {
        "name": name,
        "what": " ".join(what.split()),
        "date": date.today().isoformat(),
        "machine": machine(),
        "figures": [figure.as_json() for figure in figures],
        **more,
    }
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return path

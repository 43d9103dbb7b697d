"""Numbers of one end's shots renamed, as a reviewer writes it: ``B 13-23=14-24 24=13``."""

from __future__ import annotations

import re
from collections.abc import Mapping

from otdravg.shot.settings import Direction

__all__ = ["read_renumbering", "renumbering"]

#: What stands for a shot that is of none of the fibres.
_NONE = "none"
_PART = re.compile(
    r"([1-9]\d{0,3})(?:-([1-9]\d{0,3}))?=(?:([1-9]\d{0,3})(?:-([1-9]\d{0,3}))?|none)"
)


def renumbering(new: Mapping[int, int]) -> str:
    """Write which number becomes which, runs shortened; 0 stands for none."""
    parts: list[list[int]] = []
    for old, number in sorted(new.items()):
        if parts and number:
            first, last, to_first, to_last = parts[-1]
            way = number - to_last
            straight = to_first and old == last + 1 and abs(way) == 1
            if straight and (first == last or way == (1 if to_last > to_first else -1)):
                parts[-1] = [first, old, to_first, number]
                continue
        parts.append([old, old, number, number])
    return " ".join(
        f"{_run(first, last)}={_run(to_first, to_last) if to_first else _NONE}"
        for first, last, to_first, to_last in parts
    )


def _run(first: int, last: int) -> str:
    return str(first) if first == last else f"{first}-{last}"


def read_renumbering(text: str) -> tuple[Direction, dict[int, int]] | None:
    """Read which end's numbers become which; 0 is none. ``None`` if it does not say so."""
    end, *parts = text.split() or [""]
    if end not in ("A", "B") or not parts:
        return None
    new: dict[int, int] = {}
    for part in parts:
        match = _PART.fullmatch(part)
        if match is None:
            return None
        first, last, to_first, to_last = (int(n or 0) for n in match.groups())
        old = range(first, (last or first) + 1)
        step = -1 if 0 < to_last < to_first else 1
        numbers = (
            range(to_first, (to_last or to_first) + step, step) if to_first else [0] * len(old)
        )
        if not old or len(numbers) != len(old) or any(n in new for n in old):
            return None
        new |= dict(zip(old, numbers, strict=True))
    return Direction.A_TO_B if end == "A" else Direction.B_TO_A, new

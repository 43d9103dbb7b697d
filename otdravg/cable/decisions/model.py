"""What a reviewer's decision consists of, and what makes it complete."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from enum import Enum

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says
from otdravg.shot.settings import Direction
from otdravg.system.printable import printable


class What(Enum):
    """What can be decided."""

    ACCEPT = "accept"  # a splice, although it is over the limit
    EXCLUDE_SHOT = "exclude-shot"
    MOVE_POSITION = "move-position"  # of a closure on one fibre, to `value` metres from A
    NAME_CLOSURE = "name-closure"  # to `value`
    CONFIRM_CROSSING = "confirm-crossing"  # `fibre` and `value` are exchanged at B
    RENUMBER = "renumber"  # the shots from one end, as `value` says: "B 1-23=2-24 24=1"
    ACKNOWLEDGE = "acknowledge"  # a finding by its code `value`, as in "fibre-missing 7-12"


@dataclass(frozen=True, slots=True)
class Decision:
    """One decision; empty where a field does not matter.

    ``closure`` is a closure's number or name, ``file`` a path as in ``shots.csv`` or the
    SHA-256 of the file's content.
    """

    what: What
    who: str
    when: str  # ISO 8601
    why: str
    cable: str = ""
    fibre: int | None = None
    wavelength_nm: int | None = None
    closure: str = ""
    file: str = ""
    value: str = ""

    @property
    def acknowledges(self) -> tuple[str, frozenset[int | None]]:
        """Code of the finding that it acknowledges, and the fibres that it names."""
        code, _, rest = self.value.partition(" ")
        fibres = {self.fibre} if not rest or self.fibre is not None else set()
        for first, last in _RANGES.findall(rest):
            fibres |= set(range(int(first), int(last or first) + 1))
        return code, frozenset(fibres)

    @property
    def said(self) -> Statement:
        """Who decided, when and why, for outputs."""
        return says(
            "decided", what=self.what.value, who=self.who, when=str(self.when), why=self.why
        )

    def cells(self) -> dict[str, str]:
        """Return the fields as they stand in a file."""
        return {f.name: _word(getattr(self, f.name)) for f in fields(self)}


@dataclass(frozen=True, slots=True)
class SealedDecision:
    """A decision as it stands in its file: with the seal before it and its own.

    Both are empty where somebody typed it by hand.
    """

    decision: Decision
    before: str = ""
    seal: str = ""

    def cells(self) -> dict[str, str]:
        """Return the fields as they stand in a file."""
        return {**self.decision.cells(), "before": self.before, "seal": self.seal}


def _word(value: object) -> str:
    if value is None:
        return ""
    return str(value.value) if isinstance(value, Enum) else str(value)


#: A spreadsheet takes a text that begins with one of these for a formula to run.
_FORMULA_SIGNS = ("=", "+", "-", "@")

#: Fibres as outputs list them: ``7-12, 14``, with either dash.
_RANGES = re.compile(r"(\d{1,4})(?:[-–](\d{1,4}))?")

_ACKNOWLEDGED = re.compile(r"[a-z][a-z0-9-]*( [\d–, -]+)?", re.ASCII)

_NEEDS: Mapping[What, tuple[str, ...]] = {
    What.ACCEPT: ("fibre", "closure"),
    What.EXCLUDE_SHOT: ("file",),
    What.MOVE_POSITION: ("fibre", "closure", "value"),
    What.NAME_CLOSURE: ("closure", "value"),
    What.CONFIRM_CROSSING: ("fibre", "value"),
    What.RENUMBER: ("value",),
    What.ACKNOWLEDGE: ("value",),
}


def decision_from(cells: Mapping[str, str], place: str) -> Decision:
    """Make a decision of a file's cells; ``place`` is what errors call it.

    Raises
    ------
    BadSetting
        If it does not say what was decided about what, by whom, when and why.
    """
    for problem in _problems(cells):
        raise BadSetting("decisions", place, problem)
    fibre, nm = (cells.get(name) for name in ("fibre", "wavelength_nm"))
    return Decision(
        What(cells["what"]),
        cells["who"],
        cells["when"],
        cells["why"],
        cells.get("cable", ""),
        int(fibre) if fibre else None,
        int(nm) if nm else None,
        cells.get("closure", ""),
        cells.get("file", ""),
        cells.get("value", ""),
    )


def _problems(cells: Mapping[str, str]) -> Iterator[Statement]:
    """What keeps the cells from being a decision."""
    kinds = {what.value: what for what in What}
    what = kinds.get(cells.get("what", ""))
    if what is None:
        yield says("not-one-of", text=cells.get("what", ""), known=", ".join(kinds))
        return
    for name in ("who", "when", "why", *_NEEDS[what]):
        if not cells.get(name):
            yield says("decision-needs", what=what.value, name=name)
    try:
        datetime.fromisoformat(cells["when"].replace("Z", "+00:00"))
    except ValueError:
        yield says("not-a-time", text=cells["when"])
    value, numbers = cells.get("value", ""), [cells.get("fibre"), cells.get("wavelength_nm")]
    if what is What.MOVE_POSITION and not re.fullmatch(r"\d{1,7}(\.\d{1,6})?", value, re.ASCII):
        yield says("not-metres", text=value)
    if what is What.CONFIRM_CROSSING:
        numbers.insert(0, value)
    if what is What.RENUMBER and read_renumbering(value) is None:
        yield says("not-a-renumbering", text=value)
    if what is What.ACKNOWLEDGE and not _ACKNOWLEDGED.fullmatch(value):
        yield says("not-a-code", text=value)
    for number in numbers:
        if number and not re.fullmatch(r"[1-9]\d{0,3}", number, re.ASCII):
            yield says("not-whole-to", text=number, most=9999)


def checked(decision: Decision, place: str) -> Decision:
    """Return a decision fit to be written: complete, blanks single, nothing that a program obeys.

    Raises
    ------
    BadSetting
        If it is incomplete, or a text holds what no file of decisions shall hold.
    """
    cells = {name: " ".join(text.split()) for name, text in decision.cells().items()}
    for name, text in cells.items():
        if printable(text) != text:
            raise BadSetting(name, text, says("no-control-signs"))
        if text.startswith(_FORMULA_SIGNS):
            raise BadSetting(name, text, says("no-formula"))
    return decision_from(cells, place)


# Numbers of one end's shots renamed: ``B 13-23=14-24 24=13``

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

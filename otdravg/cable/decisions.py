"""What a reviewer decided: applied on top of the measurement, never in place of it.

Decisions stand in a CSV file, one a line, with who, when and why. Each line carries a seal,
the SHA-256 of the line's fields together with the seal of the line before. A line that was
edited, moved or taken out breaks the chain from there on, and the review says so. The last
seal is shown in every output: a line cut off the end changes it.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from enum import Enum
from pathlib import Path, PurePosixPath

from otdravg.cable.closures import CableMap, renamed
from otdravg.cable.model import CableFinding, ShotRecord, ShotUse, Source, SpliceRow
from otdravg.decision import Action, Verdict
from otdravg.errors import BadSetting
from otdravg.export.atomic import write_atomic
from otdravg.findings import Severity
from otdravg.trace import Direction

__all__ = [
    "Decision",
    "Decisions",
    "What",
    "accepted_rows",
    "add_decision",
    "apply_to_maps",
    "apply_to_shots",
    "read_decisions",
]


class What(Enum):
    """What can be decided."""

    ACCEPT = "accept"  # a splice, although it is over the limit
    EXCLUDE_SHOT = "exclude-shot"
    MOVE_POSITION = "move-position"  # of a closure on one fibre, to `value` metres from A
    NAME_CLOSURE = "name-closure"  # to `value`
    CONFIRM_CROSSING = "confirm-crossing"  # `fibre` and `value` are exchanged at B


@dataclass(frozen=True, slots=True)
class Decision:
    """One line of the decisions file; empty where a field does not matter.

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
    def text(self) -> str:
        """Who decided, when and why, for outputs."""
        return f"{self.what.value} by {self.who}, {self.when}: {self.why}"

    def cells(self) -> dict[str, str]:
        """Return the fields as they stand in the file."""
        return {
            f.name: "" if (value := getattr(self, f.name)) is None else _word(value)
            for f in fields(self)
        }


def _word(value: object) -> str:
    return str(value.value) if isinstance(value, Enum) else str(value)


_COLUMNS = (*(f.name for f in fields(Decision)), "seal")


@dataclass(frozen=True, slots=True)
class Decisions:
    """All decisions of a file, in its order, and whether their chain holds."""

    items: tuple[Decision, ...] = ()
    last_seal: str = ""
    findings: tuple[CableFinding, ...] = ()


def seal_of(decision: Decision, before: str) -> str:
    """Return the seal of a line: SHA-256 over the seal before it and its own fields."""
    content = json.dumps(
        decision.cells(), sort_keys=True, ensure_ascii=False, separators=(",", ":")
    )
    return hashlib.sha256(f"{before}\n{content}".encode()).hexdigest()


def read_decisions(path: Path) -> Decisions:
    """Read a decisions file and check its chain.

    A line without a seal is applied and reported; so is every line behind a break.

    Raises
    ------
    BadSetting
        With the line that cannot be used.
    """
    rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"), newline=""))
    columns = {(name or "").strip() for name in rows.fieldnames or ()}
    needed = {"what", "who", "when", "why"}
    if not needed <= columns or not columns <= set(_COLUMNS):
        allowed = ", ".join(_COLUMNS)
        raise BadSetting(
            "decisions", str(path), f"the first line must name columns out of {allowed}"
        )
    items: list[Decision] = []
    findings: list[CableFinding] = []
    before = ""
    for number, row in enumerate(rows, start=2):
        cells = {(key or "").strip(): (value or "").strip() for key, value in row.items()}
        place = f"{path} line {number}"
        decision = _parsed(cells, place)
        items.append(decision)
        seal, wanted = cells.get("seal", ""), seal_of(decision, before)
        if not seal:
            findings.append(
                _finding(
                    path, Severity.CAUTION, "decision-unsealed",
                    f"line {number} ({decision.text}) has no seal",
                    "it was applied; add decisions with 'otdravg decide', which seals them",
                )
            )  # fmt: skip
        elif seal != wanted:
            findings.append(
                _finding(
                    path, Severity.DEFECT, "decision-changed",
                    f"the seal of line {number} ({decision.text}) does not fit: it or a line "
                    "before it was edited, moved or removed",
                    "it was applied all the same; ask who decided, and decide again",
                )
            )  # fmt: skip
        before = seal or wanted
    return Decisions(tuple(items), before, tuple(findings))


def _finding(
    path: Path, severity: Severity, code: str, evidence: str, what_to_do: str
) -> CableFinding:
    return CableFinding(severity, code, evidence, what_to_do, files=(path.name,))


def _parsed(cells: Mapping[str, str], place: str) -> Decision:
    kinds = {what.value: what for what in What}
    if cells["what"] not in kinds:
        raise BadSetting("decisions", place, f"{cells['what']!r} is not one of {', '.join(kinds)}")
    for name in ("who", "when", "why"):
        if not cells[name]:
            raise BadSetting("decisions", place, f"{name!r} is empty: a decision needs it")
    try:
        datetime.fromisoformat(cells["when"].replace("Z", "+00:00"))
    except ValueError:
        raise BadSetting(
            "decisions", place, f"{cells['when']!r} is not a time such as 2024-05-14T09:30"
        ) from None
    decision = Decision(
        kinds[cells["what"]],
        cells["who"],
        cells["when"],
        cells["why"],
        cells.get("cable", ""),
        _number(cells.get("fibre", ""), place),
        _number(cells.get("wavelength_nm", ""), place),
        cells.get("closure", ""),
        cells.get("file", ""),
        cells.get("value", ""),
    )
    check(decision, place)
    return decision


def _number(text: str, place: str) -> int | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,4}", text, re.ASCII) or int(text) == 0:
        raise BadSetting("decisions", place, f"{text!r} is not a whole number above 0")
    return int(text)


def check(decision: Decision, place: str) -> None:
    """Refuse a decision that does not say what it is about.

    Raises
    ------
    BadSetting
    """
    what = decision.what
    wanted: dict[What, tuple[str, ...]] = {
        What.ACCEPT: ("fibre", "closure"),
        What.EXCLUDE_SHOT: ("file",),
        What.MOVE_POSITION: ("fibre", "closure", "value"),
        What.NAME_CLOSURE: ("closure", "value"),
        What.CONFIRM_CROSSING: ("fibre", "value"),
    }
    for name in wanted[what]:
        if not getattr(decision, name):
            raise BadSetting("decisions", place, f"{what.value} needs {name!r}")
    if what is What.MOVE_POSITION and not re.fullmatch(r"\d+(\.\d+)?", decision.value, re.ASCII):
        raise BadSetting("decisions", place, f"{decision.value!r} is not a distance in metres")
    if what is What.CONFIRM_CROSSING and not re.fullmatch(r"[1-9]\d*", decision.value, re.ASCII):
        raise BadSetting("decisions", place, f"{decision.value!r} is not a fibre number")


def add_decision(path: Path, decision: Decision) -> str:
    """Append a sealed line to a decisions file, made if it is not there; return the seal.

    Raises
    ------
    BadSetting
        If the file's chain is broken already, or the decision is incomplete.
    """
    check(decision, str(path))
    before, text = "", ""
    if path.exists():
        known = read_decisions(path)
        if known.findings:
            raise BadSetting("decisions", str(path), f"{known.findings[0].evidence}; settle that")
        before, text = known.last_seal, path.read_text(encoding="utf-8-sig")
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, _COLUMNS, lineterminator="\n")
    if not text:
        writer.writeheader()
    elif not text.endswith("\n"):
        text += "\n"
    seal = seal_of(decision, before)
    writer.writerow({**decision.cells(), "seal": seal})
    write_atomic(path, (text + stream.getvalue()).encode("utf-8"), overwrite=True)
    return seal


def apply_to_shots(
    records: Sequence[ShotRecord], decisions: Decisions
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Leave excluded shots out and exchange the numbers of confirmed crossings at B."""
    result = list(records)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what is What.EXCLUDE_SHOT:
            chosen = [n for n, r in enumerate(result) if _is_file(r, decision.file)]
            for n in chosen:
                result[n] = result[n].used_as(ShotUse.EXCLUDED, decision.text)
        elif decision.what is What.CONFIRM_CROSSING:
            chosen = _exchange(result, decision)
        else:
            continue
        if not chosen:
            findings.append(_without_object(decision))
    return result, findings


def _is_file(record: ShotRecord, named: str) -> bool:
    name = PurePosixPath(record.path).name
    return named in (record.path, name) or (bool(record.sha256) and named == record.sha256)


def _exchange(records: list[ShotRecord], decision: Decision) -> list[int]:
    other = {decision.fibre: int(decision.value), int(decision.value): decision.fibre}
    chosen = [
        n
        for n, r in enumerate(records)
        if r.taken_for.direction is Direction.B_TO_A
        and r.taken_for.fibre in other
        and decision.cable in ("", r.taken_for.cable)
        and decision.wavelength_nm in (None, r.taken_for.wavelength_nm)
    ]
    for n in chosen:
        taken = records[n].taken_for
        fibre = other[taken.fibre]
        records[n] = replace(
            records[n],
            taken_for=replace(taken, fibre=fibre, fibre_by=Source.DECISION),
            remark=decision.text,
        )
    return chosen


def _without_object(decision: Decision) -> CableFinding:
    return CableFinding(
        Severity.CAUTION,
        "decision-without-object",
        f"nothing here fits the decision: {decision.text}",
        "check fibre, closure or file in the decisions file",
        cable=decision.cable,
        fibre=decision.fibre,
        closure=decision.closure,
    )


def apply_to_maps(
    maps: Mapping[str, CableMap], decisions: Decisions
) -> tuple[dict[str, CableMap], list[CableFinding]]:
    """Name closures and move positions as decided."""
    result = dict(maps)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what not in (What.NAME_CLOSURE, What.MOVE_POSITION):
            continue
        found = False
        for cable, own_map in result.items():
            number = _closure_number(own_map, decision)
            if number is None:
                continue
            if decision.what is What.NAME_CLOSURE:
                closures = tuple(
                    renamed(c, decision.value) if c.number == number else c
                    for c in own_map.closures
                )
                result[cable] = replace(own_map, closures=closures)
                found = True
            elif decision.fibre is not None and decision.fibre in own_map.passes:
                result[cable] = _moved(own_map, decision.fibre, number, float(decision.value))
                found = True
        if not found:
            findings.append(_without_object(decision))
    return result, findings


def _closure_number(own_map: CableMap, decision: Decision) -> int | None:
    if decision.cable not in ("", own_map.cable):
        return None
    for closure in own_map.closures:
        if decision.closure in (closure.name, str(closure.number)):
            return closure.number
    return None


def _moved(own_map: CableMap, fibre: int, number: int, at_m: float) -> CableMap:
    passes = {f: dict(own) for f, own in own_map.passes.items()}
    passes[fibre][number] = at_m
    return replace(own_map, passes=passes, moved=own_map.moved | {(fibre, number)})


def accepted_rows(
    rows: Sequence[SpliceRow], decisions: Decisions
) -> tuple[list[SpliceRow], list[CableFinding]]:
    """Mark splices that the reviewer accepts; the measured values stay as they are.

    A moved position and a confirmed crossing are noted on the rows they concern, too.
    """
    result = list(rows)
    findings: list[CableFinding] = []
    for decision in decisions.items:
        if decision.what in (What.EXCLUDE_SHOT, What.NAME_CLOSURE):
            continue
        fibres = {decision.fibre}
        if decision.what is What.CONFIRM_CROSSING:
            fibres.add(int(decision.value))
        chosen = [
            n
            for n, row in enumerate(result)
            if row.fibre in fibres
            and decision.cable in ("", row.cable)
            and decision.wavelength_nm in (None, row.wavelength_nm)
            and (not decision.closure or decision.closure in (row.closure, str(row.closure_number)))
        ]
        for n in chosen:
            result[n] = _decided(result[n], decision)
        if not chosen and decision.what is What.ACCEPT:
            findings.append(_without_object(decision))
    return result, findings


def _decided(row: SpliceRow, decision: Decision) -> SpliceRow:
    decided = "; ".join(filter(None, (row.decided, decision.text)))
    needs_it = row.verdict.action is not Action.NONE
    if decision.what is not What.ACCEPT or not needs_it or row.loss_db is None:
        return replace(row, decided=decided)
    verdict = replace(
        row.verdict,
        verdict=Verdict.ACCEPTED,
        action=Action.NONE,
        reason=f"{row.verdict.reason} Accepted by {decision.who}: {decision.why}.",
        rule="reviewer's decision",
    )
    return replace(row, verdict=verdict, decided=decided)

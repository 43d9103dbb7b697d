"""Which shots are copies, which are earlier attempts, and which stand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.findings import Severity
from otdravg.shot.settings import Direction

__all__ = [
    "EDITED",
    "Slot",
    "Stand",
    "mark_repeats",
    "number_attempts",
    "place_text",
    "slot_of",
    "stands_of",
    "when",
]

#: The finding about equal points under different headers.
EDITED = "header-edited"

Slot = tuple[FibreKey, int, Direction]


def slot_of(record: ShotRecord) -> Slot | None:
    """Fibre, wavelength and direction that a record was taken for, if all are known."""
    taken = record.taken_for
    if not taken.is_complete or taken.key is None or taken.wavelength_nm is None:
        return None
    return taken.key, taken.wavelength_nm, taken.direction


def mark_repeats(
    records: Sequence[ShotRecord],
) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Set aside all but one of the files that hold the same points.

    Which of them is genuine the files cannot tell: the one with fewest doubts about it is
    kept, then the first by folder and name.
    """
    groups: dict[str, list[int]] = defaultdict(list)
    for number, record in enumerate(records):
        if record.waveform_sha256 and record.use in (ShotUse.USED, ShotUse.UNPLACED):
            groups[record.waveform_sha256].append(number)
    result = list(records)
    findings: list[CableFinding] = []
    for members in groups.values():
        if len(members) < 2:
            continue
        members.sort(key=lambda n: _doubts(records[n]))
        kept, *others = (records[n] for n in members)
        for number in members[1:]:
            result[number] = records[number].used_as(
                ShotUse.REPEAT, f"holds the same points as {kept.path}"
            )
        findings.append(_repeat_finding(kept, others))
    return result, findings


def _doubts(record: ShotRecord) -> tuple[bool, int, int, str]:
    grave = sum(f.severity is not Severity.NOTE for f in record.findings)
    return record.use is not ShotUse.USED, grave, record.batch, record.path


def _repeat_finding(kept: ShotRecord, others: Sequence[ShotRecord]) -> CableFinding:
    same_bytes = all(other.sha256 == kept.sha256 for other in others)
    one_place = all(slot_of(other) == slot_of(kept) for other in others)
    count = len(others) + 1
    if same_bytes:
        code, what = "same-file-again", f"{count} files are equal byte for byte"
    else:
        code, what = (
            EDITED,
            f"{count} files hold the same {kept.point_count} points under different headers",
        )
    if one_place:
        severity = Severity.NOTE if same_bytes else Severity.CAUTION
        advice = f"{kept.path} was used; remove the others"
    else:
        severity = Severity.DEFECT
        places = "; ".join(place_text(record) for record in (kept, *others))
        what += f" and claim to be different shots ({places})"
        advice = (
            f"{kept.path} was used, but nothing in the files proves which claim is true: "
            "find the missing shots or take them again"
        )
    return about_shot(kept, severity, code, what, advice, *others)


def place_text(record: ShotRecord) -> str:
    """Write what a shot claims to be: ``fibre 3 A→B 1550 nm``."""
    taken = record.taken_for
    fibre = "unknown fibre" if taken.fibre is None else f"fibre {taken.fibre}"
    return f"{fibre} {taken.direction.value} {taken.wavelength_nm or '?'} nm"


def number_attempts(records: Sequence[ShotRecord]) -> tuple[list[ShotRecord], list[CableFinding]]:
    """Number shots of the same fibre, wavelength and direction in order of time.

    A later folder counts as later whatever the clocks say; without a time the names decide.
    """
    result = list(records)
    findings: list[CableFinding] = []
    groups: dict[Slot, list[int]] = defaultdict(list)
    for number, record in enumerate(records):
        slot = slot_of(record)
        if slot is not None and record.use is ShotUse.USED:
            groups[slot].append(number)
    for members in groups.values():
        members.sort(key=lambda n: when(records[n]))
        for attempt, number in enumerate(members, start=1):
            result[number] = replace(records[number], attempt=attempt)
        newest = result[members[-1]]
        for number in members[:-1]:
            result[number] = result[number].used_as(
                ShotUse.EARLIER, f"{newest.path} is newer and stands"
            )
        same_folder = [n for n in members if records[n].batch == newest.batch]
        if len(same_folder) > 1 and any(records[n].taken is None for n in same_folder):
            findings.append(
                about_shot(
                    newest,
                    Severity.CAUTION,
                    "order-by-name",
                    f"{len(members)} shots of one kind, and not all have a time",
                    "the last by name was taken as the newest; set the instrument's clock",
                    *(result[n] for n in members[:-1]),
                )
            )
    return result, findings


def when(record: ShotRecord) -> tuple[int, float, str]:
    """Sort key by time: the folder's number, the instrument's clock, the name."""
    taken = record.taken
    return record.batch, taken.timestamp() if taken else 0.0, record.path


@dataclass(frozen=True, slots=True)
class Stand:
    """All shots of one fibre at one wavelength, oldest first in each direction."""

    key: FibreKey
    wavelength_nm: int
    ab: tuple[ShotRecord, ...]
    ba: tuple[ShotRecord, ...]

    @property
    def attempts(self) -> int:
        """How often it was shot, counting the direction with more shots."""
        return max(len(self.ab), len(self.ba))

    def pair(self, attempt: int) -> tuple[ShotRecord | None, ShotRecord | None]:
        """Shots that make up an attempt: the newest at that time in each direction."""
        ab = self.ab[min(attempt, len(self.ab)) - 1] if self.ab else None
        ba = self.ba[min(attempt, len(self.ba)) - 1] if self.ba else None
        return ab, ba


def stands_of(records: Sequence[ShotRecord]) -> list[Stand]:
    """Collect numbered shots by fibre and wavelength, in that order."""
    groups: dict[tuple[FibreKey, int], dict[Direction, list[ShotRecord]]] = defaultdict(
        lambda: defaultdict(list)
    )
    for record in records:
        slot = slot_of(record)
        if slot is not None and record.attempt:
            groups[slot[0], slot[1]][slot[2]].append(record)
    stands = []
    for (key, wavelength_nm), sides in sorted(groups.items()):
        ab, ba = (
            tuple(sorted(sides.get(direction, ()), key=lambda r: r.attempt))
            for direction in (Direction.A_TO_B, Direction.B_TO_A)
        )
        stands.append(Stand(key, wavelength_nm, ab, ba))
    return stands

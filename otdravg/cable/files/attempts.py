"""Which shots are copies, which are earlier attempts, and which stand."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from itertools import pairwise

from otdravg.cable.checks.notes import about_shot
from otdravg.cable.model import CableFinding, FibreKey, ShotRecord, ShotUse
from otdravg.findings import Scope, Severity, Statement, caution, defect, note, says
from otdravg.shot.settings import Direction
from otdravg.verdict.doubts import CLOCK_AHEAD, FIRST_DATE

#: Shots of one kind that follow each other within this time are one attempt. Chosen, not derived:
#: a launch is cleaned and shot again in minutes; no splice is opened and remade so soon.
ONE_ATTEMPT = timedelta(minutes=20)
#: Shots of one job lie closer together than this. Chosen, not derived: a cable is built in months.
ODD_TIME = timedelta(days=365)
_MINUTES = ONE_ATTEMPT.seconds // 60

#: The finding about equal points under different headers.
EDITED = "header-edited"

Slot = tuple[FibreKey, int, Direction]
#: The directions of shots from A and from B.
ENDS = (Direction.A_TO_B, Direction.B_TO_A)


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
                ShotUse.REPEAT, says("same-points-as", file=kept.path)
            )
        findings.append(_repeat_finding(kept, others))
    return result, findings


def _doubts(record: ShotRecord) -> tuple[bool, int, int, str]:
    grave = sum(f.severity is not Severity.NOTE for f in record.findings)
    return record.use is not ShotUse.USED, grave, record.batch, record.path


def _repeat_finding(kept: ShotRecord, others: Sequence[ShotRecord]) -> CableFinding:
    same_bytes = all(other.sha256 == kept.sha256 for other in others)
    grave, case = note if same_bytes else caution, ""
    if any(slot_of(other) != slot_of(kept) for other in others):
        grave, case = defect, "claims"
    said = grave(
        "same-file-again" if same_bytes else "header-edited", Scope.CABLE, case,
        files=len(others) + 1, points=kept.point_count, file=kept.path,
        places=tuple(claimed(record) for record in (kept, *others)),
    )  # fmt: skip
    return about_shot(kept, said, *others)


def claimed(record: ShotRecord) -> Statement:
    """Say what a shot claims to be: ``fibre 3 A→B 1550 nm``."""
    taken = record.taken_for
    return says(
        "shot-of", fibre=str(taken.fibre or "?"), direction=taken.direction.value,
        at_nm=str(taken.wavelength_nm or "?"),
    )  # fmt: skip


def number_attempts(records: Sequence[ShotRecord]) -> list[ShotRecord]:
    """Number shots of the same fibre, wavelength and direction in order of time.

    A later folder counts as later whatever the clocks say; without a time the names decide. Shots
    that follow each other within minutes are one attempt, of which the last stands.
    """
    result = list(records)
    for members in by_slot(records).values():
        attempt = 1
        for before, number in zip([None, *members], members, strict=False):
            if before is not None and not is_one_attempt(records[before], records[number]):
                attempt += 1
            result[number] = replace(records[number], attempt=attempt)
        newest = result[members[-1]]
        for number, after in pairwise(members):
            same = result[number].attempt == result[after].attempt
            result[number] = result[number].used_as(
                ShotUse.EARLIER,
                says("stands-for-both", file=result[after].path, minutes=_MINUTES)
                if same
                else says("newer-stands", file=newest.path),
            )
    return result


def by_slot(records: Sequence[ShotRecord]) -> dict[Slot, list[int]]:
    """Places in the list of the shots of one fibre, wavelength and direction, oldest first."""
    groups: dict[Slot, list[int]] = defaultdict(list)
    for number, record in enumerate(records):
        slot = slot_of(record)
        if slot is not None and record.use is ShotUse.USED:
            groups[slot].append(number)
    for members in groups.values():
        members.sort(key=lambda n: when(records[n]))
    return groups


def is_one_attempt(before: ShotRecord, after: ShotRecord) -> bool:
    """Whether a shot follows another so soon that nothing can have been spliced in between."""
    first, second = date_of(before), date_of(after)
    if before.batch != after.batch or first is None or second is None:
        return False
    return second - first <= ONE_ATTEMPT


def order_findings(records: Sequence[ShotRecord]) -> list[CableFinding]:
    """Shots of one kind of which nothing says which is newer."""
    findings = []
    for members in _numbered(records).values():
        if not all(taken_before(*pair) for pair in pairwise(members)):
            said = caution("order-unknown", Scope.CABLE, "one-kind", shots=len(members))
            findings.append(about_shot(members[-1], said, *members[:-1]))
    return findings


def _numbered(records: Sequence[ShotRecord]) -> dict[Slot, list[ShotRecord]]:
    """Shots with a number of one fibre, wavelength and direction, oldest first."""
    slots: dict[Slot, list[ShotRecord]] = defaultdict(list)
    for record in records:
        slot = slot_of(record)
        if slot is not None and record.attempt:
            slots[slot].append(record)
    return {slot: sorted(members, key=when) for slot, members in slots.items()}


def when(record: ShotRecord) -> tuple[int, float, str]:
    """Sort key by time: the folder's number, the instrument's clock, the name."""
    taken = date_of(record)
    return record.batch, taken.timestamp() if taken else 0.0, record.path


def date_of(record: ShotRecord) -> datetime | None:
    """When a shot was taken; None where the clock was never set, or is ahead of today."""
    taken = record.taken
    if taken is None or not FIRST_DATE <= taken <= datetime.now(timezone.utc) + CLOCK_AHEAD:
        return None
    return taken


def taken_before(one: ShotRecord, other: ShotRecord) -> bool:
    """Whether a shot was surely taken before another: by its folder, or as clocks tell.

    A folder that was named first and holds what clocks call the newer shot tells nothing: folders
    are named in the wrong order as easily as a clock is set wrong.

    Two instruments' clocks may be a day apart, by their time zones alone. Shots from one end that
    name no instrument, or the same, are taken to be of one; shots from both ends only if its
    serial number says so. Of shots years apart one clock was never set.
    """
    first, second = date_of(one), date_of(other)
    if one.batch != other.batch:
        known = first is not None and second is not None
        later = first - second if known else timedelta(0)  # type: ignore[operator]
        return one.batch < other.batch and not CLOCK_AHEAD < later <= ODD_TIME
    if first is None or second is None:
        return False
    serials = [r.identity.serial if r.identity else "" for r in (one, other)]
    alike = serials[0] == serials[1]
    if one.taken_for.direction is not other.taken_for.direction:
        # A serial number that is all zeros was never set.
        alike = alike and bool(serials[0].partition(" ")[0].strip("0"))
    least = timedelta(0) if alike else CLOCK_AHEAD
    return first < second and least <= second - first <= ODD_TIME


@dataclass(frozen=True, slots=True)
class Stand:
    """The last shot of each attempt at one fibre and wavelength, oldest first from each end."""

    key: FibreKey
    wavelength_nm: int
    ab: tuple[ShotRecord, ...]
    ba: tuple[ShotRecord, ...]
    loop_m: float | None = None  # ``ba`` are shots from A into another fibre, looped by such a cord

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
    slots = _numbered(records)
    last = {slot: _last_of_each(shots) for slot, shots in slots.items()}
    return [
        Stand(key, nm, last.get((key, nm, ENDS[0]), ()), last.get((key, nm, ENDS[1]), ()))
        for key, nm in sorted({slot[:2] for slot in slots})
    ]


def _last_of_each(shots: Sequence[ShotRecord]) -> tuple[ShotRecord, ...]:
    """Return the last shot of each attempt, oldest attempt first; ``shots`` are in order."""
    last = {shot.attempt: shot for shot in shots}
    return tuple(last[attempt] for attempt in sorted(last))

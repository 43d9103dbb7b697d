"""The instrument's own event table held against the waveform: a cross-check, never a source.

A table that disagrees says that one of the two was made with other settings, belongs to
another shot, or that somebody moved a marker. The measurement stays that of the waveform.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from statistics import median

from otdravg.findings import Finding, Values, caution, note, values
from otdravg.shot.detect import Detection
from otdravg.shot.settings import TableEvent

#: A table entry with a smaller loss and no reflection may well be below detection here, dB.
#: Chosen, not derived: recall is stated for one-way steps from this size on.
LEAST_TABLE_LOSS_DB = 0.05
#: Losses that differ by more than this, and by more than noise explains, are worth a word, dB.
#: Chosen, not derived: twice the least loss that counts; markers of an instrument set by itself
#: move losses by some hundredths.
LOSS_DISAGREES_DB = 0.10
#: So many entries, if they are most, say that the table is of another shot or scale. Chosen, not
#: derived: one is a marker in a dead zone, two may be chance, and a median of three passes over
#: one.
LEAST_ENTRIES = 3
#: The same if their losses are typically this share larger or smaller. Chosen, not derived: a
#: wrong scale is off by a factor, and the median passes over single markers set askew.
SCALE_DISAGREES = 0.25


def table_findings(detection: Detection) -> tuple[Finding, ...]:
    """Compare the event table in the file with what the waveform shows.

    Parameters
    ----------
    detection : Detection
        Events of one shot; its trace holds the table.

    Returns
    -------
    tuple of Finding
        Empty where there is no table or nothing disagrees. At most one finding each for
        events that the waveform does not show, losses that differ and an end that differs.
    """
    shot = detection.shot
    where = shot.trace.identity.direction
    # Tables hold times to 100 ps and often the end of a marker: allow half a pulse more.
    tolerance = shot.placing_m + 0.5 * shot.pulse_m + 1.0
    front_m = float(shot.x_m[shot.front_clear])
    entries = [(e, e.distance_m(shot.group_index)) for e in shot.trace.table]
    found = detection.before_end
    at = [e.distance_m for e in found]  # in order
    unseen: list[Values] = []
    differing: list[Values] = []
    ratios: list[float] = []  # of the waveform's losses to the table's
    for entry, x_m in entries:
        inside = front_m < x_m < detection.end_m - tolerance
        if entry.is_end or not inside or not _counts(entry):
            continue
        near = found[bisect_right(at, x_m - tolerance) : bisect_left(at, x_m + tolerance)]
        if not near:
            unseen.append(values(at_m=x_m, table_db=entry.loss_db))
            continue
        event = min(near, key=lambda e: abs(e.distance_m - x_m))
        if event.loss_db is None or event.u_loss_db is None:
            continue
        if abs(entry.loss_db) > max(LEAST_TABLE_LOSS_DB, 5 * event.u_loss_db):
            ratios.append(event.loss_db / entry.loss_db)
        if abs(event.loss_db - entry.loss_db) > max(LOSS_DISAGREES_DB, 4 * event.u_loss_db):
            differing.append(values(at_m=x_m, table_db=entry.loss_db, waveform_db=event.loss_db))
    # A marker in a dead zone spoils one entry; most of them differ if table or levels are others.
    most_unseen = len(unseen) >= max(LEAST_ENTRIES, len(ratios))
    scaled = len(ratios) >= LEAST_ENTRIES and abs(median(ratios) - 1) > SCALE_DISAGREES
    findings: list[Finding] = []
    if unseen:
        grave = caution if most_unseen else note
        findings.append(grave("table-event-unseen", where, places=tuple(unseen)))
    if differing:
        grave = caution if scaled else note
        findings.append(grave("table-loss-differs", where, places=tuple(differing)))
    end_m = detection.end_m
    ends_m = [x_m for entry, x_m in entries if entry.is_end]
    if ends_m and detection.end_seen and abs(ends_m[-1] - end_m) > 2 * tolerance:
        findings.append(caution("table-end-differs", where, table_m=ends_m[-1], waveform_m=end_m))
    return tuple(findings)


def _counts(entry: TableEvent) -> bool:
    """Whether an entry is large enough that the waveform should show it."""
    return entry.reflectance_db is not None or abs(entry.loss_db) >= LEAST_TABLE_LOSS_DB

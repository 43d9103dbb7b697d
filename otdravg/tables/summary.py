"""The figures of a closeout's cover: counts by verdict, losses, what asks for work."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from enum import Enum
from statistics import fmean, median

from otdravg.cable.model import CableReview, ShotRecord, ShotUse, SpliceRow
from otdravg.findings import Severity
from otdravg.quantities import Quantity, reported
from otdravg.tables.losses import LossTable, loss_tables
from otdravg.tables.marks import Mark, State, state_of
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Words

#: A shot that the instrument dates further than this from the middle of all is not dated by a
#: clock that was set. Chosen, not derived: no cable is shot over two years in one closeout.
_CLOCK_OFF = timedelta(days=366)
#: Ends of the keys of rules under which a figure was held against the limit that its row carries.
_HELD_BY = ("limit_db", "fallback_db", "attempts.allowed", "reviewer's decision")


class Standing(Enum):
    """What is said of the whole on page one."""

    ACCEPTED = "accepted"  # everything expected was measured, and nothing asks for anything
    NOT_ACCEPTED = "not accepted"  # a splice or a span is over its limit
    NOT_COMPLETE = "not complete"  # nothing is over, and something is open


@dataclass(frozen=True, slots=True)
class Tally:
    """Splices in the closures of one cable at one wavelength: expected are those of any state."""

    measured: int  # from both ends
    lacking: int  # not settled by the rules: open, not measured, one-way where that does not do
    states: Mapping[State, int]  # all of them

    @property
    def expected(self) -> int:
        """All splices that there should be."""
        return sum(self.states.values())


@dataclass(frozen=True, slots=True)
class LimitInForce:
    """A limit that judged splices, and which."""

    limit_db: Decimal
    rule: str  # key of the profile
    wavelengths_nm: tuple[int, ...]
    splices: int


@dataclass(frozen=True, slots=True)
class LossFigures:
    """True losses of some splices, as reported; None where none is measured both ways."""

    measured: int  # both ways
    mean_db: Decimal | None
    median_db: Decimal | None
    largest_db: Decimal | None


@dataclass(frozen=True, slots=True)
class Summary:
    """What a cover says."""

    cables: tuple[str, ...]
    fibres: int
    wavelengths_nm: tuple[int, ...]
    closures: int
    shots: int
    shots_used: int
    taken: tuple[datetime, datetime] | None  # first and last of the shots that count
    clock_off: tuple[ShotRecord, ...]  # used, and dated years away from the others
    standing: Standing
    fibres_expected: int
    tallies: Mapping[tuple[str, int], Tally]  # by cable and wavelength in nm
    verdicts: Mapping[Verdict, int]  # splices, most frequent first
    findings: Mapping[Severity, int]
    losses: Mapping[tuple[str, int], LossFigures]  # by cable and wavelength in nm
    findings_to_do: int


def asks_for_work(row: SpliceRow) -> bool:
    """Whether a splice's verdict asks somebody to do something."""
    return row.verdict.action is not Action.NONE


def summary_of(review: CableReview) -> Summary:
    """Count what a review holds."""
    used = [shot for shot in review.shots if shot.use is ShotUse.USED]
    clock_off = _clock_off(used)
    times = [shot.taken for shot in used if shot.taken is not None and shot not in clock_off]
    tables = loss_tables(review)
    tallies = {(table.cable, table.wavelength_nm): _tally(review, table) for table in tables}
    severities = Counter(finding.severity for finding in review.findings)
    return Summary(
        cables=review.cables,
        fibres=len({row.key for row in review.rows} | {fibre.key for fibre in review.fibres}),
        wavelengths_nm=tuple(sorted({row.wavelength_nm for row in review.rows})),
        closures=len(review.closures),
        shots=len(review.shots),
        shots_used=len(used),
        taken=(min(times), max(times)) if times else None,
        clock_off=clock_off,
        standing=_standing(review, tallies.values()),
        fibres_expected=len({(t.cable, fibre.fibre) for t in tables for fibre in t.fibres}),
        tallies=tallies,
        verdicts=dict(Counter(row.verdict.verdict for row in review.rows).most_common()),
        findings={severity: severities[severity] for severity in reversed(Severity)},
        losses=_losses(review),
        findings_to_do=sum(finding.is_open for finding in review.findings),
    )


def _clock_off(used: Sequence[ShotRecord]) -> tuple[ShotRecord, ...]:
    times = sorted(shot.taken for shot in used if shot.taken is not None)
    if not times:
        return ()
    middle = times[len(times) // 2]
    return tuple(s for s in used if s.taken is not None and abs(s.taken - middle) > _CLOCK_OFF)


def _tally(review: CableReview, table: LossTable) -> Tally:
    rows = [
        row
        for row in review.rows
        if (row.cable, row.wavelength_nm) == (table.cable, table.wavelength_nm)
        and row.closure_number is not None
    ]
    counts = Counter(map(state_of, rows))
    counts[State.NOT_SHOT] = sum(
        table.mark(fibre.fibre, closure) is Mark.MISSING
        for fibre in table.fibres
        for closure in table.closures
    )
    one_way = sum(
        row.verdict.verdict is not Verdict.WITHIN_ONE_WAY
        for row in rows
        if state_of(row) is State.ONE_WAY
    )
    waiting = counts[State.OPEN] + counts[State.NOT_MEASURED] + counts[State.NOT_SHOT]
    return Tally(
        measured=sum(row.loss_db is not None for row in rows),
        lacking=waiting + one_way,
        states={state: counts[state] for state in State},
    )


def _standing(review: CableReview, tallies: Iterable[Tally]) -> Standing:
    own = list(tallies)
    spans = [f.verdict for f in review.fibres if f.verdict is not None and f.verdict.needs_work]
    over = any(state_of(row) is State.OVER for row in review.rows)
    if over or any(verdict.verdict in (Verdict.OVER, Verdict.FAILED) for verdict in spans):
        return Standing.NOT_ACCEPTED
    if not own or review.needs_work or any(tally.lacking for tally in own):
        return Standing.NOT_COMPLETE
    return Standing.ACCEPTED


def between_closures(review: CableReview) -> Counter[State]:
    """Count events that stand at no closure, by state: no splice was expected there."""
    return Counter(state_of(row) for row in review.rows if row.closure_number is None)


def limits_in_force(review: CableReview) -> list[LimitInForce]:
    """Which limits judged splices, as the rows carry them: all of them, each with what it judged.

    A fallback or a decision that let a splice pass is a line of its own.
    """
    rows: dict[tuple[Decimal, str], list[SpliceRow]] = {}
    for row in review.rows:
        held = row.verdict.rule.endswith(_HELD_BY)
        if held and row.verdict.limit_db is not None and row.verdict.figure is not None:
            rows.setdefault((row.verdict.limit_db, row.verdict.rule), []).append(row)
    return [
        LimitInForce(limit_db, rule, tuple(sorted({row.wavelength_nm for row in own})), len(own))
        for (limit_db, rule), own in sorted(rows.items(), key=lambda item: -len(item[1]))
    ]


def loss_key(row: SpliceRow) -> tuple[float, int, float]:
    """Order splices by loss as reported, the largest first."""
    return -(row.loss_db or 0.0), row.fibre, row.distance_m


def worst_splices(review: CableReview) -> list[SpliceRow]:
    """Return the three splices that lose most against the limit that judged them."""

    def over(row: SpliceRow) -> tuple[Decimal, int]:
        loss_db = reported(row.loss_db, Quantity.LOSS_DB) or Decimal(0)
        return (row.verdict.limit_db or Decimal(0)) - loss_db, row.fibre

    measured = [row for row in review.rows if row.loss_db is not None and row.verdict.limit_db]
    worst: dict[object, SpliceRow] = {}
    for row in sorted(measured, key=over):  # one line for a place, whatever its wavelengths
        worst.setdefault((row.key, row.closure_number or row.distance_m), row)
    return list(worst.values())[:3]


def median_length_m(review: CableReview) -> float | None:
    """Median length of the fibres in metres."""
    return median(fibre.length_m for fibre in review.fibres) if review.fibres else None


def decisions_state(review: CableReview, words: Words) -> str:
    """How many decisions were applied on top, and the end of their chain; nothing if none were."""
    if not review.decisions:
        return ""
    return words["decisions_state"].format(count=len(review.decisions), seal=review.decisions_seal)


def _losses(review: CableReview) -> dict[tuple[str, int], LossFigures]:
    groups: dict[tuple[str, int], list[SpliceRow]] = {}
    for row in review.rows:
        groups.setdefault((row.cable, row.wavelength_nm), []).append(row)
    return {place: figures_of(own) for place, own in sorted(groups.items())}


def figures_of(rows: Iterable[SpliceRow]) -> LossFigures:
    """Sum up losses as reported, so that the figures can be checked from any table."""
    known = (reported(row.loss_db, Quantity.LOSS_DB) for row in rows)
    values = [float(loss_db) for loss_db in known if loss_db is not None]
    taken = (take(values) if values else None for take in (fmean, median, max))
    return LossFigures(len(values), *(reported(value, Quantity.LOSS_DB) for value in taken))

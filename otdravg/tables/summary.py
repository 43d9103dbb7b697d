"""The figures of a closeout's cover: counts by verdict, losses, what asks for work."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

import numpy as np

from otdravg.cable.model import CableReview, ShotUse, SpliceRow
from otdravg.findings import Severity
from otdravg.quantities import Quantity, reported
from otdravg.verdict.decision import Action, Verdict
from otdravg.words.headings import Words

__all__ = [
    "LossFigures",
    "Summary",
    "asks_for_work",
    "decisions_state",
    "figures_of",
    "result_sentence",
    "summary_of",
]


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
    taken: tuple[datetime, datetime] | None  # first and last of the shots used
    verdicts: Mapping[Verdict, int]  # splices, most frequent first
    findings: Mapping[Severity, int]
    losses: Mapping[tuple[str, int], LossFigures]  # by cable and wavelength in nm
    splices_to_do: int
    findings_to_do: int


def asks_for_work(row: SpliceRow) -> bool:
    """Whether a splice's verdict asks somebody to do something."""
    return row.verdict.action is not Action.NONE


def summary_of(review: CableReview) -> Summary:
    """Count what a review holds."""
    used = [shot for shot in review.shots if shot.use is ShotUse.USED]
    times = [shot.taken for shot in used if shot.taken is not None]
    severities = Counter(finding.severity for finding in review.findings)
    return Summary(
        cables=review.cables,
        fibres=len({row.key for row in review.rows} | {fibre.key for fibre in review.fibres}),
        wavelengths_nm=tuple(sorted({row.wavelength_nm for row in review.rows})),
        closures=len(review.closures),
        shots=len(review.shots),
        shots_used=len(used),
        taken=(min(times), max(times)) if times else None,
        verdicts=dict(Counter(row.verdict.verdict for row in review.rows).most_common()),
        findings={severity: severities[severity] for severity in reversed(Severity)},
        losses=_losses(review),
        splices_to_do=sum(map(asks_for_work, review.rows)),
        findings_to_do=sum(finding.is_open for finding in review.findings),
    )


def result_sentence(summary: Summary, words: Words) -> str:
    """Say in one sentence whether the cable asks for work."""
    counts = {
        "splices": summary.splices_to_do,
        "findings": summary.findings_to_do,
    }
    if not any(counts.values()):
        return words["result_clean"]
    return words["result_work"].format(
        **{noun: words.counted(noun, count) for noun, count in counts.items()}
    )


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
    return LossFigures(
        len(values), _figure(values, _mean), _figure(values, _median), _figure(values, max)
    )


def _mean(values: list[float]) -> float:
    return math.fsum(values) / len(values)


def _median(values: list[float]) -> float:
    return float(np.median(values))


def _figure(values: list[float], take: Callable[[list[float]], float]) -> Decimal | None:
    return reported(take(values), Quantity.LOSS_DB) if values else None

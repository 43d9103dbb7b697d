"""Instruments of a job: until when they are calibrated, and how linear they are.

An instrument of linearity Λ dB/dB reads a step of s dB as s + e with |e| ≤ Λ·|s|. Both readings of
a splice are of other levels, and mostly of other instruments, yet one sign may rule both: the loss
l = (s₁ + s₂)/2 is then wrong by up to (Λ₁·|s₁| + Λ₂·|s₂|)/2. Any error between the bounds is as
likely as another, so that the standard uncertainty is that over √3 (GUM, 4.3.7), beside what
the points tell. A gainer of a small loss has large readings: it feels the linearity most.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, sqrt

from otdravg.cable.files.names import same_text
from otdravg.cable.lists.facts import Instrument
from otdravg.cable.measure.jobs import Outcome
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import ShotRecord
from otdravg.fit.reading import Reading, SectionReading


def instrument_name(record: ShotRecord) -> str:
    """Name and serial number of the instrument, as the header has them."""
    own = record.identity
    return " ".join(filter(None, (own.instrument, own.serial))) if own else ""


def listed(record: ShotRecord, instruments: Sequence[Instrument]) -> Instrument | None:
    """Return the instrument of a shot out of the list; None if it is not in it."""
    typed = same_text(instrument_name(record))
    return next((one for one in instruments if typed and same_text(one.name) in typed), None)


def lapsed(
    records: Sequence[ShotRecord], instruments: Sequence[Instrument]
) -> dict[Instrument, list[ShotRecord]]:
    """Return the shots that were taken after the calibration of their instrument had run out."""
    late: dict[Instrument, list[ShotRecord]] = {}
    for record in records:
        own = listed(record, instruments)
        if own and own.due and record.taken and record.taken.date() > own.due:
            late.setdefault(own, []).append(record)
    return late


def without_linearity(
    records: Sequence[ShotRecord], instruments: Sequence[Instrument]
) -> tuple[str, ...]:
    """Return the names of the instruments whose linearity nobody stated; "" without a name."""
    own = {instrument_name(r): listed(r, instruments) for r in records if r.identity is not None}
    return tuple(sorted(n for n, one in own.items() if one is None or one.linearity is None))


def with_linearity(
    measured: Sequence[Measured], instruments: Sequence[Instrument]
) -> list[Measured]:
    """Return measurements whose uncertainties hold the linearity of the instruments, as far as
    it is stated; earlier attempts, too."""

    def linearity(record: ShotRecord | None) -> float:
        own = None if record is None else listed(record, instruments)
        return (own and own.linearity) or 0.0

    def less_sure(one: Measured, attempt: int, outcome: Outcome) -> Outcome:
        ab, ba = one.stand.pair(attempt)
        return _less_sure(outcome, linearity(ab), linearity(ba))

    if not any(one.linearity for one in instruments):
        return list(measured)
    return [
        replace(
            one,
            outcome=less_sure(one, one.attempt, one.outcome),
            earlier=tuple((n, less_sure(one, n, outcome)) for n, outcome in one.earlier),
        )
        for one in measured
    ]


def _less_sure(outcome: Outcome, from_a: float, from_b: float) -> Outcome:
    """Add the linearity of both instruments to the uncertainties of an outcome, dB/dB."""
    if not (from_a or from_b):
        return outcome
    mean = (from_a + from_b) / 2
    return replace(
        outcome,
        readings=tuple(_reading(one, from_a, from_b) for one in outcome.readings),
        sections=tuple(_section(one, mean) for one in outcome.sections),
        u_attenuation_db_per_km=_added(
            outcome.u_attenuation_db_per_km, mean * abs(outcome.attenuation_db_per_km or 0.0)
        ),
    )


def _reading(one: Reading, from_a: float, from_b: float) -> Reading:
    most_ab_db = from_a * abs(one.loss_ab_db or 0.0)
    most_ba_db = from_b * abs(one.loss_ba_db or 0.0)
    both_db = (most_ab_db + most_ba_db) / 2
    return replace(
        one,
        u_ab_db=_added(one.u_ab_db, most_ab_db),
        u_ba_db=_added(one.u_ba_db, most_ba_db),
        u_loss_db=_added(one.u_loss_db, both_db),
        u_step_db=_added(one.u_step_db, both_db),
    )


def _section(one: SectionReading, linearity: float) -> SectionReading:
    most = linearity * abs(one.attenuation_db_per_km or 0.0)
    return replace(one, u_attenuation_db_per_km=_added(one.u_attenuation_db_per_km, most))


def _added(u: float | None, most: float) -> float | None:
    """Standard uncertainty with an error of up to ``most`` beside it, independent of it."""
    return None if u is None else hypot(u, most / sqrt(3))

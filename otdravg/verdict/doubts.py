"""Why a pair may not be what its files say: what is in doubt before any figure is believed.

A doubt withholds every order to cut and every all-clear. Each one names what would settle it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone

from otdravg.findings import Finding, Scope, Severity, Values, caution, note, values
from otdravg.fit.reading import Kind, Reading
from otdravg.fit.side import SpanStart
from otdravg.pair.checks import pair_findings
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, reported
from otdravg.shot.settings import Direction, Identity
from otdravg.verdict.limits import Limits
from otdravg.verdict.splice import is_below_zero

#: Findings of the measuring itself that leave open what the figures are of, or where; as notes
#: they do not.
_OF_THE_AXIS = frozenset({"pattern-unconfirmed", "cord-unconfirmed", "index-differs"})
#: Shots further apart than this are not taken for one state of the fibre. Chosen, not derived: a
#: section is spliced, closed and tested within a month (common practice, no source).
LONGEST_APART = timedelta(days=30)
#: Instrument clocks show a date from here on; those that were never set show an earlier one.
#: Chosen, not derived: the file format is of 1990, its second edition of 1997 (from memory), and
#: no shot of the last century is judged today.
FIRST_DATE = datetime(2000, 1, 1, tzinfo=timezone.utc)
#: A place that one shot alone shows reads so little from the other end, dB or in standard
#: uncertainties, and half the difference of both is more than this, dB. Chosen, not derived: two
#: splices in three between glass of one make have a smaller step (mode field ± 0.4 of 9.2 µm,
#: ITU-T G.652.D, from memory: 0.38 dB at most), and to cancel a loss to 10 mdB is one in twenty.
ONCE_DB, ONCE_SIGMAS, ONCE_STEP_DB = 0.01, 3.0, 0.1
#: From this half difference on a place that reads nothing at all from the other end is likelier a
#: hand or a bend in one shot than a good splice, dB. Derived: with steps of 0.07 dB between glasses
#: (0.3 dB between unlike ones, 15 %), losses even up to 0.3 dB and readings to 1 mdB, a step of
#: 0.17 dB that cancels a loss to its noise has odds of 1 : 100 against a touch; with some room.
HIDES_STEP_DB = 0.15
#: How far ahead of today's date a clock may be. Derived: 14 h east and 12 h west of universal time
#: are in use (ISO 8601 leaves the offset to local law; IANA time zone list, from memory).
CLOCK_AHEAD = timedelta(hours=26)


def doubts_of(
    measurement: Measurement,
    limits: Limits,
    *,
    unchanged: bool = False,
    now: datetime | None = None,
    stale: Direction | None = None,
) -> tuple[Finding, ...]:
    """Return why both shots may not be one fibre from both ends, or not as stated.

    Parameters
    ----------
    measurement : Measurement
    limits : Limits
        As stated by the user.
    unchanged : bool
        The user confirms that nothing was done to the fibre between both shots.
    now : datetime, optional
        What the clock says today; a shot that is younger has no date. Default: this computer's.
    stale : Direction, optional
        The shot that is older than another attempt from the other end.

    Returns
    -------
    tuple of Finding
        Cautions and defects are doubts; a note among them is worth knowing. Empty for a pair that
        nothing speaks against.
    """
    now = datetime.now(timezone.utc) if now is None else now
    return (
        *_names(measurement.ab.identity, measurement.ba.identity),
        *(
            f for f in measurement.findings
            if f.code in _OF_THE_AXIS and f.severity is not Severity.NOTE
        ),
        *pair_findings(measurement),
        *_below_zero(measurement),
        *_short_cords(measurement),
        *_unused_limits(measurement, limits),
        *_apart(measurement, limits, unchanged, now),
        *(() if unchanged or stale is None else _shot_again(measurement, limits, stale)),
    )  # fmt: skip


def _below_zero(m: Measurement) -> Iterator[Finding]:
    """No splice amplifies: where the average says so, the readings are not of one splice."""
    below = tuple(
        values(
            number=r.number,
            loss_db=reported(r.loss_db, Quantity.LOSS_DB),
            expanded_db=reported(r.expanded_uncertainty_db, Quantity.UNCERTAINTY_DB),
        )
        for r in m.readings
        if is_below_zero(r)
    )
    if below:
        yield caution("average-below-zero", Scope.PAIR, count=len(below), places=below)


def _short_cords(m: Measurement) -> Iterator[Finding]:
    """A launch fibre that is shorter than the pulse shows nothing of the first connector."""
    for start_m, basis, side in (
        (m.axis.start_a_m, m.axis.basis_a, m.side_ab),
        (m.axis.start_b_m, m.axis.basis_b, m.side_ba),
    ):
        shot = side.shot
        if basis is SpanStart.STATED_CORD and 0 < start_m < shot.pulse_m:
            yield caution(
                "cord-shorter-than-pulse", shot.trace.identity.direction,
                stated_m=start_m, pulse_m=shot.pulse_m,
            )  # fmt: skip


def _unused_limits(m: Measurement, limits: Limits) -> Iterator[Finding]:
    """A limit for other wavelengths only was stated, and the default would be used instead."""
    nominal_nm = m.ab.identity.nominal_wavelength_nm
    applied_db, is_stated = limits.applying_to(nominal_nm)
    if limits.by_wavelength_nm and not is_stated:
        stated = tuple(values(nm=nm) for nm in sorted(limits.by_wavelength_nm))
        yield caution(
            "limit-not-applied", Scope.PAIR, stated=stated, shot_nm=nominal_nm, used_db=applied_db
        )


def _apart(m: Measurement, limits: Limits, unchanged: bool, now: datetime) -> Iterator[Finding]:
    """Shots of two dates, where today's loss might be either reading and that would matter."""
    taken = []
    for trace in (m.ab, m.ba):
        at = trace.identity.taken
        if at is None or not FIRST_DATE <= at <= now + CLOCK_AHEAD:
            shown = "" if at is None else f"{at:%Y-%m-%d}"
            case = "" if at is None else "wrong"
            yield note("date-unknown", trace.identity.direction, case, clock=shown)
        else:
            taken.append(at)
    if unchanged or len(taken) < 2 or abs(taken[0] - taken[1]) <= LONGEST_APART:
        return
    if places := _turned(m, limits):
        days = abs(taken[0] - taken[1]).days
        yield caution("shots-apart", Scope.PAIR, days=days, places=places)


def _shot_again(m: Measurement, limits: Limits, stale: Direction) -> Iterator[Finding]:
    """One end was shot again, the other was not: the two may show two states of the fibre."""
    if places := _turned(m, limits):
        end = "A" if stale is Direction.A_TO_B else "B"
        yield caution("one-end-shot-again", stale, end=end, places=places)


def _turned(m: Measurement, limits: Limits) -> tuple[Values, ...]:
    """Splices with the limit between their two readings, so that the verdict rests on one date."""
    limit_db, _ = limits.applying_to(m.ab.identity.nominal_wavelength_nm)
    read = (
        (r.number, *(reported(db, Quantity.LOSS_DB) for db in (r.loss_ab_db, r.loss_ba_db)))
        for r in m.readings
        if r.kind is not Kind.CONNECTOR
    )
    return tuple(
        values(number=number, from_a_db=ab, from_b_db=ba)
        for number, ab, ba in read
        if ab is not None and ba is not None and min(ab, ba) <= limit_db < max(ab, ba)
    )


def shown_from(
    reading: Reading, nothing_db: float = ONCE_DB, step_db: float = ONCE_STEP_DB
) -> str | None:
    """Return the end, A or B, whose shot alone shows a loss at a place; None where both do.

    ``nothing_db`` is not seen; half of what both differ by is more than ``step_db``.
    """
    ab, ba, u_ab, u_ba = reading.loss_ab_db, reading.loss_ba_db, reading.u_ab_db, reading.u_ba_db
    if ab is None or ba is None or u_ab is None or u_ba is None or (ab - ba) == 0:
        return None
    small_db, u_db = (ba, u_ba) if ab > ba else (ab, u_ab)
    alone = abs(small_db) <= max(nothing_db, ONCE_SIGMAS * u_db)
    if not alone or abs(ab - ba) / 2 <= step_db:
        return None
    return "A" if ab > ba else "B"


def _names(ab: Identity, ba: Identity) -> Iterator[Finding]:
    """Compare what the headers say of the fibre.

    All fibres of a cable are spliced at the same places, so shots of two of them pair
    without a fault to see, and only the headers tell.
    """
    for code, from_a, from_b in (
        ("fibre-names-differ", ab.fibre, ba.fibre),
        ("cable-names-differ", ab.cable, ba.cable),
    ):
        if _name_different_things(from_a, from_b):
            yield caution(code, "GenParams", from_a=from_a, from_b=from_b)


def _name_different_things(one: str, other: str) -> bool:
    """Tell 012 from 013, but not 012 from ``F12``; an empty name says nothing."""
    keys = [[int(digits) for digits in re.findall("[0-9]+", name)] for name in (one, other)]
    if all(keys):
        return keys[0] != keys[1]
    letters = ["".join(filter(str.isalnum, name)).casefold() for name in (one, other)]
    return all(letters) and letters[0] != letters[1]

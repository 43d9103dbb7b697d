"""What another shot would settle: longer averaging, or another pulse.

Every figure is foretold by the measurement's own linear model: longer averaging by a refit with
less receiver noise (:mod:`otdravg.pair.budget`), another pulse by a predicted shot
(:mod:`otdravg.forecast.outlook`) with the noise of the shot that was taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from functools import cache

from otdravg.errors import BadSetting
from otdravg.findings import Statement, says, values
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.fit.side import Side
from otdravg.forecast.outlook import (
    Expectation,
    Obstacle,
    Route,
    expected,
    predicted_side,
    receiver_of,
)
from otdravg.forecast.plan import PULSES_NS, obstacle, pulse, target_for
from otdravg.pair.budget import expanded_after_averaging
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, distance, in_km, reported
from otdravg.verdict.decision import held_against
from otdravg.verdict.limits import Rule

#: Longer than this nobody averages: 16 × turns half a minute into eight.
_LONGEST_FACTOR = 16
#: Another pulse is offered if it brings the uncertainty below this share of the present one.
_WORTH_A_PULSE = 0.8


def settling_steps(
    measurement: Measurement,
    near_limit: Sequence[Reading],
    missing: Sequence[Reading],
    limit_db: Decimal,
) -> tuple[Statement, ...]:
    """Say what would settle each doubtful position.

    Parameters
    ----------
    measurement : Measurement
        The pair as measured.
    near_limit : sequence of Reading
        Readings whose limit lies inside loss ± U.
    missing : sequence of Reading
        Readings from one end only, or from none.
    limit_db : Decimal
        The limit.

    Returns
    -------
    tuple of Statement
        One for each reading; none for one that is no place of the fit.
    """
    if len(measurement.readings) != len(measurement.places):  # some that somebody picked
        return ()
    others = _OtherShots(measurement)
    steps = [_settled(measurement, reading, limit_db, others) for reading in near_limit]
    steps += [_reached(measurement, reading, limit_db, others) for reading in missing]
    return tuple(step for step in steps if step is not None)


class _OtherShots:
    """The shots that might have been taken instead, foretold when they are first asked for."""

    def __init__(self, measurement: Measurement) -> None:
        self._measurement = measurement
        self._side = cache(self._foretold)  # asked for again and again
        readings = measurement.readings
        self.route = Route(
            measurement.axis.length_m,
            measurement.places,
            tuple(r.loss_db or r.loss_ab_db or r.loss_ba_db or 0.0 for r in readings),
            measurement.axis.start_a_m,
            measurement.axis.start_b_m,
            measurement.axis.group_index,
        )

    def _foretold(self, pulse_ns: int, forward: bool) -> Side | None:
        """The shot with another pulse, as long averaged; ``None`` if it has no basis."""
        measured = self._measurement.side_ab if forward else self._measurement.side_ba
        try:
            receiver = receiver_of(measured.shot, 1.0)
        except BadSetting:  # too little clean fibre to know the launch level: no advice
            return None
        return predicted_side(receiver, self.route, pulse_ns, 1.0, forward=forward)

    def outlook(self, pulse_ns: int, directions: tuple[bool, ...], row: int) -> Expectation | None:
        """Foretell a place if the shots in these directions were taken with another pulse."""
        taken = {True: self._measurement.side_ab, False: self._measurement.side_ba}
        for forward in directions:
            side = self._side(pulse_ns, forward)
            if side is None:
                return None
            taken[forward] = side
        sides = (taken[True], taken[False])
        return expected(sides, self._measurement.places, self._measurement.fit.spreads)[row]


def _settled(
    measurement: Measurement, reading: Reading, limit_db: Decimal, others: _OtherShots
) -> Statement | None:
    """What brings U so far down that the limit lies outside, if the loss stays as it is."""
    row = measurement.row_of(reading)
    loss_db = reported(reading.loss_db, Quantity.LOSS_DB)
    now_db = _shown(reading.expanded_uncertainty_db)
    if row is None or loss_db is None or now_db is None:
        return None
    place = place_of(reading, km=in_km(measurement.axis.length_m))
    if loss_db == limit_db:
        return says("on-the-limit", place=place, limit_db=limit_db)
    factor = 2
    while factor <= _LONGEST_FACTOR:
        then_db = _shown(expanded_after_averaging(measurement, reading.number, factor))
        if then_db is not None and _settles(loss_db, then_db, limit_db):
            figures = values(place=place, factor=factor, now_db=now_db, then_db=then_db)
            now_s = _averaged_s(measurement)
            if now_s is None:
                return Statement("averaging-settles", figures)
            times = values(now_s=now_s, then_s=factor * now_s)
            return Statement("averaging-settles-in", figures + times)
        factor *= 2
    least_db = _shown(expanded_after_averaging(measurement, reading.number, float("inf")))
    other = _other_pulse(others, row, reading.expanded_uncertainty_db or 0.0, loss_db, limit_db)
    return says("averaging-does-not", other, place=place, factor=_LONGEST_FACTOR, least_db=least_db)


def _other_pulse(
    others: _OtherShots, row: int, now_db: float, loss_db: Decimal, limit_db: Decimal
) -> Statement:
    """What another pulse brings where longer averaging does not."""
    better = _better_pulse(others, row, now_db)
    if better is None:
        return says("no-better-pulse")
    pulse_ns, best_db = better
    then_db = _shown(best_db)
    settles = then_db is not None and _settles(loss_db, then_db, limit_db)
    code = "pulse-settles" if settles else "pulse-betters"
    return says(code, pulse=pulse(pulse_ns), then_db=then_db)


def _settles(loss_db: Decimal, expanded_db: Decimal, limit_db: Decimal) -> bool:
    return not held_against(loss_db, expanded_db, limit_db, Rule.PLAIN).near_limit


def _better_pulse(others: _OtherShots, row: int, now_db: float) -> tuple[int, float] | None:
    """Return pulse and U of the pulse that knows a place best, if that is worth another shot."""
    found: list[tuple[float, int]] = []
    for pulse_ns in PULSES_NS:
        outlook = others.outlook(pulse_ns, (True, False), row)
        if outlook is not None and outlook.expanded_db is not None:
            found.append((outlook.expanded_db, pulse_ns))
    if not found or min(found)[0] > _WORTH_A_PULSE * now_db:
        return None
    then_db, pulse_ns = min(found)
    return pulse_ns, then_db


def _reached(
    measurement: Measurement, reading: Reading, limit_db: Decimal, others: _OtherShots
) -> Statement | None:
    """Which pulse would show a place from the end that does not show it.

    Of the pulses that know it well enough for the limit the shortest: it parts neighbours best.
    """
    row = measurement.row_of(reading)
    if row is None:
        return None
    directions = {
        Coverage.ONLY_AB: (False,),
        Coverage.ONLY_BA: (True,),
        Coverage.NONE: (True, False),
    }.get(reading.coverage)
    if directions is None:
        return None
    place = place_of(reading, km=in_km(measurement.axis.length_m))
    ends = says("both-ends")
    if len(directions) == 1:
        ends = says("end", end="A" if directions[0] else "B")
    good: list[tuple[float, int]] = []
    joined: list[tuple[int, Expectation]] = []
    for pulse_ns in PULSES_NS:
        outlook = others.outlook(pulse_ns, directions, row)
        if outlook is None:
            return None
        if outlook.expanded_db is not None:
            good.append((outlook.expanded_db, pulse_ns))
        elif Obstacle.REACH not in (outlook.obstacle_ab, outlook.obstacle_ba):
            joined.append((pulse_ns, outlook))
    if not good and not joined:
        return says("no-pulse-reads", place=place, ends=ends)
    if not good:
        pulse_ns, outlook = joined[0]
        cannot = obstacle(others.route, outlook, pulse_ns)
        return says("no-pulse-reads-because", place=place, ends=ends, obstacle=cannot)
    enough = [one for one in good if one[0] <= target_for(limit_db)]
    best_db, best_ns = enough[0] if enough else min(good)
    longer = [
        says("longer-cannot", obstacle=obstacle(others.route, outlook, pulse_ns))
        for pulse_ns, outlook in joined
        if pulse_ns > best_ns
    ]
    return says(
        "pulse-reads", *longer[:1],
        place=place, pulse=pulse(best_ns), ends=ends, then_db=_shown(best_db),
    )  # fmt: skip


def place_of(reading: Reading, *, km: bool) -> Statement:
    """Name a position: what stands there, its number, where."""
    noun = "splice" if reading.kind is Kind.ASKED else reading.kind.value
    return says(noun, number=reading.number, at=distance(reading.distance_m, km=km))


def _averaged_s(measurement: Measurement) -> float | None:
    """Averaging time of both shots, if the files hold it and it is the same."""
    times_s = {s.settings.averaging_time_s for s in (measurement.ab, measurement.ba)}
    return times_s.pop() or None if len(times_s) == 1 else None


def _shown(value_db: float | None) -> Decimal | None:
    return reported(value_db, Quantity.UNCERTAINTY_DB)

"""What another shot would settle: longer averaging, or another pulse.

Every figure is foretold by the measurement's own linear model: longer averaging by a refit with
less receiver noise (:mod:`otdravg.pair.budget`), another pulse by a predicted shot
(:mod:`otdravg.forecast.outlook`) with the noise of the shot that was taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from otdravg.errors import BadSetting
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.fit.side import Side
from otdravg.forecast.outlook import (
    Expectation,
    Obstacle,
    Receiver,
    Route,
    expected,
    predicted_side,
    receiver_of,
)
from otdravg.forecast.plan import PULSES_NS, obstacle_text, target_for
from otdravg.pair.budget import expanded_after_averaging
from otdravg.pair.measure import Measurement
from otdravg.quantities import Quantity, distance_text, in_km, reported
from otdravg.verdict.decision import held_against
from otdravg.verdict.limits import Rule

__all__ = ["settling_steps"]

#: Longer than this nobody averages: 16 × turns half a minute into eight.
_LONGEST_FACTOR = 16
#: Another pulse is offered if it brings the uncertainty below this share of the present one.
_WORTH_A_PULSE = 0.8


def settling_steps(
    measurement: Measurement,
    near_limit: Sequence[Reading],
    missing: Sequence[Reading],
    limit_db: Decimal,
) -> tuple[str, ...]:
    """Say what would settle each doubtful position, one sentence or two for each.

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
    tuple of str
        Plain sentences. A reading that is no place of the fit gets none.
    """
    others = _OtherShots(measurement)
    steps = [_settled(measurement, reading, limit_db, others) for reading in near_limit]
    steps += [_reached(measurement, reading, limit_db, others) for reading in missing]
    return tuple(step for step in steps if step is not None)


class _OtherShots:
    """The shots that might have been taken instead, foretold when they are first asked for."""

    def __init__(self, measurement: Measurement) -> None:
        self._measurement = measurement
        self._sides: dict[tuple[int, bool], Side | None] = {}
        readings = measurement.readings
        self.route = Route(
            measurement.axis.length_m,
            measurement.places,
            tuple(r.loss_db or r.loss_ab_db or r.loss_ba_db or 0.0 for r in readings),
            measurement.axis.start_a_m,
            measurement.axis.start_b_m,
            measurement.axis.group_index,
        )

    def side(self, pulse_ns: int, *, forward: bool) -> Side | None:
        """Return the shot with another pulse, as long averaged; ``None`` if it has no basis."""
        key = (pulse_ns, forward)
        if key not in self._sides:
            receiver = self._receiver(forward=forward)
            self._sides[key] = (
                None
                if receiver is None
                else predicted_side(receiver, self.route, pulse_ns, 1.0, forward=forward)
            )
        return self._sides[key]

    def _receiver(self, *, forward: bool) -> Receiver | None:
        """Noise of the shot that was taken, its averaging time counted as one."""
        measured = self._measurement.side_ab if forward else self._measurement.side_ba
        try:
            return receiver_of(measured.shot, 1.0)
        except BadSetting:  # too little clean fibre to know the launch level: no advice
            return None

    def outlook(self, pulse_ns: int, directions: tuple[bool, ...], row: int) -> Expectation | None:
        """Foretell a place if the shots in these directions were taken with another pulse."""
        taken = {True: self._measurement.side_ab, False: self._measurement.side_ba}
        for forward in directions:
            side = self.side(pulse_ns, forward=forward)
            if side is None:
                return None
            taken[forward] = side
        sides = (taken[True], taken[False])
        return expected(sides, self._measurement.places, self._measurement.fit.spreads)[row]


def _row(measurement: Measurement, reading: Reading) -> int | None:
    """Index of a reading among the fit's places."""
    row = reading.number - 1
    places = measurement.places
    known = row < len(places) and places[row].start_m == reading.distance_m
    return row if known and len(places) == len(measurement.readings) else None


def _settled(
    measurement: Measurement, reading: Reading, limit_db: Decimal, others: _OtherShots
) -> str | None:
    """What brings U so far down that the limit lies outside, if the loss stays as it is."""
    row = _row(measurement, reading)
    loss_db = reported(reading.loss_db, Quantity.LOSS_DB)
    now = _shown(reading.expanded_uncertainty_db)
    if row is None or loss_db is None or now is None:
        return None
    place = _place(measurement, reading)
    if loss_db == limit_db:
        return (
            f"{place} lies on the limit of {limit_db} dB: no longer averaging settles that, "
            "the contract's decision rule does."
        )
    factor = 2
    while factor <= _LONGEST_FACTOR:
        then = _shown(expanded_after_averaging(measurement, reading.number, factor))
        if then is not None and _settles(loss_db, then, limit_db):
            return (
                f"{place}: averaging {factor} × longer from both ends{_times(measurement, factor)} "
                f"brings ± {now} to ± {then} dB, which settles it if the loss stays."
            )
        factor *= 2
    least = _shown(expanded_after_averaging(measurement, reading.number, float("inf")))
    why = (
        f"{place}: averaging {_LONGEST_FACTOR} × longer does not settle it; ripple and short "
        f"sections leave ± {least} dB however long it is averaged."
    )
    pulse = _better_pulse(others, row, reading.expanded_uncertainty_db or 0.0)
    if pulse is None:
        return f"{why} No other pulse does clearly better either."
    pulse_ns, then_db = pulse
    then = _shown(then_db)
    end = (
        ", which settles it if the loss stays."
        if then is not None and _settles(loss_db, then, limit_db)
        else "."
    )
    return f"{why} A pulse of {_pulse(pulse_ns)} from both ends brings about ± {then} dB{end}"


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
) -> str | None:
    """Which pulse would show a place from the end that does not show it.

    Of the pulses that know it well enough for the limit the shortest: it parts neighbours best.
    """
    row = _row(measurement, reading)
    if row is None:
        return None
    directions = {
        Coverage.ONLY_AB: (False,),
        Coverage.ONLY_BA: (True,),
        Coverage.NONE: (True, False),
    }.get(reading.coverage)
    if directions is None:
        return None
    place = _place(measurement, reading)
    ends = " and ".join("A" if forward else "B" for forward in directions)
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
    if not good:
        last = f" ({_obstacle(measurement, others, row, joined[0])})" if joined else ""
        return (
            f"{place}: no pulse averaged as long reads it from end {ends}{last}. Longer averaging, "
            "or a shot from a point nearer to it, is what is left."
        )
    enough = [one for one in good if one[0] <= target_for(limit_db)]
    best_db, best_ns = enough[0] if enough else min(good)
    text = (
        f"{place}: a pulse of {_pulse(best_ns)} from end {ends}, averaged as long, would read it; "
        f"the true loss is then known to about ± {_shown(best_db)} dB."
    )
    longer = [one for one in joined if one[0] > best_ns]
    if longer:
        obstacle = _obstacle(measurement, others, row, longer[0])
        text += f" {obstacle[0].upper()}{obstacle[1:]}."
    return text


def _obstacle(
    measurement: Measurement,
    others: _OtherShots,
    row: int,
    one: tuple[int, Expectation],
) -> str:
    pulse_ns, outlook = one
    place = measurement.places[row]
    return obstacle_text(others.route, place, outlook, _pulse(pulse_ns)).partition(": ")[2]


def _place(measurement: Measurement, reading: Reading) -> str:
    noun = "Group" if reading.kind is Kind.GROUP else "Splice"
    km = in_km(measurement.axis.length_m)
    return f"{noun} {reading.number} at {distance_text(reading.distance_m, km=km)}"


def _times(measurement: Measurement, factor: int) -> str:
    """Write averaging times, if the files hold them and they are alike."""
    times = {s.settings.averaging_time_s for s in (measurement.ab, measurement.ba)}
    if len(times) != 1 or 0 in times:
        return ""
    now_s = times.pop()
    return f" ({factor * now_s:g} s in place of {now_s:g} s)"


def _shown(value_db: float | None) -> Decimal | None:
    return reported(value_db, Quantity.UNCERTAINTY_DB)


def _pulse(pulse_ns: int) -> str:
    return f"{pulse_ns} ns" if pulse_ns < 1000 else f"{pulse_ns / 1000:g} µs"

"""How well the trouble can be told at all: odds of the true story against "good pair".

The oracle stands where a perfect reader would: it has the *true* one-way reading of both shots
at every place where either shows something, each with the standard uncertainty that the
instrument's noise allows, and it knows which kind of trouble to look for, but not its size. A
pair is **tellable** if the odds are at least 100 : 1. No program is blamed for what is not
tellable, and none is praised for clearing it.

Priors (stated, not learnt): a splice loses 0 to 0.3 dB evenly, a backscatter step has a standard
deviation of 0.07 dB. Both have a tail: 10 % of splices lose 0 to 3 dB evenly, 15 % of steps
(repair lengths, mixed reels) have 0.3 dB. The shares of the tails are chosen, not derived: with
less, the oracle takes sound fibres that the catalogue wants cleared or called (unlike glasses, a
bad splice hidden by a gain) for mix-ups; a test holds them. A change (a hand, a bend) adds 0 to 1
dB evenly in one of the shots, at one place anywhere in plain fibre. At a splice the oracle knows
no change: loss, step and change are three unknowns for two readings, and kinds that press on a
splice say that themselves. A splice is there once in two kilometres, and a place is known to 12
m.

The light that a reconnected cord brings in (±0.5 dB and more) is no evidence and is not used; nor
are attenuation, reflections, headers and dates. That makes the oracle modest: what it calls
tellable is tellable.

Notation: x = A→B, y = B→A; for one fibre from both ends x = l + b, y = l − b, so
s = (x + y)/2 = l and d = (x − y)/2 = b, and the density of (x, y) is half of that of (s, d).
For two shots from one end x and y are one reading l + b, taken twice. At every place that one of
the stories needs, either nothing is there (both readings are zero within u) or a splice with
probability ε = 12 m / 2 km.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, ndtr
from simulated import Fibre, Instrument, pulse_length_m

__all__ = ["TELLING_ODDS", "Seen", "Story", "odds_against_good", "seen"]

#: From these odds on a trouble counts as tellable; stated in the plan of the catalogue.
TELLING_ODDS = 100.0

_LOSS_DB, _BAD_LOSS_DB, _BAD_SHARE = 0.3, 3.0, 0.10
_STEP_DB, _UNLIKE_STEP_DB, _UNLIKE_SHARE = 0.07, 0.3, 0.15
_CHANGE_DB = 1.0
_PLACE_M, _SPLICE_EVERY_M = 12.0, 2_000.0
_SPLICE_THERE = _PLACE_M / _SPLICE_EVERY_M
#: Lengths of one fibre agree to this (index, end): metres, and share of the length.
_LENGTH_M, _LENGTH_SHARE = 2.0, 5e-4
#: Fibres of one cable differ by this share of their length; of two cables by anything here, m.
_CABLE_LENGTH_SHARE, _ANY_LENGTH_M = 2e-3, 20_000.0
#: Glass on either side of a place that a reading can rest on, m.
_RESTS_ON_M = 1_000.0
_DB_PER_NEPER = 5 / math.log(10)

#: Readings in dB, or what is made of them: shape (n,), or one number.
Values: TypeAlias = Any
Floats: TypeAlias = npt.NDArray[np.float64]


class Story(Enum):
    """What has really happened."""

    SAME_END = "one fibre, twice from the same end"
    CHANGED = "one fibre from both ends, something pressed on plain fibre in one shot"
    REMADE = "one fibre from both ends, one splice was another one in between"
    TWO_FIBRES = "two fibres of one cable from opposite ends"
    TWO_FIBRES_SAME_END = "two fibres of one cable from the same end"
    UNRELATED = "two pieces of glass that have nothing to do with each other"


@dataclass(frozen=True, slots=True)
class Seen:
    """True one-way readings of one shot, metres from the end it was shot from."""

    way: Fibre
    instrument: Instrument

    @property
    def places_m(self) -> Floats:
        """Where something shows, shape (n,)."""
        return np.asarray(self.way.joint_positions_m, dtype=np.float64)

    def reading_db(self, at_m: float) -> float:
        """Give the one-way reading at a place: what lies within a place's width of it."""
        near = np.abs(self.places_m - at_m) <= _PLACE_M
        steps = np.asarray(self.way.backscatter_steps_db)
        losses = np.array([joint.loss_db for joint in self.way.joints])
        return float((losses + steps)[near].sum()) if near.any() else 0.0

    def u_db(self, at_m: float) -> float:
        """Give the standard uncertainty of a reading there: noise, ripple, quantisation.

        Two lines with free slopes over n points each: variance of the step 8σ²/n (derived).
        """
        starts = self.way.boundaries_m
        index = min(int(np.searchsorted(starts, at_m, side="right")) - 1, len(starts) - 2)
        index = max(index, 0)
        slope = self.way.sections[index].attenuation_db_per_km * 1e-3
        down_db = self.way.losses_before_db[index] + slope * max(at_m - starts[index], 0.0)
        range_db = self.instrument.dynamic_range_db
        sigma_db = 0.0 if math.isinf(range_db) else _DB_PER_NEPER * 10 ** ((down_db - range_db) / 5)
        spacing_m = self.instrument.spacing_s * 299_792_458.0 / self.way.group_index
        pulse_m = pulse_length_m(self.way, self.instrument.pulse_ns)
        room_m = max(min(_RESTS_ON_M, at_m, self.way.length_m - at_m), pulse_m)
        noise = 8 * sigma_db**2 * spacing_m / room_m
        ripple = 8 * self.instrument.ripple_db**2 * pulse_m / room_m
        step_db = self.instrument.scale_1000 * 1e-6
        return math.sqrt(noise + ripple + step_db**2 / 12 + 0.001**2)


def seen(way: Fibre, instrument: Instrument) -> Seen:
    """Say what a perfect reader takes from a shot into the near end, cords left out."""
    return Seen(way, instrument)


def odds_against_good(a: Seen, b: Seen, story: Story) -> float:
    """Give the likelihood ratio of a story against "one fibre, from both ends, in one state"."""
    length_m = (a.way.length_m + b.way.length_m) / 2
    apart_m = a.way.length_m - b.way.length_m
    places = _merged(
        np.concatenate([a.places_m, length_m - a.places_m, b.places_m, length_m - b.places_m])
    )
    x = np.array([a.reading_db(at) for at in places])
    ux = np.array([a.u_db(at) for at in places])
    y_own = np.array([b.reading_db(at) for at in places])
    uy_own = np.array([b.u_db(at) for at in places])
    y = np.array([b.reading_db(length_m - at) for at in places])
    uy = np.array([b.u_db(length_m - at) for at in places])

    nothing = _log_normal(x, ux) + _log_normal(y, uy)
    good_each = _either(nothing, _log_good(x, y, ux, uy))
    tight_m = _LENGTH_M + _LENGTH_SHARE * length_m
    good = good_each.sum() + _log_normal(apart_m, tight_m)

    if story is Story.SAME_END:
        nothing = _log_normal(x, ux) + _log_normal(y_own, uy_own)
        each = _either(nothing, _log_one_reading_twice(x, y_own, ux, uy_own))
        told = each.sum() + _log_normal(apart_m, tight_m)
    elif story is Story.CHANGED:
        changed = [
            _log_pressed(*readings) - good_each for readings in ((x, y, ux, uy), (y, x, uy, ux))
        ]
        # At one place of one shot, anywhere, the good story is replaced by the changed one.
        told = good + logsumexp(changed) + math.log(_PLACE_M / length_m / 2)
    elif story is Story.REMADE:
        apart = math.log(_SPLICE_THERE) + _log_one_way(x, ux) + _log_one_way(y, uy)
        told = good + logsumexp(apart - good_each) - math.log(len(places))
    elif story is Story.UNRELATED:
        each = _either(_log_normal(x, ux), _log_one_way(x, ux))
        other = _either(_log_normal(y, uy), _log_one_way(y, uy))
        told = each.sum() + other.sum() - math.log(_ANY_LENGTH_M)
    else:
        if story is Story.TWO_FIBRES_SAME_END:
            y, uy = y_own, uy_own
        nothing = _log_normal(x, ux) + _log_normal(y, uy)
        each = _either(nothing, _log_one_way(x, ux) + _log_one_way(y, uy))
        loose_m = _LENGTH_M + _CABLE_LENGTH_SHARE * length_m
        told = each.sum() + _log_normal(apart_m, loose_m)
    return float(np.exp(np.clip(told - good, -700, 700)))


def _merged(places: Floats) -> Floats:
    """Join places that lie within a place's width."""
    joined: list[float] = []
    for at in np.sort(places):
        if not joined or at - joined[-1] > _PLACE_M:
            joined.append(float(at))
    return np.array(joined)


def _either(nothing: Values, splice: Values) -> Values:
    """Log density where a splice may be or not."""
    return np.logaddexp(math.log1p(-_SPLICE_THERE) + nothing, math.log(_SPLICE_THERE) + splice)


def _log_normal(x: Values, u: Values) -> Values:
    return -0.5 * (x / u) ** 2 - np.log(u * math.sqrt(2 * math.pi))


def _even(s: Values, u: Values, high: float) -> Values:
    """Density of a value even in 0..high, read with u."""
    return (ndtr(s / u) - ndtr((s - high) / u)) / high


def _log_good(x: Values, y: Values, ux: Values, uy: Values) -> Values:
    """Log density of both readings of one splice from both ends: loss and step are its own."""
    u = np.hypot(ux, uy) / 2
    s, d = (x + y) / 2, (x - y) / 2
    loss = (1 - _BAD_SHARE) * _even(s, u, _LOSS_DB) + _BAD_SHARE * _even(s, u, _BAD_LOSS_DB)
    return np.log(np.maximum(loss, 1e-300)) + _log_step(d, u) - math.log(2)


def _log_step(d: Values, u: Values) -> Values:
    like = math.log1p(-_UNLIKE_SHARE) + _log_normal(d, np.hypot(_STEP_DB, u))
    unlike = math.log(_UNLIKE_SHARE) + _log_normal(d, np.hypot(_UNLIKE_STEP_DB, u))
    return np.logaddexp(like, unlike)


def _log_one_way(x: Values, u: Values) -> Values:
    """Log density of one reading l + b of a splice of which nothing else is known."""
    total = 0.0
    for share, high in ((1 - _BAD_SHARE, _LOSS_DB), (_BAD_SHARE, _BAD_LOSS_DB)):
        for part, step in ((1 - _UNLIKE_SHARE, _STEP_DB), (_UNLIKE_SHARE, _UNLIKE_STEP_DB)):
            total = total + share * part * _even(x, np.hypot(step, u), high)
    return np.log(np.maximum(total, 1e-300))


def _log_one_reading_twice(x: Values, y: Values, ux: Values, uy: Values) -> Values:
    """Log density of the same reading taken twice."""
    mean = (x / ux**2 + y / uy**2) / (1 / ux**2 + 1 / uy**2)
    u = 1 / np.sqrt(1 / ux**2 + 1 / uy**2)
    return _log_normal(x - y, np.hypot(ux, uy)) + _log_one_way(mean, u)


def _log_pressed(x: Values, y: Values, ux: Values, uy: Values) -> Values:
    """Log density where the first shot has a loss of unknown size in plain fibre."""
    return np.log(np.maximum(_even(x, ux, _CHANGE_DB), 1e-300)) + _log_normal(y, uy)

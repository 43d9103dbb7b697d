"""What the receiver sees: one simulated OTDR shot, from linear power to raw points.

A rectangular pulse of width W covers ``c·W/(2n)`` metres of a trace. The point at
distance z adds up the light scattered between ``z − pulse`` and ``z``, so a step in
the fibre becomes a ramp that starts at the event and ends one pulse later. The
scattered power is piecewise exponential, a reflection is a rectangle and the receiver
is a sum of single poles, so all of it has a closed form: nothing is resampled, and the
result is exact also where points lie further apart than the pulse is long.

References
----------
The derivation is elementary linear-system theory and is repeated in the code; the only
borrowed relations are 5·log10 as the one-way scale and R, the reflectance of a peak of
height H: ``R = B + 10·log10(W) + 10·log10(10^(H/5) − 1)`` (from memory, common use).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from otdravg.errors import BadSetting
from otdravg.findings import plain
from otdravg.simulate.fibre import SPEED_OF_LIGHT_M_PER_S, Fibre, Joint, Section
from otdravg.simulate.instrument import FloorMode, Instrument

FloatArray = npt.NDArray[np.float64]

#: 10–90 % rise time of a single pole in time constants: ln 0.9 − ln 0.1.
_RISE_TIME_CONSTANTS = math.log(9)

#: After this many time constants an exponential is below the resolution of a float32.
_SETTLED_TIME_CONSTANTS = 30.0

#: Power level scale: 5·log10(e) dB per neper.
_DB_PER_NEPER = 5 / math.log(10)


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One simulated acquisition and what it was made of.

    ``raw`` holds the points as the file stores them, shape (n,), unsigned 16 bit;
    ``top_power`` is the power, relative to the launched pulse, that became raw value 0.
    """

    fibre: Fibre
    instrument: Instrument
    raw: npt.NDArray[np.uint16]
    top_power: float

    @property
    def level_db(self) -> FloatArray:
        """Level of the points in one-way dB, shape (n,): 0 is the highest."""
        step_db = self.instrument.scale_1000 * 1e-6
        return np.multiply(self.raw, -step_db, dtype=np.float64)

    @property
    def distance_m(self) -> FloatArray:
        """True distance of the points from the front panel in metres, shape (n,)."""
        return point_distances_m(self.fibre, self.instrument)


@dataclass(frozen=True, slots=True)
class _Pole:
    """One path through the receiver: a share of the power behind a single pole."""

    share: float
    constant_m: float  # time constant as one-way distance; 0 = immediate


@dataclass(frozen=True, slots=True)
class _Reflector:
    """A place that sends power back: where, how much, and the one-way loss up to it."""

    distance_m: float
    reflectance: float
    loss_before_db: float


def pulse_length_m(fibre: Fibre, pulse_ns: float) -> float:
    """Give the length c·W/(2n) of a trace that a pulse of width W covers, in metres."""
    return SPEED_OF_LIGHT_M_PER_S * pulse_ns * 1e-9 / (2 * fibre.group_index)


def point_distances_m(fibre: Fibre, instrument: Instrument) -> FloatArray:
    """Give the true distance of every point from the front panel in metres, shape (n,)."""
    speed = SPEED_OF_LIGHT_M_PER_S / fibre.group_index
    first_m = instrument.acquisition_offset_100ps * 1e-10 * speed
    points = np.arange(instrument.point_count, dtype=np.float64)
    return first_m + points * (instrument.spacing_s * speed)


def backscatter_power(fibre: Fibre, instrument: Instrument) -> FloatArray:
    """Compute the noise-free scattered power at every point, behind the receiver.

    Returns
    -------
    ndarray
        Power relative to the launched pulse, shape (n,).

    Notes
    -----
    With the scattered density p(u), a pole of constant τ gives q with τ·q' = p − q, so
    the integral of q up to z is that of p less τ·q(z). The pulse takes the difference
    of this between z − pulse and z. ``_still_to_come`` is the same integral counted
    from the far end, which keeps its relative precision down a long fibre.
    """
    z_m = point_distances_m(fibre, instrument)
    pulse_m = pulse_length_m(fibre, instrument.pulse_ns)
    lit = fibre
    if instrument.internal_fibre_m > 0:
        lossless = Section(instrument.internal_fibre_m, attenuation_db_per_km=0.0)
        lit = replace(
            fibre, sections=(lossless, *fibre.sections), joints=(Joint(0.0), *fibre.joints)
        )
    poles = _poles(fibre, instrument)
    start_m = -instrument.internal_fibre_m
    started = _still_to_come(lit, start_m, poles, z_m - pulse_m)
    ended = _still_to_come(lit, start_m, poles, z_m)
    return (started - ended) * (instrument.launch_power / pulse_m)


def reflected_power(fibre: Fibre, instrument: Instrument) -> FloatArray:
    """Compute the noise-free reflected power at every point, behind the receiver.

    Returns
    -------
    ndarray
        Power relative to the launched pulse, shape (n,), before saturation.
    """
    z_m = point_distances_m(fibre, instrument)
    pulse_m = pulse_length_m(fibre, instrument.pulse_ns)
    poles = _poles(fibre, instrument)
    reflectors = _reflectors(fibre, instrument)
    pulses = [(r.distance_m, r.reflectance * 10 ** (-r.loss_before_db / 5)) for r in reflectors]
    if instrument.ghosts:
        weakest = max(0.05 * instrument.noise_power, 1e-7 * instrument.launch_power)
        pulses += [(at_m, height) for at_m, height in _echoes(reflectors) if height > weakest]
    power = np.zeros(z_m.size)
    for at_m, height in pulses:
        for pole in poles:
            settled_m = at_m + pulse_m + _SETTLED_TIME_CONSTANTS * pole.constant_m
            first, last = np.searchsorted(z_m, (at_m, settled_m))
            since_m = z_m[first:last] - at_m
            power[first:last] += height * pole.share * _pulse_response(since_m, pulse_m, pole)
    return power


def shoot(fibre: Fibre, instrument: Instrument, rng: np.random.Generator) -> Shot:
    """Simulate one shot into end A of a fibre.

    Parameters
    ----------
    fibre : Fibre
        The link as seen from the instrument; use ``fibre.reversed()`` for the other end.
    instrument : Instrument
        Settings and imperfections.
    rng : numpy.random.Generator
        Source of ripple and noise; the same state gives the same shot.

    Returns
    -------
    Shot
        Raw points with the highest level at 0.

    Notes
    -----
    Ripple multiplies the backscatter; noise is white and added in linear power, then
    the maker's moving average runs over the sum.
    """
    scattered = backscatter_power(fibre, instrument)
    pulse_m = pulse_length_m(fibre, instrument.pulse_ns)
    if instrument.ripple_db > 0:
        speed = SPEED_OF_LIGHT_M_PER_S / fibre.group_index
        pulse_points = pulse_m / (instrument.spacing_s * speed)
        ripple = _ripple(scattered.size, pulse_points, rng)
        scattered *= 1 + instrument.ripple_db / _DB_PER_NEPER * ripple
    power = scattered + reflected_power(fibre, instrument)
    if instrument.noise_power > 0:
        # The average of s points divides white noise by √s: ask for more, record what was asked.
        before_average = instrument.noise_power * math.sqrt(instrument.smoothing_points)
        power += before_average * rng.standard_normal(power.size)
    if instrument.smoothing_points > 1:
        power = uniform_filter1d(power, instrument.smoothing_points, mode="nearest")
    raw, top_power = _digitise(power, instrument)
    return Shot(fibre, instrument, raw, top_power)


def return_loss_db(fibre: Fibre, instrument: Instrument) -> float:
    """Give the optical return loss of a link seen from end A, all reflections counted, in dB."""
    pulse_m = pulse_length_m(fibre, instrument.pulse_ns)
    scattered_m = float(_still_to_come(fibre, 0.0, (), np.zeros(1))[0])
    returned = scattered_m * instrument.launch_power / pulse_m
    for reflector in _reflectors(fibre, instrument):
        returned += reflector.reflectance * 10 ** (-reflector.loss_before_db / 5)
    return -10 * math.log10(returned)


def with_far_end_noise(instrument: Instrument, fibre: Fibre, sigma_db: float) -> Instrument:
    """Return the instrument with the receiver noise that a far end shows.

    Parameters
    ----------
    sigma_db : float
        Wanted standard deviation of the recorded level just before the fibre's end in
        one-way dB, ripple not counted; 0 = no noise.
    """
    if sigma_db == 0:
        return replace(instrument, dynamic_range_db=math.inf)
    if sigma_db < 0:
        raise BadSetting("sigma_db", sigma_db, plain("give zero or more"))
    end_level_db = fibre.sections[-1].backscatter_db - fibre.loss_db
    range_db = -end_level_db - 5 * math.log10(sigma_db / _DB_PER_NEPER)
    return replace(instrument, dynamic_range_db=range_db)


def _poles(fibre: Fibre, instrument: Instrument) -> tuple[_Pole, ...]:
    """Give the receiver's paths: the fast one, and the slow tail if there is one."""
    metres_per_ns = pulse_length_m(fibre, 1.0)
    rise_ns = instrument.rise_fraction * instrument.pulse_ns
    fast = _Pole(1 - instrument.tail_fraction, rise_ns * metres_per_ns / _RISE_TIME_CONSTANTS)
    if instrument.tail_fraction == 0:
        return (fast,)
    return (fast, _Pole(instrument.tail_fraction, instrument.tail_ns * metres_per_ns))


def _still_to_come(
    fibre: Fibre, start_m: float, poles: tuple[_Pole, ...], z_m: FloatArray
) -> FloatArray:
    """Integrate what the receiver has yet to put out after z of an endlessly short pulse's light.

    The fibre starts at ``start_m``; the density is 1 at launch for backscatter level 0.
    ``z_m`` ascends. Unit: metres.
    """
    starts_m = [start_m + boundary for boundary in fibre.boundaries_m]
    cuts = np.searchsorted(z_m, starts_m)
    per_m = [s.attenuation_db_per_km * 1e-3 / _DB_PER_NEPER for s in fibre.sections]
    density = [
        10 ** ((s.backscatter_db - loss_db) / 5)
        for s, loss_db in zip(fibre.sections, fibre.losses_before_db, strict=True)
    ]
    beyond = [0.0]
    for section, rate, level in zip(fibre.sections[::-1], per_m[::-1], density[::-1], strict=True):
        beyond.append(beyond[-1] + level * float(_integral(rate, section.length_m)))
    beyond.reverse()

    result = np.zeros(z_m.size)
    result[: cuts[0]] = beyond[0]
    held = [0.0] * len(poles)  # what each pole holds at the start of the section
    for k, section in enumerate(fibre.sections):
        here = slice(cuts[k], cuts[k + 1])
        # The section's own end rides along as the last element: it starts the next section.
        x = np.append(z_m[here] - starts_m[k], section.length_m)
        fallen = density[k] * np.exp(-per_m[k] * x)
        left_m = section.length_m - x
        total = beyond[k + 1] + fallen * _integral(per_m[k], left_m)
        for p, pole in enumerate(poles):
            if pole.constant_m == 0:
                continue
            decayed = np.exp(-x / pole.constant_m)
            gain = 1 / (1 - per_m[k] * pole.constant_m)
            output = held[p] * decayed + gain * (fallen - density[k] * decayed)
            total += pole.share * pole.constant_m * output
            held[p] = float(output[-1])
        result[here] = total[:-1]
    after = slice(cuts[-1], z_m.size)
    for p, pole in enumerate(poles):
        if pole.constant_m > 0:
            decayed = np.exp((starts_m[-1] - z_m[after]) / pole.constant_m)
            result[after] += pole.share * pole.constant_m * held[p] * decayed
    return result


def _integral(rate_per_m: float, length_m: float | FloatArray) -> FloatArray:
    """Integrate exp(−rate·u) for u from 0 to a length, exact also at rate 0."""
    if rate_per_m == 0:
        return np.asarray(length_m, dtype=np.float64)
    return np.asarray(-np.expm1(-rate_per_m * np.asarray(length_m)) / rate_per_m)


def _pulse_response(since_m: FloatArray, pulse_m: float, pole: _Pole) -> FloatArray:
    """Give the answer of a pole to a rectangle of height 1 that began ``since_m`` ago."""
    if pole.constant_m == 0:
        return np.where(since_m < pulse_m, 1.0, 0.0)
    rising = -np.expm1(-np.minimum(since_m, pulse_m) / pole.constant_m)
    falling = np.exp(-np.maximum(since_m - pulse_m, 0.0) / pole.constant_m)
    return np.asarray(rising * falling)


def _reflectors(fibre: Fibre, instrument: Instrument) -> list[_Reflector]:
    """List everything that reflects, in the order in which the light meets it."""
    found = []
    if instrument.front_panel_reflectance_db is not None:
        found.append(_Reflector(0.0, 10 ** (instrument.front_panel_reflectance_db / 10), 0.0))
    for at_m, joint, loss_behind_db in zip(
        fibre.joint_positions_m, fibre.joints, fibre.losses_before_db[1:], strict=True
    ):
        if joint.reflectance_db is not None:
            reflectance = 10 ** (joint.reflectance_db / 10)
            found.append(_Reflector(at_m, reflectance, loss_behind_db - joint.loss_db))
    if fibre.end_b_reflectance_db is not None:
        reflectance = 10 ** (fibre.end_b_reflectance_db / 10)
        found.append(_Reflector(fibre.length_m, reflectance, fibre.loss_db))
    return found


def _echoes(reflectors: list[_Reflector]) -> list[tuple[float, float]]:
    """List position and height of light reflected three times: out, back, out again, home."""
    echoes = []
    for k, turned in enumerate(reflectors):
        beyond = reflectors[k + 1 :]
        for i, first in enumerate(beyond):
            for j, last in enumerate(beyond[i:], start=i):
                at_m = first.distance_m + last.distance_m - turned.distance_m
                loss_db = first.loss_before_db + last.loss_before_db - turned.loss_before_db
                height = first.reflectance * turned.reflectance * last.reflectance
                orders = 1 if i == j else 2  # either of two different ones may come first
                echoes.append((at_m, orders * height * 10 ** (-loss_db / 5)))
    return echoes


def _ripple(size: int, pulse_points: float, rng: np.random.Generator) -> FloatArray:
    """Draw the coherence ripple: variance 1, correlation a triangle one pulse wide each way."""
    whole = int(pulse_points)
    if whole == 0:
        return rng.standard_normal(size)
    part = pulse_points - whole
    grains = rng.standard_normal(size + whole)
    sums = np.concatenate(([0.0], np.cumsum(grains)))
    inside = sums[whole : whole + size] - sums[:size]
    inside += part * grains[whole:]
    return np.asarray(inside / math.sqrt(whole + part**2))


def _digitise(power: FloatArray, instrument: Instrument) -> tuple[npt.NDArray[np.uint16], float]:
    """Saturate, take the logarithm and round to the file's steps; 0 is the highest level."""
    power = np.minimum(power, instrument.saturation_power)
    if instrument.floor_mode is FloorMode.RECTIFIED:
        power = np.abs(power)
    top = float(power.max())
    if not top > 0:
        raise BadSetting("fibre", "no light", plain("the record must cover some of the fibre"))
    step_db = instrument.scale_1000 * 1e-6
    lowest = top * 10 ** (-instrument.floor_raw * step_db / 5)
    below_top_db = -5 * np.log10(np.maximum(power, lowest) / top)
    return np.rint(below_top_db / step_db).astype(np.uint16), top

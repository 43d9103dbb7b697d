"""A model of a fibre and of an instrument with any receiver, written from the physics alone.

Nothing here comes from the package: numpy, and scipy's recursive filter and running mean.

How a shot is made. Let z be the one-way distance, P the one-way length of the pulse c·W/(2·n).

1. The fibre returns the power density p(z) = 10^(D(z)/5), D the dB curve of the link (5·log10):
   attenuation, losses and the local backscatter level B(z). Within a section D is a straight
   line, so the integral of p is known in closed form. Reflections are needles of known area.
2. The pulse is a box: the power at z is the integral of p from z − P to z. It is taken from the
   closed form, exactly, at any position of an event between two points. (A needle is spread over
   one step of the fine grid: a pulse whose edge rises in a fortieth of its length.)
3. Coherence ripple multiplies the backscatter of the box: white, averaged over one pulse.
4. The receiver is a chain of poles, a damped second-order stage or a slow tail of many poles with
   evenly spread time constants (which together fall as 1/t). Each pole is the exact solution for
   an input that is straight between two points of the fine grid, at least 40 of them per pulse.
5. Noise is added in linear power: white behind the receiver, or white in front of it and then
   filtered by it.
6. A receiver may saturate here; then a running mean of power or of dB levels (the maker's
   smoothing), the top, the floor (folded, clipped or masked), 5·log10, a seam between two gain
   ranges, and rounding to the steps of the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

FloatArray = npt.NDArray[np.float64]

#: Exact by the definition of the metre (SI, 9th edition 2019).
LIGHT_M_PER_S = 299_792_458.0

#: One way dB (5·log10) per unit of relative power.
DB = 5 / np.log(10)

#: Steps of the fine grid per pulse; an event's corners are then right to 1/1600 of a step.
FINE_STEPS_PER_PULSE = 40

#: So many time constants after it began, a contribution is left out: e^-30 is 65 dB (5·log10).
FORGOTTEN = 30.0

#: The slow tail's time constants double from half a pulse on; nine of them span 1 to 256.
TAIL_LAMBDAS = tuple(0.5 * 2.0**i for i in range(9))

#: Backscatter of a 1 ns pulse, dB of the launched power (a usual figure; the standard's example).
BACKSCATTER_1NS_DB = -81.5

#: Largest raw value of a point in the file.
LARGEST_RAW = 65535


@dataclass(frozen=True, slots=True, eq=False)
class Link:
    """Everything between both front panels, in the direction of travel from A.

    ``edges_m`` has shape (K + 1,): 0, the events, the end. ``loss_db``, ``step_db`` (backscatter
    before less after) and ``reflectance_db`` (−inf: none) have shape (K + 1,) and count both
    panels as events without loss. ``drift_db_per_km`` is the slope of B along the section.
    """

    edges_m: FloatArray
    attenuation_db_per_km: FloatArray
    drift_db_per_km: FloatArray
    loss_db: FloatArray
    step_db: FloatArray
    reflectance_db: FloatArray

    @property
    def sections(self) -> int:
        return self.attenuation_db_per_km.size

    def from_b(self) -> Link:
        """Return the same link as light from the other end sees it."""
        return Link(
            self.edges_m[-1] - self.edges_m[::-1],
            self.attenuation_db_per_km[::-1],
            -self.drift_db_per_km[::-1],
            self.loss_db[::-1],
            -self.step_db[::-1],
            self.reflectance_db[::-1],
        )

    def fall_db_per_m(self) -> FloatArray:
        """How fast the level falls in each section, dB/m: attenuation less drift."""
        return (self.attenuation_db_per_km - self.drift_db_per_km) / 1000

    def section_starts_db(self) -> tuple[FloatArray, FloatArray]:
        """Level of the backscatter (with B) and of transmission alone at each section's start."""
        length_km = np.diff(self.edges_m) / 1000
        inside = slice(1, -1)
        passed = np.cumsum(self.attenuation_db_per_km[:-1] * length_km[:-1] + self.loss_db[inside])
        local = np.cumsum(self.drift_db_per_km[:-1] * length_km[:-1] - self.step_db[inside])
        sent = np.concatenate([[0.0], -passed])
        return sent + np.concatenate([[0.0], local]), sent


@dataclass(frozen=True, slots=True)
class Setup:
    """An instrument and its settings; lengths of its responses are shares of the pulse."""

    pulse_ns: int
    spacing_1e14s: int  # one-way time from point to point, the file's unit
    points: int
    first_100ps: int  # time of the first point, not above 0
    wavelength_nm: int = 1550
    group_index_1e5: int = 146_820
    poles: tuple[float, ...] = ()
    second_order: tuple[float, float] | None = None  # damping, 1/natural frequency
    slow_tail: float = 0.0  # share of the response's area
    smoothing: str = ""  # "", "power" or "db"
    smoothing_pulses: float = 0.0
    noise: float = 0.0  # standard deviation of a point, in units of B = 0 backscatter at z = 0
    noise_before: bool = False
    ripple_db: float = 0.0
    headroom_db: float = 8.0  # top above that backscatter
    saturates_first: bool = True  # ahead of the smoothing
    floor: str = "rectified"  # or "clipped" or "masked"
    floor_sigmas: float = 0.3  # where a clipped or masked floor begins
    masked_from_m: float = np.inf  # every point from here on is blanked
    masked_to_lowest: bool = True
    step_db: float = 0.001
    scale_1000: int = 1000
    seam_m: float = np.inf
    seam_db: float = 0.0
    user_offset_100ps: int = 0

    @property
    def speed_m_per_s(self) -> float:
        return LIGHT_M_PER_S / (self.group_index_1e5 * 1e-5)

    @property
    def pulse_m(self) -> float:
        return self.pulse_ns * 1e-9 * self.speed_m_per_s / 2

    @property
    def spacing_m(self) -> float:
        return self.spacing_1e14s * 1e-14 * self.speed_m_per_s

    @property
    def x_m(self) -> FloatArray:
        """Positions of the points from the front panel, metres."""
        first_m = self.first_100ps * 1e-10 * self.speed_m_per_s
        return np.asarray(first_m + np.arange(self.points) * self.spacing_m)

    @property
    def fine(self) -> int:
        """Steps of the fine grid per point."""
        return max(1, int(np.ceil(FINE_STEPS_PER_PULSE * self.spacing_m / self.pulse_m)))

    @property
    def smoothing_points(self) -> int:
        """Points of the running mean, odd; 1 = none."""
        if not self.smoothing:
            return 1
        return 2 * int(np.rint(self.smoothing_pulses * self.pulse_m / self.spacing_m / 2)) + 1

    @property
    def memory_m(self) -> float:
        """The longest time constant, metres."""
        shares = [0.0, *self.poles]
        if self.second_order:
            shares.append(self.second_order[1] / self.second_order[0])
        if self.slow_tail:
            shares.append(TAIL_LAMBDAS[-1])
        return max(shares) * self.pulse_m

    @property
    def top(self) -> float:
        return float(10 ** (self.headroom_db / 5))


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """What one section or one reflection adds to the recorded power, from point ``first`` on."""

    number: int  # of the section, or of the edge that reflects
    reflection: bool
    first: int
    power: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """A shot: what the file holds, and what only the one who made it knows."""

    link: Link | None  # as seen from this end
    setup: Setup
    raw: npt.NDArray[np.uint16]
    power: FloatArray  # noise-free and without ripple, ahead of smoothing, top and floor

    @property
    def level_db(self) -> FloatArray:
        return np.asarray(self.raw * (-self.setup.scale_1000 / 1e6))


def through_pole(power: npt.NDArray, step: float, length: complex) -> npt.NDArray:
    """Filter by the kernel exp(−z/length)/length, exact for an input of straight pieces.

    ``length`` may be complex: one of a pair of conjugate poles.
    """
    d = step / length
    a = np.exp(-d)
    mean = (1 - a) / d
    return lfilter([1 - mean, mean - a], [1, -a], power)


def through_receiver(power: FloatArray, step_m: float, setup: Setup) -> FloatArray:
    """Filter the optical power on the fine grid by the receiver; area 1."""
    for share in setup.poles:
        power = through_pole(power, step_m, share * setup.pulse_m)
    if setup.second_order:
        damping, share = setup.second_order
        omega = 1 / (share * setup.pulse_m)
        ringing = omega * np.sqrt(1 - damping**2)
        pole = -damping * omega + 1j * ringing
        weight = 2 * omega**2 / (2j * ringing) / -pole
        power = np.real(weight * through_pole(power.astype(complex), step_m, -1 / pole))
    if setup.slow_tail:
        share = setup.slow_tail / len(TAIL_LAMBDAS)
        tails = [through_pole(power, step_m, x * setup.pulse_m) for x in TAIL_LAMBDAS]
        power = (1 - setup.slow_tail) * power + share * np.sum(tails, axis=0)
    return np.asarray(power, dtype=float)


def _area(u_m: FloatArray, fall_db_per_m: float, length_m: float) -> FloatArray:
    """Integral of 10^(−fall·u/5) from 0 to u, u held within the section."""
    u_m = np.clip(u_m, 0, length_m)
    gamma = fall_db_per_m / DB
    if abs(gamma * length_m) < 1e-9:
        return u_m
    return np.asarray(-np.expm1(-gamma * u_m) / gamma)


def _optical(link: Link, setup: Setup) -> Iterator[tuple[int, bool, int, FloatArray]]:
    """Power ⊛ pulse of each section and reflection: number, kind, first fine step, values.

    The values last until the receiver has forgotten.
    """
    m = setup.fine
    df, p = setup.spacing_m / m, setup.pulse_m
    start = setup.x_m[0]
    count = setup.points * m
    starts_db, sent_db = link.section_starts_db()
    fall = link.fall_db_per_m()
    rest = p + FORGOTTEN * setup.memory_m + 4 * df

    def window(from_m: float, to_m: float) -> tuple[int, FloatArray]:
        first = int(np.clip(np.floor((from_m - start) / df) - 2, 0, count))
        first -= first % m
        last = int(np.clip(np.ceil((to_m + rest - start) / df), first, count))
        return first, start + np.arange(first, last) * df

    for k in range(link.sections):
        z, stop = link.edges_m[k], link.edges_m[k + 1]
        first, x = window(z, stop)
        area = _area(x - z, fall[k], stop - z) - _area(x - z - p, fall[k], stop - z)
        yield k, False, first, 10 ** (starts_db[k] / 5) * area / p
    ends_db = sent_db - link.attenuation_db_per_km * np.diff(link.edges_m) / 1000
    at_edges_db = np.concatenate([[0.0], ends_db])
    for j in np.flatnonzero(np.isfinite(link.reflectance_db)):
        one_ns_db = BACKSCATTER_1NS_DB + 10 * np.log10(setup.pulse_ns)
        height = 10 ** ((link.reflectance_db[j] - one_ns_db) / 10 + at_edges_db[j] / 5)
        first, x = window(link.edges_m[j], link.edges_m[j])
        u = (x - link.edges_m[j]) / df
        yield int(j), True, first, height * (np.clip(u, 0, 1) - np.clip(u - p / df, 0, 1))


def parts(link: Link, setup: Setup) -> Iterator[Part]:
    """Each section's and each reflection's share of the recorded power, noise-free."""
    m = setup.fine
    for number, reflection, first, optical in _optical(link, setup):
        if optical.size:
            power = through_receiver(optical, setup.spacing_m / m, setup)[::m]
            yield Part(number, reflection, first // m, power)


def unit_noise(setup: Setup, rng: np.random.Generator) -> FloatArray:
    """Noise of the receiver with standard deviation 1 at each point."""
    if not setup.noise_before:
        return rng.normal(size=setup.points)
    m, df = setup.fine, setup.spacing_m / setup.fine
    lead = int(np.ceil(10 * setup.memory_m / df)) // m * m
    noise = through_receiver(rng.normal(size=lead + setup.points * m), df, setup)
    return noise[lead::m] / np.sqrt(np.sum(kernel(setup) ** 2))


def kernel(setup: Setup) -> FloatArray:
    """Response of the receiver to one fine step of power, on the fine grid."""
    df = setup.spacing_m / setup.fine
    impulse = np.zeros(int(np.ceil(FORGOTTEN * setup.memory_m / df)) + 8)
    impulse[1] = 1.0
    return through_receiver(impulse, df, setup)


def _ripple_power(link: Link, setup: Setup, rng: np.random.Generator) -> FloatArray:
    m = setup.fine
    df = setup.spacing_m / m
    total = np.zeros(setup.points * m)
    for _, reflection, first, optical in _optical(link, setup):
        if not reflection:
            total[first : first + optical.size] += optical
    width = max(1, int(np.rint(setup.pulse_m / df)))
    white = rng.normal(size=total.size) * np.sqrt(width)
    ripple = uniform_filter1d(white, width, mode="nearest") * setup.ripple_db / DB
    return through_receiver(total * ripple, df, setup)[::m]


def recorded_level_db(power: FloatArray, setup: Setup) -> FloatArray:
    """What follows the receiver, up to the level ahead of seam and rounding; 0 is the top."""
    top, width = setup.top, setup.smoothing_points
    lowest = 1e-13 * top
    if setup.saturates_first:
        power = np.minimum(power, top)
    if setup.smoothing == "power":
        power = uniform_filter1d(power, width, mode="nearest")
    bottom = setup.floor_sigmas * setup.noise
    if setup.floor == "rectified":
        power = np.abs(power)
    elif setup.floor == "clipped":
        power = np.maximum(power, bottom)
    level = np.asarray(5 * np.log10(np.maximum(power, lowest) / top))
    if setup.smoothing == "db":
        level = uniform_filter1d(level, width, mode="nearest")
    level = np.minimum(level, 0.0)
    if setup.floor == "masked":
        bottom_db = 5 * np.log10(bottom / top)
        below = (level < bottom_db) | (setup.x_m >= setup.masked_from_m)
        level = np.where(below, -np.inf if setup.masked_to_lowest else bottom_db, level)
    return level


def shoot(link: Link | None, setup: Setup, rng: np.random.Generator) -> Record:
    """Take a shot of a link from its beginning; None: nothing is connected, noise alone."""
    clean = np.zeros(setup.points)
    power = setup.noise * unit_noise(setup, rng)
    if link is not None:
        for part in parts(link, setup):
            clean[part.first : part.first + part.power.size] += part.power
        if setup.ripple_db:
            power += _ripple_power(link, setup, rng)
        power += clean
    level = recorded_level_db(power, setup)
    level = np.minimum(level + np.where(setup.x_m >= setup.seam_m, setup.seam_db, 0.0), 0.0)
    steps = np.rint(-level / setup.step_db)
    counts = np.rint(steps * (setup.step_db * 1e6 / setup.scale_1000))
    raw = np.clip(counts, 0, LARGEST_RAW).astype(np.uint16)
    return Record(link, setup, raw, clean)


def response_m(setup: Setup, share: float = 0.99) -> float:
    """Length after which a step has reached ``share`` of its size for good, metres."""
    df = setup.spacing_m / setup.fine
    steps = max(1, int(np.rint(setup.pulse_m / df)))
    pulse = np.full(steps, 1 / steps)
    answer = np.convolve(kernel(replace(setup, slow_tail=0.0)), pulse)
    width = setup.smoothing_points * setup.fine if setup.smoothing else 1
    answer = np.convolve(answer, np.full(width, 1 / width))
    late = np.flatnonzero(np.abs(np.cumsum(answer) - 1) > 1 - share)
    return float((late[-1] + 1) * df) - (width - 1) / 2 * df


__all__ = [
    "DB", "Link", "Part", "Record", "Setup", "kernel", "parts", "recorded_level_db",
    "response_m", "shoot", "unit_noise",
]  # fmt: skip

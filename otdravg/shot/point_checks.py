"""What the points of a shot give away by themselves: repeats, flats, stuck bits, wrong pulse.

Noise never repeats itself, fibre always falls, and every bit of a converter moves. Where one
of these does not hold, the points are not what the receiver saw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding, caution, defect
from otdravg.shot.detect import Detection
from otdravg.shot.noise import linear_power
from otdravg.shot.shot import Shot

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: No glass loses less, dB/km. Derived: Rayleigh scattering of the lowest-loss fibre, 0.14 dB/km at
#: 1550 nm (from memory), is 0.116 at 1625 nm as 1/λ⁴; absorption in the infrared comes on top.
LEAST_FALL_DB_PER_KM = 0.12
#: A run of equal points is no chance from this many points and this many steps of fall on.
#: Derived: rounding alone holds a falling line for one step; 20 points of white noise, of whatever
#: size, that are equal all along a fall of 4 steps have a chance of 1e-14 at most.
FLAT_POINTS = 20
FLAT_STEPS = 4.0
#: So many differences in a row do not come twice by chance. Derived: of noise whose differences
#: scatter by one step two points are equal with a chance of 1/(2σ√π) = 0.40, σ² = ½, and all 32
#: with one of 2⁻⁴²; a record of 65 000 points has 2³¹ pairs of places.
REPEAT_POINTS = 32
#: Differences must scatter by this many steps. Derived: white noise of σ² = ½ steps² holds
#: ½·log2(2πe·½) = 1.5 bits a point, so that 32 of them hold 50.
REPEAT_SCATTER = 1.0
#: Any large odd number. Derived: 2⁶⁴ over the golden ratio, whose bits have no pattern.
_HASH_BASE = 0x9E3779B97F4A7C15
#: Reflections at least this high show the pulse's width, dB. Derived: no splice gains as much, a
#: mode field ratio of 10^0.15 = 1.4; at this height the crest has twice the fibre's power.
CLEAR_PEAK_DB = 1.5
#: A reflection narrower than this share of the stated pulse: the pulse was shorter. Chosen, not
#: derived: above the next shorter pulse of a 1-2-5 series, 0.5, and below what rounded flanks
#: leave of a pulse.
TOO_NARROW = 0.65
#: All reflections wider than this many stated pulses: the pulse was longer. Chosen, not derived:
#: saturation and slow receivers widen reflections by several pulses, a forgotten factor of ten is
#: more.
TOO_WIDE = 6.0
#: The top of a reflection is no longer than this, in pulses; fibre clipped at the top is. Chosen,
#: not derived: one pulse, and what a saturated receiver holds on to.
LONGEST_TOP_PULSES = 4.0


def shot_findings(detection: Detection, prints: NoisePrints) -> tuple[Finding, ...]:
    """Check whether the points of one shot can be what a receiver saw.

    Parameters
    ----------
    detection : Detection
        One shot with its events.
    prints : NoisePrints
        Of the same shot.

    Returns
    -------
    tuple of Finding
        Empty where nothing speaks against the points.
    """
    shot = detection.shot
    signal = prints.raw[shot.start : shot.end + 1]
    runs = _runs(signal)
    found = (
        _stuck_bits(shot, prints.raw),
        _flat_stretch(shot, signal, runs),
        _repeated_stretch(shot, prints),
        _pulse_label(shot),
        _clipped_stretch(shot, signal, runs),
    )
    return tuple(finding for finding in found if finding is not None)


def _stuck_bits(shot: Shot, raw: IntArray) -> Finding | None:
    """A bit that never moves between bits that do; a coarse converter's lowest bits are usual."""
    always, ever = int(np.bitwise_and.reduce(raw)), int(np.bitwise_or.reduce(raw))
    moving = ever & ~always
    top = (int(raw.max()) ^ int(raw.min())).bit_length()
    lowest = (moving & -moving).bit_length()
    stuck = [bit for bit in range(lowest, top) if not moving >> bit & 1]
    if not moving or not stuck:
        return None
    worth_db = (1 << stuck[-1]) * shot.trace.settings.quantum_db
    return defect("bit-stuck", shot.trace.identity.direction, bit=stuck[-1], worth_db=worth_db)


#: Start and length of every run of equal points.
Runs = tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]


def _runs(raw: IntArray) -> Runs:
    """Start and length of every run of equal points."""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(raw)) + 1))
    return starts, np.diff(np.concatenate((starts, [raw.size])))


def _clipped_stretch(shot: Shot, signal: IntArray, runs: Runs) -> Finding | None:
    """Fibre brighter than the record can hold: no splice in it can show."""
    starts, lengths = runs
    top = lengths * (signal[starts] == signal.min())
    length_m = float(top.max() * shot.spacing_m)
    if top.max() < FLAT_POINTS or length_m < LONGEST_TOP_PULSES * shot.pulse_m:
        return None
    at_m = float(shot.x_m[shot.start + starts[np.argmax(top)]])
    return caution("level-clipped", shot.trace.identity.direction, length_m=length_m, at_m=at_m)


def _flat_stretch(shot: Shot, signal: IntArray, runs: Runs) -> Finding | None:
    """Equal points where the fibre must have fallen by several steps."""
    starts, lengths = runs
    if lengths.max() < FLAT_POINTS:
        return None
    values = signal[starts]
    step = np.gcd.reduce(np.diff(values)) or 1
    fall_steps = (
        lengths * shot.spacing_m * LEAST_FALL_DB_PER_KM / 1000
        / (step * shot.trace.settings.quantum_db)
    )  # fmt: skip
    clipped = (values == signal.min()) | (values == signal.max())
    reflects = np.zeros(signal.size, dtype=bool)  # the top of a strong reflection is flat
    for peak in shot.peaks:
        if peak.height_db > CLEAR_PEAK_DB:
            reflects[max(peak.first - shot.start, 0) : max(peak.clear - shot.start, 0)] = True
    odd = (lengths >= FLAT_POINTS) & (fall_steps >= FLAT_STEPS) & ~clipped & ~reflects[starts]
    if not odd.any():
        return None
    longest = int(np.flatnonzero(odd)[np.argmax(lengths[odd])])
    at_m = float(shot.x_m[shot.start + starts[longest]])
    length_m = float(lengths[longest] * shot.spacing_m)
    return defect(
        "flat-stretch", shot.trace.identity.direction, points=int(lengths[longest]), at_m=at_m,
        length_m=length_m, least_fall_db=length_m * LEAST_FALL_DB_PER_KM / 1000,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class NoisePrints:
    """Fingerprints of the noise of one shot: one for every window that holds enough of it.

    ``hashes`` and ``at`` have one shape: a number for the differences of ``REPEAT_POINTS``
    neighbours, the same wherever and at whatever level they stand, and the first point's index.
    """

    raw: IntArray  # all points as steps of the file's resolution below the highest level
    hashes: npt.NDArray[np.uint64]
    at: npt.NDArray[np.intp]

    @classmethod
    def of(cls, shot: Shot) -> NoisePrints:
        """Fingerprint the points of a shot that carry signal.

        Notes
        -----
        The hash of a window is Σ d[i+k]·rᵏ modulo 2⁶⁴ with an odd r.
        """
        raw = np.rint(shot.trace.level_db / -shot.trace.settings.quantum_db).astype(np.int64)
        differences = np.diff(raw[shot.start : shot.end + 1])
        count = max(differences.size - REPEAT_POINTS + 1, 0)
        hashes = _windowed(differences.astype(np.uint64), REPEAT_POINTS, _HASH_BASE)
        step = np.gcd.reduce(differences) or 1
        # One large jump is no noise.
        scaled = np.minimum(np.maximum(differences / step, -50), 50).astype(np.int32)
        quarter = REPEAT_POINTS // 4
        # About their mean: a steep and even fall is no noise.
        mean, square = (_windowed(values, quarter) for values in (scaled, scaled * scaled))
        loud = quarter * square - mean * mean > REPEAT_SCATTER**2 / 2 * quarter**2
        noisy = np.ones(count, dtype=bool)
        for k in range(4):  # all along the window, not in one place only
            noisy &= loud[k * quarter : k * quarter + count]
        at = np.flatnonzero(noisy)
        return cls(raw, hashes[at], at + shot.start)


def _windowed(values: npt.NDArray[Any], width: int, base: int = 1) -> npt.NDArray[Any]:
    """Σ v[i+k]·baseᵏ over windows of ``width`` values, a power of two, in the values' own type."""
    half = 1
    while half < width:
        factor = values.dtype.type(pow(base, half, 2**64))
        values = values[:-half] + factor * values[half:]
        half *= 2
    return values


def same_noise(one: NoisePrints, other: NoisePrints) -> int:
    """Count the stretches of noise, ``REPEAT_POINTS`` long, that two shots share.

    Wherever they stand: the same acquisition stored twice, cut or shifted.
    """
    if not _has_twins(np.concatenate((one.hashes, other.hashes))):
        return 0
    return int(np.intersect1d(one.hashes, other.hashes).size)


def _has_twins(hashes: npt.NDArray[np.uint64]) -> bool:
    ordered = np.sort(hashes)
    return bool((ordered[1:] == ordered[:-1]).any())


def _repeated_stretch(shot: Shot, prints: NoisePrints) -> Finding | None:
    """The same noise twice in one shot."""
    if not _has_twins(prints.hashes):
        return None
    order = np.argsort(prints.hashes, kind="stable")
    twins = np.flatnonzero(np.diff(prints.hashes[order]) == 0)
    first_m, second_m = (float(shot.x_m[prints.at[order[twins[0] + k]]]) for k in (0, 1))
    return defect(
        "noise-repeats", shot.trace.identity.direction,
        points=twins.size + REPEAT_POINTS, first_m=first_m, second_m=second_m,
    )  # fmt: skip


def _width(shot: Shot, first: int, clear: int, before_db: float) -> float | None:
    """Width of a clear reflection at half its power in metres; ``None`` of a small one."""
    level = shot.trace.level_db
    if clear <= first:
        return None  # the record ends inside it
    crest = first + int(np.argmax(level[first : clear + 1]))
    # The fibre behind, brought along its slope to where the crest is.
    behind_db = float(level[clear]) - shot.slope_db_per_m * (clear - crest) * shot.spacing_m
    base_db = max(before_db, behind_db)
    if level[crest] - base_db < CLEAR_PEAK_DB:
        return None
    power = linear_power(level[max(first - 2, 0) : clear + 1])
    half = 0.5 * (power.max() + linear_power(np.array([base_db]))[0])
    return float(np.count_nonzero(power > half) * shot.spacing_m)


def _pulse_label(shot: Shot) -> Finding | None:
    """Hold the stated pulse against the width of the reflections, which are one pulse wide.

    Saturation and a slow receiver widen a reflection, nothing narrows it. The front panel's
    may begin before the record does and can only say that the pulse was longer.
    """
    level = shot.trace.level_db
    inside = [
        _width(shot, p.first, min(p.clear, level.size - 1), float(level[max(p.first - 2, 0)]))
        for p in shot.peaks
        if p.height_db > 0
    ]
    front = _width(shot, shot.start, min(shot.front_clear, level.size - 1), -np.inf)
    blur_m = (1 + shot.smoothing) * shot.spacing_m
    narrow = min((w for w in inside if w is not None), default=np.inf)
    narrowest = min((w for w in (*inside, front) if w is not None), default=0.0)
    if narrow + shot.spacing_m < TOO_NARROW * shot.pulse_m:
        case, width_m = "narrow", narrow
    elif narrowest - blur_m > TOO_WIDE * shot.pulse_m:
        case, width_m = "wide", narrowest
    else:
        return None
    return caution(
        "pulse-doubtful", shot.trace.identity.direction, case,
        width_m=width_m, pulse_ns=shot.trace.settings.pulse_ns, pulse_m=shot.pulse_m,
    )  # fmt: skip

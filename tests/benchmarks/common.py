"""What the benchmarks share: measuring simulated pairs and comparing with the truth."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

from otdravg.errors import OtdravgError
from otdravg.fit.reading import Coverage, Kind, Reading
from otdravg.pair.measure import Measurement
from otdravg.pair.measure import measure as measure_pair
from otdravg.shot.trace import Trace, traces_from

# The corpora of the tests stand one folder higher.
sys.path.insert(0, str(Path(__file__).parents[1]))
from corpus import SimulatedPair, random_pair
from simulated import TrueJoint

#: Numerical libraries start threads of their own unless told not to.
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

#: Half-width of a 95 % interval in standard uncertainties (normal distribution).
NORMAL_95 = 1.96

#: Light budget as a rule of thumb: a 5 ns pulse reaches 8 km, ten times the pulse 2.5 × as far
#: (common practice, no source).
_REACH_OF_5_NS_M = 8_000.0
_REACH_POWER = 0.4

#: Pulses that the wide corpus is drawn from.
PULSES_NS = (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One simulated pair and its measurement, or why it was refused."""

    seed: int
    pair: SimulatedPair
    ab: Trace
    ba: Trace
    measurement: Measurement | None
    refusal: str
    cpu_s: float

    @property
    def pulse_m(self) -> float:
        """The longer of both pulses on the trace, metres."""
        return max(self.ab.pulse_m(), self.ba.pulse_m())

    @property
    def spacing_m(self) -> float:
        """The wider of both point spacings, metres."""
        return max(self.ab.spacing_m(), self.ba.spacing_m())

    @property
    def tolerance_m(self) -> float:
        """How far a reading may lie from a joint to be taken as that joint.

        The longer pulse and three points: within that, both would be one event.
        """
        return self.pulse_m + 3 * self.spacing_m

    @property
    def misplaced(self) -> bool:
        """Whether the span was laid out wrongly, so that nothing on it can be right."""
        if self.measurement is None:
            return False
        axis = self.measurement.axis
        starts_m = axis.start_a_m - self.pair.cords_a.launch_m
        return max(abs(axis.length_m - self.pair.span_m), abs(starts_m)) > self.tolerance_m


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """One true joint and the reading that was matched to it, if any.

    ``alone`` is false where the reading is the sum over a group of joints.
    """

    case: Case
    number: int  # of the joint in the span, from 0
    joint: TrueJoint
    reading: Reading | None
    alone: bool

    @property
    def measured(self) -> bool:
        """Whether there is a true loss of this joint alone."""
        return self.reading is not None and self.reading.loss_db is not None and self.alone

    @property
    def error_db(self) -> float:
        """Measured less true loss."""
        assert self.reading is not None
        assert self.reading.loss_db is not None
        return self.reading.loss_db - self.joint.loss_db

    @property
    def score(self) -> float:
        """Error in standard uncertainties."""
        assert self.reading is not None
        assert self.reading.u_loss_db is not None
        return self.error_db / self.reading.u_loss_db

    @property
    def largest_one_way_db(self) -> float:
        """The larger of both one-way steps, without sign."""
        return max(abs(self.joint.loss_ab_db), abs(self.joint.loss_ba_db))

    @property
    def shorter_section_m(self) -> float:
        """Length of the shorter neighbouring section."""
        positions = [j.position_m for j in self.case.pair.truth]
        edges = [0.0, *positions, self.case.pair.span_m]
        before = edges[self.number + 1] - edges[self.number]
        return min(before, edges[self.number + 2] - edges[self.number + 1])


def first_corpus(pairs: int, seed: int = 0, **limits: Any) -> Iterator[tuple[int, SimulatedPair]]:
    """Draw ordinary pairs: pulses 10–1000 ns, 2–10 splices, cords or none."""
    for number in range(seed, seed + pairs):
        yield number, random_pair(np.random.default_rng(number), **limits)


def wide_corpus(
    pairs: int, seed: int = 10_000, **limits: Any
) -> Iterator[tuple[int, SimulatedPair]]:
    """Draw pairs over the whole range: 5 ns–10 µs, 300 m–120 km, 1–40 splices, four wavelengths."""
    for number in range(seed, seed + pairs):
        rng = np.random.default_rng(number)
        yield number, random_pair(rng, **wide_settings(rng), **limits)


def wide_settings(
    rng: np.random.Generator,
    splices: tuple[int, int] = (1, 40),
    pulses_ns: Sequence[int] = PULSES_NS,
) -> dict[str, Any]:
    """Choose pulse, span and number of splices that an operator could have chosen together.

    The pulse is even over a list, the span even on a logarithmic scale between twenty
    pulses (at least 300 m) and what the pulse reaches, and the second shot's pulse lies
    within a factor of three. Sections are at least eight pulses long, but for the share
    that the corpus shortens.
    """
    pulse_ns = float(rng.choice(pulses_ns))
    pulse_m = pulse_ns * 0.1021
    reach_m = min(120_000.0, _REACH_OF_5_NS_M * (pulse_ns / 5) ** _REACH_POWER)
    shortest_m = max(300.0, 20 * pulse_m)
    span_m = math.exp(rng.uniform(math.log(shortest_m), math.log(reach_m)))
    most = int(np.clip(span_m / (9 * pulse_m) - 1, splices[0], splices[1]))
    # Even on a logarithmic scale, or most spans would be full of splices.
    low, high = math.log(max(splices[0], 0.5)), math.log(most + 1) if most else math.log(0.6)
    count = int(math.exp(rng.uniform(low, high))) if splices[1] else 0
    mean_m = span_m / (count + 1)
    finest_m = float(np.clip(pulse_m / 12, 0.1, 4.0))
    coarsest_m = float(np.clip(pulse_m * 1.5, 0.3, 8.0))
    return {
        "pulse_ns": (max(pulse_ns / 3, 5.0), min(pulse_ns * 3, 10_000.0)),
        "spacing_m": (min(finest_m, mean_m / 80), min(coarsest_m, max(mean_m / 40, 0.1))),
        "splices": (count, count),
        "section_m": (0.6 * mean_m, min(1.5 * mean_m, 120_000.0 / (count + 1))),
    }


def measure(seed: int, pair: SimulatedPair, **options: float) -> Case:
    """Measure a pair as a crew would, stating a cord where the file's header does not.

    ``options`` go to ``measure_pair``.
    """
    ab, ba = traces_from(pair.a)[0], traces_from(pair.b)[0]
    stated = dict(options)
    if pair.cords_a.launch_m > 0 and ab.user_offset_m() == 0:
        stated["launch_m"] = pair.cords_a.launch_m
    if pair.cords_b.launch_m > 0 and ba.user_offset_m() == 0:
        stated["receive_m"] = pair.cords_b.launch_m
    started = time.process_time()
    measurement, refusal = None, ""
    try:
        measurement = measure_pair(ab, ba, group_index=pair.shot_a.fibre.group_index, **stated)
    except OtdravgError as error:
        refusal = str(error)
    return Case(seed, pair, ab, ba, measurement, refusal, time.process_time() - started)


def compare(case: Case) -> tuple[tuple[Found, ...], tuple[Reading, ...]]:
    """Match readings to true joints, nearest first, each used once.

    Returns
    -------
    tuple of Found, tuple of Reading
        All true joints in order, and the readings at places where there is none.
    """
    truth, readings = case.pair.truth, ()
    if case.measurement is not None:
        readings = case.measurement.readings
    taken: dict[int, Reading] = {}
    alone: dict[int, bool] = {}
    true_readings: set[int] = set()
    for reading, place in zip(readings, _places(case), strict=True):
        if reading.kind is not Kind.GROUP:
            continue
        start_m, stop_m = place
        inside = [
            j
            for j, joint in enumerate(truth)
            if start_m - case.tolerance_m < joint.position_m < stop_m + case.tolerance_m
        ]
        for j in inside:
            taken[j], alone[j] = reading, len(inside) == 1
            true_readings.add(reading.number)
    gaps = sorted(
        (abs(reading.distance_m - joint.position_m), j, reading.number, reading)
        for reading in readings
        if reading.kind is not Kind.GROUP
        for j, joint in enumerate(truth)
    )
    for gap_m, j, number, reading in gaps:
        if gap_m > case.tolerance_m:
            break
        if j not in taken and number not in true_readings:
            taken[j], alone[j] = reading, True
            true_readings.add(number)
    found = tuple(
        Found(case, j, joint, taken.get(j), alone.get(j, True)) for j, joint in enumerate(truth)
    )
    return found, tuple(r for r in readings if r.number not in true_readings)


def _places(case: Case) -> list[tuple[float, float]]:
    if case.measurement is None:
        return []
    return [(place.start_m, place.stop_m) for place in case.measurement.places]


def rms(values: Iterable[float]) -> float:
    """Root mean square; NaN of nothing."""
    array = np.fromiter(values, dtype=float)
    return float(np.sqrt(np.mean(array**2))) if array.size else math.nan


def share_interval(hits: int, total: int) -> tuple[float, float]:
    """Exact 95 % confidence interval of a share (Clopper and Pearson 1934)."""
    if total == 0:
        return 0.0, 1.0
    low = stats.beta.ppf(0.025, hits, total - hits + 1) if hits else 0.0
    high = stats.beta.ppf(0.975, hits + 1, total - hits) if hits < total else 1.0
    return float(low), float(high)


def covered(found: Sequence[Found]) -> int:
    """How many stated 95 % intervals hold the truth."""
    return sum(abs(each.score) <= NORMAL_95 for each in found)


def bands(
    values: Sequence[float], edges: Sequence[float], unit: str
) -> list[tuple[str, list[int]]]:
    """Sort indices into bands named like ``0.3 to 1 km``; ``edges`` bound them inside."""
    limits = [-math.inf, *edges, math.inf]
    result = []
    for low, high in pairwise(limits):
        name = f"{low:g} to {high:g} {unit}"
        if low == -math.inf:
            name = f"below {high:g} {unit}"
        elif high == math.inf:
            name = f"{low:g} {unit} and more"
        result.append((name, [i for i, value in enumerate(values) if low <= value < high]))
    return result


def least_cpu_s(job: Callable[[], object], runs: int) -> float:
    """Least processor time of a job: what else the machine does only ever adds."""
    times = []
    for _ in range(runs):
        started = time.process_time()
        job()
        times.append(time.process_time() - started)
    return min(times)


def both_ways(found: Found) -> bool:
    """Whether the reading is of one joint, from both ends."""
    return found.measured and found.reading is not None and found.reading.coverage is Coverage.BOTH


def first_corpus_without_reflections(
    pairs: int, seed: int = 30_000
) -> Iterator[tuple[int, SimulatedPair]]:
    """Draw ordinary pairs with splices only: no connector inside, no cords."""
    for number in range(seed, seed + pairs):
        rng = np.random.default_rng(number)
        yield number, random_pair(rng, connectors=0.0, cords=0.0, spacing_m=(2.0, 8.0))

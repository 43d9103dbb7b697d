"""Detection of steps against a general change-point library on the same traces.

The library is ``ruptures`` (Truong, Oudre and Vayatis 2020, Signal Processing 167,
107299; ``pip install ".[bench]"``). It is helped as far as it goes: it gets only the
clean fibre between front panel and end, levels divided by the true noise, and for each of
its methods the penalty with the best F1 afterwards. Fibres have splices only, since
a general library has no notion of reflections. Run
``OMP_NUM_THREADS=1 python tests/benchmarks/detection.py``.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import ruptures
from common import first_corpus_without_reflections
from oracle import oracle_readings
from simulated import Shot
from stored import Figure, rounded, save

from otdravg.shot.detect import EventKind, detect
from otdravg.shot.trace import Trace, traces_from

FloatArray = npt.NDArray[np.float64]

#: Steps that count when they are missed: as in the accuracy benchmark.
LEAST_STEP_DB = 0.03
SHARP_BOUND_DB = 0.006

#: Penalties tried, in units of ln(points) with noise of variance 1.
PENALTIES = (3.0, 6.0, 12.0, 25.0, 50.0, 100.0)


@dataclass(frozen=True, slots=True, eq=False)
class Job:
    """One shot, its clean fibre, and the steps in it."""

    trace: Trace
    shot: Shot
    clean: slice
    all_m: FloatArray
    wanted_m: FloatArray

    @property
    def tolerance_m(self) -> float:
        """How far a detection may lie from a step: the pulse and three points."""
        return self.trace.pulse_m() + 3 * self.trace.spacing_m()


@dataclass(slots=True)
class Score:
    """Hits, misses and false detections over all shots, and processor time."""

    hits: int = 0
    missed: int = 0
    false: int = 0
    cpu_s: float = 0.0

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2 * self.hits / max(2 * self.hits + self.missed + self.false, 1)

    def row(self, method: str, shots: int) -> dict[str, Any]:
        """The score as a row of a table."""
        counts = {"F1": self.f1, "missed": self.missed, "false": self.false}
        return {"method": method, **counts, "ms per shot": 1e3 * self.cpu_s / shots}

    def add(self, job: Job, found_m: FloatArray) -> None:
        """Count one shot; steps too small to be wanted are no error either way."""
        if found_m.size == 0:
            self.missed += job.wanted_m.size
            return
        to_step = np.abs(found_m[:, None] - job.all_m[None, :])
        self.false += int(np.sum(to_step.min(axis=1) > job.tolerance_m))
        # A second detection of one step is false too.
        near = np.argmin(to_step, axis=1)[to_step.min(axis=1) <= job.tolerance_m]
        self.false += near.size - np.unique(near).size
        seen = np.abs(job.wanted_m[:, None] - found_m[None, :]).min(axis=1) <= job.tolerance_m
        self.hits += int(seen.sum())
        self.missed += int((~seen).sum())


def jobs(pairs: int) -> Iterator[Job]:
    """Shots of simulated fibres with splices only, both directions."""
    for _, pair in first_corpus_without_reflections(pairs):
        best = oracle_readings(pair)
        for file, shot, forward in ((pair.a, pair.shot_a, True), (pair.b, pair.shot_b, False)):
            trace = traces_from(file)[0]
            index = shot.fibre.group_index
            x_m = trace.with_index(index).distance_m
            front_m, end_m = 6 * trace.pulse_m(index), pair.span_m - trace.pulse_m(index)
            clean = slice(*np.searchsorted(x_m, (front_m, end_m)).tolist())
            at_m = np.array([j.position_m for j in pair.truth])
            steps = np.array([j.loss_ab_db if forward else j.loss_ba_db for j in pair.truth])
            bounds = np.array([o.bound_ab_db if forward else o.bound_ba_db for o in best])
            at_m = at_m if forward else pair.span_m - at_m
            wanted = (np.abs(steps) >= LEAST_STEP_DB) & (bounds < SHARP_BOUND_DB)
            wanted &= (at_m > front_m) & (at_m < end_m)
            yield Job(trace, shot, clean, at_m, at_m[wanted])


def ours(job: Job) -> FloatArray:
    """Steps found by this package, positions in true metres."""
    seen = detect(job.trace, job.shot.fibre.group_index)
    kinds = (EventKind.STEP, EventKind.GROUP, EventKind.REFLECTION)
    return np.array([event.distance_m for event in seen.events if event.kind in kinds])


def whitened(job: Job) -> tuple[FloatArray, FloatArray]:
    """Distance and level divided by the noise of single points, as the simulator made it."""
    tool = job.shot.instrument
    x_m = job.trace.with_index(job.shot.fibre.group_index).distance_m[job.clean]
    level = job.trace.level_db[job.clean]
    power = job.shot.top_power * 10 ** (np.poly1d(np.polyfit(x_m, level, 3))(x_m) / 5)
    receiver_db = 5 / np.log(10) * tool.noise_power / power
    sigma = np.sqrt(tool.ripple_db**2 + receiver_db**2 + 1e-6 / 12)
    return x_m, (level - level.mean()) / np.median(sigma)


def theirs(
    job: Job, search: Callable[[FloatArray, int, float], list[int]]
) -> dict[float, FloatArray]:
    """Change points of one of the library's methods at all penalties."""
    x_m, level = whitened(job)
    if level.size < 50:
        return {penalty: np.zeros(0) for penalty in PENALTIES}
    unit = np.linspace(-1, 1, level.size)
    signal = np.column_stack((level, unit, np.ones_like(unit)))
    pulse_points = max(int(job.trace.pulse_m() / job.trace.spacing_m()), 2)
    found = {}
    for penalty in PENALTIES:
        ends = search(signal, pulse_points, penalty * np.log(level.size))
        found[penalty] = x_m[np.array(ends[:-1], dtype=int)]
    return found


def binary(signal: FloatArray, pulse_points: int, penalty: float) -> list[int]:
    """Binary segmentation of piecewise straight lines."""
    search = ruptures.Binseg(model="linear", min_size=2 * pulse_points, jump=_jump(pulse_points))
    return list(search.fit(signal).predict(pen=penalty))


def window(signal: FloatArray, pulse_points: int, penalty: float) -> list[int]:
    """Sliding window over piecewise straight lines."""
    width = int(min(20 * pulse_points, signal.shape[0] // 3))
    search = ruptures.Window(width=width, model="linear", jump=_jump(pulse_points))
    return list(search.fit(signal).predict(pen=penalty))


def kernel(signal: FloatArray, pulse_points: int, penalty: float) -> list[int]:
    """Pruned exact search for changes of the mean (compiled), with the fall taken away."""
    slope = np.polyfit(signal[:, 1], signal[:, 0], 1)
    flat = (signal[:, 0] - np.polyval(slope, signal[:, 1]))[:, None]
    block = max(pulse_points // 3, 1)
    count = flat.shape[0] // block
    means = flat[: count * block].reshape(count, block).mean(axis=1)[:, None] * np.sqrt(block)
    search = ruptures.KernelCPD(kernel="linear", min_size=6).fit(means)
    return [end * block for end in search.predict(pen=penalty)]


def _jump(pulse_points: int) -> int:
    return max(pulse_points // 3, 1)


def main() -> None:
    """Print F1 and processor time of both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=12)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    work = list(jobs(asked.pairs))
    points = [job.clean.stop - job.clean.start for job in work]
    wanted = sum(job.wanted_m.size for job in work)
    own = Score()
    for job in work:
        started = time.process_time()
        found = ours(job)
        own.cpu_s += time.process_time() - started
        own.add(job, found)
    rows = [own.row("this package", len(work))]
    for name, search in (
        ("binary segmentation, lines", binary),
        ("sliding window, lines", window),
        ("kernel change points, means", kernel),
    ):
        scores = {penalty: Score() for penalty in PENALTIES}
        cpu_s = 0.0
        for job in work:
            started = time.process_time()
            found_at = theirs(job, search)
            cpu_s += (time.process_time() - started) / len(PENALTIES)
            for penalty, positions in found_at.items():
                scores[penalty].add(job, positions)
        penalty, best = max(scores.items(), key=lambda item: item[1].f1)
        best.cpu_s = cpu_s
        rows.append(best.row(f"ruptures: {name} (penalty {penalty:g} ln n)", len(work)))
    rows = rounded(rows)
    rival = max(rows[1:], key=lambda row: row["F1"])
    figures = [
        Figure("F1 of this package less the best rival's", rows[0]["F1"] - rival["F1"], at_least=0),
        Figure(
            "processor time of the best rival by this package's",
            rival["ms per shot"] / rows[0]["ms per shot"],
            "×",
            at_least=50,
            note=rival["method"],
        ),
    ]
    print(*(figure.text() for figure in figures), *rows, sep="\n")
    if asked.store:
        what = f"""Detection of steps against a general change-point library on the same {len(work)}
        shots ({np.median(points):.0f} points in the median, {wanted} steps wanted). The library is
        helped: only clean fibre, levels divided by the true noise, and for each method the penalty
        with the best F1 afterwards. Its methods find little, since they were made for levels and
        not for slopes; its compiled one is fast."""
        save("detection", what, figures, methods=sorted(rows, key=lambda row: row["F1"]))


if __name__ == "__main__":
    main()

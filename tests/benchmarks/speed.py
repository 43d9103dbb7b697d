"""Processor time of detection and joint fit, and how it grows with points and splices.

The reference job is one pair of 2 × 30 000 points with 20 splices. Times are processor time
of one core, the least of several runs; the ratios are what can be compared between machines.
Run ``OMP_NUM_THREADS=1 python tests/benchmarks/speed.py``.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from common import least_cpu_s
from simulated import (
    Fibre,
    Instrument,
    Joint,
    Label,
    Section,
    shoot,
    sor_file,
    spacing_counts_for,
    with_far_end_noise,
)
from stored import Figure, rounded, save

from otdravg.pair.measure import measure
from otdravg.shot.detect import detect
from otdravg.shot.trace import Trace, traces_from
from otdravg.sor import SorFile

#: The reference job and what it may cost.
POINTS = 30_000
SPLICES = 20
LIMIT_MS = 60.0

_INDEX = 1.4682
_RECORD = 1.25  # record length as a multiple of the fibre's
_SECTION_M = 2_000.0


def pair_of(points: int, splices: int, seed: int = 7) -> tuple[Trace, Trace]:
    """Shoot one fibre from both ends (see :func:`pair_files`)."""
    a, b = pair_files(points, splices, seed)
    return traces_from(a)[0], traces_from(b)[0]


def pair_files(points: int, splices: int, seed: int = 7) -> tuple[SorFile, SorFile]:
    """Shoot one fibre from both ends.

    The fibre stays the same for a number of splices whatever the number of points: more
    points lie closer, as with a longer measurement of the same cable.
    """
    rng = np.random.default_rng(seed)
    sections = tuple(
        Section(_SECTION_M * rng.uniform(0.7, 1.3), 0.19 + rng.normal(0, 0.003), level_db)
        for level_db in rng.uniform(-0.1, 0.1, splices + 1)
    )
    joints = tuple(Joint(loss_db) for loss_db in rng.uniform(0.03, 0.2, splices))
    glass = Fibre(sections, joints, group_index=_INDEX)
    tool = Instrument(
        pulse_ns=300,
        spacing_counts=spacing_counts_for(_RECORD * glass.length_m / points, _INDEX),
        point_count=points,
        ripple_db=0.001,
        tail_ns=300,
    )
    files = []
    for number, link in enumerate((glass, glass.reversed())):
        noisy = with_far_end_noise(replace(tool), link, 0.01)
        shot = shoot(link, noisy, np.random.default_rng((seed, number)))
        files.append(sor_file(shot, Label(), "simulated.sor"))
    return files[0], files[1]


def cost_ms(points: int, splices: int, runs: int) -> tuple[float, float]:
    """Measure detection in both shots and the whole pair, milliseconds of processor time."""
    ab, ba = pair_of(points, splices)
    seen = least_cpu_s(lambda: (detect(ab, _INDEX), detect(ba, _INDEX)), runs)
    whole = least_cpu_s(lambda: measure(ab, ba), runs)
    return 1000 * seen, 1000 * whole


def main() -> None:
    """Print the reference job's cost and both scalings."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=9)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    cost_ms(POINTS, SPLICES, 1)  # warms caches up
    seen, whole = cost_ms(POINTS, SPLICES, asked.runs)
    figures = [
        Figure("detection in both shots", seen, "ms"),
        Figure("pairing and joint fit", whole - seen, "ms"),
        Figure("together", whole, "ms", at_most=LIMIT_MS),
    ]
    growth = []
    for jobs in (
        [(points, SPLICES) for points in (7_500, 15_000, 30_000, 60_000)],
        [(POINTS, splices) for splices in (5, 10, 20, 40)],
    ):
        first: float | None = None
        for points, splices in jobs:
            seen, whole = cost_ms(points, splices, asked.runs)
            first = first or whole
            growth.append(
                {
                    "points of a shot": points,
                    "splices": splices,
                    "detection, ms": seen,
                    "together, ms": whole,
                    "by the first": whole / first,
                }
            )
    growth = rounded(growth)
    print(*(figure.text() for figure in figures), *growth, sep="\n")
    if asked.store:
        what = (
            f"Processor time of a pair of 2 × {POINTS:,} points with {SPLICES} splices, one core, "
        )
        what += "medians; and how it grows, with the points at 20 splices and with the splices."
        save("speed", what, figures, growth=growth)


if __name__ == "__main__":
    main()

"""A cable with planted faults, reviewed: what was planted, found, missed, and claimed besides.

Writes the demo (864 fibres, 3,542 files by default), reviews it with the profile
``two-wavelengths`` and holds the result against the answers that the demo writes for its user. Run
``python tests/benchmarks/planted_run.py``; with ``--fibres 48`` for a quick look. Exit status 1 if
anything was missed, or claimed without reason.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from otdravg.cable import read_folders, review
from otdravg.simulate.demo import write_demo
from otdravg.verdict import load_shipped

# The tests hold the small run against its answers by the same rules.
sys.path.insert(0, str(Path(__file__).parents[1] / "cable"))
from planted_answers import compare, errors_db


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fibres", type=int, default=864)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--seed", type=int, default=20240514)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        began = time.perf_counter()
        run = write_demo(
            Path(place) / "shots",
            fibres=chosen.fibres,
            answers=Path(place) / "answers",
            seed=chosen.seed,
            workers=chosen.workers,
        )
        written = time.perf_counter()
        with ProcessPoolExecutor(chosen.workers) as executor:
            shots = read_folders([run.directory], executor)
            result = review(shots, load_shipped("two-wavelengths"), executor=executor)
        done = time.perf_counter()
        answers = compare(result, Path(place) / "answers")
        errors = errors_db(result, Path(place) / "answers")

    print(f"{chosen.fibres} fibres, {run.files} trace files, seed {chosen.seed}")
    print(f"written in {written - began:.1f} s, reviewed in {done - written:.1f} s")
    print(f"\n{'fault':50}{'planted':>8}{'found':>8}{'missed':>8}{'unseen':>8}")
    for fault in sorted({*answers.found, *answers.missed, *answers.unseen}):
        counts = [len(kind[fault]) for kind in (answers.found, answers.missed, answers.unseen)]
        print(f"{fault:50}{sum(counts):8}" + "".join(f"{count:8}" for count in counts))
    print("unseen: bad splices of fibres of which no two shots belong together")
    missed = [f"  {fault}: {place}" for fault, own in answers.missed.items() for place in own]
    print(f"\nmissed: {len(missed)}", *missed, sep="\n")
    print(f"claimed, but not planted: {len(answers.extra)}", *answers.extra, sep="\n  ")
    off = np.array([error for _, error in errors])
    expanded = np.array([row.expanded_uncertainty_db for row, _ in errors])
    print(
        f"\n{off.size} true losses measured: error RMS {np.sqrt(np.mean(off**2)) * 1000:.2f} mdB, "
        f"largest {np.abs(off).max() * 1000:.1f} mdB, "
        f"{np.mean(np.abs(off) <= expanded + 5e-4):.1%} within ±U"
    )
    return int(bool(missed or answers.extra))


if __name__ == "__main__":
    raise SystemExit(main())

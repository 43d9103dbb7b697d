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
from stored import Figure, save

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
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
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

    rows = []
    for fault in {*answers.found, *answers.missed, *answers.unseen}:
        found, missed, unseen = (
            len(kind[fault]) for kind in (answers.found, answers.missed, answers.unseen)
        )
        planted = found + missed + unseen
        row = {"fault": fault, "planted": planted, "found": found, "missed": missed}
        rows.append(row | {"unseen": unseen})
    rows.sort(key=lambda row: (-row["missed"], -row["unseen"], row["fault"]))
    missed_at = [
        f"missed: {fault}: {place}" for fault, own in answers.missed.items() for place in own
    ]
    claimed = [f"claimed: {text}" for text in answers.extra]
    off = np.array([error for _, error in errors])
    expanded = np.array([row.expanded_uncertainty_db for row, _ in errors])
    figures = [
        Figure("planted faults missed", len(missed_at), at_most=0),
        Figure("claimed, but not planted", len(claimed), at_most=0),
        Figure(
            "RMS error of the true losses",
            float(np.sqrt(np.mean(off**2))) * 1000,
            "mdB",
            note=f"{off.size:,} losses",
        ),
        Figure("largest error", float(np.abs(off).max()) * 1000, "mdB"),
        Figure("errors within ±U", 100 * float(np.mean(np.abs(off) <= expanded + 5e-4)), "%"),
        Figure("reviewed in", done - written, "s", note=f"{chosen.workers} workers"),
    ]
    print(f"{chosen.fibres} fibres, {run.files} trace files, seed {chosen.seed}")
    print(*(figure.text() for figure in figures), *rows, *missed_at, *claimed, sep="\n")
    if chosen.store:
        what = f"""The demo of {chosen.fibres} fibres at two wavelengths with faults ({run.files:,}
        trace files), reviewed and held against what was planted in it. Unseen are bad splices of
        fibres of which no two shots belong together."""
        save("planted_run", what, figures, faults=rows, wrong=missed_at + claimed)
    return int(bool(missed_at or claimed))


if __name__ == "__main__":
    raise SystemExit(main())

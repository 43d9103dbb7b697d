"""This tree against an earlier commit: time, calls, memory, and whether the results are equal.

    python tests/benchmarks/against_earlier.py [COMMIT]             # what it costs
    python tests/benchmarks/against_earlier.py [COMMIT] --results   # what it answers

The earlier tree is unpacked into a temporary folder and run from there; nothing is installed.
Both trees work on the same files, which this tree simulates, in turns and each in a process of
its own. Ratios are this tree by the earlier one: below 1 is less. They are medians of the ratios
of neighbouring turns, with the least and the largest. Times are processor time of one core, of
the fastest of several runs in one process: what else the machine does only ever adds.

``--results`` measures 100 fixed pairs (fast receivers, ordinary settings) with both trees, lists
every row that is not the same, has another verdict, or whose loss differs by more than a tenth of
its stated standard uncertainty, and ends with status 1 if there is one.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import statistics
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from common import ONE_THREAD
from corpus import random_pair
from equal_results import SAME_LOSS_U, differences, matched
from speed import pair_files
from stored import Figure, save

from otdravg import sor
from otdravg.simulate.demo import write_demo
from otdravg.simulate.physics import pulse_length_m

ROOT = Path(__file__).resolve().parents[2]
EARLIER = "0c16536"
PAIRS = 100
#: Seeds of the pairs that results are compared on.
FIRST_SEED = 90_000
#: Points of a record, splices, and runs of one process.
PAIR_JOBS = ((27_000, 10, 9), (8_000, 10, 21))


@dataclass(frozen=True, slots=True)
class Trees:
    """The two versions of the package."""

    earlier: Path
    now: Path = ROOT

    def both(self, *arguments: object, swapped: bool = False) -> tuple[Any, Any]:
        """Outcome of one job with the earlier tree and with this one."""
        order = (self.now, self.earlier) if swapped else (self.earlier, self.now)
        found = {tree: outcome(tree, *arguments) for tree in order}
        return found[self.earlier], found[self.now]


def outcome(tree: Path, *arguments: object) -> Any:
    """Run ``one_tree.py`` with one version of the package."""
    script = Path(__file__).with_name("one_tree.py")
    done = subprocess.run(
        [sys.executable, script, *map(str, arguments)],
        env=os.environ | ONE_THREAD | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.PIPE,
        check=True,
        cwd=tree,
    )
    answer = json.loads(done.stdout)
    if Path(answer["package"]).parent != tree:
        raise SystemExit(f"{answer['package']} was measured instead of {tree}")
    return answer


def unpack(commit: str, place: Path) -> Path:
    """Unpack the package of a commit."""
    archive = subprocess.run(
        ["git", "-C", ROOT, "archive", commit, "otdravg"], stdout=subprocess.PIPE, check=False
    )
    if archive.returncode:
        raise SystemExit(f"{commit} is no commit of this copy of the project")
    tree = place / "earlier"
    with tarfile.open(fileobj=io.BytesIO(archive.stdout)) as packed:
        packed.extractall(tree, **({"filter": "data"} if hasattr(tarfile, "data_filter") else {}))
    return tree.resolve()


def costs(trees: Trees, place: Path, turns: int, fibres: int) -> list[Figure]:
    """Time both trees in turns, and count calls once."""
    jobs: list[tuple[str, tuple[object, ...], int]] = []
    for points, splices, runs in PAIR_JOBS:
        paths = [place / f"{points}_{end}.sor" for end in "AB"]
        for path, file in zip(paths, pair_files(points, splices), strict=True):
            sor.write(file, path)
        jobs.append((f"pair of {points:,} points, {splices} splices", ("pair", *paths), runs))
    folder = place / "cable"
    write_demo(folder, fibres=fibres, wavelengths=(1310, 1550), faults=False)
    runs = 2 if fibres <= 96 else 1
    jobs.append((f"cable of {fibres} fibres × 2 × 2, one process", ("cable", folder), runs))
    figures = []
    for name, job, runs in jobs:
        pairs = [trees.both(*job, "--runs", runs, swapped=turn % 2 == 1) for turn in range(turns)]
        for key, unit in (("cpu_s", "s"), ("peak_mb", "MB")):
            what = {"cpu_s": "processor time", "peak_mb": "peak memory"}[key]
            figures.append(ratio(f"{name}: {what}", [(a[key], b[key]) for a, b in pairs], unit))
        if job[0] == "pair":
            a, b = trees.both(*job, "--calls")
            figures.append(ratio(f"{name}: function calls", [(a["calls"], b["calls"])], ""))
        for figure in figures[-3:] if job[0] == "pair" else figures[-2:]:
            print(figure.text(), flush=True)
    return figures


def ratio(what: str, pairs: list[tuple[float, float]], unit: str) -> Figure:
    """Ratio of this tree to the earlier one, with what both took."""
    each = [now / earlier for earlier, now in pairs]
    medians = [statistics.median(side) for side in zip(*pairs, strict=True)]
    return Figure(
        what,
        statistics.median(each),
        "×",
        low=min(each),
        high=max(each),
        note=f"{medians[0]:.4g} → {medians[1]:.4g} {unit}".rstrip(),
    )


def write_pairs(folder: Path, count: int) -> dict[str, float]:
    """Draw the pairs that results are compared on, with fast receivers.

    Returns how far apart two readings of one place may lie in each of them, metres: the longer
    pulse and three points.
    """
    folder.mkdir()
    tolerances_m = {}
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        pair = random_pair(
            np.random.default_rng(seed),
            most_points=16_000,
            rise_fraction=(0.01, 0.05),
            tail_fraction=(0.0, 0.0),
        )
        for end, file in (("A", pair.a), ("B", pair.b)):
            sor.write(file, folder / f"{seed}_{end}.sor")
        options = {
            "group_index": pair.shot_a.fibre.group_index,
            "launch_m": pair.cords_a.launch_m,
            "receive_m": pair.cords_b.launch_m,
        }
        text = json.dumps(options)
        (folder / f"{seed}.json").write_text(text, encoding="utf-8")
        tools = [shot.instrument for shot in (pair.shot_a, pair.shot_b)]
        pulse_m = max(pulse_length_m(pair.shot_a.fibre, tool.pulse_ns) for tool in tools)
        counts = max(tool.spacing_counts for tool in tools)
        point_m = pulse_length_m(pair.shot_a.fibre, 2e-5) * counts  # a count is 10⁻¹⁴ s one way
        tolerances_m[str(seed)] = pulse_m + 3 * point_m
    return tolerances_m


def compare_results(trees: Trees, place: Path, count: int) -> list[Figure]:
    """Measure the fixed pairs with both trees, and list what is not equal."""
    folder = place / "pairs"
    tolerances_m = write_pairs(folder, count)
    before, now = (each["pairs"] for each in trees.both("results", folder))
    kinds: Counter[str] = Counter()
    unequal = set()
    largest = 0.0
    u_ratios = []
    for name, old in before.items():
        for kind, text in differences(old, now[name], tolerances_m[name]):
            print(f"seed {name}: {kind}: {text}")
            kinds[kind] += 1
            unequal.add(name)
        for a, b in matched(old, now[name], tolerances_m[name]):
            if a and b and a["loss_db"] is not None and b["loss_db"] is not None:
                largest = max(largest, abs(a["loss_db"] - b["loss_db"]) / a["u_loss_db"])
                u_ratios.append(b["u_loss_db"] / a["u_loss_db"])
    rows = sum(len(each.get("rows", ())) for each in before.values())
    refused = sum("refused" in each for each in before.values())
    figures = [
        Figure(
            "pairs with any difference",
            len(unequal),
            f"of {len(before)}",
            at_most=0,
            note=", ".join(f"{kind} {n}" for kind, n in kinds.most_common()),
        ),
        Figure("differences", sum(kinds.values()), f"in {rows} rows", at_most=0),
        Figure("largest difference of a loss", largest, "u", at_most=SAME_LOSS_U),
        Figure(
            "stated uncertainty, now by earlier",
            statistics.median(u_ratios),
            "×",
            low=min(u_ratios),
            high=max(u_ratios),
        ),
        Figure("pairs refused by the earlier tree", refused, f"of {len(before)}"),
    ]
    print(*(figure.text() for figure in figures), sep="\n")
    return figures


def main() -> int:
    """Compare; 1 if results differ."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("commit", nargs="?", default=EARLIER)
    parser.add_argument("--results", action="store_true", help="compare results, not costs")
    parser.add_argument("--turns", type=int, default=5, help="processes of each tree and job")
    parser.add_argument("--fibres", type=int, default=24, help="fibres of the cable, such as 864")
    parser.add_argument("--pairs", type=int, default=PAIRS, help="pairs with --results")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        trees = Trees(unpack(asked.commit, place))
        if asked.results:
            figures = compare_results(trees, place, asked.pairs)
        else:
            figures = costs(trees, place, asked.turns, asked.fibres)
    name = "results_against_earlier" if asked.results else "costs_against_earlier"
    if asked.store:
        what = __doc__.partition("\n\n")[0] + f" The earlier commit is {asked.commit}."
        save(name, what, figures)
    return int(any(figure.holds is False for figure in figures))


if __name__ == "__main__":
    sys.exit(main())

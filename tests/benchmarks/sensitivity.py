"""What the chosen numbers of the core are worth: each at half and at double.

    python tests/benchmarks/sensitivity.py [--pairs N] [--only NAME ...] [--new] [--store]

Every constant of ``shot/``, ``fit/`` and ``pair/`` whose origin is "chosen, not derived", or that
has none yet, is changed in a copy of the package, and the copy measures the same simulated pairs
in a process of its own: ordinary and wide ones for recall, errors and coverage, and spliceless
ones for false splices. Whole numbers stay whole. ``--new`` tries what has nothing stored.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import pickle
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from common import (
    ONE_THREAD,
    both_ways,
    compare,
    covered,
    first_corpus,
    measure,
    rms,
    wide_corpus,
    wide_settings,
)
from core_constants import CHOSEN, ROOT, Constant, constants
from corpus import SimulatedPair, random_pair
from stored import RESULTS, Figure, rounded, save

ROOMS = ("shot", "fit", "pair")
FACTORS = (0.5, 2.0)
#: One-way steps that count for recall, dB: as in the accuracy benchmark.
PLAIN_STEP_DB = 0.05
#: Longer records take longer and are no harder.
MOST_POINTS = 16_000


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one version of the package makes of the pairs."""

    refused: int
    wanted: int
    missed: int
    false: int  # readings where there is no joint
    false_spliceless: int  # spliceless fibres that are said to have a splice
    findings: int  # of all pairs and spliceless fibres
    rms_mdb: float
    coverage: float
    joints: int


def pairs(count: int) -> tuple[list[SimulatedPair], list[SimulatedPair]]:
    """Draw pairs with joints, ordinary and wide, and spliceless ones."""
    drawn = [
        *(pair for _, pair in first_corpus(count, seed=110_000, most_points=MOST_POINTS)),
        *(pair for _, pair in wide_corpus(count, seed=120_000, most_points=MOST_POINTS)),
    ]
    bare = []
    for seed in range(130_000, 130_000 + count):
        rng = np.random.default_rng(seed)
        settings = wide_settings(rng, splices=(0, 0))
        bare.append(random_pair(rng, **settings, cords=0.0, most_points=MOST_POINTS))
    return drawn, bare


def outcome(jointed: list[SimulatedPair], bare: list[SimulatedPair]) -> Outcome:
    """Measure all pairs with the package that stands on the path."""
    cases = [measure(number, pair) for number, pair in enumerate(jointed)]
    compared = [compare(case) for case in cases]
    found = [each for joints, _ in compared for each in joints]
    wanted = [each for each in found if each.largest_one_way_db >= PLAIN_STEP_DB]
    both = [each for each in found if both_ways(each)]
    spliceless = [measure(number, pair).measurement for number, pair in enumerate(bare)]
    every = [*(case.measurement for case in cases), *spliceless]
    return Outcome(
        refused=sum(each is None for each in every),
        wanted=len(wanted),
        missed=sum(each.reading is None for each in wanted),
        false=sum(len(false) for _, false in compared),
        false_spliceless=sum(bool(pair and pair.readings) for pair in spliceless),
        findings=sum(len(each.findings) for each in every if each),
        rms_mdb=1e3 * rms(each.error_db for each in both),
        coverage=covered(both) / max(len(both), 1),
        joints=len(both),
    )


def chosen() -> list[Constant]:
    """Constants that are to be tried: all whose origin is no more than a choice, or missing."""
    return [
        each
        for each in constants(ROOMS)
        if not each.origin or each.origin.lower().startswith(CHOSEN)
    ]


def titled(constant: Constant) -> str:
    """A constant with its value, as it is stored: with another value it is another one."""
    return f"{constant.path.stem}.{constant.name} = {constant.value}"


def scaled(value: str, factor: float) -> str:
    """Source text of a constant's value times a factor; whole numbers stay whole, and above 0."""
    return (
        f"(lambda v, f: tuple(x * f for x in v) if isinstance(v, tuple)"
        f" else {{k: tuple(x * f for x in w) if isinstance(w, tuple) else w * f"
        f" for k, w in v.items()}} if isinstance(v, dict)"
        f" else max(round(v * f), 1) if isinstance(v, int) else v * f)({value}, {factor})"
    )


def changed_copy(constant: Constant, factor: float, place: Path) -> Path:
    """Copy the package with one constant changed."""
    tree = place / "changed"
    shutil.rmtree(tree, ignore_errors=True)
    shutil.copytree(
        ROOT / "otdravg", tree / "otdravg", ignore=shutil.ignore_patterns("__pycache__")
    )
    path = tree / constant.path
    source = path.read_text(encoding="utf-8")
    new = source[: constant.start] + scaled(constant.value, factor) + source[constant.stop :]
    path.write_text(new, encoding="utf-8")
    return tree


def measured(tree: Path, drawn: Path) -> Outcome | str:
    """What a tree makes of the drawn pairs, or the last line of why it failed."""
    done = subprocess.run(
        [sys.executable, __file__, "--measure", drawn],
        env=os.environ | ONE_THREAD | {"PYTHONPATH": str(tree)},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        return done.stderr.strip().splitlines()[-1][:160]
    return Outcome(**json.loads(done.stdout))


def row(constant: Constant, factor: float, plain: Outcome, new: Outcome | str) -> dict[str, Any]:
    """What a change does, as a row."""
    start: dict[str, Any] = {"constant": titled(constant), "times": factor}
    if isinstance(new, str):
        return start | {"fails": new}
    return start | {
        "refused": new.refused - plain.refused,
        "missed": new.missed - plain.missed,
        "false readings": new.false - plain.false,
        "false spliceless": new.false_spliceless - plain.false_spliceless,
        "findings": new.findings - plain.findings,
        "RMS error, ratio": new.rms_mdb / plain.rms_mdb,
        "coverage, points": 100 * (new.coverage - plain.coverage),
    }


def weight(row: dict[str, Any]) -> float:
    """How much a change matters, for the order of the rows."""
    if "fails" in row:
        return math.inf
    counted = ("refused", "missed", "false readings", "false spliceless", "findings")
    return (
        sum(abs(row[key]) for key in counted)
        + 10 * abs(math.log(row["RMS error, ratio"]))
        + abs(row["coverage, points"]) / 2
    )


class Rows:
    """What each constant does at half and double: what was stored before, and what is new."""

    def __init__(self, of_constant: dict[str, list[dict[str, Any]]]) -> None:
        still = {titled(each) for each in chosen()}
        self._of_constant = {name: of_constant[name] for name in of_constant if name in still}

    @classmethod
    def stored(cls) -> Rows:
        """Read what is stored, without constants that are gone or have another value now."""
        content = json.loads((RESULTS / "sensitivity.json").read_text("utf-8"))
        of_constant: dict[str, list[dict[str, Any]]] = {n: [] for n in content["change_nothing"]}
        for each in content["changes_worst_first"]:
            of_constant.setdefault(each["constant"], []).append(each)
        return cls(of_constant)

    def __contains__(self, name: str) -> bool:
        return name in self._of_constant

    def put(self, name: str, rows: list[dict[str, Any]]) -> None:
        """Put a constant's new rows in place of its old ones."""
        self._of_constant[name] = [each for each in rows if weight(each) > 0]

    def store(self, plain: Outcome, count: int) -> None:
        """Keep all for the docs."""
        rows = sorted((each for own in self._of_constant.values() for each in own), key=weight)
        strong = {each["constant"] for each in rows if weight(each) >= 1}
        still = sorted(name for name, own in self._of_constant.items() if not own)
        figures = [
            Figure("constants tried", len(self._of_constant), f"of {len(chosen())}"),
            Figure("of them, change nothing at half and double", len(still)),
            Figure("of them, change the outcome markedly", len(strong)),
            Figure(
                "RMS error, nothing changed", plain.rms_mdb, "mdB", note=f"{plain.joints} joints"
            ),
            Figure("coverage, nothing changed", 100 * plain.coverage, "%"),
            Figure("missed, nothing changed", plain.missed, f"of {plain.wanted}"),
        ]
        what = f"""Each constant of the core that was chosen, or has no origin yet, at half and at
            double, on {count} ordinary pairs, {count} wide ones and {count} without
            splices: what that does to the pairs refused, the joints missed (one-way step of
            {PLAIN_STEP_DB} dB and more), the readings and spliceless fibres that are false, the
            findings, the RMS error and the coverage of the 95 % intervals. Markedly: one more or
            less of something, a tenth of the RMS error, or two points of coverage. A set this small
            shows what is sensitive; that it shows nothing proves little. A constant is tried when
            it is new or has a new value: the rest of the core may have changed since."""
        save(
            "sensitivity", what, figures,
            changes_worst_first=rounded(rows[::-1]), change_nothing=still,
        )  # fmt: skip


def main() -> None:
    """Change the constants one by one and print what it did."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--pairs", type=int, default=10, help="pairs of each of three kinds")
    parser.add_argument("--only", nargs="*", default=(), help="names of constants")
    parser.add_argument("--new", action="store_true", help="only constants with nothing stored")
    parser.add_argument("--most", type=int, help="constants to try at most; 0 drops what is gone")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.measure:
        new = outcome(*pickle.loads(asked.measure.read_bytes()))
        json.dump({name: getattr(new, name) for name in Outcome.__slots__}, sys.stdout)
        return
    rows = Rows.stored()
    tried = [
        each
        for each in chosen()
        if (not asked.only or each.name in asked.only) and not (asked.new and titled(each) in rows)
    ]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        drawn = place / "pairs"
        drawn.write_bytes(pickle.dumps(pairs(asked.pairs)))
        plain = measured(ROOT, drawn)
        if isinstance(plain, str):
            raise SystemExit(plain)
        for constant in tried[: asked.most]:
            both = [
                row(constant, factor, plain, measured(changed_copy(constant, factor, place), drawn))
                for factor in FACTORS
            ]
            print(*both, sep="\n", flush=True)
            rows.put(titled(constant), both)
            if asked.store:  # at once: a stopped run has not been for nothing
                rows.store(plain, asked.pairs)
    if asked.store:
        rows.store(plain, asked.pairs)


if __name__ == "__main__":
    main()

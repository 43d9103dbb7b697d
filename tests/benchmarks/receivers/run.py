"""Measure pairs of any receiver and compare with the truth and with the best possible.

Run ``python tests/benchmarks/receivers/run.py [--family NAME] [--pairs N] [--seeds N ...]
[--workers N] [--store]``; without a family all of them. :mod:`families` says how each family is
made, :mod:`oracle` what the yardstick knows.

A pair is measured twice: *found*, where the package searches by itself, and *asked*, where it is
given the true positions, so that every joint gets a number and fit is told apart from search.

- A joint counts where the oracle's u is below 10 mdB. The connectors of the cords do not count.
- A row belongs to the nearest joint within a pulse, half of what the receiver adds to it, and
  three points. A group belongs to the joints inside it; its loss is held against their sum.
- Recall: of joints that count, whose true step is at least 0.05 dB in either direction, and that
  are isolated (no neighbour, panel or end within three times the length in which a step reaches
  99 %): those with a row of their own and a true loss in it.
- Not there: rows on the span that belong to no joint (second rows for one joint included), rows
  outside the span.
- RMS: joints that count with a row of their own; the oracle's RMS is of the same joints.
- Median: the ratio of the medians of both errors' sizes, which single failures leave alone; worst:
  the largest error.
- Misplaced: the span's length is wrong by more than a row may lie from its joint.
- Covered: share of |error| <= U (k = 2, unrounded). 95 % is honest.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import groupby
from multiprocessing import get_context
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from benchmarks.common import ONE_THREAD, share_interval
from benchmarks.receivers.adapter import Row, measured, trace_of
from benchmarks.receivers.families import FAMILIES, draw
from benchmarks.receivers.instrument import FloatArray
from benchmarks.receivers.oracle import yardstick
from benchmarks.stored import Figure, rounded, save

#: Nothing was tuned on pairs of these seeds.
SEEDS = (101, 202, 303)
#: Of each family and seed: some 500 joints a family, or more.
PAIRS = 60
#: A family whose pairs take thirty times as long as others gets no more of them a seed.
LARGE, PAIRS_OF_LARGE = "two_million", 15

COUNTS_BELOW_DB = 0.010
SHOWS_FROM_DB = 0.05
ISOLATED_RESPONSES = 3.0
#: An error that ``--details`` names, dB.
WILD_DB = 0.1
#: Stated chance of an event that is not there, a pair.
STATED_RATE = 0.001

WHAT = """
Pairs of any receiver, smoothing, rounding and record, from a model of instruments that shares
nothing with the package, on seeds that nothing was tuned on. Joints count where a fit that is told
all positions, the receiver and the noise knows their loss to u < 10 mdB; connectors of cords do
not. Recall is of isolated steps of 0.05 dB and more; a joint without a row of its own is missed,
whether it lies in a group or its pair is refused. RMS errors are of joints with a row of their
own, and the best possible fit's (oracle) of the same joints. Coverage is by U (k = 2) before
rounding. Intervals take joints, and events, as independent. Told: once more, with the true
positions given. Misplaced: pairs whose length is wrong by more than a row may lie from its joint.
In noise_only one end or both holds no fibre.
"""


@dataclass(frozen=True, slots=True)
class Joint:
    """One true joint, the oracle's reading and the package's, dB and metres from the span's A."""

    position_m: float
    loss_db: float
    largest_step_db: float
    isolated: bool
    oracle_error_db: float
    oracle_u_db: float
    error_db: float | None
    u_db: float | None
    asked_error_db: float | None
    asked_u_db: float | None
    group: bool
    reason: str

    @property
    def counts(self) -> bool:
        """Whether the best possible fit knows this loss well enough to ask for it."""
        return self.oracle_u_db < COUNTS_BELOW_DB

    @property
    def must_show(self) -> bool:
        """Whether missing this joint is a miss."""
        return self.counts and self.isolated and self.largest_step_db >= SHOWS_FROM_DB


@dataclass(frozen=True, slots=True)
class Outcome:
    """One pair measured."""

    family: str
    seed: int
    number: int
    joints: tuple[Joint, ...]
    phantoms_m: tuple[float, ...]
    outside_m: tuple[float, ...]
    group_errors_db: tuple[float, ...]
    length_error_m: float | None
    tolerance_m: float
    refusal: str
    asked_refusal: str
    findings: tuple[str, ...]
    cpu_s: float

    @property
    def misplaced(self) -> bool:
        """Whether the span's length is wrong by more than a row may lie from its joint."""
        return self.length_error_m is not None and abs(self.length_error_m) > self.tolerance_m


@dataclass(frozen=True, slots=True)
class Summary:
    """One family in one mode."""

    family: str
    mode: str
    pairs: int
    joints: int
    measured: int
    must_show: int
    recall: float
    phantoms_per_pair: float
    rms_mdb: float
    oracle_mdb: float
    ratio: float
    median_ratio: float
    worst_mdb: float
    covered: float
    refused: int
    refusals: dict[str, int]
    misplaced: int
    ms_per_pair: float


def run_pair(family: str, seed: int, number: int) -> Outcome:
    """Draw a pair, measure it twice and compare."""
    case = draw(family, seed, number)
    a, b = trace_of(case.a, "A.sor"), trace_of(case.b, "B.sor")
    found = measured(a, b, *case.stated_m)
    if case.a.link is None or case.b.link is None:
        at = tuple(row.start_m for row in found.rows)
        return Outcome(
            family,
            seed,
            number,
            (),
            at,
            (),
            (),
            None,
            0.0,
            found.refusal,
            "",
            found.findings,
            found.cpu_s,
        )
    link = case.a.link
    span_m = float(link.edges_m[-1]) - case.launch_m - case.receive_m
    at_m = link.edges_m[1:-1] - case.launch_m
    tolerance_m = case.pulse_m + max(case.response_m - case.pulse_m, 0) / 2 + 3 * case.spacing_m
    own, groups, phantoms, outside = matched(found.rows, at_m, span_m, tolerance_m)
    inside = np.flatnonzero((at_m > 1.0) & (at_m < span_m - 1.0))
    positions_m = tuple(float(at_m[j]) for j in inside)
    asked = measured(a, b, *case.stated_m, positions_m=positions_m)
    own_asked, _, _, _ = matched(asked.rows, at_m, span_m, tolerance_m)
    best = yardstick(case)
    gaps = np.diff(link.edges_m)
    joints, group_errors = [], []
    for j in inside:
        loss, step = float(link.loss_db[j + 1]), float(link.step_db[j + 1])
        row, asked_row = own.get(int(j)), own_asked.get(int(j))
        joints.append(
            Joint(
                float(at_m[j]), loss, max(abs(loss + step), abs(loss - step)),
                bool(min(gaps[j : j + 2]) >= ISOLATED_RESPONSES * case.response_m),
                float(best.error_db[j]), float(best.u_db[j]),
                *_error(row, loss), *_error(asked_row, loss),
                any(int(j) in members for _, members in groups),
                row.reason if row else "no row",
            )
        )  # fmt: skip
    for row, members in groups:
        error, _ = _error(row, float(np.sum(link.loss_db[1:-1][members])))
        if error is not None:
            group_errors.append(error)
    return Outcome(
        family, seed, number, tuple(joints), phantoms, outside, tuple(group_errors),
        None if found.refusal else found.length_m - span_m, tolerance_m,
        found.refusal, asked.refusal, found.findings, found.cpu_s,
    )  # fmt: skip


def _error(row: Row | None, truth_db: float) -> tuple[float | None, float | None]:
    if row is None or row.loss_db is None or row.u_loss_db is None:
        return None, None
    return row.loss_db - truth_db, row.u_loss_db


def matched(
    rows: Sequence[Row], at_m: FloatArray, span_m: float, tolerance_m: float
) -> tuple[dict[int, Row], list[tuple[Row, list[int]]], tuple[float, ...], tuple[float, ...]]:
    """Give each row its joint: own rows, groups with their members, rows of nothing, outside."""
    own: dict[int, Row] = {}
    groups: list[tuple[Row, list[int]]] = []
    taken: set[int] = set()
    for i, row in enumerate(rows):
        if row.kind != "group" and row.stop_m == row.start_m:
            continue
        held = (at_m > row.start_m - tolerance_m) & (at_m < row.stop_m + tolerance_m)
        members = [int(j) for j in np.flatnonzero(held)]
        if members:
            taken.add(i)
        if len(members) > 1:
            groups.append((row, members))
        elif members:
            own.setdefault(members[0], row)
    grouped = {j for _, members in groups for j in members}
    gaps = sorted(
        (abs(row.start_m - z), i, j)
        for i, row in enumerate(rows)
        if i not in taken
        for j, z in enumerate(at_m)
        if abs(row.start_m - z) <= tolerance_m
    )
    for _, i, j in gaps:
        if i not in taken and j not in own and j not in grouped:
            own[j] = rows[i]
            taken.add(i)
    phantoms, outside = [], []
    for i, row in enumerate(rows):
        if i in taken or min(abs(row.start_m), abs(row.start_m - span_m)) <= tolerance_m:
            continue
        (phantoms if 0 < row.start_m < span_m else outside).append(row.start_m)
    return own, groups, tuple(phantoms), tuple(outside)


def rms(values: Iterable[float]) -> float:
    """Root mean square; NaN of nothing."""
    array = np.fromiter(values, dtype=float)
    return float(np.sqrt(np.mean(array**2))) if array.size else math.nan


def _median(values: Iterable[float]) -> float:
    return float(np.median(np.abs(np.fromiter(values, dtype=float))))


def summed(outcomes: Sequence[Outcome], mode: str) -> Summary:
    """Sum the pairs of one family up; mode is ``found`` or ``asked``."""
    joints = [j for o in outcomes for j in o.joints if j.counts]
    asked = mode == "asked"
    pairs = [
        (j.asked_error_db, j.asked_u_db, j) if asked else (j.error_db, j.u_db, j) for j in joints
    ]
    known = [(error, u, j) for error, u, j in pairs if error is not None and u is not None]
    must = [p for p in pairs if p[2].must_show]
    phantoms = sum(len(o.phantoms_m) + len(o.outside_m) for o in outcomes)
    texts = [o.asked_refusal if asked else o.refusal for o in outcomes]
    refusals = Counter(text for text in texts if text)
    own, oracle = rms(e for e, _, _ in known), rms(j.oracle_error_db for _, _, j in known)
    return Summary(
        family=outcomes[0].family,
        mode=mode,
        pairs=len(outcomes),
        joints=len(joints),
        measured=len(known),
        must_show=len(must),
        recall=sum(e is not None for e, _, _ in must) / len(must) if must else math.nan,
        phantoms_per_pair=math.nan if asked else phantoms / len(outcomes),
        rms_mdb=1000 * own,
        oracle_mdb=1000 * oracle,
        ratio=own / oracle if known else math.nan,
        median_ratio=_median(e for e, _, _ in known) / _median(j.oracle_error_db for *_, j in known)
        if known
        else math.nan,
        worst_mdb=1000 * max((abs(e) for e, _, _ in known), default=math.nan),
        covered=float(np.mean([abs(e) <= 2 * u for e, u, _ in known])) if known else math.nan,
        refused=sum(refusals.values()),
        refusals=dict(refusals),
        misplaced=sum(o.misplaced for o in outcomes),
        ms_per_pair=1000 * float(np.mean([o.cpu_s for o in outcomes])),
    )


HEAD = (
    f"{'family':22s} {'mode':5s} pairs joints recall (of) not-there  rms mdB oracle   ratio"
    "  median   worst covered refused misplaced    ms"
)


def line(s: Summary) -> str:
    """One row of the table."""
    return (
        f"{s.family:22s} {s.mode:5s} {s.pairs:5d} {s.joints:6d} {s.recall:6.3f} {s.must_show:4d}"
        f" {s.phantoms_per_pair:9.2f} {s.rms_mdb:8.2f} {s.oracle_mdb:6.2f} {s.ratio:7.2f}"
        f" {s.median_ratio:7.2f} {s.worst_mdb:7.1f} {s.covered:7.3f}"
        f" {s.refused:7d} {s.misplaced:9d} {s.ms_per_pair:5.0f}"
    )


def badness(s: Summary) -> float:
    """How far a row is from good: missed joints, invented ones, refusals, ratio, coverage."""

    def or_zero(value: float) -> float:
        return 0.0 if math.isnan(value) else value

    missed = 0.0 if math.isnan(s.recall) else 1 - s.recall
    return (
        10 * missed
        + 2 * or_zero(s.phantoms_per_pair)
        + (0.0 if s.family == "noise_only" else 10 * (s.refused + s.misplaced) / s.pairs)
        + max(0.0, or_zero(s.ratio) - 1)
        + 10 * max(0.0, 0.95 - (0.95 if math.isnan(s.covered) else s.covered))
    )


def figures_of(s: Summary) -> Iterator[Figure]:
    """The figures of a family that have goals; none of joints where it has none."""
    if s.must_show:
        hits = round(s.recall * s.must_show)
        yield Figure(
            f"{s.family}: recall", s.recall, "", *share_interval(hits, s.must_show),
            at_least=0.99, note=f"{hits} of {s.must_show}",
        )  # fmt: skip
    events = round(s.phantoms_per_pair * s.pairs)
    yield Figure(
        f"{s.family}: events that are not there", s.phantoms_per_pair, "a pair",
        *rate_interval(events, s.pairs), not_above=STATED_RATE,
        note=f"{events} in {s.pairs} pairs, {s.refused} of them refused",
    )  # fmt: skip
    if s.joints:
        yield Figure(
            f"{s.family}: RMS error", s.ratio, "× the oracle's", at_most=1.3,
            note=f"{s.rms_mdb:.2f} mdB against {s.oracle_mdb:.2f}, "
            f"{s.measured} of {s.joints} joints",
        )  # fmt: skip
        hits = round(s.covered * s.measured) if s.measured else 0
        yield Figure(
            f"{s.family}: coverage", s.covered, "", *share_interval(hits, s.measured),
            between=(0.93, 0.99), note=f"{hits} of {s.measured}",
        )  # fmt: skip


def rate_interval(events: int, pairs: int) -> tuple[float, float]:
    """Exact 95 % confidence interval of a mean number a pair (Poisson; Garwood 1936)."""
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    return float(low) / pairs, float(stats.chi2.ppf(0.975, 2 * events + 2)) / 2 / pairs


def table_row(found: Summary, asked: Summary) -> dict[str, Any]:
    """A family as it is stored: found, and what changes where the positions are told."""
    return {
        "family": found.family,
        "pairs": found.pairs,
        "refused": found.refused,
        "misplaced": found.misplaced,
        "joints": found.joints,
        "measured": found.measured,
        "recall": found.recall,
        "not there a pair": found.phantoms_per_pair,
        "RMS mdB": found.rms_mdb,
        "oracle mdB": found.oracle_mdb,
        "ratio": found.ratio,
        "ratio of medians": found.median_ratio,
        "worst mdB": found.worst_mdb,
        "covered": found.covered,
        "told: ratio": asked.ratio,
        "told: covered": asked.covered,
        "ms a pair": found.ms_per_pair,
    }


def run(
    families: Sequence[str], pairs: int, seeds: Sequence[int], *, workers: int = 1, first: int = 0
) -> Iterator[Outcome]:
    """Measure pairs ``first`` … ``first + pairs − 1`` of every seed, family by family."""
    os.environ.update(ONE_THREAD)  # read by spawned processes when they load numpy
    tasks = [
        (family, seed, number)
        for family in families
        for seed in seeds
        for number in range(
            first, first + (min(pairs, PAIRS_OF_LARGE) if family == LARGE else pairs)
        )
    ]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(run_pair, *zip(*tasks, strict=True))


def main(arguments: Sequence[str] | None = None) -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--family", action="append", choices=FAMILIES, help="default: all")
    parser.add_argument("--pairs", type=int, default=PAIRS, help="of each family and seed")
    parser.add_argument("--seeds", type=int, nargs="+", default=SEEDS)
    parser.add_argument("--first", type=int, default=0, help="number of the first pair")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--details", action="store_true", help="say what was missed or invented")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args(arguments)
    ran = run(
        asked.family or FAMILIES, asked.pairs, asked.seeds, workers=asked.workers, first=asked.first
    )
    both: list[tuple[Summary, Summary]] = []
    print(HEAD)
    for _, each in groupby(ran, attrgetter("family")):
        outcomes = list(each)
        both.append((summed(outcomes, "found"), summed(outcomes, "asked")))
        print(*map(line, both[-1]), sep="\n", flush=True)
        if asked.details:
            _print_details(outcomes)
    both.sort(key=lambda modes: badness(modes[0]), reverse=True)
    figures = [figure for found, _ in both for figure in figures_of(found)]
    refusals = [
        f"{found.family}, {times}: {text}"
        for found, _ in both
        for text, times in found.refusals.items()
    ]
    print(*(figure.text() for figure in figures), *refusals, sep="\n")
    if asked.store:
        rows = rounded([table_row(*modes) for modes in both])
        save("receivers", WHAT, figures, families=rows, refusals=refusals)


def _print_details(outcomes: Sequence[Outcome]) -> None:
    for o in outcomes:
        lost = [j for j in o.joints if j.must_show and j.error_db is None and not o.refusal]
        wild = [
            f"{j.position_m:.0f} by {j.error_db:.2f} dB, u {j.u_db:.3f}"
            for j in o.joints
            if j.counts and j.error_db is not None and abs(j.error_db) > WILD_DB
        ]
        facts = {
            "missed": [f"{j.position_m:.0f} ({j.reason})" for j in lost if not j.group],
            "in a group": [round(j.position_m) for j in lost if j.group],
            "wild": wild,
            "not there": [round(z) for z in o.phantoms_m],
            "outside": [round(z) for z in o.outside_m],
            "length off": o.length_error_m if o.misplaced else None,
            "refused": o.refusal,
        }
        said = "; ".join(f"{name}: {value}" for name, value in facts.items() if value)
        if said:
            print(f"   seed {o.seed} number {o.number}: {said}")


if __name__ == "__main__":
    main()

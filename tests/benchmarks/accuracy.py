"""How near the measured losses come to the truth and to the best that physics allows.

Two corpora of simulated pairs: ordinary ones, and a wide one that spans everything an
instrument can be set to. A joint counts as found if a reading lies within the longer
pulse and three points of it. Run ``python tests/benchmarks/accuracy.py [--pairs N] [--store]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from common import (
    Case,
    Found,
    bands,
    both_ways,
    compare,
    covered,
    first_corpus,
    measure,
    rms,
    share_interval,
    wide_corpus,
)
from corpus import SimulatedPair
from oracle import OracleReading, oracle_readings
from simulated import JointKind
from stored import Figure, rounded, save

from otdravg.fit.reading import Reading

#: A one-way step that must not be missed in the ordinary corpus, dB.
PLAIN_STEP_DB = 0.05
#: The same in the wide corpus, where the bound on it is below ``SHARP_BOUND_DB``.
SMALL_STEP_DB = 0.03
SHARP_BOUND_DB = 0.006
#: Slices of fewer joints are shown, but no goal is set for them.
FEWEST_JOINTS = 30

WHAT = """
How near the measured losses come to the truth, on two corpora of simulated pairs. Ordinary:
pulses of 10 to 1000 ns, spacing 0.3 to 8 m, 2 to 10 splices, cords in half of them, unequal
pulses, spacings and indices, noise at the far end 1 to 30 mdB. Wide: pulses of 5 ns to 10 µs,
spans of 300 m to 120 km as far as the pulse reaches, 1 to 40 splices, 1310, 1490, 1550 and 1625
nm. The bound is the Cramér–Rao bound of a fit that is told positions, dead zones and noise; the
ratio is the RMS error by that fit's own on the same shots. It can be below 1, because that fit
takes every section by itself and the joint fit borrows slopes from others. "With joints" below
counts joints measured from both ends.
"""


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """A corpus measured: every true joint with the oracle's reading, and what was invented."""

    cases: tuple[Case, ...]
    found: tuple[Found, ...]
    oracle: tuple[OracleReading, ...]  # in the order of ``found``
    invented: tuple[tuple[Case, Reading], ...]


def run(corpus: Iterable[tuple[int, SimulatedPair]]) -> Outcome:
    """Measure every pair of a corpus and let the oracle fit it."""
    cases: list[Case] = []
    found: list[Found] = []
    oracle: list[OracleReading] = []
    invented: list[tuple[Case, Reading]] = []
    for seed, pair in corpus:
        case = measure(seed, pair)
        joints, false = compare(case)
        cases.append(case)
        found.extend(joints)
        oracle.extend(oracle_readings(pair))
        invented.extend((case, reading) for reading in false)
    return Outcome(tuple(cases), tuple(found), tuple(oracle), tuple(invented))


def must_find(outcome: Outcome, wide: bool) -> list[Found]:
    """The joints that have to be found, refused pairs left out (they are counted apart)."""
    wanted = []
    for each, best in zip(outcome.found, outcome.oracle, strict=True):
        if each.case.measurement is None:
            continue
        if not wide and each.largest_one_way_db >= PLAIN_STEP_DB:
            wanted.append(each)
        sharp = (
            abs(step_db) >= SMALL_STEP_DB and bound_db < SHARP_BOUND_DB
            for step_db, bound_db in (
                (each.joint.loss_ab_db, best.bound_ab_db),
                (each.joint.loss_ba_db, best.bound_ba_db),
            )
        )
        if wide and any(sharp):
            wanted.append(each)
    return wanted


def report(outcome: Outcome, name: str) -> tuple[list[Figure], list[dict[str, Any]], list[str]]:
    """Figures of a corpus, its slices with the worst first, and the seeds of what went wrong."""
    wide = name == "wide"
    refused = [case for case in outcome.cases if case.measurement is None]
    readings = sum(len(c.measurement.readings) for c in outcome.cases if c.measurement)
    pairs = [
        (each, best)
        for each, best in zip(outcome.found, outcome.oracle, strict=True)
        if both_ways(each) and np.isfinite(best.loss_db)
    ]
    wanted = must_find(outcome, wide)
    missed = [each for each in wanted if each.reading is None]
    grouped = [each for each in outcome.found if each.reading is not None and not each.alone]
    low, high = share_interval(len(wanted) - len(missed), len(wanted))
    what = f"one-way steps ≥ {PLAIN_STEP_DB} dB"
    if wide:
        what = f"one-way steps ≥ {SMALL_STEP_DB} dB with a bound < {SHARP_BOUND_DB} dB"
    misplaced = [case for case in outcome.cases if case.misplaced]
    false = len(outcome.invented)
    false_interval = share_interval(false, readings)
    count = f"of {len(outcome.cases)} pairs"
    figures = [
        Figure("refused", len(refused), count, at_most=0),
        Figure("span laid out wrongly", len(misplaced), count, at_most=0),
        Figure(
            f"recall of {what}",
            1 - len(missed) / len(wanted),
            low=low,
            high=high,
            at_least=0.99 if wide else 1.0,
            note=f"{len(missed)} of {len(wanted)} missed",
        ),
        Figure(
            "false readings",
            100 * false / max(readings, 1),
            "%",
            *(100 * each for each in false_interval),
            at_most=1.0,
            note=f"{false} of {readings}",
        ),
        Figure("joints measured as part of a group", len(grouped), f"of {len(outcome.found)}"),
        Figure(
            "processor time per pair, median",
            1000 * float(np.median([case.cpu_s for case in outcome.cases])),
            "ms",
        ),
        *_located(pairs),
    ]
    everything = _slice("all joints", pairs)
    figures += [
        Figure("RMS error of the true loss", everything["RMS, mdB"], "mdB", at_most=3.0),
        Figure("bias / RMS", abs(everything["bias, mdB"]) / everything["RMS, mdB"], at_most=0.1),
        *_goals(everything, coverage=(93.0, 97.0)),
    ]
    pairs = [(each, best) for each, best in pairs if not each.case.misplaced]
    slices = [_slice("all on a rightly placed span", pairs)]
    slices += [_slice(title, members) for title, members in _slices(pairs) if members]
    slices.sort(key=lambda row: -row["ratio"])
    large = [row for row in slices if row["joints"] >= FEWEST_JOINTS]
    for row in large:
        if row["slice"].startswith("pulse"):
            figures += _goals(row)
    worst = max(large, key=lambda row: row["ratio"], default=None)
    least = min(large, key=lambda row: row["coverage, %"], default=None)
    if worst and least:
        figures.append(
            replace(_goals(worst)[0], what="worst ratio in a slice", note=worst["slice"])
        )
        figures.append(
            replace(_goals(least)[1], what="least coverage in a slice", note=least["slice"])
        )
    figures = [replace(figure, what=f"{name}: {figure.what}") for figure in figures]
    slices = rounded([{"corpus": name, **row} for row in slices])
    return figures, slices, _worst(outcome, pairs, missed, refused)


Pairs = Sequence[tuple[Found, OracleReading]]


def _slice(name: str, pairs: Pairs) -> dict[str, Any]:
    """One slice: errors in mdB, ratio to the oracle, coverage."""
    found = [each for each, _ in pairs]
    errors = np.array([each.error_db for each in found])
    best = rms(o.loss_db - each.joint.loss_db for each, o in pairs)
    hits = covered(found)
    low, high = share_interval(hits, len(found))
    return {
        "slice": name,
        "joints": len(found),
        "RMS, mdB": 1e3 * rms(errors),
        "bias, mdB": 1e3 * float(errors.mean()),
        "bound, mdB": 1e3 * rms(o.bound_loss_db for _, o in pairs),
        "ratio": rms(errors) / best,
        "coverage, %": 100 * hits / len(found),
        "from": 100 * low,
        "to": 100 * high,
    }


def _goals(row: dict[str, Any], coverage: tuple[float, float] = (90.0, 99.0)) -> list[Figure]:
    """Ratio and coverage of a slice against their goals."""
    note = f"{row['joints']} joints, RMS {row['RMS, mdB']:.2f} mdB"
    return [
        Figure(f"ratio to the oracle, {row['slice']}", row["ratio"], at_most=1.2, note=note),
        Figure(
            f"coverage of 95 % intervals, {row['slice']}",
            row["coverage, %"],
            "%",
            row["from"],
            row["to"],
            between=coverage,
        ),
    ]


def _located(pairs: Pairs) -> list[Figure]:
    """Location error in units of max(pulse / 4, 2 points)."""
    figures = []
    for name, choose in (("longer", max), ("shorter", min)):
        units = []
        for each, _ in pairs:
            case = each.case
            unit_m = choose(
                max(shot.pulse_m() / 4, 2 * shot.spacing_m()) for shot in (case.ab, case.ba)
            )
            assert each.reading is not None
            units.append((each.reading.distance_m - each.joint.position_m) / unit_m)
        figures.append(
            Figure(
                f"location RMS by max(pulse / 4, 2 points) of the {name} pulse",
                rms(units),
                at_most=1.0,
                note=f"median {np.median(np.abs(units)):.2f}",
            )
        )
    return figures


def _slices(pairs: Pairs) -> list[tuple[str, Pairs]]:
    """Sort the joints by what may spoil a measurement."""
    keys: tuple[tuple[str, Callable[[Found, OracleReading], float], Sequence[float], str], ...] = (
        ("pulse", lambda f, _: 1e9 * _pulse_s(f.case), (30, 300, 3000), "ns"),
        ("distance", lambda f, _: f.joint.position_m / 1000, (1, 5, 20), "km"),
        ("bound", lambda _, o: 1e3 * o.bound_loss_db, (0.3, 1, 3), "mdB"),
        (
            "section",
            lambda f, _: f.shorter_section_m / f.case.pulse_m,
            (5, 10, 30, 100),
            "pulses",
        ),
        ("loss", lambda f, _: f.joint.loss_db, (0.04, 0.08, 0.15), "dB"),
        ("step", lambda f, _: abs(f.joint.step_db), (0.03, 0.1), "dB"),
    )
    slices: list[tuple[str, Pairs]] = []
    for name, key, edges, unit in keys:
        for band, members in bands([key(f, o) for f, o in pairs], edges, unit):
            slices.append((f"{name} {band}", [pairs[i] for i in members]))
    tests: tuple[tuple[str, Callable[[Found], bool]], ...] = (
        ("first or last joint", lambda f: f.number in (0, len(f.case.pair.truth) - 1)),
        ("inner joint", lambda f: 0 < f.number < len(f.case.pair.truth) - 1),
        ("splice", lambda f: f.joint.kind is JointKind.SPLICE),
        ("connector", lambda f: f.joint.kind is JointKind.CONNECTOR),
        ("smoothed by the maker", lambda f: _smoothing(f.case) > 1),
        ("not smoothed", lambda f: _smoothing(f.case) == 1),
        ("equal pulses", lambda f: f.case.ab.pulse_m() == f.case.ba.pulse_m()),
        ("unequal pulses", lambda f: f.case.ab.pulse_m() != f.case.ba.pulse_m()),
    )
    for name, test in tests:
        slices.append((name, [(f, o) for f, o in pairs if test(f)]))
    return slices


def _pulse_s(case: Case) -> float:
    return max(case.ab.settings.pulse_ns, case.ba.settings.pulse_ns) * 1e-9


def _smoothing(case: Case) -> int:
    shots = (case.pair.shot_a, case.pair.shot_b)
    return max(shot.instrument.smoothing_points for shot in shots)


def _worst(
    outcome: Outcome, pairs: Pairs, missed: Sequence[Found], refused: Sequence[Case]
) -> list[str]:
    """Name the seeds of what went wrong."""
    lines = [
        f"refused: seed {case.seed}, {_setting(case)}: {case.refusal[:150]}" for case in refused[:8]
    ]
    for case in outcome.cases:
        if case.misplaced and case.measurement:
            axis = case.measurement.axis
            lines.append(
                f"laid out wrongly: seed {case.seed}, length {axis.length_m:.1f} m, starts "
                f"{axis.start_a_m:.1f} m ({axis.basis_a.value}) and {axis.start_b_m:.1f} m "
                f"({axis.basis_b.value}), cords {case.pair.cords_a.launch_m:.1f} m and "
                f"{case.pair.cords_b.launch_m:.1f} m, {_setting(case)}"
            )
    for each in missed[:12]:
        joint = each.joint
        lines.append(
            f"missed: seed {each.case.seed}, {joint.kind.value} at {joint.position_m:.0f} m, "
            f"{joint.loss_ab_db:+.3f}/{joint.loss_ba_db:+.3f} dB, {_setting(each.case)}"
        )
    for case, reading in outcome.invented[:15]:
        lines.append(
            f"false: seed {case.seed}, {reading.kind.value} at {reading.distance_m:.1f} m, "
            f"{reading.loss_ab_db}/{reading.loss_ba_db} dB, {_setting(case)}"
        )
    by_score = sorted(pairs, key=lambda pair: -abs(pair[0].score))[:8]
    by_bound = sorted(pairs, key=lambda pair: -abs(pair[0].error_db) / pair[1].bound_loss_db)[:8]
    for each, best in dict.fromkeys((*by_score, *by_bound)):
        assert each.reading is not None
        lines.append(
            f"worst: seed {each.case.seed}, {each.reading.kind.value} at "
            f"{each.joint.position_m:.0f} m off by {1e3 * each.error_db:+.2f} mdB = "
            f"{each.score:+.1f} u (bound {1e3 * best.bound_loss_db:.2f} mdB), "
            f"{each.shorter_section_m / each.case.pulse_m:.1f} pulses, {_setting(each.case)}"
        )
    return lines


def _setting(case: Case) -> str:
    pulses = "/".join(f"{shot.settings.pulse_ns:.0f}" for shot in (case.ab, case.ba))
    spacings = "/".join(f"{shot.spacing_m():.2f}" for shot in (case.ab, case.ba))
    return (
        f"{pulses} ns, {spacings} m, span {case.pair.span_m:.0f} m, {len(case.pair.truth)} joints"
    )


def main() -> None:
    """Print the figures of both corpora."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=200, help="pairs of each corpus")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    figures: list[Figure] = []
    slices: list[dict[str, Any]] = []
    seeds: list[str] = []
    for name, corpus in (("ordinary", first_corpus), ("wide", wide_corpus)):
        own, rows, lines = report(run(corpus(asked.pairs)), name)
        print(*(figure.text() for figure in own), sep="\n")
        for row in rows:
            print("  ".join(f"{key} {value}" for key, value in row.items()))
        print(*lines, sep="\n")
        figures, slices = figures + own, slices + rows
        seeds += [f"{name}, {line}" for line in lines]
    if asked.store:
        slices.sort(key=lambda row: -row["ratio"])
        save("accuracy", WHAT, figures, slices_worst_first=slices, seeds=seeds)


if __name__ == "__main__":
    main()

"""How near the measured losses come to the truth and to the best that physics allows.

Two corpora of simulated pairs: ordinary ones, and a wide one that spans everything an
instrument can be set to. A joint counts as found if a reading lies within the longer
pulse and three points of it. Run ``python tests/benchmarks/accuracy.py [--pairs N]``.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

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

from otdravg.fit.reading import Reading
from otdravg.simulate import JointKind

#: A one-way step that must not be missed in the ordinary corpus, dB.
PLAIN_STEP_DB = 0.05
#: The same in the wide corpus, where the bound on it is below ``SHARP_BOUND_DB``.
SMALL_STEP_DB = 0.03
SHARP_BOUND_DB = 0.006


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


def report(outcome: Outcome, wide: bool) -> None:
    """Print all figures of a corpus."""
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
    what = f"one-way step ≥ {PLAIN_STEP_DB} dB"
    if wide:
        what = f"one-way step ≥ {SMALL_STEP_DB} dB with a bound < {SHARP_BOUND_DB} dB"
    milliseconds = 1000 * float(np.median([case.cpu_s for case in outcome.cases]))
    misplaced = [case for case in outcome.cases if case.misplaced]
    print(f"pairs {len(outcome.cases)}, refused {len(refused)}, joints {len(outcome.found)}")
    print(f"pairs whose span was laid out wrongly: {len(misplaced)}")
    print(f"processor time per pair, median: {milliseconds:.0f} ms")
    print(f"joints with {what}: {len(wanted)}, missed {len(missed)}", end="")
    print(f", recall {1 - len(missed) / len(wanted):.4f} (95 %: {low:.4f} to {high:.4f})")
    share = len(outcome.invented) / max(readings, 1)
    print(f"false: {len(outcome.invented)} of {readings} readings, {100 * share:.2f} %")
    print(f"joints measured as part of a group: {len(grouped)}")
    _located(pairs)
    print(f"{'':34}   n    RMS    bias   bound  ratio  coverage (95 % interval)")
    _line("all", pairs)
    pairs = [(each, best) for each, best in pairs if not each.case.misplaced]
    _line("all on a rightly placed span", pairs)
    for name, members in _slices(pairs):
        _line(name, members)
    _worst(outcome, pairs, missed, refused)


Pairs = Sequence[tuple[Found, OracleReading]]


def _line(name: str, pairs: Pairs) -> None:
    """Print one slice: errors in mdB, ratio to the oracle, coverage."""
    if not pairs:
        return
    found = [each for each, _ in pairs]
    errors = np.array([each.error_db for each in found])
    best = rms(o.loss_db - each.joint.loss_db for each, o in pairs)
    bound = rms(o.bound_loss_db for _, o in pairs)
    hits = covered(found)
    low, high = share_interval(hits, len(found))
    print(
        f"{name:34} {len(found):4d} {1e3 * rms(errors):6.2f} {1e3 * errors.mean():+7.3f} "
        f"{1e3 * bound:7.2f} {rms(errors) / best:6.2f} {100 * hits / len(found):6.1f} % "
        f"({100 * low:.1f} to {100 * high:.1f})"
    )


def _located(pairs: Pairs) -> None:
    """Print the location error in units of max(pulse / 4, 2 points)."""
    for name, choose in (("longer", max), ("shorter", min)):
        units = []
        for each, _ in pairs:
            case = each.case
            unit_m = choose(
                max(shot.pulse_m() / 4, 2 * shot.spacing_m()) for shot in (case.ab, case.ba)
            )
            assert each.reading is not None
            units.append((each.reading.distance_m - each.joint.position_m) / unit_m)
        print(
            f"location in units of max(pulse / 4, 2 points) of the {name} one: "
            f"RMS {rms(units):.2f}, median {np.median(np.abs(units)):.2f}"
        )


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
) -> None:
    """Name the seeds of what went wrong."""
    for case in refused[:8]:
        print(f"refused: seed {case.seed}, {_setting(case)}: {case.refusal[:150]}")
    for case in outcome.cases:
        if case.misplaced and case.measurement:
            axis = case.measurement.axis
            print(
                f"laid out wrongly: seed {case.seed}, length {axis.length_m:.1f} m, starts "
                f"{axis.start_a_m:.1f} m ({axis.basis_a.value}) and {axis.start_b_m:.1f} m "
                f"({axis.basis_b.value}), cords {case.pair.cords_a.launch_m:.1f} m and "
                f"{case.pair.cords_b.launch_m:.1f} m, {_setting(case)}"
            )
    for each in missed[:12]:
        joint = each.joint
        print(
            f"missed: seed {each.case.seed}, {joint.kind.value} at {joint.position_m:.0f} m, "
            f"{joint.loss_ab_db:+.3f}/{joint.loss_ba_db:+.3f} dB, {_setting(each.case)}"
        )
    for case, reading in outcome.invented[:15]:
        print(
            f"false: seed {case.seed}, {reading.kind.value} at {reading.distance_m:.1f} m, "
            f"{reading.loss_ab_db}/{reading.loss_ba_db} dB, {_setting(case)}"
        )
    by_score = sorted(pairs, key=lambda pair: -abs(pair[0].score))[:8]
    by_bound = sorted(pairs, key=lambda pair: -abs(pair[0].error_db) / pair[1].bound_loss_db)[:8]
    for each, best in dict.fromkeys((*by_score, *by_bound)):
        assert each.reading is not None
        print(
            f"worst: seed {each.case.seed}, {each.reading.kind.value} at "
            f"{each.joint.position_m:.0f} m off by {1e3 * each.error_db:+.2f} mdB = "
            f"{each.score:+.1f} u (bound {1e3 * best.bound_loss_db:.2f} mdB), "
            f"{each.shorter_section_m / each.case.pulse_m:.1f} pulses, {_setting(each.case)}"
        )


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
    pairs = parser.parse_args().pairs
    print("ORDINARY CORPUS; RMS, bias and bound in mdB (0.001 dB)")
    report(run(first_corpus(pairs)), wide=False)
    print("\nWIDE CORPUS")
    report(run(wide_corpus(pairs)), wide=True)


if __name__ == "__main__":
    main()

"""How often a valid file that means something else gives a wrong loss and nobody is told.

Simulated pairs of known truth, ordinary ones and a wide corpus, are changed in one of the
ways of ``changed_meaning`` and measured as ``otdravg pair`` does. A result is **wrong** if a
true loss is off by more than 0.02 dB and by more than its stated uncertainty (k = 2), or if a
splice above 0.05 dB is missing or invented, where the pair before the change was right. It is
**silent** if it was not refused and no caution or defect came up that the pair did not have
before the change. **Moved** means that all losses are right and their places are not.

    python tests/fuzz/silent_wrongness.py                  # 5,000 changed, 600 valid pairs
    python tests/fuzz/silent_wrongness.py --cases 360 --valid 0
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

import numpy as np  # noqa: E402
import pytest  # noqa: E402

_TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(_TESTS), str(_TESTS / "benchmarks"), str(_TESTS / "fuzz")]

from changed_meaning import CHANGES, Draw, Files  # noqa: E402
from common import share_interval, wide_settings  # noqa: E402
from corpus import SimulatedPair, random_pair  # noqa: E402
from simulated import TrueJoint  # noqa: E402

from otdravg import sor  # noqa: E402
from otdravg.errors import OtdravgError  # noqa: E402
from otdravg.findings import Finding, Severity  # noqa: E402
from otdravg.fit.reading import Kind, Reading  # noqa: E402
from otdravg.pair import measure as bidirectional  # noqa: E402
from otdravg.pair.measure import Measurement, measure  # noqa: E402
from otdravg.shot.settings import Direction  # noqa: E402
from otdravg.shot.trace import traces_from  # noqa: E402
from otdravg.simulate.demo import write_demo  # noqa: E402
from otdravg.simulate.physics import pulse_length_m  # noqa: E402
from otdravg.verdict.decision import Verdict  # noqa: E402
from otdravg.verdict.judge import judge  # noqa: E402
from otdravg.verdict.limits import Limits  # noqa: E402
from otdravg.words.catalogue import place as place_of  # noqa: E402
from otdravg.words.catalogue import sentence  # noqa: E402

#: A loss off by more than this is wrong, dB.
LOSS_OFF_DB = 0.02
#: A splice that is invented or missing counts from this loss on, dB.
SPLICE_COUNTS_DB = 0.05
#: Points of a record; long ones are no harder and take longer.
MOST_POINTS = 12_000
#: Stands for a verdict that says by itself that the pair may be wrong.
BELOW_ZERO = "verdict: below zero"


@dataclass(frozen=True, slots=True)
class Result:
    """What came of one changed pair."""

    change: str
    number: int
    refused: str = ""
    wrong: tuple[str, ...] = ()
    moved: bool = False
    told: frozenset[str] = frozenset()  # codes of what came up with the change

    @property
    def silent(self) -> bool:
        """Whether a wrong loss was reported and nobody was told."""
        return bool(self.wrong) and not self.told


@dataclass(frozen=True, slots=True)
class Reported:
    """What a user is told of a pair: losses and their places, and all warnings."""

    measurement: Measurement
    codes: frozenset[str]


def drawn(number: int, attempt: int = 0) -> SimulatedPair:
    """Draw the pair of a case: even numbers ordinary, odd ones from the wide corpus."""
    rng = np.random.default_rng([number, attempt, 1])
    settings = {} if number % 2 == 0 else wide_settings(rng, splices=(1, 16))
    return random_pair(rng, most_points=MOST_POINTS, **settings)


def reported(pair: SimulatedPair, files: Files) -> Reported | str:
    """Measure and judge as the command does; the refusal where there is one."""
    ab, ba = traces_from(files[0])[0], traces_from(files[1])[0]
    exchanged = files == (pair.b, pair.a)
    cords = (pair.cords_b, pair.cords_a) if exchanged else (pair.cords_a, pair.cords_b)
    stated = {
        name: own.launch_m
        for name, own, trace in (("launch_m", cords[0], ab), ("receive_m", cords[1], ba))
        if own.launch_m > 0 and trace.user_offset_m() == 0
    }
    try:
        measurement = measure(ab.facing(Direction.A_TO_B), ba.facing(Direction.B_TO_A), **stated)
    except OtdravgError as error:
        return getattr(getattr(error, "reason", None), "name", type(error).__name__)
    report = judge(measurement, Limits())
    findings = (
        *report.doubts,
        *measurement.findings,
        *measurement.ab.findings,
        *measurement.ba.findings,
    )
    codes = {f.code for f in findings if f.severity is not Severity.NOTE}
    if any(judged.verdict is Verdict.IMPLAUSIBLE for judged in report.splices):
        codes.add(BELOW_ZERO)
    return Reported(measurement, frozenset(codes))


def wrongs(
    truth: Sequence[TrueJoint], span_m: float, pair: SimulatedPair, seen: Measurement
) -> tuple[frozenset[str], bool]:
    """What is wrong with a measurement, and whether its places are shifted or stretched.

    Places are compared as they are, then stretched to the same length, then shifted, then to
    within the pulse on the label: the alignment with the fewest wrong losses counts.
    """
    true_index = pair.shot_a.fibre.group_index
    usual = true_index / seen.axis.group_index
    at = np.array([joint.position_m for joint in truth])
    reading_at = np.array([reading.distance_m for reading in seen.readings])
    tolerance_m = max(
        pulse_length_m(shot.fibre, shot.instrument.pulse_ns)
        + 3e-14 * shot.instrument.spacing_counts * 2.998e8 / shot.fibre.group_index
        for shot in (pair.shot_a, pair.shot_b)
    )
    stated_m = max(
        side.shot.pulse_m + 3 * side.shot.spacing_m for side in (seen.side_ab, seen.side_ba)
    )
    plain = _compared(truth, at * usual, seen, tolerance_m)
    if not plain:
        return plain, False
    alignments = [at * (seen.axis.length_m / span_m)]
    if at.size and reading_at.size:
        shifts = (reading_at[None, :] - (at * usual)[:, None]).ravel()
        alignments += [at * usual + shift for shift in np.unique(np.round(shifts))[:60]]
    compared = [_compared(truth, each, seen, tolerance_m) for each in alignments]
    compared.append(_compared(truth, at * usual, seen, max(tolerance_m, stated_m)))
    best = min(compared, key=len)
    return (best, True) if len(best) < len(plain) else (plain, False)


def _compared(
    truth: Sequence[TrueJoint],
    at_m: np.ndarray,
    seen: Measurement,
    tolerance_m: float,
) -> frozenset[str]:
    """Names of wrong losses, ``loss n``, ``missing n``, and of invented ones by their place."""
    found: set[str] = set()
    used: dict[int, int] = {}  # joint -> reading
    for number, (reading, place) in enumerate(zip(seen.readings, seen.places, strict=True)):
        if reading.kind is not Kind.GROUP:
            continue
        low, high = place.start_m - tolerance_m, place.stop_m + tolerance_m
        used |= {int(j): number for j in np.flatnonzero((at_m > low) & (at_m < high))}
    gaps = sorted(
        (abs(reading.distance_m - at_m[j]), j, number)
        for number, reading in enumerate(seen.readings)
        if reading.kind is not Kind.GROUP
        for j in range(len(truth))
        if abs(reading.distance_m - at_m[j]) <= tolerance_m
    )
    for _, j, number in gaps:
        if j not in used and number not in used.values():
            used[j] = number
    for number, reading in enumerate(seen.readings):
        own = [j for j, taken in used.items() if taken == number]
        if reading.loss_db is None:
            continue  # not reported, and said so
        off_db = abs(reading.loss_db - sum(truth[j].loss_db for j in own))
        beyond = off_db > (reading.expanded_uncertainty_db or 0.0)
        if own and off_db > LOSS_OFF_DB and beyond:
            found |= {f"loss {j}" for j in own}
        elif not own and off_db > SPLICE_COUNTS_DB and beyond:
            found.add(f"invented {_nearest(reading, at_m)}")
    found |= {
        f"missing {j}"
        for j, joint in enumerate(truth)
        if j not in used and abs(joint.loss_db) > SPLICE_COUNTS_DB
    }
    return frozenset(found)


def _nearest(reading: Reading, at_m: np.ndarray) -> str:
    """Where an invented reading stands: between which joints."""
    return f"behind {int(np.searchsorted(at_m, reading.distance_m))}"


def changed(number: int) -> Result:
    """Change one pair and compare what is reported before and after with the truth.

    A pair that is not measured right before the change says nothing of it: another is drawn.
    """
    name = list(CHANGES)[number % len(CHANGES)]
    for attempt in range(20):
        pair = drawn(number, attempt)
        rng = np.random.default_rng([number, attempt, 2])
        draw = Draw(pair, int(rng.integers(2)), rng)
        after = reported(pair, CHANGES[name](draw))
        if isinstance(after, str):
            return Result(name, number, refused=after)
        truth = list(pair.truth)
        if name == "ends exchanged":
            truth = [_mirrored(joint, pair.span_m) for joint in reversed(truth)]
        wrong, moved = wrongs(truth, pair.span_m, pair, after.measurement)
        if not wrong and not moved:
            return Result(name, number, told=after.codes)
        before = reported(pair, draw.files)
        if isinstance(before, str):
            continue
        known, shifted = wrongs(pair.truth, pair.span_m, pair, before.measurement)
        if not known and not shifted:
            codes = after.codes - before.codes
            return Result(name, number, "", tuple(sorted(wrong)), moved, codes)
    raise RuntimeError(f"case {number}: twenty pairs were not measured right")


def _mirrored(joint: TrueJoint, span_m: float) -> TrueJoint:
    return TrueJoint(
        span_m - joint.position_m, joint.loss_db, -joint.step_db, joint.kind, joint.reflectance_db
    )


def spread(work: object, items: Sequence[int], workers: int) -> list[object]:
    """Do the work for every item in processes that give way to others; says how far it is."""
    done: list[object] = []
    with ProcessPoolExecutor(workers, initializer=os.nice, initargs=(10,)) as executor:
        for result in executor.map(work, items, chunksize=8):  # type: ignore[arg-type]
            done.append(result)
            if len(done) % 250 == 0:
                print(f"{len(done)} of {len(items)}", file=sys.stderr, flush=True)
    return done


@dataclass
class Tally:
    """Which cautions and defects valid pairs give rise to."""

    pairs: int = 0
    codes: Counter[str] = field(default_factory=Counter)
    examples: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(self, name: str, findings: Iterable[Finding]) -> None:
        """Count one pair."""
        self.pairs += 1
        grave = [f for f in findings if f.severity is not Severity.NOTE]
        for code in {f.code for f in grave}:
            self.codes[code] += 1
        for finding in grave:
            self.examples[finding.code].append(
                f"{name}: {place_of(finding.where)}: {sentence(finding)}"
            )


def _valid(number: int) -> list[Finding] | None:
    pair = drawn(1_000_000 + number)
    result = reported(pair, (pair.a, pair.b))
    return None if isinstance(result, str) else _checked(result.measurement)


def _checked(measurement: Measurement) -> list[Finding]:
    from otdravg.pair.checks import pair_findings

    return [*pair_findings(measurement), *measurement.findings]


def valid_corpus(count: int, workers: int) -> Tally:
    """Findings of unchanged pairs, ordinary and wide."""
    tally = Tally()
    for number, findings in enumerate(spread(_valid, range(count), workers)):
        if findings is not None:
            tally.add(f"seed {number}", findings)  # type: ignore[arg-type]
    return tally


def demo_cable(fibres: int) -> Tally:
    """Findings of the pairs of a simulated cable without planted faults."""
    tally = Tally()
    with TemporaryDirectory() as folder:
        for a, b in write_demo(Path(folder) / "demo", fibres=fibres).pairs:
            traces = [traces_from(sor.read(path))[0] for path in (a, b)]
            try:
                tally.add(a.name, _checked(measure(*traces)))
            except OtdravgError:
                continue
    return tally


class _Collector:
    """A pytest plugin that keeps every pair which the hard optics tests measure."""

    def __init__(self) -> None:
        self.tally = Tally()

    @pytest.hookimpl
    def pytest_sessionstart(self) -> None:
        """Look over the shoulder of the measurement."""
        plain = bidirectional.measure

        def watched(*args: object, **how: object) -> Measurement:
            measurement = plain(*args, **how)  # type: ignore[arg-type]
            self.tally.add(os.environ["PYTEST_CURRENT_TEST"], _checked(measurement))
            return measurement

        bidirectional.measure = watched  # type: ignore[assignment]


def hard_optics() -> Tally:
    """Findings of the pairs in the tests of hard optics, all of them valid."""
    collector = _Collector()
    path = str(_TESTS / "pair" / "test_hard_optics.py")
    pytest.main(["-n0", "-q", "--no-header", "-p", "no:cacheprovider", path], plugins=[collector])
    return collector.tally


def print_changed(results: Sequence[Result]) -> None:
    """Print the table of classes, which code caught what, and what stayed silent."""
    print(f"{'changed':30} cases refused right moved wrong told silent   told by")
    by_change: dict[str, list[Result]] = defaultdict(list)
    for result in results:
        by_change[result.change].append(result)
    for name in CHANGES:
        own = by_change[name]
        wrong = [r for r in own if r.wrong]
        told = Counter(code for r in wrong for code in r.told)
        print(
            f"{name:30} {len(own):5d} {sum(bool(r.refused) for r in own):7d} "
            f"{sum(not r.refused and not r.wrong and not r.moved for r in own):5d} "
            f"{sum(not r.wrong and r.moved for r in own):5d} {len(wrong):5d} "
            f"{sum(bool(r.told) for r in wrong):4d} {sum(r.silent for r in own):6d}   "
            + ", ".join(f"{code} {count}" for code, count in told.most_common(4))
        )
    silent = [r for r in results if r.silent]
    low, high = share_interval(len(silent), len(results))
    print(
        f"silent: {len(silent)} of {len(results)} = {len(silent) / len(results):.4f} "
        f"(95 %: {low:.4f} to {high:.4f})"
    )
    wrong = [r for r in results if r.wrong]
    moved = [r for r in results if r.moved and not r.wrong]
    print(f"wrong and not refused: {len(wrong)}; moved: {len(moved)}, told {_told(moved)}")
    print("a code, the wrong results with it, and those that it alone told of:")
    codes = Counter(code for r in wrong for code in r.told)
    alone = Counter(next(iter(r.told)) for r in wrong if len(r.told) == 1)
    for code, count in codes.most_common():
        print(f"  {code:28} {count:5d} {alone[code]:5d}")
    for result in silent:
        print(f"silent: case {result.number}, {result.change}: {', '.join(result.wrong)}")


def _told(results: Sequence[Result]) -> int:
    return sum(bool(r.told) for r in results)


def print_valid(name: str, tally: Tally) -> None:
    """Print how often each caution or defect comes up where nothing is wrong."""
    print(f"\nVALID, {name}: {tally.pairs} pairs")
    for code, count in tally.codes.most_common():
        high = share_interval(count, tally.pairs)[1]
        print(f"  {code:28} {count:5d} = {count / tally.pairs:.4f} (to {high:.4f} at 97.5 %)")
        for example in tally.examples[code][:3]:
            print(f"      {example[:180]}")


def main(argv: list[str] | None = None) -> int:
    """Print what was measured; 1 if 1 % or more of the changed pairs are silently wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=5000, help="changed pairs")
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--valid", type=int, default=600, help="unchanged pairs")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    asked = parser.parse_args(argv)
    share = 0.0
    if asked.cases:
        numbers = range(asked.first, asked.first + asked.cases)
        results: list[Result] = spread(changed, numbers, asked.workers)  # type: ignore[assignment]
        print_changed(results)
        share = sum(r.silent for r in results) / len(results)
    if asked.valid:
        print_valid("ordinary and wide corpus", valid_corpus(asked.valid, asked.workers))
        print_valid("simulated cable", demo_cable(24))
        print_valid("hard optics", hard_optics())
    return int(share >= 0.01)


if __name__ == "__main__":
    sys.exit(main())

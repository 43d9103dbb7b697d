"""Run the real command on the catalogue of cables and say how often it was right.

    python tests/scenarios/cable/run.py --kinds all --versions 3 --json result.json
    python tests/scenarios/cable/run.py --kinds numbering,slack_in_one_ribbon --show
    python tests/scenarios/cable/run.py --frozen

Every case is run in an empty folder that holds its files and nothing else; screen and tables are
read. The table has one line for each kind, bad ones first. ``--frozen`` runs the version of each
kind that ``known_red.toml`` names, else the first, and says what is not as it says there.
"""

from __future__ import annotations

import argparse
import csv
import inspect
import json
import math
import os
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from click.testing import CliRunner  # noqa: E402

from otdravg.cli import main as command  # noqa: E402
from scenarios.cable.case import Case  # noqa: E402
from scenarios.cable.judging import Judgement, Outcome, deviations, judge, wrongs  # noqa: E402
from scenarios.cable.kinds import CHAPTERS, KINDS, acted, story_of  # noqa: E402
from scenarios.cable.reading import Reading, Run, Table, read_review  # noqa: E402
from scenarios.cable.world import inside  # noqa: E402

__all__ = ["KNOWN_RED", "KNOWN_RED_FILE", "Tried", "main", "tried"]

KNOWN_RED_FILE = Path(__file__).with_name("known_red.toml")
#: Kind → the version that the program gets wrong today, and what it does.
KNOWN_RED: dict[str, dict[str, Any]] = tomllib.loads(KNOWN_RED_FILE.read_text(encoding="utf-8"))

# Up to click 8.1 standard error is kept apart only where it is asked for; later always.
_APART = {"mix_stderr": False} if "mix_stderr" in inspect.signature(CliRunner).parameters else {}
_RUNNER = CliRunner(**_APART)
_OUT = "result"


@dataclass(frozen=True, slots=True)
class Tried:
    """A case, what the review said, and whether that was right."""

    case: Case
    said: Reading
    judged: Judgement


def tried(case: Case) -> Tried:
    """Put the files into an empty folder, run the command, read screen and tables, judge."""
    with tempfile.TemporaryDirectory() as folder, inside(folder):
        for name, content in case.files:
            Path(name).parent.mkdir(parents=True, exist_ok=True)
            Path(name).write_bytes(content)
        said = read_review(_run((*case.command, "--out", _OUT, "--workers", "1")))
    return Tried(case, said, judge(case, said))


def _run(arguments: Sequence[str]) -> Run:
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        result = _RUNNER.invoke(command, list(arguments), prog_name="otdravg")
    broke = None
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        broke = "".join(traceback.format_exception_only(result.exception)).strip()
    told = tuple(f"{w.category.__name__}: {w.message}" for w in warned)
    tables = {path.stem: _table_of(path) for path in sorted(Path(_OUT).glob("*.csv"))}
    return Run(result.exit_code, result.stdout, result.stderr, tables, broke, told)


def _table_of(path: Path) -> Table:
    with path.open(encoding="utf-8-sig", newline="") as lines:
        return list(csv.DictReader(lines))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the kinds asked for; the exit status is 0 whatever the program did."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kinds", default="all", help="names, chapters, or all; comma between")
    parser.add_argument("--versions", type=int, default=3, help="random versions of each kind")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--json", type=Path, help="where the judgements go")
    parser.add_argument("--show", action="store_true", help="print every screen that was not right")
    parser.add_argument("--keep", type=Path, help="put the files of every case below this folder")
    parser.add_argument("--frozen", action="store_true", help="hold against known_red.toml")
    options = parser.parse_args(arguments)
    started = time.perf_counter()
    results = []
    for kind in _chosen(options.kinds):
        seeds = range(options.first, options.first + options.versions)
        for seed in (KNOWN_RED.get(kind, {"seed": 0})["seed"],) if options.frozen else seeds:
            case = acted(kind, seed)
            if options.keep is not None:
                _keep(case, options.keep / f"{kind}-{seed}")
            results.append(tried(case))
    for line in _table(results):
        print(line)
    print(f"{(time.perf_counter() - started) / max(1, len(results)):.2f} s a case")
    if options.frozen:
        for line in _against_frozen(results):
            print(line)
    if options.show:
        for one in results:
            if not one.judged.outcome.good:
                _show(one)
    if options.json is not None:
        options.json.write_text(json.dumps([_record(one) for one in results], indent=1))
    return 0


def _told(one: Tried) -> str:
    return f"{one.judged.outcome.value}: {one.judged.why}"


def _against_frozen(results: Sequence[Tried]) -> Iterator[str]:
    yield ""
    for one in results:
        known, good = KNOWN_RED.get(one.case.kind), one.judged.outcome.good
        if known is not None and good:
            yield f"TURNED GREEN, take its entry out: {one.case.kind}"
        elif known is None and not good:
            yield f"TURNED RED: {one.case.kind} {one.case.seed}: {_told(one)}"
        elif known is not None and known["does"] != _told(one):
            yield f"red for another reason: {one.case.kind}: {_told(one)}"


def _keep(case: Case, folder: Path) -> None:
    for name, content in case.files:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


def _chosen(names: str) -> list[str]:
    if names == "all":
        return list(KINDS)
    chosen: list[str] = []
    for name in names.split(","):
        if name not in KINDS and name not in CHAPTERS:
            raise SystemExit(f"no kind or chapter {name!r}")
        chosen.extend(CHAPTERS.get(name, (name,)))
    return chosen


def _show(one: Tried) -> None:
    print(f"\n=== {one.case.kind} {one.case.seed}: {story_of(one.case.kind)}")
    print(f"otdravg {' '.join(one.case.command)} -> {one.said.exit_code}")
    for wrong in wrongs(one.case, one.said)[:12]:
        print(f"  ! {wrong.outcome.value}: {wrong.why}")
    print(one.said.text)
    for finding in one.said.findings:
        print(f"  . {finding.text[:400]}")


def _table(results: Sequence[Tried]) -> Iterator[str]:
    by_kind: dict[str, list[Tried]] = {}
    for one in results:
        by_kind.setdefault(one.case.kind, []).append(one)
    rank = list(Outcome).index
    worst = {
        kind: min((one.judged.outcome for one in ones), key=rank) for kind, ones in by_kind.items()
    }
    for kind in sorted(by_kind, key=lambda k: (rank(worst[k]), k)):
        ones = by_kind[kind]
        counts = Counter(one.judged.outcome for one in ones)
        what = ", ".join(
            f"{n} {o.value}" for o, n in sorted(counts.items(), key=lambda c: rank(c[0]))
        )
        yield f"{kind:42} {what}"
        for one in ones:
            if not one.judged.outcome.good:
                yield f"      {one.case.seed}: {one.judged.why[:150]}"
    totals = Counter(one.judged.outcome for one in results)
    yield ""
    yield f"{len(by_kind)} kinds, {len(results)} cases"
    for outcome in Outcome:
        kinds = sum(1 for o in worst.values() if o is outcome)
        yield f"{outcome.value:24} {totals[outcome]:4} cases, worst of {kinds:3} kinds"
    off = [pair for one in results for pair in deviations(one.case, one.said)]
    if off:
        rms_db = math.sqrt(sum(d * d for d, _ in off) / len(off))
        # Half a step of the printed loss is no part of U.
        inside = sum(abs(d) <= u + 0.0005 for d, u in off) / len(off)
        yield f"{len(off)} graded rows: RMS {1000 * rms_db:.2f} mdB, {inside:.1%} inside U"


def _record(one: Tried) -> dict[str, object]:
    return {
        "kind": one.case.kind,
        "seed": one.case.seed,
        "story": story_of(one.case.kind),
        "outcome": one.judged.outcome.value,
        "why": one.judged.why,
        "all": [f"{w.outcome.value}: {w.why}" for w in wrongs(one.case, one.said)],
        "exit_code": one.said.exit_code,
        "allowed": sorted(one.case.exit_codes),
        "orders": [str(order) for order in one.said.orders],
        "findings": [f"{f.severity} {f.code}" for f in one.said.findings],
    }


if __name__ == "__main__":
    raise SystemExit(main())

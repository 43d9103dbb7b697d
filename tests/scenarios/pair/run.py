"""Run the real command on the catalogue of pairs and say how often it was right.

    python tests/scenarios/pair/run.py --kinds all --versions 3 --json result.json
    python tests/scenarios/pair/run.py --kinds bad_clear,months_apart_gone_bad --show

Every case is run twice, for the eye and with ``--json``, in an empty folder that holds its files
and nothing else. The table has one line for each kind, bad ones first.
"""

from __future__ import annotations

import argparse
import contextlib
import inspect
import json
import os
import sys
import tempfile
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from click.testing import CliRunner  # noqa: E402

from otdravg.cli import main as command  # noqa: E402
from scenarios.pair.case import Case  # noqa: E402
from scenarios.pair.judging import Judgement, Outcome, judge  # noqa: E402
from scenarios.pair.kinds import CHAPTERS, KINDS, acted, story_of  # noqa: E402
from scenarios.pair.reading import Reading, Run, read_screen  # noqa: E402

__all__ = ["Tried", "main", "tried"]

# Up to click 8.1 standard error is kept apart only where it is asked for; later always.
_APART = {"mix_stderr": False} if "mix_stderr" in inspect.signature(CliRunner).parameters else {}
_RUNNER = CliRunner(**_APART)


@dataclass(frozen=True, slots=True)
class Tried:
    """A case, what the screen said, and whether that was right."""

    case: Case
    said: Reading
    judged: Judgement


def tried(case: Case) -> Tried:
    """Put the files into an empty folder, run the command for eye and machine, judge."""
    with tempfile.TemporaryDirectory() as folder, _inside(folder):
        for name, content in case.files:
            Path(name).write_bytes(content)
        said = read_screen(_run(case.command), _run((*case.command, "--json")))
    return Tried(case, said, judge(case, said))


@contextlib.contextmanager
def _inside(folder: str) -> Iterator[None]:
    before = Path.cwd()
    os.chdir(folder)
    try:
        yield
    finally:
        os.chdir(before)


def _run(arguments: Sequence[str]) -> Run:
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        result = _RUNNER.invoke(command, list(arguments), prog_name="otdravg")
    broke = None
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        broke = "".join(traceback.format_exception_only(result.exception)).strip()
    told = tuple(f"{w.category.__name__}: {w.message}" for w in warned)
    return Run(result.exit_code, result.stdout, result.stderr, broke, told)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the kinds asked for; the exit status is 0 whatever the program did."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kinds", default="all", help="names, chapters, or all; comma between")
    parser.add_argument("--versions", type=int, default=3, help="random versions of each kind")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--json", type=Path, help="where the judgements go")
    parser.add_argument("--show", action="store_true", help="print every screen that was not right")
    options = parser.parse_args(arguments)
    results = [
        tried(acted(kind, seed))
        for kind in _chosen(options.kinds)
        for seed in range(options.first, options.first + options.versions)
    ]
    for line in _table(results):
        print(line)
    if options.show:
        for one in results:
            if one.judged.outcome is not Outcome.RIGHT:
                print(f"\n=== {one.case.kind} {one.case.seed}: {_told(one)}")
                print(f"otdravg {' '.join(one.case.command)} -> {one.said.exit_code}")
                print(one.said.text)
    if options.json is not None:
        options.json.write_text(json.dumps([_record(one) for one in results], indent=1))
    return 0


def _chosen(names: str) -> list[str]:
    if names == "all":
        return list(KINDS)
    chosen: list[str] = []
    for name in names.split(","):
        if name not in KINDS and name not in CHAPTERS:
            raise SystemExit(f"no kind or chapter {name!r}")
        chosen.extend(CHAPTERS.get(name, (name,)))
    return chosen


def _told(one: Tried) -> str:
    return f"{one.judged.outcome.value}: {one.judged.why}"


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


def _record(one: Tried) -> dict[str, object]:
    return {
        "kind": one.case.kind,
        "seed": one.case.seed,
        "story": story_of(one.case.kind),
        "outcome": one.judged.outcome.value,
        "why": one.judged.why,
        "tellable": one.case.tellable,
        "odds": one.case.odds,
        "exit_code": one.said.exit_code,
        "allowed": sorted(one.case.exit_codes),
        "orders_m": one.said.orders_m,
        "doubts": one.said.doubts,
        "looks_m": one.said.looks_m,
    }


if __name__ == "__main__":
    raise SystemExit(main())

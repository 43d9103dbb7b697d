"""Everything that tries to break the program, one after the other, with its counts.

    python tests/fuzz/run_all.py                 # full counts: hours
    python tests/fuzz/run_all.py --share 0.01    # a hundredth of each: minutes
    python tests/fuzz/run_all.py reader reviews  # only these
    python tests/fuzz/run_all.py --store         # and keep what came of it for the docs

Exit status 0 if nothing broke.
"""

from __future__ import annotations

import argparse
import importlib
import json
import sys
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path

_HERE = Path(__file__).resolve().parent


@dataclass(frozen=True)
class Job:
    """A script, its option for the number of cases, and how many the full run has."""

    script: str
    option: str
    full_count: int


JOBS = (
    Job("reader", "--count", 1_000_000),
    Job("pairs", "--count", 20_000),
    Job("reviews", "--count", 20_000),
    Job("silent_wrongness", "--cases", 5_000),
    Job("interruption", "--kills", 50),
    Job("decisions_attacks", "--count", 2_000),
)


def main(argv: list[str] | None = None) -> int:
    """Run the scripts, print what each counted and a summary; 1 if something broke."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("scripts", nargs="*", choices=[*(job.script for job in JOBS), []])
    parser.add_argument("--share", type=float, default=1.0, help="part of the full counts")
    parser.add_argument("--store", action="store_true", help="keep the counts for the docs")
    options = parser.parse_args(argv)
    sys.path[:0] = [str(_HERE), str(_HERE.parent)]
    summary = [f"{'script':<20}{'cases':>12}{'seconds':>10}  outcome ({date.today().isoformat()})"]
    broken = False
    rows: list[dict[str, object]] = []
    for job in JOBS:
        if options.scripts and job.script not in options.scripts:
            continue
        count = max(round(job.full_count * options.share), 1)
        print(f"\n=== {job.script}", flush=True)
        began = time.monotonic()
        status = importlib.import_module(job.script).main([job.option, str(count)])
        broken |= status != 0
        outcome = "held" if status == 0 else "BROKEN"
        seconds = time.monotonic() - began
        rows.append(
            {
                "script": job.script,
                "outcome": outcome,
                "cases": count,
                "full run": job.full_count,
                "seconds": round(seconds),
                "date": date.today().isoformat(),
            }
        )
        summary.append(f"{job.script:<20}{count:>12,}{seconds:>10,.0f}  {outcome}")
    print("\n" + "\n".join(summary))
    if options.store:
        store(rows)
    return int(broken)


def store(rows: list[dict[str, object]]) -> None:
    """Keep the rows with the benchmarks' figures; scripts that did not run keep theirs."""
    sys.path.insert(0, str(_HERE.parent / "benchmarks"))
    from stored import RESULTS, Figure, save

    path = RESULTS / "fuzz.json"
    before = json.loads(path.read_text(encoding="utf-8"))["runs"] if path.exists() else []
    new = {row["script"]: row for row in (*before, *rows)}
    runs = sorted(new.values(), key=lambda row: (row["outcome"] == "held", row["script"]))
    broken = sum(row["outcome"] != "held" for row in runs)
    what = """Attacks: damaged and odd files, shots and folders, valid pairs that mean something
    else, runs that are killed, decisions that are tampered with. A script holds if not one of its
    cases broke what its section in tests/fuzz/README.md promises."""
    save("fuzz", what, [Figure("scripts with a broken case", broken, at_most=0)], runs=runs)


if __name__ == "__main__":
    sys.exit(main())

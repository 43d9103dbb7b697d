"""Everything that tries to break the program, one after the other, with its counts.

    python tests/fuzz/run_all.py                 # full counts: hours
    python tests/fuzz/run_all.py --share 0.01    # a hundredth of each: minutes
    python tests/fuzz/run_all.py reader reviews  # only these

Exit status 0 if nothing broke.
"""

from __future__ import annotations

import argparse
import importlib
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
    options = parser.parse_args(argv)
    sys.path.insert(0, str(_HERE))
    summary = [f"{'script':<20}{'cases':>12}{'seconds':>10}  outcome ({date.today().isoformat()})"]
    broken = False
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
        summary.append(f"{job.script:<20}{count:>12,}{seconds:>10,.0f}  {outcome}")
    print("\n" + "\n".join(summary))
    return int(broken)


if __name__ == "__main__":
    sys.exit(main())

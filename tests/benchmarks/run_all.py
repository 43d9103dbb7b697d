"""Run the benchmarks one after another, store their figures, and make ``docs/measured.md``.

    python tests/benchmarks/run_all.py                    # everything; an hour
    python tests/benchmarks/run_all.py accuracy speed     # only these
    python tests/benchmarks/run_all.py --quick            # smaller sets; stores nothing

Needs the extra ``bench`` for the comparison with a general change-point library, and git for
the comparison with an earlier commit.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import write_measured
from common import ONE_THREAD


@dataclass(frozen=True, slots=True)
class Job:
    """A script, its usual arguments, and those with ``--quick``."""

    name: str
    script: str
    usual: tuple[str, ...] = ()
    quick: tuple[str, ...] = ()


JOBS = (
    Job("accuracy", "accuracy.py", (), ("--pairs", "30")),
    Job("false_alarms", "false_alarms.py", (), ("--fibres", "100")),
    Job("receivers", "receivers/run.py", ("--workers", "2"), ("--pairs", "1")),
    Job("sensitivity", "sensitivity.py", (), ("--pairs", "2", "--most", "2")),
    Job("detection", "detection.py", (), ("--pairs", "3")),
    Job("pair_scenarios", "pair_scenarios.py", ("--workers", "2"), ("--versions", "1")),
    Job("cable_scenarios", "cable_scenarios.py", (), ("--minutes", "1")),
    Job("speed", "speed.py", (), ("--runs", "3")),
    Job("read_speed", "read_speed.py"),
    Job("start", "start.py", (), ("3",)),
    Job("cable_speed", "cable_speed.py", (), ("--fibres", "96")),
    Job("closeout_speed", "closeout_speed.py", (), ("--fibres", "96")),
    Job("page_speed", "page_speed.py", (), ("--fibres", "24")),
    Job("watch_burst", "watch_burst.py", (), ("--fibres", "48")),
    Job("watch_estimates", "watch_estimates.py", (), ("--cables", "1")),
    Job("planted_run", "planted_run.py", (), ("--fibres", "48")),
    Job("costs_against_earlier", "against_earlier.py", (), ("--turns", "1")),
    Job("results_against_earlier", "against_earlier.py", ("--results",), ("--results",)),
)


def main() -> int:
    """Run the scripts; return 1 if one of them failed or missed a limit."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", choices=[*(job.name for job in JOBS), []])
    parser.add_argument("--quick", action="store_true", help="smaller sets; stores nothing")
    asked = parser.parse_args()
    failed = []
    for job in JOBS:
        if asked.names and job.name not in asked.names:
            continue
        arguments = job.quick if asked.quick else (*job.usual, "--store")
        print(f"\n=== {job.script} {' '.join(arguments)}".rstrip(), flush=True)
        script = Path(__file__).parent / job.script
        done = subprocess.run(
            [sys.executable, script, *arguments], env=os.environ | ONE_THREAD, check=False
        )
        if done.returncode:
            failed.append(job.name)
    if not asked.quick:
        write_measured.main()
    print("\nfailed, or missed a limit:", ", ".join(failed) or "none")
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())

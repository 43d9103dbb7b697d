"""Print every figure of the benchmarks, one core, one after another.

Run ``python tests/benchmarks/run_all.py``; ``--quick`` uses smaller sets. Needs the
extra ``bench`` for the comparison with a general change-point library.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path

#: Script, its arguments, and its arguments with ``--quick``.
_JOBS = (
    ("accuracy.py", (), ("--pairs", "30")),
    ("false_alarms.py", (), ("--fibres", "100")),
    ("detection.py", (), ("--pairs", "3")),
    ("speed.py", (), ("--runs", "3")),
    ("read_speed.py", (), ()),
)

#: Numerical libraries start threads of their own unless told not to.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def main() -> int:
    """Run the scripts; return 1 if one of them failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller sets, a minute in all")
    quick = parser.parse_args().quick
    failed = False
    for script, usual, small in _JOBS:
        print(f"\n=== {script}", flush=True)
        command = [
            sys.executable,
            str(Path(__file__).with_name(script)),
            *(small if quick else usual),
        ]
        failed |= subprocess.run(command, env=os.environ | _ONE_THREAD, check=False).returncode != 0
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())

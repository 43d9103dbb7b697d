"""Time and memory of a whole cable review, stage by stage, and how they grow with fibres.

The reference job is 864 fibres at two wavelengths from both ends: 3,456 files of 24,000 points,
ten closures (from 48 fibres on; half as many are measured for comparison). Times are
wall-clock on this machine with as many processes as stated, and the processor time of all
of them, which does not depend on what else the machine does; memory is the peak of the
parent and of its largest worker. Run ``python tests/benchmarks/cable_speed.py``; with
``--fibres 96`` (48 at least for the half) for a quick look.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from otdravg.cable import read_folders, review
from otdravg.simulate.demo import write_demo
from otdravg.verdict import default

LIMIT_S = 60.0
LIMIT_MB = 600.0
WAVELENGTHS = (1310, 1550)


def processor_s() -> float:
    """Processor time of this process and of its finished workers."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def reviewed(folder: Path, workers: int) -> dict[str, float]:
    """Review a folder; seconds by stage, with "read", "all" and "processor"."""
    began, used = time.perf_counter(), processor_s()
    with ProcessPoolExecutor(workers) as executor:
        shots = read_folders([folder], executor)
        read = time.perf_counter() - began
        result = review(shots, default(), executor=executor)
    whole = time.perf_counter() - began
    return {"read": read, **result.stage_seconds, "all": whole, "processor": processor_s() - used}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fibres", type=int, default=864)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    counts = (chosen.fibres // 2, chosen.fibres)
    taken = []
    for fibres in counts:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "run"
            write_demo(
                folder,
                fibres=fibres,
                wavelengths=WAVELENGTHS,
                faults=False,
                workers=chosen.workers,
            )
            taken.append(reviewed(folder, chosen.workers))
    half, whole = taken
    print(f"{'stage':24}{counts[0]:>8}{counts[1]:>8}  ratio")
    for stage, seconds in whole.items():
        ratio = f"{seconds / half[stage]:6.2f}" if half[stage] > 0.05 else ""
        print(f"{stage:24}{half[stage]:8.2f}{seconds:8.2f}{ratio}")
    peak_mb = [
        resource.getrusage(who).ru_maxrss / 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    print(f"seconds; at most {LIMIT_S:.0f} s for 864 fibres with two workers")
    print(f"peak memory: parent {peak_mb[0]:.0f} MB, largest worker {peak_mb[1]:.0f} MB")
    total_mb = peak_mb[0] + chosen.workers * peak_mb[1]
    print(f"together at most {total_mb:.0f} MB, limit {LIMIT_MB:.0f} MB")


if __name__ == "__main__":
    main()

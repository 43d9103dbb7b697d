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

from stored import Figure, rounded, save

from otdravg.cable import read_folders, review
from otdravg.simulate.demo import write_demo
from otdravg.verdict import default

FIBRES = 864
WORKERS = 2
#: Limits for so many fibres and workers: seconds of a machine that does nothing else.
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
    parser.add_argument("--fibres", type=int, default=FIBRES)
    parser.add_argument("--workers", type=int, default=WORKERS)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
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
    peak_mb = [
        resource.getrusage(who).ru_maxrss / 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]
    total_mb = peak_mb[0] + chosen.workers * peak_mb[1]
    reference = chosen.fibres == FIBRES and chosen.workers == WORKERS
    figures = [
        Figure(
            "processor time of all processes",
            whole["processor"],
            "s",
            at_most=LIMIT_S * WORKERS if reference else None,
            note=f"wall clock {whole['all']:.0f} s; what else the machine does is in there",
        ),
        Figure(
            "memory, parent and workers at most",
            total_mb,
            "MB",
            at_most=LIMIT_MB if reference else None,
            note=f"parent {peak_mb[0]:.0f}, largest worker {peak_mb[1]:.0f}",
        ),
    ]
    stages = [
        {"stage": stage, f"{counts[0]} fibres, s": half[stage], f"{counts[1]} fibres, s": seconds}
        | {"ratio": seconds / half[stage] if half[stage] > 0.05 else None}
        for stage, seconds in sorted(whole.items(), key=lambda item: -item[1])
    ]
    print(*(figure.text() for figure in figures), *rounded(stages), sep="\n")
    if chosen.store:
        what = f"""A whole cable review, stage by stage: {chosen.fibres} fibres at two wavelengths
        from both ends, files of 24,000 points, ten closures, {chosen.workers} processes. Stages in
        wall clock; half the fibres for comparison."""
        save("cable_speed", what, figures, stages=rounded(stages))


if __name__ == "__main__":
    main()

"""One job with whatever version of the package stands first on the path; the answer is JSON.

``against_earlier.py`` runs this script in a process of its own for each of two trees. It imports
nothing but the standard library and the package, and finds the package's functions under the
names that they have had.
"""

from __future__ import annotations

import argparse
import cProfile
import importlib
import json
import pstats
import re
import resource
import sys
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any


def first_of(*names: str) -> Any:
    """Import the first of several ``module:name`` that exists."""
    for each in names:
        module, _, name = each.partition(":")
        try:
            return getattr(importlib.import_module(module), name)
        except (ImportError, AttributeError):
            continue
    raise SystemExit(f"this tree has none of {', '.join(names)}")


def peak_mb() -> float:
    """Largest memory that this process has held, MB.

    ``ru_maxrss`` survives ``exec`` on Linux, so there it would be that of the parent.
    """
    status = Path("/proc/self/status")
    if status.exists():
        found = re.search(r"VmHWM:\s+(\d+) kB", status.read_text(encoding="ascii"))
        if found:
            return int(found[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def pair_job(a: Path, b: Path, **options: Any) -> Callable[[], Any]:
    """Prepare the measurement of one pair of files; reading them is not part of it."""
    read = first_of("otdravg.sor:read")
    traces_from = first_of("otdravg.shot.trace:traces_from", "otdravg.trace:traces_from")
    measure = first_of(
        "otdravg.pair.measure:measure_pair", "otdravg.bidirectional:measure_pair", "otdravg:measure"
    )
    ab, ba = (traces_from(read(path))[0] for path in (a, b))
    return lambda: measure(ab, ba, **options)


def cable_job(folder: Path) -> Callable[[], Any]:
    """Prepare the review of a folder by one process."""
    read_folders, review = first_of("otdravg.cable:read_folders"), first_of("otdravg.cable:review")
    default = first_of("otdravg.verdict:default", "otdravg.profile:default")
    return lambda: review(read_folders([folder]), default())


def timed(job: Callable[[], Any], runs: int) -> dict[str, float]:
    """Least processor time of a job; imports count only where it runs once."""
    times = []
    for _ in range(runs):
        began = time.process_time()
        job()
        times.append(time.process_time() - began)
    return {"cpu_s": min(times), "peak_mb": peak_mb()}


def calls(job: Callable[[], Any]) -> dict[str, int]:
    """Function calls of a job, imports that it makes left out where it may run twice."""
    job()
    profile = cProfile.Profile()
    profile.runcall(job)
    return {"calls": pstats.Stats(profile).total_calls}  # type: ignore[attr-defined]


def plain(value: object) -> object:
    """A value as JSON can hold it; enumerations by name."""
    return getattr(value, "name", float(value) if isinstance(value, Decimal) else value)


_FIELDS = ("kind", "coverage", "distance_m", "loss_ab_db", "loss_ba_db", "loss_db", "u_loss_db")


def results(folder: Path) -> dict[str, Any]:
    """Rows and verdicts of every pair in a folder, or why it was refused."""
    judge = first_of(
        "otdravg.verdict.judge:judge_pair", "otdravg.judge:judge_pair", "otdravg:judge"
    )
    limits = first_of("otdravg.verdict.limits:Limits", "otdravg.limits:Limits")
    refused = first_of("otdravg.errors:OtdravgError")
    found: dict[str, Any] = {}
    for settings in sorted(folder.glob("*.json")):
        options = json.loads(settings.read_text(encoding="utf-8"))
        a, b = (settings.with_name(f"{settings.stem}_{end}.sor") for end in "AB")
        try:
            report = judge(pair_job(a, b, **options)(), limits())
        except refused as error:
            found[settings.stem] = {"refused": type(error).__name__, "text": str(error)}
            continue
        found[settings.stem] = {
            "rows": [
                {name: plain(getattr(judged.reading, name)) for name in _FIELDS}
                | {"verdict": plain(judged.verdict)}
                for judged in report.splices
            ]
        }
    return found


def main() -> None:
    """Print the outcome of one job as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("job", choices=("pair", "cable", "results"))
    parser.add_argument("paths", type=Path, nargs="+")
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--calls", action="store_true", help="count calls instead of time")
    asked = parser.parse_args()
    package = importlib.import_module("otdravg")
    outcome: dict[str, Any] = {"package": str(Path(str(package.__file__)).parent)}
    if asked.job == "results":
        outcome["pairs"] = results(*asked.paths)
    else:
        job = (pair_job if asked.job == "pair" else cable_job)(*asked.paths)
        outcome |= calls(job) if asked.calls else timed(job, asked.runs)
    json.dump(outcome, sys.stdout)


if __name__ == "__main__":
    main()

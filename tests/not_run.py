"""What a run of ``.ci/run`` left out, so that nobody takes it for more than it was.

    python tests/not_run.py LOG ...

Every log begins with the name of its check. Skipped tests come with pytest's reasons; the large
benchmarks and fuzz runs with the date of their stored results.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parent
RESULTS = TESTS / "benchmarks" / "results"
#: Scripts that are no benchmark: they help one, or start them.
_HELPERS = {"common", "equal_results", "oracle", "one_tree", "run_all", "stored", "write_measured"}
#: What one script stores under more than one name.
_STORED_AS = {"against_earlier": ("costs_against_earlier", "results_against_earlier")}
_CHROMIUM = ("chromium", "chromium-browser", "google-chrome")


def skipped(logs: Iterable[Path]) -> Iterator[str]:
    """Skipped tests of every check, as pytest sums them up."""
    for log in logs:
        title, _, rest = log.read_text(encoding="utf-8", errors="replace").partition("\n")
        check, lines = title.partition(":")[0], rest.splitlines()
        plain = (re.sub(r"\x1b\[[0-9;]*m", "", line) for line in lines)
        found = [line.removeprefix("SKIPPED ") for line in plain if line.startswith("SKIPPED ")]
        if found:
            yield f"skipped tests, {check}:"
            yield from (f"  {line}" for line in found)
        left_out = sorted({path for line in lines for path in re.findall(r"--ignore=(\S+)", line)})
        if left_out:
            yield f"tests left out, {check}:"
            yield "  " + " ".join(left_out)


def stored(name: str) -> dict[str, Any]:
    """What a benchmark has stored; empty if nothing."""
    path = RESULTS / f"{name}.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def large_runs() -> Iterator[str]:
    """The benchmarks and fuzz runs in full, which no check runs."""
    yield "benchmarks in full (tests/benchmarks/run_all.py); what is stored of them:"
    scripts = {path.stem for path in (TESTS / "benchmarks").glob("*.py")} - _HELPERS
    names = {name for script in scripts for name in _STORED_AS.get(script, (script,))}
    names |= {path.stem for path in RESULTS.glob("*.json")} - {"fuzz"}
    for name in sorted(names):
        yield f"  {name}: {stored(name).get('date', 'nothing stored')}"
    yield "attacks in full (tests/fuzz/run_all.py); what is stored of them:"
    runs = stored("fuzz").get("runs", [])
    if not runs:
        yield "  nothing stored"
    for run in runs:
        yield (
            f"  {run['script']}: {run['cases']:,} of {run['full run']:,} cases, "
            f"{run['outcome']}, {run['date']}"
        )


def left_out(logs: list[Path]) -> list[str]:
    """List everything that was not run, line by line."""
    lines = [*skipped(logs), *large_runs()]
    names = [log.read_text(encoding="utf-8", errors="replace").partition("\n")[0] for log in logs]
    if not any(name.startswith("oldest set") for name in names):
        lines.append("oldest set: there is no Python 3.10 on this machine")
    if os.name != "nt":
        lines.append("Windows: nothing was run there")
    if sys.platform != "darwin":
        lines.append("macOS: nothing was run there")
    if not any(map(shutil.which, _CHROMIUM)):
        lines.append("browser: there is no Chromium on this machine")
    return lines


def main() -> None:
    """Print it."""
    print(*(f"   {line}" for line in left_out([Path(name) for name in sys.argv[1:]])), sep="\n")


if __name__ == "__main__":
    main()

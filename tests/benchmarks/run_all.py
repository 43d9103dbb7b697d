"""Print every figure of the benchmarks, one core, one after another.

Run ``python tests/benchmarks/run_all.py``; ``--quick`` uses smaller sets, and
``--record docs/measured.md`` puts the output below the heading ``## Output`` of that
file. Needs the extra ``bench`` for the comparison with a general change-point library.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from datetime import date
from pathlib import Path

#: Script, its arguments, and its arguments with ``--quick``.
_JOBS = (
    ("accuracy.py", (), ("--pairs", "30")),
    ("false_alarms.py", (), ("--fibres", "100")),
    ("detection.py", (), ("--pairs", "3")),
    ("speed.py", (), ("--runs", "3")),
    ("read_speed.py", (), ()),
    ("start.py", (), ("3",)),
)

#: Numerical libraries start threads of their own unless told not to.
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

_HEADING = "## Output"


def run(script: str, arguments: tuple[str, ...]) -> tuple[str, bool]:
    """Run one script, show its output and return it, and whether all was well."""
    command = [sys.executable, str(Path(__file__).with_name(script)), *arguments]
    lines = [f"=== {script} {' '.join(arguments)}".rstrip() + "\n"]
    print("\n" + lines[0], end="", flush=True)
    with subprocess.Popen(
        command, env=os.environ | _ONE_THREAD, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            print(line, end="", flush=True)
            lines.append(line)
    return "".join(lines), process.returncode == 0


def record(path: Path, outputs: list[str]) -> None:
    """Replace what stands below the heading ``## Output`` by new output and its date."""
    before = path.read_text(encoding="utf-8").split(_HEADING)[0]
    text = "\n".join(outputs).rstrip()
    path.write_text(
        f"{before}{_HEADING}\n\nOf {date.today().isoformat()}.\n\n```\n{text}\n```\n",
        encoding="utf-8",
    )


def main() -> int:
    """Run the scripts; return 1 if one of them failed or missed a limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="smaller sets, a minute or two")
    parser.add_argument("--record", type=Path, help="file to put the output into")
    arguments = parser.parse_args()
    results = [run(script, small if arguments.quick else usual) for script, usual, small in _JOBS]
    if arguments.record:
        record(arguments.record, [output for output, _ in results])
    return int(not all(well for _, well in results))


if __name__ == "__main__":
    sys.exit(main())

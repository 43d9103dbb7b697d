"""Run the command: as installed where the surroundings matter, else in this process."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_traces"

Run = Callable[..., "subprocess.CompletedProcess[bytes]"]


def run_in(
    folder: Path, command: str, *arguments: object, **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """Run the installed command in a folder; outputs are bytes, so that encodings show."""
    plain = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS")}
    return subprocess.run(
        [command, *map(str, arguments)],
        capture_output=True,
        check=False,
        cwd=folder,
        env={**plain, "PYTHONIOENCODING": "utf-8", **environment},
        stdin=subprocess.DEVNULL,
    )

"""A few runs killed at random moments; tests/fuzz/interruption.py kills as many as wanted."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "fuzz" / "interruption.py"


@pytest.mark.skipif(os.name != "posix", reason="the signals are POSIX")
def test_killed_at_any_moment_the_result_is_old_new_or_absent() -> None:
    done = subprocess.run(
        [sys.executable, str(SCRIPT), "--kills", "5", "--seed", "20240514"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert ", 0 problems" in done.stdout.splitlines()[-1]

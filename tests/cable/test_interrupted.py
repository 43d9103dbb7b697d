"""Ctrl-C during ``otdravg cable``: a terminal's signal to a real process and its workers."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from faulty_run import write_all

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/task").is_dir(), reason="looks for workers in /proc"
)

#: Longer than anything here takes: only so that a test cannot hang.
_GIVE_UP_S = 60


def workers_of(pid: int) -> list[int]:
    try:
        return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def _heed_ctrl_c() -> None:
    """A shell's background jobs ignore Ctrl-C, and so would what they start."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def is_running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return False
    return state != "Z"


@pytest.fixture(scope="module")
def long_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Much more than can be measured before Ctrl-C comes."""
    folder = tmp_path_factory.mktemp("long") / "shots"
    write_all(folder, 96)
    return folder


@pytest.mark.parametrize("presses", [1, 3])
@pytest.mark.parametrize("after_s", [0.0, 0.15, 0.3])
def test_it_ends_in_one_line_without_output_or_workers(
    long_folder: Path, tmp_path: Path, after_s: float, presses: int
) -> None:
    out = tmp_path / "out"
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "otdravg"),
            *("cable", str(long_folder), "--out", str(out), "--workers", "2"),
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=_heed_ctrl_c,
    )  # fmt: skip
    try:
        give_up = time.monotonic() + _GIVE_UP_S
        while len(workers := workers_of(process.pid)) < 2 and time.monotonic() < give_up:
            time.sleep(0.01)
        assert len(workers) == 2
        time.sleep(after_s)  # another moment each time; none has to be met
        for _ in range(presses):
            os.killpg(process.pid, signal.SIGINT)
            time.sleep(0.02)
        output, errors = process.communicate(timeout=_GIVE_UP_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 2, errors
    assert output == ""
    assert errors.strip() == "otdravg: stopped before the job was done"
    while any(map(is_running, workers)) and time.monotonic() < give_up:
        time.sleep(0.01)
    assert not any(map(is_running, workers))
    assert [path.name for path in tmp_path.iterdir() if not path.name.endswith(".lock")] == []


def test_stopped_while_it_is_loading_it_ends_in_one_line_too(tmp_path: Path) -> None:
    """Numerical libraries take a second to load; a signal then is no traceback."""
    loading = (
        "import sys, types\n"
        "class Stopped(types.ModuleType):\n"
        "    def __getattr__(self, name): raise KeyboardInterrupt\n"
        "sys.modules['otdravg.cli'] = Stopped('otdravg.cli')\n"
        "from otdravg.__main__ import start\n"
        "start()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", loading], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr == "otdravg: stopped before the job was done\n"

"""Kill ``otdravg cable --all`` at random moments and look at what is left.

    python tests/fuzz/interruption.py [--kills 50] [--seed 1]

A run of known length is killed again and again, half of the kills spread over its run time and
half aimed at the moments when the finished folder takes its place. Half of the runs find an
earlier result. Afterwards the folder has to be the earlier result, the new one (both are known
byte by byte), or absent; no worker may live on; and the next run has to succeed and to clear
away what was left behind. Prints how often each of it happened; exit status 1 if one did not.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from otdravg.simulate.demo import write_demo
from otdravg.system.manifest import check_manifest

#: What a terminal, an operating system short of memory, and a shutdown send.
SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGKILL, signal.SIGTERM, signal.SIGKILL)
_OLD_EPOCH, _NEW_EPOCH = "1000000000", "1700000000"
#: Workers of a dead parent have so long to notice, in seconds.
_PATIENCE_S = 20.0

Content = dict[str, str]


@dataclass(frozen=True)
class Bench:
    """The shots, and what runs of them write."""

    shots: Path
    earlier: Path  # the old result
    old: Content
    new: Content
    run_s: float


def main(argv: list[str] | None = None) -> int:
    """Kill so many runs; 0 if every one left what it may leave."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(argv)
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job has none
    chance = random.Random(options.seed)
    counts: Counter[str] = Counter()
    problems: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        bench = _bench(Path(scratch))
        for number in range(options.kills):
            place = Path(scratch) / f"place{number}"
            place.mkdir()
            with_old = number % 2 == 1
            sent = SIGNALS[number % len(SIGNALS)]
            aimed = number % 4 in (2, 3)
            share = (number + chance.random()) / options.kills
            after_s = chance.uniform(0, 0.05) if aimed else 1.05 * share * bench.run_s
            outcome, wrong = _kill(bench, place, with_old, sent, aimed, after_s)
            counts[
                f"{sent.name:7}  {'over an old one' if with_old else 'fresh':15}  {outcome}"
            ] += 1
            problems += [f"kill {number}, {sent.name} after {after_s:.2f} s: {w}" for w in wrong]
    for line, count in sorted(counts.items()):
        print(f"{count:4}  {line}")
    print(f"{options.kills:4}  kills, a run takes {bench.run_s:.1f} s, {len(problems)} problems")
    for problem in problems:
        print(problem)
    return 1 if problems else 0


def _bench(scratch: Path) -> Bench:
    shots = scratch / "shots"
    write_demo(shots, fibres=4, wavelengths=(1550,), spacing_m=2.0)
    contents = []
    for name, epoch in (("old", _OLD_EPOCH), ("new", _NEW_EPOCH)):
        began = time.monotonic()
        process = _start(shots, scratch / name, epoch)
        process.communicate()
        took_s = time.monotonic() - began
        if process.returncode not in (0, 1):
            raise SystemExit("the run fails without being killed")
        contents.append(_content(scratch / name))
    return Bench(shots, scratch / "old", contents[0], contents[1], took_s)


def _start(shots: Path, out: Path, epoch: str, *more: str) -> subprocess.Popen[str]:
    words = ["cable", str(shots), "--out", str(out), "--workers", "2", *(more or ("--all",))]
    return subprocess.Popen(
        [sys.executable, "-m", "otdravg", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"SOURCE_DATE_EPOCH": epoch},
        start_new_session=True,
    )


def _content(folder: Path) -> Content:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def _kill(
    bench: Bench, place: Path, with_old: bool, sent: signal.Signals, aimed: bool, after_s: float
) -> tuple[str, list[str]]:
    """Kill one run; what became of the folder, and what is wrong with it."""
    out = place / "out"
    if with_old:
        shutil.copytree(bench.earlier, out)
    process = _start(bench.shots, out, _NEW_EPOCH, "--all", "--force")
    if aimed:
        _until_nearly_complete(process, place)
    time.sleep(after_s)
    if sent is signal.SIGINT:  # a terminal sends it to the whole group
        os.killpg(process.pid, sent)
    else:
        process.send_signal(sent)
    said = process.communicate()[1]
    wrong = [] if _group_ends(process.pid) else ["workers live on"]
    state = _state(bench, out)
    if state not in ({"old", "new", "absent"} if with_old else {"new", "absent"}):
        wrong.append(f"the folder is {state}")
    if process.returncode == 2 and said.strip().count("\n"):
        wrong.append(f"not one line: {said!r}")
    wrong += _next_run(bench, out)
    left = sorted(path.name for path in place.iterdir())
    if left != ["out"]:
        wrong.append(f"{left} after the next run")
    ended = "too late" if process.returncode in (0, 1) else "in time"
    return f"{state:7} {ended}", wrong


def _until_nearly_complete(process: subprocess.Popen[str], place: Path) -> None:
    """Wait until the manifest is written, the last thing before the folders are exchanged."""
    while process.poll() is None and not any(place.glob(".out.*.part/manifest.sha256")):
        time.sleep(0.0005)


def _group_ends(group: int) -> bool:
    give_up = time.monotonic() + _PATIENCE_S
    while time.monotonic() < give_up:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    os.killpg(group, signal.SIGKILL)
    return False


def _state(bench: Bench, out: Path) -> str:
    if not out.exists():
        return "absent"
    content = _content(out)
    if content == bench.new:
        return "new"
    return "old" if content == bench.old else "damaged"


def _next_run(bench: Bench, out: Path) -> list[str]:
    """Run again, the tables only; what is wrong afterwards."""
    process = _start(bench.shots, out, _NEW_EPOCH, "--force", "--only", "csv")
    said = process.communicate()[1]
    if process.returncode not in (0, 1):
        return [f"the next run says {said!r}"]
    return [] if check_manifest(out).is_good else ["the next run's folder is not whole"]


if __name__ == "__main__":
    sys.exit(main())

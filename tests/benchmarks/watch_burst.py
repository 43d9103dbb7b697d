"""A whole cable copied into a watched folder at once, then shot by shot: how soon each answer.

``otdravg watch`` runs as a program of its own and is given what a crew gives it: a stick with all
shots but those of the last ribbon from B, then single shots, then the rest of that ribbon. The
delay of an answer is counted from the end of the stability window of the last file that it took;
an answer is made by one process after the other, so that its processor time bounds the delay on a
machine that does nothing else.
Needs Linux for the memory. Run ``python tests/benchmarks/watch_burst.py``; ``--fibres 108`` for a
quick look. Figures of time hold for the machine that it ran on.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stored import Figure, save

from otdravg.simulate.demo import write_demo

FIBRES = 864
WAVELENGTHS = (1310, 1550)
CLOSURES = 10
SETTLE_S = 4.0
#: Seconds after the stability window for an answer; memory of the watch and all its workers, MB.
LIMIT_S, LIMIT_MB = 5.0, 600.0
#: Shots that come one after the other.
SINGLE = 12
#: Seconds after which the benchmark gives up.
PATIENCE_S = 1800.0


class Watched:
    """A watch that runs, and the lines that it prints, each with its time."""

    def __init__(self, folder: Path, state: Path, fibres: int) -> None:
        self.program = subprocess.Popen(
            [sys.executable, "-m", "otdravg", "watch", str(folder), "--json",
             "--fibres", str(fibres), "--closures", str(CLOSURES),
             "--wavelengths", ",".join(map(str, WAVELENGTHS)),
             "--settle", str(SETTLE_S), "--state", str(state)],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._lines: queue.Queue[tuple[float, dict[str, Any]]] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.program.stdout is not None
        for line in self.program.stdout:
            self._lines.put((time.monotonic(), json.loads(line)))

    def answers(self, shots: int) -> list[float]:
        """Times of the answers until one knows so many shots."""
        times, known = [], 0
        while True:
            when, line = self._lines.get(timeout=PATIENCE_S)
            if line["event"] == "progress":
                known = line["shots_in"]
            if line["event"] == "looked":
                times.append(when)
                if known >= shots:
                    return times

    def memory_mb(self) -> float:
        """Largest memory of the watch and of its workers so far, all summed."""
        return sum(map(_peak_mb, self._processes()))

    def processor_s(self) -> float:
        """Processor time of the watch and of its workers so far."""
        return sum(map(_used_s, self._processes()))

    def _processes(self) -> list[str]:
        own = self.program.pid
        return [str(own), *Path(f"/proc/{own}/task/{own}/children").read_text("ascii").split()]


def _used_s(pid: str) -> float:
    """User and system time of a process (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _peak_mb(pid: str) -> float:
    status = Path(f"/proc/{pid}/status").read_text("utf-8").splitlines()
    return sum(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM"))


def copied(files: Sequence[Path], folder: Path) -> float:
    """Copy files; return when their stability window ends."""
    for file in files:
        shutil.copyfile(file, folder / file.name)
    return time.monotonic() + SETTLE_S


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fibres", type=int, default=FIBRES)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        stick, folder = Path(place) / "stick", Path(place) / "shots"
        folder.mkdir()
        write_demo(stick, fibres=chosen.fibres, wavelengths=WAVELENGTHS, faults=False, workers=2)
        last = {f"F{n:03d}" for n in range(chosen.fibres - 11, chosen.fibres + 1)}
        files = sorted(stick.glob("*.sor"))
        late = [f for f in files if "_BA" in f.name and f.name.split("_")[1] in last]
        burst = [f for f in files if f not in set(late)]
        watched = Watched(folder, Path(place) / "said.json", chosen.fibres)
        try:
            settled = copied(burst, folder)
            burst_s = [t - settled for t in watched.answers(len(burst))]
            burst_mb = watched.memory_mb()
            single_s, used_s = [], []
            for number, file in enumerate(late[:SINGLE], start=1):
                used = watched.processor_s()
                settled = copied([file], folder)
                single_s.append(watched.answers(len(burst) + number)[-1] - settled)
                used_s.append(watched.processor_s() - used)
            settled = copied(late[SINGLE:], folder)
            ribbon_s = watched.answers(len(files))[-1] - settled
            memory_mb = watched.memory_mb()
        finally:
            watched.program.terminate()
            watched.program.wait()
    figures = [
        Figure("files that were copied at once", len(burst)),
        Figure("until they are all measured and judged", burst_s[-1], "s"),
        Figure("one more shot: processor time of all processes until its answer, longest",
               max(used_s), "s", at_most=LIMIT_S,
               note=f"of {len(used_s)}; median {statistics.median(used_s):.1f} s; what a machine "
               "that does nothing else takes at most"),
        Figure("one more shot: until its answer, longest", max(single_s), "s", at_most=LIMIT_S,
               note="on a machine that does nothing else; nothing tells the watch of changes"),
        Figure(f"the last {len(late) - SINGLE} shots at once, until their answer", ribbon_s, "s"),
        Figure("memory after the burst, watch and workers", burst_mb, "MB"),
        Figure("memory at the end, watch and workers", memory_mb, "MB", at_most=LIMIT_MB),
    ]  # fmt: skip
    print(*(figure.text() for figure in figures), sep="\n")
    if chosen.store:
        what = f"""A simulated cable of {chosen.fibres} fibres at two wavelengths copied into a
        folder that is watched, at once but for a ribbon from B; then its shots one by one. Seconds
        from the end of the stability window ({SETTLE_S:g} s) to the answer."""
        save("watch_burst", what, figures)


if __name__ == "__main__":
    main()

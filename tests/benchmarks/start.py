"""How long commands take to start, as a multiple of loading click alone.

    python tests/benchmarks/start.py [ROUNDS]

Each round starts every command once, one after the other; the least time of each counts, and
the ratio is of two such times in this one run.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

SAMPLES = Path(__file__).parents[2] / "sample_traces"
PAIR = [str(SAMPLES / "easy_A.sor"), str(SAMPLES / "easy_B.sor")]

COMMANDS = {
    "python -c 'import click'": ["-c", "import click"],
    "otdravg --version": ["-m", "otdravg", "--version"],
    "otdravg --help": ["-m", "otdravg", "--help"],
    "otdravg profile show": ["-m", "otdravg", "profile", "show"],
    "otdravg decide --help": ["-m", "otdravg", "decide", "--help"],
    "python -c 'import numpy'": ["-c", "import numpy"],
    "otdravg show A.sor": ["-m", "otdravg", "show", PAIR[0]],
    "otdravg pair A.sor B.sor": ["-m", "otdravg", "pair", *PAIR],
    "otdravg report --help": ["-m", "otdravg", "report", "--help"],
    "otdravg cable --help": ["-m", "otdravg", "cable", "--help"],
}


def seconds(arguments: list[str]) -> float:
    """Time of one process from start to end."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=False)
    return time.perf_counter() - began


def main(rounds: int) -> None:
    least = dict.fromkeys(COMMANDS, float("inf"))
    for _ in range(rounds):
        for name, arguments in COMMANDS.items():
            least[name] = min(least[name], seconds(arguments))
    unit = next(iter(least.values()))
    print(f"{'least of ' + str(rounds):28}{'ms':>8}{'ratio':>8}")
    for name, took in least.items():
        print(f"{name:28}{1000 * took:8.0f}{took / unit:8.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)

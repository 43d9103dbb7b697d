"""How long reading a trace file takes, against the least any reader has to do.

The least is: take the bytes from the disk and compute their checksum, both with the
standard library. Reading may take four times as long; it does all this too, and decodes
every block, hashes the file (SHA-256) and scales the points to dB.

Run it with ``python tests/benchmarks/read_speed.py``; it prints the medians and the
ratio, and ends with status 1 if the ratio is above 4.
"""

from __future__ import annotations

import argparse
import binascii
import hashlib
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from stored import Figure, save

from otdravg import sor

POINTS = 30_000
EVENTS = 12
RUNS = 400
LIMIT = 4.0


def simulated_file() -> sor.SorFile:
    """Make a file of an ordinary size: 30 000 points, 12 events, all texts filled in."""
    rng = np.random.default_rng(4731)
    level_mdb = 5_000 + 0.5 * np.arange(POINTS) + rng.normal(0, 8, POINTS)
    events = tuple(
        sor.KeyEvent(
            number=number + 1,
            time_100ps=200_000 * number,
            slope_mdb_per_km=190,
            loss_mdb=50,
            reflectance_mdb=0,
            code=sor.Text(b"0F9999LS"),
        )
        for number in range(EVENTS)
    )
    text = sor.Text.of("simulated for a benchmark")
    return sor.build(
        general=sor.GeneralParameters(cable_id=text, fibre_id=text, comment=text),
        supplier=sor.SupplierParameters(supplier=text, mainframe_id=text, other=text),
        fixed=sor.FixedParameters(data_spacings=(50_000,)),
        points=level_mdb.astype(np.uint16),
        events=sor.KeyEvents(events),
    )


def median_seconds(jobs: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Time the jobs in turn, so that a busy moment of the machine hits all of them."""
    times: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(RUNS):
        for name, job in jobs.items():
            start = time.perf_counter()
            job()
            times[name].append(time.perf_counter() - start)
    return {name: statistics.median(values) for name, values in times.items()}


def main() -> int:
    """Print the medians and the ratio; return 1 if reading is too slow."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "benchmark.sor")
        sor.write(simulated_file(), path)
        data = path.read_bytes()
        seconds = median_seconds(
            {
                "bytes and checksum": lambda: binascii.crc_hqx(path.read_bytes(), 0xFFFF),
                "read, all blocks": lambda: sor.read(path),
                "read and level in dB": lambda: sor.read(path).waveforms[0].level_db,
                "SHA-256 alone": lambda: hashlib.sha256(data).hexdigest(),
            }
        )
    figures = [Figure(name, value * 1e6, "µs") for name, value in seconds.items()]
    ratio = seconds["read and level in dB"] / seconds["bytes and checksum"]
    figures.append(Figure("read and level, by bytes and checksum", ratio, "×", at_most=LIMIT))
    print(*(figure.text() for figure in figures), sep="\n")
    if asked.store:
        what = (
            f"Reading a file of {POINTS:,} points ({len(data):,} bytes) against the least that any "
        )
        what += (
            f"reader has to do: its bytes and their checksum. Wall clock, medians of {RUNS} runs."
        )
        save("read_speed", what, figures)
    return int(not figures[-1].holds)


if __name__ == "__main__":
    sys.exit(main())

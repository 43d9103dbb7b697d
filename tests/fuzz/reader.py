"""A million damaged trace files through the reader.

    python tests/fuzz/reader.py                      # all; --count 10000 for a share
    python tests/fuzz/reader.py --state counts.json  # can be stopped and started again
    python tests/fuzz/reader.py --case 4711 --save case.sor

Each must be refused with the package's own error, or read with every number standing in the
bytes, the same way each time, in time and memory that its size bounds.
"""

from __future__ import annotations

import contextlib
import sys
import time
import tracemalloc
from functools import partial
from pathlib import Path

import campaign
from byte_check import check_file
from campaign import Broken
from mutations import mutated

from otdravg import sor
from otdravg.errors import OtdravgError, UnreadableTrace, UnwritableTrace
from otdravg.findings import Severity

__all__ = ["FULL_COUNT", "case", "check", "check_memory", "main"]

FULL_COUNT = 1_000_000

#: Processor time that reading may take: a constant and per byte of the file.
_MOST_S, _MOST_S_PER_BYTE = 0.1, 5e-6
#: Memory that reading may take at its peak: a constant and per byte of the file.
_MOST_BYTES, _MOST_BYTES_PER_BYTE = 2**20, 40


def main(argv: list[str] | None = None) -> int:
    """Run the cases and print the counts; 1 if there was a fault."""
    parser = campaign.parser(__doc__, FULL_COUNT)
    parser.add_argument("--save", type=Path, help="write the file of --case there")
    options = parser.parse_args(argv)
    if options.save is not None:
        options.save.write_bytes(mutated(campaign.random_for(options.seed, options.case)))
    return campaign.run("reader", partial(case, options.seed), options, batch=2000)


def case(seed: int, number: int) -> str:
    """Make and read one damaged file; a quarter is read twice and rewritten too."""
    data = mutated(campaign.random_for(seed, number))
    outcome = check(data, thorough=number % 4 == 0)
    if number % 50 == 0:
        check_memory(data)
    return outcome


def check(data: bytes, thorough: bool = True) -> str:
    """Read bytes as a trace file, check every property, return the outcome's name."""
    began = time.perf_counter()
    try:
        file = sor.decode(data, "case.sor")
    except OtdravgError as error:
        _check_time(time.perf_counter() - began, data)
        return _refused(error, data)
    _check_time(time.perf_counter() - began, data)
    check_file(file, data)
    if thorough:
        again = sor.decode(bytes(bytearray(data)), "case.sor")
        if _all_of(file) != _all_of(again):
            raise Broken("reading twice gives two results")
        _check_rewriting(file)
    severities = {f.severity for f in file.findings}
    worst = next((s.value for s in reversed(tuple(Severity)) if s in severities), "none")
    return f"read, worst finding: {worst}"


def check_memory(data: bytes) -> None:
    """Read bytes once more and look at the peak of memory."""
    tracemalloc.start()
    with contextlib.suppress(UnreadableTrace):
        sor.decode(data, "case.sor")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    if peak > _MOST_BYTES + _MOST_BYTES_PER_BYTE * len(data):
        raise Broken(f"took more than 1 MiB + {_MOST_BYTES_PER_BYTE} bytes of memory per byte")


def _check_time(seconds: float, data: bytes) -> None:
    """Compare with the bound; time that other processes took is measured again without it."""
    most_s = _MOST_S + _MOST_S_PER_BYTE * len(data)
    if seconds <= most_s:
        return
    began = time.process_time()
    with contextlib.suppress(UnreadableTrace):
        sor.decode(data, "case.sor")
    if time.process_time() - began > most_s:
        raise Broken("reading took longer than its size allows")


def _refused(error: OtdravgError, data: bytes) -> str:
    if not isinstance(error, UnreadableTrace):
        raise Broken(f"refused with {type(error).__name__}")
    text = str(error)
    if "\n" in text or not text.isprintable() or not text.startswith("case.sor: "):
        raise Broken("the message of the error is not one printable line that begins with the file")
    if error.offset is not None and not 0 <= error.offset <= len(data):
        raise Broken("the error names a byte that the file does not have")
    return f"refused in {error.block}"


def _all_of(file: sor.SorFile) -> tuple[object, ...]:
    points = tuple((w.pulse_ns, w.data_spacing, w.level_db.tobytes()) for w in file.waveforms)
    texts = (file.general, file.supplier, file.fixed, file.events, file.findings)
    return (file.sha256, file.checksum, file.blocks, points, *texts)


def _check_rewriting(file: sor.SorFile) -> None:
    """Blocks written anew and read again hold the same, or cannot be written by name."""
    try:
        new = sor.replace(file, general=file.general, fixed=file.fixed, events=file.events)
    except UnwritableTrace:
        return
    if (new.general, new.fixed, new.events) != (file.general, file.fixed, file.events):
        raise Broken("blocks written anew read otherwise")
    if [w.raw.tobytes() for w in new.waveforms] != [w.raw.tobytes() for w in file.waveforms]:
        raise Broken("points of a file written anew read otherwise")


if __name__ == "__main__":
    sys.exit(main())

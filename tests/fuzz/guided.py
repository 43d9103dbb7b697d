"""The reader under a coverage-guided fuzzer: what reaches new code is kept and changed further.

    pip install atheris                                   # Linux, where a wheel fits
    python tests/fuzz/guided.py CORPUS_DIR --count 200000

Same properties as ``reader.py``. Half of the changes are the fuzzer's own, half are those of
``mutations.py``; new files that reach new code are kept in CORPUS_DIR.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from random import Random

import atheris

with atheris.instrument_imports(include=["otdravg.sor", "otdravg.shot.trace"]):
    from mutations import mutated
    from reader import check
    from specimens import specimens


def main() -> None:
    """Run the fuzzer; it ends the process itself, with status 0 if there was no fault."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("corpus", type=Path)
    parser.add_argument("--count", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    options.corpus.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(specimens()):
        (options.corpus / f"specimen{number:02}").write_bytes(data)
    arguments = [
        sys.argv[0],
        str(options.corpus),
        f"-atheris_runs={options.count}",
        f"-seed={options.seed}",
        "-max_len=20000",
        "-timeout=20",
        "-print_final_stats=1",
        f"-artifact_prefix={options.corpus}/fault-",
    ]
    atheris.Setup(arguments, check, custom_mutator=_changed)
    atheris.Fuzz()


def _changed(data: bytes, most: int, seed: int) -> bytes:
    """Half of the time a file as ``mutations.py`` makes them, else the fuzzer's own change."""
    if seed % 2:
        return mutated(Random(seed))[:most]
    return atheris.Mutate(data, most)


if __name__ == "__main__":
    main()

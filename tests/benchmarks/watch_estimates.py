"""What a reading from one end lets expect of a splice, against the truth of simulated cables.

Cables of 24 fibres and five closures, whose backscatter differs between wavelengths, are shot in
steps: from A, half of them from B, then at one wavelength, then two ribbons are spliced anew and
shot from A alone. Run ``python tests/benchmarks/watch_estimates.py``; ``--cables 1`` for a look.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import defaultdict
from pathlib import Path
from statistics import median

from common import share_interval
from stored import Figure, save

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))

from construction import LIMIT_DB, Found, Site5, estimated

from otdravg.watch.estimate import Basis

CABLES = 6
#: Standard deviation of what the backscatter of a piece differs by between wavelengths, dB.
APART_DB = 0.015
#: Least share of the truth inside the interval, per cent.
LEAST_INSIDE = 93.0


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cables", type=int, default=CABLES)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    chosen = parser.parse_args()
    found: Found = defaultdict(list)
    for seed in range(11, 11 + chosen.cables):
        with tempfile.TemporaryDirectory() as place:
            estimated(Site5(Path(place) / "shots", seed=seed, apart_db=APART_DB), found)
    figures = []
    for basis in Basis:
        own = found[basis]
        inside = sum(abs(e.loss_db - truth) <= e.expanded_db for e, truth in own)
        low, high = share_interval(inside, len(own))
        over = [truth for e, truth in own if e.is_likely_over]
        figures += [
            Figure(f"truth inside ± U, known: {basis.value}", 100 * inside / len(own), "%",
                   100 * low, 100 * high, at_least=LEAST_INSIDE, note=f"{len(own)} estimates"),
            Figure("their median U (k = 2)", 1000 * median(e.expanded_db for e, _ in own), "mdB"),
            Figure("said to be likely over, and is not", sum(t <= LIMIT_DB for t in over),
                   f"of {len(over)}", at_most=0),
        ]  # fmt: skip
    print(*(figure.text() for figure in figures), sep="\n")
    if chosen.store:
        what = f"""Estimates from one end in {chosen.cables} simulated cables of 24 fibres and five
        closures, the backscatter of which differs between wavelengths by {APART_DB:g} dB (standard
        deviation)."""
        save("watch_estimates", what, figures)


if __name__ == "__main__":
    main()

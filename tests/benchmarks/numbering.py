"""How often slips of numbering are told, how often one is told that is not there, and how fast.

Features of shots are drawn as the model of the method says (see ``feature_shots``); everything
is simulated. Prints the table in docs/plausibility.md.
"""

from __future__ import annotations

import resource
import time

from feature_shots import shots

from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.stories import numbering_told

_VERSIONS = 25


def _slips(n: int) -> dict[str, list[int]]:
    every = list(range(n))
    slips = {
        "as labelled": every,
        "shifted by one": every[1:] + every[:1],
        "two crossed": [1, 0, *every[2:]],
        "ribbon rolled": every[11::-1] + every[12:],
    }
    if n > 12:
        slips["shifted from ribbon 2 on"] = every[:12] + every[13:] + [12]
        slips["two ribbons exchanged"] = every[12:24] + every[:12] + every[24:]
    return slips


def _told_rates() -> None:
    print("| fibres | closures | noise | slip | told | told wrongly | nothing told |")
    print("|---|---|---|---|---|---|---|")
    for n, closures, noise in ((12, 3, 0.3), (24, 4, 0.3), (48, 5, 0.3), (48, 5, 1.0)):
        for name, order in _slips(n).items():
            right = wrong = 0
            for seed in range(_VERSIONS):
                from_a, from_b = shots(n, seed, noise=noise, closures=closures)
                at_b = from_b[order]
                told = numbering_told(Comparison([from_a], [at_b]), 12)
                partner = told.partner
                is_true = [j < 0 or order[j] == i for i, j in enumerate(partner.tolist())]
                right += all(is_true) and bool(told.stories or order == sorted(order))
                wrong += bool(told.stories) and not all(is_true)
            nothing = _VERSIONS - right - wrong
            print(f"| {n} | {closures} | {noise} | {name} | {right} | {wrong} | {nothing} |")


def _speed() -> None:
    n = 3456
    from_a, from_b = shots(n, 1, closures=10)
    for name, order in (("as labelled", range(n)), ("shifted by one", [*range(1, n), 0])):
        at_b = from_b[list(order)]
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        started = time.process_time()
        comparison = Comparison([from_a], [at_b])
        told = numbering_told(comparison, 12)
        comparison.margins()
        seconds = time.process_time() - started
        more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
        print(
            f"{n} fibres, {name}: {len(told.stories)} stories, {seconds:.2f} s, {more:.0f} MB more"
        )


def main() -> None:
    """Print all of it."""
    _speed()
    _told_rates()


if __name__ == "__main__":
    main()

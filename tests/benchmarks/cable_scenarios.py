"""How often the answer to a cable is wrong, over the catalogue of what goes wrong with cables.

Runs the real command on random versions of every kind of ``tests/scenarios/cable``, as a reviewer
would type it, and counts by chapter: one version of all kinds after the other, until the time is
over. Run ``python tests/benchmarks/cable_scenarios.py [--minutes N] [--first SEED] [--store]``.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

# First: it finds the corpora and the catalogue one folder higher.
from common import share_interval
from scenarios.cable.judging import Outcome, deviations
from scenarios.cable.kinds import CHAPTERS, KINDS, acted
from scenarios.cable.run import KNOWN_RED, tried
from stored import Figure, save

WHAT = """
Small cables as crews bring them home: good ones, fibres mixed up, shots of the wrong day, two
cables under one name, wrong ends, launch fibres that nobody stated, missing shots, rules of all
kinds, and what else the catalogue holds; versions that nobody has tuned anything on. False clear:
exit status 0, or a row within its limit, where the truth forbids it. Wrong order: a ribbon to be
made again of which no splice is bad. Mixed-up fibres are drawn until their glass tells them apart
by a million to one for a reader who knows how glass is drawn and how noisy readings are.
"""
#: Versions below this have been looked at while the program was written.
FIRST_SEED = 5_000
_WRONG = (
    Outcome.CRASH, Outcome.FALSE_CLEAR, Outcome.WRONG_ORDER, Outcome.WRONG_ROW, Outcome.MISSED,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ran:
    """What became of one case."""

    kind: str
    seed: int
    outcome: Outcome
    why: str
    is_severe: bool  # whether anything is said above a note
    deviations: tuple[tuple[float, float], ...]


def run_for(minutes: float, first: int) -> list[Ran]:
    """Run one version of all kinds after the other, whole rounds and what fits of the last."""
    until = time.monotonic() + 60 * minutes
    done: list[Ran] = []
    seed = first
    while time.monotonic() < until:
        for kind in KINDS:
            if time.monotonic() >= until:
                break
            one = tried(acted(kind, seed))
            severe = any(f.severe for f in one.said.findings)
            off = tuple(deviations(one.case, one.said))
            done.append(Ran(kind, seed, one.judged.outcome, one.judged.why, severe, off))
        seed += 1
    return done


def figures_of(ran: Sequence[Ran]) -> Iterator[Figure]:
    """The rates that matter, with their goals."""
    yield Figure("cases", len(ran), f"of {len({one.kind for one in ran})} kinds")
    for outcome in (*_WRONG, Outcome.FALSE_ALARM):
        hits = sum(one.outcome is outcome for one in ran)
        low, high = share_interval(hits, len(ran))
        note = f"interval of the share {100 * low:.2f} to {100 * high:.2f} %"
        yield Figure(outcome.value, hits, f"of {len(ran)}", at_most=0, note=note)
    clean = [one for one in ran if one.kind in CHAPTERS["clean"]]
    hits = sum(one.is_severe for one in clean)
    low, high = share_interval(hits, len(clean))
    yield Figure(
        "clean cables with anything above a note", hits / max(len(clean), 1), "", low, high,
        at_most=0.02, note=f"{hits} of {len(clean)}",
    )  # fmt: skip
    off = [pair for one in ran for pair in one.deviations]
    inside = sum(abs(d) <= u + 0.0005 for d, u in off) / max(len(off), 1)
    yield Figure(
        "graded losses inside their uncertainty", inside, "", at_least=0.95,
        note=f"{len(off):,} rows",
    )  # fmt: skip


def by_chapter(ran: Sequence[Ran]) -> list[dict[str, Any]]:
    """One row for each chapter, those with something wrong first."""
    rows = []
    for chapter, kinds in CHAPTERS.items():
        count = Counter(one.outcome for one in ran if one.kind in kinds)
        row = {"chapter": chapter, "kinds": len(kinds), "cases": count.total()}
        rows.append(row | {outcome.value: count[outcome] for outcome in Outcome})
    return sorted(rows, key=lambda row: row[Outcome.RIGHT.value] - row["cases"])


def wrong(ran: Sequence[Ran]) -> list[str]:
    """Name what went wrong, worst first, so that it can be run again."""
    return [
        f"{one.kind} {one.seed}: {one.outcome.value}: {one.why[:140]}"
        + (" (known)" if one.kind in KNOWN_RED else "")
        for one in sorted(ran, key=lambda one: list(Outcome).index(one.outcome))
        if not one.outcome.good
    ]


def main() -> None:
    """Run the catalogue and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=25.0, help="of this machine's clock")
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="first seed")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    ran = run_for(asked.minutes, asked.first)
    figures, rows = list(figures_of(ran)), by_chapter(ran)
    print(*(figure.text() for figure in figures), *rows, *wrong(ran), sep="\n")
    if asked.store:
        save("cable_scenarios", WHAT, figures, chapters=rows, wrong=wrong(ran))


if __name__ == "__main__":
    main()

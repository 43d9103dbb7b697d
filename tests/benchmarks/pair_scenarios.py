"""How often the answer to one pair is wrong, over the catalogue of what goes wrong with pairs.

Runs the real command on random versions of every kind of ``tests/scenarios/pair``, as a technician
would type it, and counts by chapter. A pair is tellable if an oracle that knows the kind of
trouble, but not its size, gives it odds of 100 : 1 (``tests/scenarios/pair/oracle.py``).
Run ``python tests/benchmarks/pair_scenarios.py [--versions N] [--workers N] [--store]``.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

# First: it finds the corpora and the catalogue one folder higher.
from common import share_interval
from scenarios.pair.case import Doubt
from scenarios.pair.judging import Outcome
from scenarios.pair.kinds import CHAPTERS, KINDS, acted, story_of
from scenarios.pair.run import tried
from stored import Figure, save

WHAT = """
Pairs as they come out of a day's work: good ones, bad splices, files of two fibres, one end shot
twice, wrong lengths stated, changes between both shots, broken fibre, and what else the catalogue
holds. Wrong all-clear: exit status 0 while a loss is over the limit by more than U, or while the
pair is not one fibre from both ends in one state. Wrong order: a cut where nothing is over.
Tellable: odds of 100 : 1 for an oracle that knows the kind of trouble, not its size.
"""
#: Versions of each kind. Chosen, not derived: what is wrong in one case of a hundred shows by then;
#: half an hour of one core.
VERSIONS = 100
_WRONG = (Outcome.WRONG_ALL_CLEAR, Outcome.WRONG_ORDER, Outcome.NOT_CALLED, Outcome.NO_DOUBT)


@dataclass(frozen=True, slots=True)
class Ran:
    """What became of one case."""

    kind: str
    seed: int
    outcome: Outcome
    why: str
    is_tellable: bool
    is_good: bool  # one fibre from both ends in one state, nothing about it to be doubted
    is_doubted: bool
    first_line: str


def run_kind(kind: str, versions: int) -> list[Ran]:
    """Run all versions of a kind."""
    return [_ran(kind, seed) for seed in range(versions)]


def _ran(kind: str, seed: int) -> Ran:
    one = tried(acted(kind, seed))
    good = one.case.truth.sound and one.case.doubt is Doubt.NEVER
    first_line = " ".join(one.said.text.split("\n\n")[0].split())
    return Ran(
        kind, seed, one.judged.outcome, one.judged.why, one.case.tellable, good,
        bool(one.said.doubts), first_line,
    )  # fmt: skip


def figures_of(ran: Sequence[Ran]) -> Iterator[Figure]:
    """The rates that matter, with their goals."""
    tellable = [one for one in ran if one.is_tellable]
    good = [one for one in ran if one.is_good]
    yield Figure("tellable cases", len(tellable), f"of {len(ran)}", at_least=3000)
    for outcome in (Outcome.CRASH, *_WRONG, Outcome.WRONG_NUMBER):
        hits = sum(one.outcome is outcome for one in tellable)
        low, high = share_interval(hits, len(tellable))
        note = f"interval of the share {100 * low:.2f} to {100 * high:.2f} %"
        yield Figure(outcome.value, hits, f"of {len(tellable)} tellable", at_most=0, note=note)
    for what, hits in (
        ("good pairs that are doubted", sum(one.is_doubted for one in good)),
        ("good pairs with a false alarm", sum(one.outcome is Outcome.FALSE_ALARM for one in good)),
    ):
        low, high = share_interval(hits, len(good))
        note = f"{hits} of {len(good)}"
        yield Figure(what, hits / len(good), "", low, high, at_most=0.01, note=note)


def by_chapter(ran: Sequence[Ran]) -> list[dict[str, Any]]:
    """One row for each chapter, those with something wrong first."""
    rows = []
    for chapter, kinds in CHAPTERS.items():
        own = [one for one in ran if one.kind in kinds]
        tellable = [one for one in own if one.is_tellable]
        count = Counter(one.outcome for one in tellable)
        row = {"chapter": chapter, "kinds": len(kinds), "cases": len(own)}
        row |= {"tellable": len(tellable)}
        rows.append(row | {o.value: count[o] for o in Outcome if o is not Outcome.NOT_TELLABLE})
    return sorted(rows, key=lambda row: -sum(row[o.value] for o in Outcome if o.value in row
                                             and not o.good))  # fmt: skip


def untellable(ran: Sequence[Ran]) -> list[dict[str, Any]]:
    """Kinds of which some cases cannot be told, with what the screen says of the first."""
    rows = []
    for kind in KINDS:
        own = [one for one in ran if one.kind == kind and not one.is_tellable]
        if own:
            cleared = sum(one.outcome is Outcome.NOT_TELLABLE for one in own)
            row = {"kind": kind, "story": story_of(kind), "untellable": len(own)}
            rows.append(row | {"went wrong": cleared, "the screen says": own[0].first_line[:200]})
    return sorted(rows, key=lambda row: -row["went wrong"])


def wrong(ran: Sequence[Ran]) -> list[str]:
    """Name what went wrong, so that it can be run again."""
    return [
        f"{one.kind} {one.seed}: {one.outcome.value}: {one.why[:140]}"
        for one in sorted(ran, key=lambda one: list(Outcome).index(one.outcome))
        if not one.outcome.good
    ]


def main() -> None:
    """Run the catalogue and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--versions", type=int, default=VERSIONS, help="of each kind")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.workers) as pool:
        parts = pool.map(partial(run_kind, versions=asked.versions), KINDS)
        ran = [one for part in parts for one in part]
    figures, rows = list(figures_of(ran)), by_chapter(ran)
    print(*(figure.text() for figure in figures), *rows, *wrong(ran), sep="\n")
    if asked.store:
        save(
            "pair_scenarios", WHAT, figures,
            chapters=rows, wrong=wrong(ran), untellable=untellable(ran),
        )  # fmt: skip


if __name__ == "__main__":
    main()

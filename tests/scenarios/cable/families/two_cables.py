"""Two cables under one name, one cable under several, several jobs on one stick."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    NIGHT,
    Cable,
    Files,
    draw_cable,
    files_of,
    labelled,
    usual,
    with_bad,
)

Rng = np.random.Generator


def _two_named_alike(rng: Rng, first: Cable, second: Cable) -> Case:
    """Put the shots of two cables, in folders of their own, under one name in the headers."""
    bad, closure = int(rng.integers(1, 13)), 2
    first = with_bad(first, bad, closure, 0.35)
    day = 5 * NIGHT
    files: Files = ()
    for cable, folder, later in ((first, "stick/mon", 0 * day), (second, "stick/fri", day)):
        takes = usual(cable, folder=folder)
        files += files_of(
            rng, [labelled(t, taken=t.label["taken"] + later) for t in takes.values()]
        )
    return case_of(
        files,
        (first, second),
        exit_codes=(1,),
        graded=(),
        involved=None,
        say=[
            says(
                "two cables under one name",
                (
                    r"(?:two|2|several)[ -](?:different )?(?:cables|groups|sets)",
                    r"(?:another|other|different) cable",
                    r"more than one cable",
                    r"not one cable",
                ),
                (r"name", r"header", r"label", r"called"),
            ),
        ],
        not_lost=[Where(bad, first.glass[bad].boundaries_m[closure])],
        never=(r"earlier attempt", r"splice-changed", r"shot-again"),
        closures=None,
    )


def two_cables_of_unlike_length(rng: Rng) -> Case:
    """Two cables, 12 fibres each, one a kilometre longer, both called SIM-12 by the headers."""
    length_m = float(rng.uniform(3_000, 3_600))
    first = draw_cable(rng, length_m=length_m)
    second = draw_cable(rng, length_m=length_m + 1_000)
    return _two_named_alike(rng, first, second)


def two_cables_of_one_length(rng: Rng) -> Case:
    """Two cables of equal length in one duct, spliced in the same closures, called alike."""
    first = draw_cable(rng)
    second = draw_cable(rng, length_m=first.glass[1].length_m / 1.003, closures_m=first.closures_m)
    return _two_named_alike(rng, first, second)


def two_cables_named_apart(rng: Rng) -> Case:
    """Two cables in one folder with names of their own; fibre 3 of the second has a bad splice."""
    first = draw_cable(rng, name="SIM-12")
    second = with_bad(draw_cable(rng, name="SIM-13"), 3, 1, 0.4)
    files = files_of(rng, usual(first)) + files_of(rng, usual(second))
    where = Where(3, second.closures_m[0] * 1.003, cable="SIM-13")
    return case_of(files, (first, second), due=[where])


def spellings_of_one_cable(rng: Rng) -> Case:
    """One cable, spelt SIM-12 by one hand and sim 12 or SIM_12 by another."""
    cable = draw_cable(rng)
    other = str(rng.choice(("sim 12", "SIM_12", "Sim-12", "SIM12", "sim-12 ")))
    takes = usual(cable)
    whole_end = rng.random() < 0.5
    for slot, take in takes.items():
        if slot[2] == "B" if whole_end else rng.random() < 0.4:
            takes[slot] = labelled(take, cable=other)
    case = case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None)
    return replace(case, never=(r"direction-missing", r"fibre-missing", r"attempt"))


def _three_jobs(rng: Rng) -> list[Cable]:
    names = ("SIM-21", "SIM-22", "SIM-23")
    return [draw_cable(rng, fibres=6, name=name, ribbon=6) for name in names]


def stick_with_three_jobs(rng: Rng) -> Case:
    """Three cables on one stick, all good."""
    cables = [
        draw_cable(rng, fibres=6, name=name, ribbon=6) for name in ("SIM-21", "SIM-22", "SIM-23")
    ]
    files: Files = ()
    for k, cable in enumerate(cables):
        takes = usual(cable)
        files += files_of(
            rng, [labelled(t, taken=t.label["taken"] + k * NIGHT) for t in takes.values()]
        )
    return case_of(files, cables, args=("--ribbon", "6"))


def three_jobs_in_folders(rng: Rng) -> Case:
    """Three cables in three folders, header names empty; one has a bad splice."""
    cables = [
        draw_cable(rng, fibres=6, name=name, ribbon=6) for name in ("SIM-21", "SIM-22", "SIM-23")
    ]
    cables[1] = with_bad(cables[1], 4, 2, 0.45)
    files: Files = ()
    for cable in cables:
        takes = usual(cable, folder=f"stick/{cable.name}")
        files += files_of(
            rng,
            [labelled(t, t.path.replace(f"{cable.name}_F", "F"), cable="") for t in takes.values()],
        )
    where = Where(4, cables[1].closures_m[1] * 1.003, cable="SIM-22")
    return case_of(files, cables, args=("--ribbon", "6"), due=[where])

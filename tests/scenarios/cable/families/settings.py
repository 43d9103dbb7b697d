"""How it was shot: pulses, indices, clocks, noise."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    MORNING,
    Cable,
    Slot,
    Take,
    again,
    changed,
    draw_cable,
    files_of,
    labelled,
    usual,
    with_bad,
    with_loss,
)

Rng = np.random.Generator


def pulses_differ_by_end(rng: Rng) -> Case:
    """A shot with 50 ns, B with 100: both ways are measured all the same."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "A":
            takes[slot] = replace(take, settings={"pulse_ns": 50.0})
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None)


def one_odd_pulse(rng: Rng) -> Case:
    """One shot was taken with 300 ns, all others with 100."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    takes[slot] = replace(takes[slot], settings={"pulse_ns": 300.0})
    say = says("another pulse", rf"\b{fibre}\b", r"pulse", aloud=False)
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(0, 1),
        involved=[fibre],
        say=[say],
        tolerance_m=40.0,
    )


def index_differs_by_end(rng: Rng) -> Case:
    """B's instrument is set to an index of 1.4750: all its distances are half a per cent short."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            takes[slot] = replace(take, settings={"group_index": 1.4750})
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None, tolerance_m=45.0)


def one_odd_index(rng: Rng) -> Case:
    """One shot was taken with an index of 1.4750, all others with 1.4682."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    takes[slot] = replace(takes[slot], settings={"group_index": 1.4750})
    say = says("another index", rf"\b{fibre}\b", r"index", aloud=False)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=[fibre], say=[say])


def clock_of_b_in_1999(rng: Rng) -> Case:
    """The battery of B's instrument is dead: all its shots are of New Year 1999."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            when = datetime(1999, 1, 1, 0, slot[0], tzinfo=timezone.utc)
            takes[slot] = labelled(take, taken=when)
    say = says("the clock", (r"clock", r"date", r"1999"), aloud=False)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None, say=[say])


def clock_of_b_in_1999_with_a_bad_splice(rng: Rng) -> Case:
    """The same, and one splice is bad: it is called all the same."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, 0.42)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            when = datetime(1999, 1, 1, 0, slot[0], tzinfo=timezone.utc)
            takes[slot] = labelled(take, taken=when)
    where = Where(fibre, cable.glass[fibre].boundaries_m[closure])
    return case_of(files_of(rng, takes), cable, involved=None, due=[where])


def _same_day(cable: Cable, b_is_off: timedelta) -> dict[Slot, Take]:
    """Shoot from both ends in one morning; B's clock is off."""
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            when = MORNING + timedelta(minutes=slot[0]) + b_is_off
            takes[slot] = labelled(take, taken=when)
    return takes


def repair_on_one_day_with_two_clocks(rng: Rng) -> Case:
    """Bad in the morning, made again, shot again in the afternoon; B's clock is hours off, so
    that B's new shots seem older than A's old ones.
    """
    before = draw_cable(rng)
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    before = with_bad(before, bad, closure, 0.45)
    after = before
    for n in before.numbers:
        loss_db = round(float(rng.uniform(0.03, 0.1)), 3)
        after = changed(after, (n,), lambda glass, x=loss_db: with_loss(glass, closure - 1, x))
    takes = _same_day(before, timedelta(hours=float(rng.choice((-9, 7)))))
    new = [
        again(take, timedelta(hours=5), glass=after.glass[slot[0]]) for slot, take in takes.items()
    ]
    return case_of(files_of(rng, [*takes.values(), *new]), after)


def one_noisy_shot(rng: Rng) -> Case:
    """One shot was taken with too little averaging; its splices are good by far."""
    cable = draw_cable(rng, losses_db=(0.03, 0.07))
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    takes[slot] = replace(takes[slot], settings={"dynamic_range_db": 13.0})
    return case_of(files_of(rng, takes), cable, involved=[fibre])


def spacing_differs_by_end(rng: Rng) -> Case:
    """Another instrument at B: twice the distance between points, another ripple."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            takes[slot] = replace(take, settings={"points": 2_000, "ripple_db": 0.002})
    return case_of(files_of(rng, takes), cable)

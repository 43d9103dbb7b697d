"""Bad splices: each is called, where it is, and only its ribbon is ordered."""

from __future__ import annotations

import numpy as np

from scenarios.cable.case import Case, Where, case_of
from scenarios.cable.world import (
    Cable,
    changed,
    draw_cable,
    files_of,
    usual,
    with_bad,
    with_level_step,
    with_loss,
)

Rng = np.random.Generator


def _called(rng: Rng, cable: Cable, bad: list[tuple[int, int]], *args: str) -> Case:
    """Ask for an order at each of these fibres and closures."""
    due = [Where(n, cable.glass[n].boundaries_m[k]) for n, k in bad]
    return case_of(files_of(rng, usual(cable)), cable, args=args, due=due)


def bad_one(rng: Rng) -> Case:
    """One splice of 0.30 to 0.60 dB among 36."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.3, 0.6)), 3))
    return _called(rng, cable, [(fibre, closure)])


def bad_by_little(rng: Rng) -> Case:
    """One splice of 0.212 to 0.230 dB: a little over is over."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.212, 0.23)), 3))
    case = _called(rng, cable, [(fibre, closure)])
    # Over by 0.01 to 0.03 dB: whether that is worth twelve cuts is the reviewer's to weigh.
    return case_of(case.files, cable)


def bad_very(rng: Rng) -> Case:
    """One splice of 2 to 4 dB: hardly any light behind it, but enough."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(2.0, 4.0)), 2))
    return _called(rng, cable, [(fibre, closure)])


def bad_three_places(rng: Rng) -> Case:
    """Three bad splices in two ribbons at three closures: three orders, nothing else."""
    cable = draw_cable(rng, fibres=24)
    bad = [(int(n), k) for k, n in enumerate(rng.choice(cable.numbers, 3, replace=False), 1)]
    for n, k in bad:
        cable = with_bad(cable, n, k, round(float(rng.uniform(0.3, 0.7)), 3))
    return _called(rng, cable, bad)


def bad_two_in_one_fibre(rng: Rng) -> Case:
    """Two bad splices in one fibre."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    for k in (1, 3):
        cable = with_bad(cable, fibre, k, round(float(rng.uniform(0.3, 0.6)), 3))
    return _called(rng, cable, [(fibre, 1), (fibre, 3)])


def bad_looks_good_from_one_end(rng: Rng) -> Case:
    """A splice of 0.35 dB that reads 0.05 dB from one end."""
    cable = draw_cable(rng)
    fibre, k = int(rng.integers(1, 13)), int(rng.integers(0, 3))
    step_db = 0.30 * int(rng.choice((-1, 1)))
    cable = changed(
        cable, (fibre,), lambda glass: with_level_step(with_loss(glass, k, 0.35), k, step_db)
    )
    return _called(rng, cable, [(fibre, k + 1)])


def bad_whole_ribbon(rng: Rng) -> Case:
    """A mass splice that is bad as a whole: 0.25 to 0.5 dB in all twelve."""
    cable = draw_cable(rng, fibres=24)
    ribbon, closure = int(rng.integers(1, 3)), int(rng.integers(1, 4))
    for n in cable.fibres_of(ribbon):
        cable = with_bad(cable, n, closure, round(float(rng.uniform(0.25, 0.5)), 3))
    return _called(rng, cable, [(cable.fibres_of(ribbon)[0], closure)])


def bad_in_a_ribbon_of_24(rng: Rng) -> Case:
    """One bad splice in a ribbon of twenty-four, position 13 to 24."""
    cable = draw_cable(rng, fibres=24, ribbon=24)
    fibre = int(rng.integers(13, 25))
    cable = with_bad(cable, fibre, 2, 0.45)
    return _called(rng, cable, [(fibre, 2)], "--ribbon", "24")


def bad_in_a_ribbon_of_16(rng: Rng) -> Case:
    """One bad splice in position 13 to 16 of a ribbon of sixteen."""
    cable = draw_cable(rng, fibres=16, ribbon=16)
    fibre = int(rng.integers(13, 17))
    cable = with_bad(cable, fibre, 1, 0.4)
    return _called(rng, cable, [(fibre, 1)], "--ribbon", "16")


def bad_in_the_short_last_ribbon(rng: Rng) -> Case:
    """One bad splice in the last ribbon, which has six fibres."""
    cable = draw_cable(rng, fibres=18)
    fibre = int(rng.integers(13, 19))
    cable = with_bad(cable, fibre, 3, 0.4)
    return _called(rng, cable, [(fibre, 3)], "--fibres", "18")

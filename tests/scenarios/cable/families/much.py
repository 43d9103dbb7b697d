"""Several faults in one cable: each is named, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.telling import clearly
from scenarios.cable.world import (
    NIGHT,
    crossed,
    draw_cable,
    exchanged,
    files_of,
    labelled,
    usual,
    with_bad,
    with_bend,
    with_mid_splice,
)

Rng = np.random.Generator

_BOTH = (1310, 1550)


def much_in_24_fibres(rng: Rng) -> Case:
    """A bad splice, a bend, a crossed pair, a missing shot, a loss between closures."""
    bad, bent, one, other, lacking, hurt = (
        int(n) for n in rng.choice(np.arange(1, 25), 6, replace=False)
    )
    swaps = exchanged((one, other))
    cable = clearly(lambda: crossed(draw_cable(rng, fibres=24), swaps, 1))
    cable = with_bend(with_bad(cable, bad, 2, 0.45), bent, 1, 0.35)
    cable = with_mid_splice(cable, {hurt: 0.3}, 3, 0.5)
    where = Where(bad, cable.glass[bad].boundaries_m[2])
    takes = usual(cable, _BOTH)
    del takes[lacking, 1310, "B"]
    return case_of(
        files_of(rng, takes),
        cable,
        nms=_BOTH,
        graded=set(cable.numbers) - {one, other, lacking},
        ungraded=[Where(one), Where(other), Where(lacking, nm=1310)],
        involved=[bent, one, other, lacking, hurt],
        say=[
            says("crossed", rf"\b{one}\b", rf"\b{other}\b", r"cross|exchang|swap|each other"),
            says("a bend", rf"\b{bent}\b", r"bend|bent|re-?dress"),
            says("missing", rf"\b{lacking}\b", r"1310", r"miss|no shot|no file|shoot"),
            says(
                "between closures",
                rf"\b{hurt}\b",
                r"between|on the way|bend, damage|factory splice",
            ),
        ],
        due=[where],
    )


def much_about_labels(rng: Rng) -> Case:
    """Headers left at 1, one shot of the wrong laser, a copy, one fibre's ends exchanged."""
    cable = draw_cable(rng, fibres=12)
    laser, turned, copied = (int(n) for n in rng.choice(np.arange(2, 13), 3, replace=False))
    takes = {slot: labelled(take, fibre="001") for slot, take in usual(cable).items()}
    takes[laser, 1550, "B"] = replace(takes[laser, 1550, "B"], laser_nm=1310)
    one, back = takes[turned, 1550, "A"], takes[turned, 1550, "B"]
    takes[turned, 1550, "A"] = replace(one, end="B")
    takes[turned, 1550, "B"] = replace(back, end="A")
    files = files_of(rng, takes)
    path = takes[copied, 1550, "A"].path
    content = dict(files)[path]
    return case_of(
        (*files, (path.replace("stick/", "stick/copy of "), content)),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {laser, turned},
        ungraded=[Where(laser)],
        involved=None,
        say=[says("wavelength", rf"\b{laser}\b", r"wavelength|1310")],
        never=(r"earlier attempt", r"fibres-crossed"),
    )


def much_after_a_repair(rng: Rng) -> Case:
    """Two bad splices; the first ribbon was made again and is shot again, the second waits."""
    before = draw_cable(rng, fibres=24)
    first, second = int(rng.integers(1, 13)), int(rng.integers(13, 25))
    before = with_bad(with_bad(before, first, 1, 0.5), second, 3, 0.4)
    after = before
    for n in before.fibres_of(1):
        after = with_bad(after, n, 1, round(float(rng.uniform(0.03, 0.1)), 3))
    old = usual(before)
    new = usual(after, folder="after")
    files = files_of(rng, old) + files_of(
        rng,
        [
            labelled(take, taken=take.label["taken"] + 4 * NIGHT)
            for slot, take in new.items()
            if slot[0] <= 12
        ],
    )
    where = Where(second, after.glass[second].boundaries_m[3])
    return case_of(files, after, folders=("stick", "after"), due=[where])

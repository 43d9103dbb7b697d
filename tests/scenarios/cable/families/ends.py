"""Which end was it shot from: A taken for B, and the same end shot twice."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import timedelta

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    HUTS,
    STICK,
    Cable,
    Slot,
    Take,
    draw_cable,
    files_of,
    labelled,
    usual,
    with_bad,
)

Rng = np.random.Generator

_ENDS = (r"\bends?\b", r"direction", r"A→B", r"from [AB]\b", "Alder", "Birch")
_SWAPPED = (
    r"exchang",
    r"swap",
    r"revers",
    r"wrong way",
    r"other way",
    r"turned",
    r"mistak",
    r"from B\b.*(?:called|labelled|typed|said|says)",
    r"mix",
    r"header says",
)
_SAME_END = (r"same[ -]end", r"one end", r"both .*from (?:A|B|Alder|Birch)", r"opposite end")


def _ends_exchanged(takes: dict[Slot, Take], fibres: Collection[int], *, names: bool) -> None:
    """Call the shot from A the one from B, and the other way round; ``names``: file names too."""
    for n in fibres:
        one, other = takes[n, 1550, "A"], takes[n, 1550, "B"]
        ends = ("location_a", "location_b")
        told = [{key: take.label[key] for key in ends} for take in (one, other)]
        takes[n, 1550, "A"] = labelled(one, other.path if names else None, **told[1])
        takes[n, 1550, "B"] = labelled(other, one.path if names else None, **told[0])


def ends_exchanged_of_one_fibre(rng: Rng) -> Case:
    """One fibre's shot from A is called the one from B, and the other way round; all is good."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    _ends_exchanged(takes, [fibre], names=rng.random() < 0.5)
    say = says("ends of this fibre are exchanged", rf"\b{fibre}\b", _ENDS, _SWAPPED, aloud=False)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=[fibre], say=[say])


def ends_exchanged_of_a_bad_fibre(rng: Rng) -> Case:
    """The same, and the fibre has a bad splice: it is to be named where it is."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    cable = with_bad(cable, fibre, 1, round(float(rng.uniform(0.35, 0.6)), 3))
    takes = usual(cable)
    _ends_exchanged(takes, [fibre], names=True)
    say = says("ends of this fibre are exchanged", rf"\b{fibre}\b", _ENDS, _SWAPPED, aloud=False)
    return case_of(files_of(rng, takes), cable, involved=[fibre], say=[say])


def ends_exchanged_of_one_ribbon(rng: Rng) -> Case:
    """For one ribbon of two the ends were typed the wrong way round."""
    cable = draw_cable(rng, fibres=24)
    fibres = range(13, 25)
    takes = usual(cable)
    _ends_exchanged(takes, fibres, names=True)
    say = says(
        "ends of ribbon 2 are exchanged",
        (r"ribbon 2", r"\b13\b", r"\b24\b"),
        _ENDS,
        _SWAPPED,
        aloud=False,
    )
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=fibres, say=[say])


def ends_exchanged_of_all(rng: Rng) -> Case:
    """All shots name the far end first, as some crews do: nothing in the files shows it."""
    cable = draw_cable(rng)
    takes = usual(cable)
    _ends_exchanged(takes, cable.numbers, names=False)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None, either_end=True)


def _same_end(rng: Rng, cable: Cable, fibres: Collection[int]) -> dict[Slot, Take]:
    """Shoot "from B" standing at A."""
    takes = usual(cable)
    for n in fibres:
        takes[n, 1550, "B"] = replace(takes[n, 1550, "B"], end="A")
    return takes


def same_end_twice_for_one_fibre(rng: Rng) -> Case:
    """One fibre was shot from A twice; the second is called the one from B."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    return case_of(
        files_of(rng, _same_end(rng, cable, [fibre])),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[says("both from one end", rf"\b{fibre}\b", _SAME_END)],
        never=(r"fibres-crossed",),
    )


def same_end_twice_for_one_ribbon(rng: Rng) -> Case:
    """One ribbon of two was shot from A twice."""
    cable = draw_cable(rng, fibres=24)
    fibres = cable.fibres_of(2)
    return case_of(
        files_of(rng, _same_end(rng, cable, fibres)),
        cable,
        exit_codes=(1,),
        graded=cable.fibres_of(1),
        ungraded=[Where(n) for n in fibres],
        involved=fibres,
        say=[says("both from one end", (r"ribbon 2", r"\b13\b", r"\b24\b"), _SAME_END)],
        never=(r"fibres-crossed",),
    )


def same_end_twice_for_all(rng: Rng) -> Case:
    """The crew at B had another day; the second set was shot from A too, and labelled as B's."""
    cable = draw_cable(rng)
    return case_of(
        files_of(rng, _same_end(rng, cable, cable.numbers)),
        cable,
        exit_codes=(1, 2),
        graded=(),
        ungraded=[Where()],
        involved=None,
        say=[says("both from one end", _SAME_END)],
        never=(r"fibres-crossed",),
        orders="none",
    )


def ends_typed_alike_names_silent(rng: Rng) -> Case:
    """Headers say Alder to Birch in all shots, the instrument counts its files: only the glass
    tells which end.
    """
    cable = draw_cable(rng)
    takes = usual(cable)
    order = sorted(takes, key=lambda slot: takes[slot].label["taken"])
    named = {
        slot: labelled(
            takes[slot], f"{STICK}/TRACE{k:04d}.SOR", location_a=HUTS[0], location_b=HUTS[1]
        )
        for k, slot in enumerate(order, 1)
    }
    return case_of(files_of(rng, named), cable, exit_codes=(0, 1), involved=None, either_end=True)


def ends_alternate_as_the_crews_met(rng: Rng) -> Case:
    """Fibre after fibre was shot from A and then from B, minutes apart; headers are right."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for (n, nm, end), take in takes.items():
        when = takes[1, nm, "A"].label["taken"] + timedelta(minutes=4 * n + 2 * (end == "B"))
        takes[n, nm, end] = labelled(take, taken=when)
    return case_of(files_of(rng, takes), cable)

"""Where closures are: slack, splices between closures, ribbons that pass, breaks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from simulated import FRESNEL_REFLECTANCE_DB, Fibre, Joint, JointKind

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    Cable,
    changed,
    draw_cable,
    files_of,
    text_file,
    usual,
    with_bad,
    with_length,
    with_mid_splice,
)

Rng = np.random.Generator

#: It is no closure where this loss is.
_BETWEEN = (r"between", r"on the way", r"bend, damage", r"factory splice")
#: A finding about ribbons without a splice where there is merely slack.
_NO_HOLES = (r"passes-unspliced", r"without a splice", r"uncut")


def slack_in_one_ribbon(rng: Rng) -> Case:
    """Thirty metres of slack in one ribbon of two: its closures lie further out, none is new."""
    cable = draw_cable(rng, fibres=24)
    more_m = float(rng.uniform(20, 35))
    cable = with_length(cable, cable.fibres_of(2), int(rng.integers(1, 3)), more_m)
    return case_of(files_of(rng, usual(cable)), cable, never=_NO_HOLES)


def slack_in_one_ribbon_with_a_bad_splice(rng: Rng) -> Case:
    """The same, and a splice of that ribbon is bad: one order, at its own distance."""
    cable = draw_cable(rng, fibres=24)
    cable = with_length(cable, cable.fibres_of(2), 1, 30.0)
    bad = int(rng.integers(13, 25))
    cable = with_bad(cable, bad, 2, 0.45)
    where = Where(bad, cable.closures_m[1] * 1.003 + 15.0)
    case = case_of(files_of(rng, usual(cable)), cable, due=[where], never=_NO_HOLES)
    return replace(case, tolerance_m=40.0)


def slack_unlike_in_all_ribbons(rng: Rng) -> Case:
    """Three ribbons, each with slack of its own in every closure: 0 to 20 m."""
    cable = draw_cable(rng, fibres=36)
    for ribbon in (1, 2, 3):
        for reel in (1, 2, 3):
            cable = with_length(cable, cable.fibres_of(ribbon), reel, float(rng.uniform(0, 20)))
    return case_of(files_of(rng, usual(cable)), cable, never=_NO_HOLES)


def _mid_losses(rng: Rng, fibres: Iterable[int]) -> dict[int, float]:
    return {n: round(float(rng.uniform(0.04, 0.1)), 3) for n in fibres}


def field_splice_in_one_ribbon(rng: Rng) -> Case:
    """One ribbon of two was spliced at a place where the other runs through: good splices."""
    cable = draw_cable(rng, fibres=24)
    ribbon = cable.fibres_of(2)
    cable = with_mid_splice(cable, _mid_losses(rng, ribbon), 2, float(rng.uniform(0.35, 0.65)))
    say = says(
        "one ribbon is spliced there, the other is not",
        (r"between", r"on the way", r"no closure", r"uncut", r"passes", r"runs? through"),
        (r"ribbon [12]", r"\b1[3-9]\b"),
        aloud=False,
    )
    return case_of(
        files_of(rng, usual(cable)),
        cable,
        exit_codes=(0, 1),
        involved=ribbon,
        say=[say],
        closures=None,
    )


def field_splice_in_one_ribbon_bad(rng: Rng) -> Case:
    """The same, and one of those splices loses 0.4 dB."""
    cable = draw_cable(rng, fibres=24)
    ribbon = cable.fibres_of(2)
    bad = int(rng.integers(13, 25))
    losses_db = {**_mid_losses(rng, ribbon), bad: 0.4}
    cable = with_mid_splice(cable, losses_db, 2, float(rng.uniform(0.35, 0.65)))
    return case_of(files_of(rng, usual(cable)), cable, involved=ribbon, closures=None)


def field_splice_in_three_fibres(rng: Rng) -> Case:
    """Three fibres of 24 were repaired between closures: events on the way, no new closure."""
    cable = draw_cable(rng, fibres=24)
    fibres = [int(n) for n in rng.choice(cable.fibres_of(1), 3, replace=False)]
    losses_db = {n: round(float(rng.uniform(0.08, 0.15)), 3) for n in fibres}
    cable = with_mid_splice(cable, losses_db, 2, float(rng.uniform(0.35, 0.65)))
    say = says("a loss between closures", _BETWEEN, rf"\b{fibres[0]}\b")
    return case_of(files_of(rng, usual(cable)), cable, exit_codes=(1,), involved=fibres, say=[say])


def field_splice_in_all(rng: Rng) -> Case:
    """All fibres were spliced at a place that the table of closures does not know; one is bad."""
    cable = draw_cable(rng)
    bad = int(rng.integers(1, 13))
    losses_db = {**_mid_losses(rng, cable.numbers), bad: 0.4}
    names = [f"J{k},{m:.0f}" for k, m in enumerate(cable.closures_m, 1)]
    cable = with_mid_splice(cable, losses_db, 2, float(rng.uniform(0.35, 0.65)))
    table = text_file("closures.csv", "name,distance", *names)
    return case_of(
        (*files_of(rng, usual(cable)), *table),
        cable,
        args=("--closures", "closures.csv"),
        involved=None,
        closures=4,
    )


def field_splice_in_one_fibre(rng: Rng) -> Case:
    """One fibre was cut and spliced between closures: 0.3 dB there."""
    cable = draw_cable(rng)
    bad = int(rng.integers(1, 13))
    cable = with_mid_splice(cable, {bad: 0.3}, int(rng.integers(1, 5)), 0.5)
    say = says("a loss between closures", _BETWEEN, rf"\b{bad}\b")
    return case_of(files_of(rng, usual(cable)), cable, involved=[bad], say=[say])


def table_lacks_a_closure(rng: Rng) -> Case:
    """The table of closures names two of three; the third is seen all the same, and is bad."""
    cable = draw_cable(rng)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.45)
    names = [f"J{k},{cable.closures_m[k - 1]:.0f}" for k in (1, 3)]
    table = text_file("closures.csv", "name,distance", *names)
    return case_of(
        (*files_of(rng, usual(cable)), *table),
        cable,
        args=("--closures", "closures.csv"),
        involved=None,
        due=[Where(bad, cable.glass[bad].boundaries_m[2])],
    )


def _through(glass: Fibre, closure: int) -> Fibre:
    """Return glass that was never cut at a closure."""
    before, after = glass.sections[closure - 1 : closure + 1]
    whole = replace(before, length_m=before.length_m + after.length_m)
    return replace(
        glass,
        sections=(*glass.sections[: closure - 1], whole, *glass.sections[closure + 1 :]),
        joints=(*glass.joints[: closure - 1], *glass.joints[closure:]),
    )


def ribbon_passes_uncut(rng: Rng) -> Case:
    """Ribbon 2 runs through closure 2 uncut."""
    cable = draw_cable(rng, fibres=24)
    cable = changed(cable, cable.fibres_of(2), lambda glass: _through(glass, 2))
    return case_of(files_of(rng, usual(cable)), cable, orders="none")


def ribbon_ends_early(rng: Rng) -> Case:
    """Ribbon 2 leaves the cable and ends in the building at closure 3."""
    cable = draw_cable(rng, fibres=24)

    def shorter(glass: Fibre) -> Fibre:
        return replace(glass, sections=glass.sections[:3], joints=glass.joints[:2])

    cable = changed(cable, cable.fibres_of(2), shorter)
    return case_of(files_of(rng, usual(cable)), cable, exit_codes=(0, 1), involved=None)


def _break(cable: Cable, fibre: int, at_m: float) -> tuple[Fibre, Fibre]:
    """Give what light from A and from B sees of a broken fibre, both as seen from A."""
    glass = cable.glass[fibre]
    near = glass.broken_at(at_m, FRESNEL_REFLECTANCE_DB)
    far = glass.reversed().broken_at(glass.length_m - at_m, FRESNEL_REFLECTANCE_DB).reversed()
    return near, far


def broken_between_closures(rng: Rng) -> Case:
    """One fibre is broken in the second or third reel: named, with its distance; no splice of it
    is judged.
    """
    cable = draw_cable(rng)
    fibre, reel = int(rng.integers(1, 13)), int(rng.integers(2, 4))
    start_m, end_m = cable.glass[fibre].boundaries_m[reel - 1 : reel + 1]
    at_m = start_m + float(rng.uniform(0.3, 0.7)) * (end_m - start_m)
    near, far = _break(cable, fibre, at_m)
    takes = usual(cable)
    for end, glass in (("A", near), ("B", far)):
        # Nothing of the far reel is behind a break.
        slot = fibre, 1550, end
        takes[slot] = replace(takes[slot], glass=glass, cords_m=(300.0, None))
    km = f"{at_m / 1000:.2f}"[:-1]
    say = [
        says(
            "this fibre is broken", rf"\b{fibre}\b", (r"broken", r"break", r"\bcut\b", r"ends at")
        ),
        says("where", rf"\b{fibre}\b", (rf"\b{km.replace('.', '[.]')}\d* ?\d* ?km", _metres(at_m))),
    ]
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=say,
    )


def _metres(at_m: float) -> str:
    """Match a distance to within 15 m, in whole metres."""
    near = "|".join(str(m) for m in range(round(at_m) - 15, round(at_m) + 16))
    return rf"\b(?:{near})(?:\.\d+)? m\b"


def damage_between_closures(rng: Rng) -> Case:
    """One fibre loses 0.25 to 0.4 dB where no closure is, at both wavelengths."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    loss_db = round(float(rng.uniform(0.25, 0.4)), 3)
    cable = with_mid_splice(cable, {fibre: loss_db}, int(rng.integers(1, 5)), 0.4)
    nms = (1310, 1550)
    say = says("a loss between closures", _BETWEEN, rf"\b{fibre}\b")
    return case_of(
        files_of(rng, usual(cable, nms)),
        cable,
        nms=nms,
        involved=[fibre],
        say=[say],
    )


def bend_between_closures(rng: Rng) -> Case:
    """One fibre is bent where no closure is: a loss at 1550 nm, next to none at 1310."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    cable = with_mid_splice(cable, {fibre: 0.35}, 2, 0.5)

    def bent(glass: Fibre) -> Fibre:
        joints = list(glass.joints)
        joints[1] = Joint(0.35, kind=JointKind.BEND)
        return replace(glass, joints=tuple(joints))

    cable = changed(cable, (fibre,), bent)
    nms = (1310, 1550)
    say = says("a bend", rf"\b{fibre}\b", r"bend|bent|rises with")
    return case_of(
        files_of(rng, usual(cable, nms)),
        cable,
        nms=nms,
        involved=[fibre],
        say=[say],
        orders="none",
    )


def connector_in_the_middle(rng: Rng) -> Case:
    """At closure 2 all fibres pass a cross-connect: connectors of 0.25 to 0.35 dB that reflect."""
    cable = draw_cable(rng)

    def patched(glass: Fibre) -> Fibre:
        joints = list(glass.joints)
        loss_db = round(float(rng.uniform(0.25, 0.35)), 3)
        joints[1] = Joint(loss_db, -48.0, JointKind.CONNECTOR)
        return replace(glass, joints=tuple(joints))

    cable = changed(cable, cable.numbers, patched)
    return case_of(
        files_of(rng, usual(cable)),
        cable,
        exit_codes=(1,),
        graded=(),
        involved=None,
        say=[says("it reflects: a connector?", (r"connector", r"reflect"))],
        orders="none",
    )

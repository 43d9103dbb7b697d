"""Two wavelengths: bends, labels, and what is missing at one of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import draw_cable, files_of, usual, with_bad, with_bend

Rng = np.random.Generator

_BOTH = (1310, 1550)
_MISSING = (r"miss", r"no shot", r"no file", r"not shot", r"shoot")


def bend_in_a_tray(rng: Rng) -> Case:
    """One fibre is bent in a tray: 0.25 to 0.4 dB at 1550 nm. Open, re-dress, do not cut."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bend(cable, fibre, closure, round(float(rng.uniform(0.25, 0.4)), 3))
    say = says("a bend", rf"\b{fibre}\b", (r"bend", r"bent", r"re-?dress"))
    return case_of(files_of(rng, usual(cable, _BOTH)), cable, nms=_BOTH, say=[say], orders="none")


def bend_within_the_limit(rng: Rng) -> Case:
    """A bend that loses 0.15 to 0.18 dB at 1550 nm and 0.06 at 1310: a bend all the same."""
    cable = draw_cable(rng, losses_db=(0.03, 0.09))
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bend(cable, fibre, closure, round(float(rng.uniform(0.15, 0.18)), 3))
    say = says("a bend", rf"\b{fibre}\b", (r"bend", r"bent", r"re-?dress"))
    return case_of(
        files_of(rng, usual(cable, _BOTH)),
        cable,
        nms=_BOTH,
        exit_codes=(1,),
        involved=[fibre],
        say=[say],
        orders="none",
    )


def bend_beside_a_bad_splice(rng: Rng) -> Case:
    """A bend in one fibre and a bad splice in another, one ribbon, one closure: one order, for
    the splice.
    """
    cable = draw_cable(rng)
    bent, bad = (int(n) for n in rng.choice(cable.numbers, 2, replace=False))
    cable = with_bad(with_bend(cable, bent, 2, 0.35), bad, 2, 0.45)
    say = says("a bend", rf"\b{bent}\b", (r"bend", r"bent", r"re-?dress"))
    where = Where(bad, cable.glass[bad].boundaries_m[2])
    files = files_of(rng, usual(cable, _BOTH))
    return case_of(files, cable, nms=_BOTH, say=[say], due=[where])


def bad_at_both_wavelengths(rng: Rng) -> Case:
    """A bad splice, alike at 1310 and 1550 nm: no bend."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.3, 0.6)), 3))
    where = Where(fibre, cable.glass[fibre].boundaries_m[closure])
    return case_of(
        files_of(rng, usual(cable, _BOTH)), cable, nms=_BOTH, due=[where], never=(r"bend-sus",)
    )


def laser_1310_called_1550(rng: Rng) -> Case:
    """One shot called 1550 nm was taken at 1310: the finding states what it loses per km."""
    cable = draw_cable(rng)
    fibre, end = int(rng.integers(1, 13)), str(rng.choice(("A", "B")))
    takes = usual(cable)
    slot = fibre, 1550, end
    takes[slot] = replace(takes[slot], laser_nm=1310)
    glass = takes[slot].glass
    mean = sum(s.length_m * s.attenuation_db_per_km for s in glass.sections) / glass.length_m
    told = "|".join(f"{mean + 0.15 + k / 1000:.3f}" for k in range(-4, 5))
    say = [
        says("not 1550 nm", rf"\b{fibre}\b", (r"wavelength", r"1310")),
        says("what it loses per km", rf"\b(?:{told})", aloud=False),
    ]
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=say,
        never=(r"fibres-crossed",),
    )


def wavelengths_exchanged_at_b(rng: Rng) -> Case:
    """For one fibre B's two shots bear each other's wavelength."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable, _BOTH)
    for nm, laser in ((1310, 1550), (1550, 1310)):
        takes[fibre, nm, "B"] = replace(takes[fibre, nm, "B"], laser_nm=laser)
    return case_of(
        files_of(rng, takes),
        cable,
        nms=_BOTH,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[says("wavelengths of this fibre", rf"\b{fibre}\b", (r"wavelength", r"1310"))],
    )


def one_wavelength_from_one_end(rng: Rng) -> Case:
    """Of one fibre, or of all, 1310 nm was shot from A only."""
    cable = draw_cable(rng)
    fibres = [int(rng.integers(1, 13))] if rng.random() < 0.5 else list(cable.numbers)
    takes = usual(cable, _BOTH)
    for n in fibres:
        del takes[n, 1310, "B"]
    which = rf"\b{fibres[0]}\b" if len(fibres) == 1 else r"fibres?\b"
    return case_of(
        files_of(rng, takes),
        cable,
        nms=_BOTH,
        exit_codes=(1,),
        graded=set(cable.numbers) - set(fibres),
        ungraded=[Where(n, nm=1310) for n in fibres],
        involved=fibres,
        say=[says("1310 nm is missing from B", which, r"1310", _MISSING)],
        orders="none",
    )


def one_wavelength_of_one_fibre_missing(rng: Rng) -> Case:
    """One fibre has no shot at 1310 nm at all."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable, _BOTH)
    del takes[fibre, 1310, "A"], takes[fibre, 1310, "B"]
    return case_of(
        files_of(rng, takes),
        cable,
        nms=_BOTH,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre, nm=1310)],
        involved=[fibre],
        say=[says("1310 nm is missing", rf"\b{fibre}\b", r"1310", _MISSING)],
        orders="none",
    )

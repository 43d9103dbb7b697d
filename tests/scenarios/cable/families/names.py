"""What headers, names and folders say of a shot, and whom to believe."""

from __future__ import annotations

import numpy as np

from scenarios.cable.case import Case, case_of, says
from scenarios.cable.world import (
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

_NO_ATTEMPTS = (r"earlier attempt", r"direction-missing", r"fibre-missing")


def _all_say_one(takes: dict[Slot, Take]) -> dict[Slot, Take]:
    return {slot: labelled(take, fibre="001") for slot, take in takes.items()}


def _maybe_bad(rng: Rng) -> Cable:
    cable = draw_cable(rng)
    if rng.random() < 0.5:
        cable = with_bad(cable, int(rng.integers(2, 13)), 2, 0.42)
    return cable


def _numbers_elsewhere(rng: Rng, cable: Cable, takes: dict[Slot, Take], *args: str) -> Case:
    """Judge by the numbers that names or folders give; a word about the headers is welcome."""
    bad = any(place.loss_db > 0.2 for place in case_of((), cable).truth.places)
    return case_of(
        files_of(rng, takes),
        cable,
        args=args,
        exit_codes=(1,) if bad else (0, 1),
        involved=None,
        never=_NO_ATTEMPTS,
    )


def headers_all_say_one_names_tell(rng: Rng) -> Case:
    """All headers say fibre 1; the number stands in the file name, marked."""
    cable = _maybe_bad(rng)
    return _numbers_elsewhere(rng, cable, _all_say_one(usual(cable)))


def headers_all_say_one_bare_names(rng: Rng) -> Case:
    """All headers say fibre 1; files are called 7.sor, in folders A and B."""
    cable = _maybe_bad(rng)
    takes = {
        slot: labelled(take, f"{STICK}/{slot[2]}/{slot[0]}.sor")
        for slot, take in _all_say_one(usual(cable)).items()
    }
    return _numbers_elsewhere(rng, cable, takes)


def headers_all_say_one_folders_tell(rng: Rng) -> Case:
    """All headers say fibre 1; each fibre has a folder of its own."""
    cable = _maybe_bad(rng)
    word = str(rng.choice(("F", "fibre ", "Fibre_")))
    takes = {
        (n, nm, end): labelled(take, f"{STICK}/{word}{n:02d}/{end}_{nm}.sor")
        for (n, nm, end), take in _all_say_one(usual(cable)).items()
    }
    return _numbers_elsewhere(rng, cable, takes)


def headers_empty_folders_tell(rng: Rng) -> Case:
    """No fibre number in any header; each fibre has a folder of its own."""
    cable = _maybe_bad(rng)
    takes = {
        (n, nm, end): labelled(take, f"{STICK}/F{n:02d}/{end}_{nm}.sor", fibre="")
        for (n, nm, end), take in usual(cable).items()
    }
    return _numbers_elsewhere(rng, cable, takes)


def names_by_pattern(rng: Rng) -> Case:
    """An odd scheme of names, explained by a pattern; headers empty."""
    cable = _maybe_bad(rng)
    takes = {
        (n, nm, end): labelled(take, f"{STICK}/{nm}x{n:04d}-{end}-second try.sor", fibre="")
        for (n, nm, end), take in usual(cable).items()
    }
    pattern = "{wavelength}x{fibre}-{direction}-{any}"
    return _numbers_elsewhere(rng, cable, takes, "--name-pattern", pattern)


def one_header_typed_wrong(rng: Rng) -> Case:
    """One header says the number of a fibre that has its own shot; the name is right."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(2, 12))
    other = fibre + int(rng.choice((-1, 1)))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    takes[slot] = labelled(takes[slot], fibre=f"{other:03d}")
    say = says("header and name disagree", rf"\b{fibre}\b", rf"\b{other}\b", aloud=False)
    return case_of(
        files_of(rng, takes), cable, exit_codes=(0, 1), involved=[fibre, other], say=[say]
    )


def one_name_typed_wrong(rng: Rng) -> Case:
    """One file name says a number that no fibre of this cable has; the header is right."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    path = takes[slot].path.replace(f"F{fibre:03d}", f"F{fibre + 50:03d}")
    takes[slot] = labelled(takes[slot], path)
    say = says("header and name disagree", rf"\b{fibre}\b", rf"\b{fibre + 50}\b", aloud=False)
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(0, 1),
        involved=[fibre, fibre + 50],
        say=[say],
        never=(r"direction-missing", r"fibre-missing"),
    )


def headers_left_from_one_fibre_back(rng: Rng) -> Case:
    """One shot of the way the number was not advanced: its header repeats the fibre before."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(2, 13))
    takes = usual(cable)
    slot = fibre, 1550, "A"
    # The name too: the instrument makes it of the header, and adds what keeps names apart.
    before = takes[fibre - 1, 1550, "A"].path
    takes[slot] = labelled(takes[slot], before.replace(".sor", "_2.sor"), fibre=f"{fibre - 1:03d}")
    say = says(f"no shot of fibre {fibre} from A", rf"\b{fibre}\b", (r"miss", r"no shot", r"shoot"))
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre, fibre - 1},
        involved=[fibre, fibre - 1],
        say=[say],
    )

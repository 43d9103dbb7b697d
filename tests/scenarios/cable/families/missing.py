"""Shots that are not there, and files that cannot be used."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from scenarios.cable.case import Case, Say, Where, case_of, says
from scenarios.cable.world import (
    STICK,
    Cable,
    Files,
    Slot,
    Take,
    draw_cable,
    files_of,
    labelled,
    usual,
    with_bad,
)
from scenarios.pair.world import edited

Rng = np.random.Generator

_MISSING = (r"miss", r"no shot", r"no file", r"not shot", r"shoot", r"find")
_ONE_SHOT = (r"same", r"twice", r"copy", r"copied", r"one trace", r"two (?:headers|names)")
_OTHER = (r"other fibre", r"another fibre", r"twice", r"two fibres", r"does not (?:fit|belong)")


def _incomplete(
    rng: Rng,
    cable: Cable,
    takes: dict[Slot, Take],
    fibres: Collection[int],
    *args: str,
    say: Say,
) -> Case:
    """Act a cable of which some fibres lack shots: they are named, the rest is judged."""
    return case_of(
        files_of(rng, takes),
        cable,
        args=args,
        exit_codes=(1,),
        graded=set(cable.numbers) - set(fibres),
        ungraded=[Where(n) for n in sorted(fibres)],
        involved=fibres,
        say=[say],
    )


def one_direction_missing(rng: Rng) -> Case:
    """One fibre lacks its shot from one end."""
    cable = draw_cable(rng)
    fibre, end = int(rng.integers(1, 13)), str(rng.choice(("A", "B")))
    takes = usual(cable)
    del takes[fibre, 1550, end]
    say = says("a shot is missing", rf"\b{fibre}\b", _MISSING)
    return _incomplete(rng, cable, takes, [fibre], say=say)


def one_direction_missing_of_a_bad_fibre(rng: Rng) -> Case:
    """The fibre that lacks its shot from B has a bad splice, which looks worse from A."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    cable = with_bad(cable, fibre, 2, 0.5)
    takes = usual(cable)
    del takes[fibre, 1550, "B"]
    say = says("a shot is missing", rf"\b{fibre}\b", _MISSING)
    case = _incomplete(rng, cable, takes, [fibre], say=say)
    return replace(case, orders="none")


def ribbon_missing_from_b(rng: Rng) -> Case:
    """B's shots of one ribbon of two are on another stick."""
    cable = draw_cable(rng, fibres=24)
    takes = usual(cable)
    for n in cable.fibres_of(2):
        del takes[n, 1550, "B"]
    say = says("ribbon 2 is missing from B", (r"ribbon 2", r"\b13\b", r"\b24\b"), _MISSING)
    return _incomplete(rng, cable, takes, cable.fibres_of(2), say=say)


def fibre_missing(rng: Rng) -> Case:
    """One fibre in the middle has no file at all."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(2, 12))
    takes = usual(cable)
    del takes[fibre, 1550, "A"], takes[fibre, 1550, "B"]
    say = says("a fibre is missing", rf"\b{fibre}\b", _MISSING)
    return _incomplete(rng, cable, takes, [fibre], say=say)


def last_fibre_missing_by_the_count(rng: Rng) -> Case:
    """The cable has 24 fibres by the contract; the last ribbon was never shot."""
    cable = draw_cable(rng)
    say = says("fibres 13 to 24 are missing", (r"ribbon 2", r"\b13\b"), _MISSING)
    return _incomplete(rng, cable, usual(cable), range(13, 25), "--fibres", "24", say=say)


def half_finished_job(rng: Rng) -> Case:
    """Half the job: ribbon 1 is done from both ends, ribbon 2 begun from A; a splice is bad."""
    cable = draw_cable(rng, fibres=24)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.45)
    takes = usual(cable)
    for n in cable.fibres_of(2):
        del takes[n, 1550, "B"]
        if n > 18:
            del takes[n, 1550, "A"]
    say = says("the rest is missing", (r"\b19\b", r"\b24\b", r"ribbon 2"), _MISSING)
    case = _incomplete(rng, cable, takes, cable.fibres_of(2), "--fibres", "24", say=say)
    return replace(case, due=(Where(bad, cable.glass[bad].boundaries_m[2]),))


def missing_here_and_there(rng: Rng) -> Case:
    """Every sixth shot of two ribbons was not saved."""
    cable = draw_cable(rng, fibres=24)
    takes = usual(cable)
    gone = [s for s in takes if rng.random() < 1 / 6]
    for slot in gone:
        del takes[slot]
    fibres = {slot[0] for slot in gone}
    say = says("shots are missing", rf"\b{min(fibres)}\b" if fibres else "", _MISSING)
    return _incomplete(rng, cable, takes, fibres, say=say)


def _spoilt(rng: Rng, spoil: str) -> Case:
    """Act a cable of which one file is spoilt."""
    cable = draw_cable(rng)
    fibre, end = int(rng.integers(1, 13)), str(rng.choice(("A", "B")))
    takes = usual(cable)
    path = takes[fibre, 1550, end].path
    files = []
    for name, content in files_of(rng, takes):
        if name == path:
            content = {
                "cut off": content[: int(len(content) * rng.uniform(0.3, 0.8))],
                "empty": b"",
                "zeros": bytes(len(content)),
                "text": b"this is no trace file\r\n" * 40,
            }[spoil]
        files.append((name, content))
    name = path.rpartition("/")[2].replace(".", "[.]")
    return case_of(
        tuple(files),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[says("this file cannot be used", rf"{name}|\b{fibre}\b", aloud=False)],
    )


def file_cut_off(rng: Rng) -> Case:
    """One file was cut off while it was copied."""
    return _spoilt(rng, "cut off")


def file_empty(rng: Rng) -> Case:
    """One file has no bytes."""
    return _spoilt(rng, "empty")


def file_zeros(rng: Rng) -> Case:
    """One file holds nothing but zeros: a stick pulled out too early."""
    return _spoilt(rng, "zeros")


def file_text(rng: Rng) -> Case:
    """One file called .sor is a text."""
    return _spoilt(rng, "text")


def cut_off_copy_beside_the_whole(rng: Rng) -> Case:
    """A cut-off copy lies in another folder beside the whole file: nothing is lost."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    files = files_of(rng, usual(cable))
    whole = dict(files)[f"{STICK}/{cable.name}_F{fibre:03d}_1550_AB.sor"]
    path = f"{STICK}/copy/{cable.name}_F{fibre:03d}_1550_AB.sor"
    return case_of(
        (*files, (path, whole[: len(whole) // 2])), cable, exit_codes=(0, 1), involved=[fibre]
    )


def computer_litter_beside(rng: Rng) -> Case:
    """Another computer left a hidden file beside each trace: its name with a dot before it."""
    cable = draw_cable(rng)
    files = files_of(rng, usual(cable))
    litter: Files = tuple(
        (path.replace(f"{STICK}/", f"{STICK}/._"), b"\x00\x05\x16\x07" + bytes(4_092))
        for path, _ in files
    )
    return case_of((*files, *litter), cable, exit_codes=(0, 1), involved=None)


def copies_in_a_folder(rng: Rng) -> Case:
    """Some files lie a second time in a folder of copies, byte for byte, names and all."""
    cable = draw_cable(rng)
    files = files_of(rng, usual(cable))
    some = rng.choice(len(files), int(rng.choice((1, 6, 24))), replace=False)
    copies = tuple(
        (files[k][0].replace(f"{STICK}/", f"{STICK}/copies/"), files[k][1]) for k in some
    )
    return case_of((*files, *copies), cable, exit_codes=(0, 1), involved=None)


def copy_called_another_fibre(rng: Rng) -> Case:
    """B's shot of one fibre is missing; a neighbour's was copied and renamed, header and all."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 12))
    missing = fibre + 1
    takes = usual(cable)
    files = dict(files_of(rng, takes))
    return _same_points(rng, cable, takes, files, fibre, missing)


def _same_points(
    rng: Rng,
    cable: Cable,
    takes: dict[Slot, Take],
    files: dict[str, bytes],
    fibre: int,
    missing: int,
) -> Case:
    source, target = takes[fibre, 1550, "B"].path, takes[missing, 1550, "B"].path
    files[target] = edited(files[source], general={"fibre_id": f"{missing:03d}"})
    say = says("one trace under two headers", rf"\b(?:{fibre}|{missing})\b", _ONE_SHOT)
    return case_of(
        tuple(files.items()),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre, missing},
        ungraded=[Where(missing)],
        involved=[fibre, missing],
        say=[say],
    )


def same_points_both_ways(rng: Rng) -> Case:
    """B's file of one fibre is A's with the ends typed round: one acquisition, stored twice."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    files = dict(files_of(rng, takes))
    one, other = takes[fibre, 1550, "A"], takes[fibre, 1550, "B"]
    ends = {key: other.label[key] for key in ("location_a", "location_b")}
    files[other.path] = edited(files[one.path], general=ends)
    say = says("one shot under two names", rf"\b{fibre}\b", _ONE_SHOT)
    return case_of(
        tuple(files.items()),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[say],
    )


def neighbour_shot_twice(rng: Rng) -> Case:
    """At B the crew forgot to move on: one fibre was shot twice, the next one never."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 12))
    missing = fibre + 1
    takes = usual(cable)
    takes[missing, 1550, "B"] = replace(takes[missing, 1550, "B"], glass=cable.glass[fibre])
    say = says(f"the shot of {missing} is not its own", rf"\b{missing}\b", _OTHER)
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre, missing},
        ungraded=[Where(missing)],
        involved=[fibre, missing],
        say=[say],
        never=(r"fibres-crossed",),
    )


def shot_of_another_cable(rng: Rng) -> Case:
    """One shot from B is of another cable, a kilometre shorter."""
    cable = draw_cable(rng, length_m=4_500.0)
    other = draw_cable(rng, fibres=1, length_m=3_500.0)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    takes[fibre, 1550, "B"] = replace(takes[fibre, 1550, "B"], glass=other.glass[1])
    say = says("another cable or length", rf"\b{fibre}\b", (r"length", r"cable", r"longer|shorter"))
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[say],
    )


def connector_not_plugged_in(rng: Rng) -> Case:
    """One shot from B shows no fibre: the connector was not in."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, "B"
    stub = cable.glass[fibre].reversed().broken_at(4.0, -14.0).reversed()
    takes[slot] = labelled(
        replace(takes[slot], glass=stub, cords_m=(None, None)), user_offset_m=0.0
    )
    say = says(
        "no signal", rf"\b{fibre}\b", (r"no signal", r"no fibre", r"again", r"length", r"ends")
    )
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=set(cable.numbers) - {fibre},
        ungraded=[Where(fibre)],
        involved=[fibre],
        say=[say],
    )

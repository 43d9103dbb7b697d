"""Cables that nothing is wrong with: exit 0, and not a word that costs anybody a drive."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from scenarios.cable.case import Case, case_of, says
from scenarios.cable.world import (
    HUTS,
    MORNING,
    STICK,
    Cable,
    Files,
    changed,
    draw_cable,
    files_of,
    labelled,
    text_file,
    usual,
    with_all_steps,
    with_level_step,
    with_loss,
)

Rng = np.random.Generator

_GOOD = says(
    "the cable is good",
    r"^\W*(?:.*\b(?:no|nothing|all|every|leave|good|clean|pass)\b)",
    (r"made again|remade|within|good|to do|pass|clear|leave",),
)


def _clean(
    rng: Rng, cable: Cable, nms: Sequence[int] = (1550,), *args: str, cord_m: float | None = 300.0
) -> Case:
    files = files_of(rng, usual(cable, nms, cord_m=cord_m))
    return case_of(files, cable, nms=nms, args=args, say=[_GOOD])


def clean_plain(rng: Rng) -> Case:
    """Twelve good fibres, three closures, shot the ordinary way."""
    return _clean(rng, draw_cable(rng))


def clean_two_closures(rng: Rng) -> Case:
    """Two closures only: little that tells one fibre from another, and all of it right."""
    return _clean(rng, draw_cable(rng, closures=2, length_m=float(rng.uniform(2_500, 4_000))))


def clean_five_closures(rng: Rng) -> Case:
    """Five closures on four to six kilometres."""
    return _clean(rng, draw_cable(rng, closures=5, length_m=float(rng.uniform(4_000, 6_000))))


def clean_two_ribbons(rng: Rng) -> Case:
    """Two ribbons of twelve."""
    return _clean(rng, draw_cable(rng, fibres=24))


def clean_four_ribbons(rng: Rng) -> Case:
    """Forty-eight fibres, two closures."""
    return _clean(rng, draw_cable(rng, fibres=48, closures=2, length_m=2_500.0))


def clean_two_wavelengths(rng: Rng) -> Case:
    """Twelve good fibres at 1310 and 1550 nm."""
    return _clean(rng, draw_cable(rng), (1310, 1550))


def clean_gainers(rng: Rng) -> Case:
    """Reels of several makers: half of all readings are gainers, every splice is good."""
    return _clean(rng, draw_cable(rng, sigma_b_db=0.15))


def clean_large_steps(rng: Rng) -> Case:
    """Good splices between unlike glasses: one way 0.3 to 0.5 dB, the other way a gain."""
    cable = draw_cable(rng)
    cable = with_all_steps(cable, lambda: float(rng.choice((-1, 1)) * rng.uniform(0.28, 0.45)))
    return _clean(rng, cable)


def clean_one_alarming_reading(rng: Rng) -> Case:
    """One splice reads 0.35 to 0.5 dB from B, and loses 0.06."""
    cable = draw_cable(rng)
    fibre, k = int(rng.integers(1, 13)), int(rng.integers(0, 3))
    step_db = -float(rng.uniform(0.29, 0.44))
    cable = changed(
        cable, (fibre,), lambda glass: with_level_step(with_loss(glass, k, 0.06), k, step_db)
    )
    return _clean(rng, cable)


def clean_without_cords(rng: Rng) -> Case:
    """No launch fibre anywhere; the first closure is half a kilometre off."""
    return _clean(rng, draw_cable(rng), cord_m=None)


def clean_first_closure_near(rng: Rng) -> Case:
    """The first closure is 120 to 250 m from A, and a launch fibre shows it."""
    near_m = float(rng.uniform(120, 250))
    cable = draw_cable(rng, length_m=4_000.0, closures_m=(near_m, 1_700.0, 2_900.0))
    return _clean(rng, cable)


def clean_equal_reels(rng: Rng) -> Case:
    """Closures every 1,200 m: the route mirrors, its fibres do not."""
    cable = draw_cable(rng, length_m=4_800.0, closures_m=(1_200.0, 2_400.0, 3_600.0))
    return _clean(rng, cable)


def clean_nearly_over(rng: Rng) -> Case:
    """Two splices of 0.170 to 0.190 dB: within 0.20, and nothing to do."""
    cable = draw_cable(rng)
    for fibre in rng.choice(cable.numbers, 2, replace=False):
        loss_db = round(float(rng.uniform(0.17, 0.19)), 3)
        cable = changed(
            cable, (int(fibre),), lambda glass, x=loss_db: with_loss(glass, int(x * 1000) % 3, x)
        )
    return _clean(rng, cable)


def clean_very_small_losses(rng: Rng) -> Case:
    """A crew that splices well: 0.005 to 0.03 dB, most of it invisible one way."""
    return _clean(rng, draw_cable(rng, losses_db=(0.005, 0.03)))


def clean_ribbon_of_16(rng: Rng) -> Case:
    """Two ribbons of sixteen."""
    return _clean(rng, draw_cable(rng, fibres=32, ribbon=16), (1550,), "--ribbon", "16")


def clean_ribbon_of_24(rng: Rng) -> Case:
    """One ribbon of twenty-four."""
    return _clean(rng, draw_cable(rng, fibres=24, ribbon=24), (1550,), "--ribbon", "24")


def clean_partial_last_ribbon(rng: Rng) -> Case:
    """Eighteen or twenty fibres in ribbons of twelve: the last ribbon is a short one."""
    fibres = int(rng.choice((18, 20)))
    return _clean(rng, draw_cable(rng, fibres=fibres), (1550,), "--fibres", str(fibres))


def clean_loose_tube(rng: Rng) -> Case:
    """Loose tube, no ribbons."""
    return _clean(rng, draw_cable(rng, fibres=12), (1550,), "--ribbon", "none")


def clean_closures_named(rng: Rng) -> Case:
    """A table names the closures by cable metres, up to 15 m off."""
    cable = draw_cable(rng)
    names = ("Tansy Lane", "Otterstone", "Millrace")
    lines = [
        f"{name},{m + rng.uniform(-15, 15):.0f}"
        for name, m in zip(names, cable.closures_m, strict=True)
    ]
    files = files_of(rng, usual(cable)) + text_file("closures.csv", "name,distance", *lines)
    args = ("--closures", "closures.csv")
    return case_of(files, cable, args=args, say=[_GOOD])


def clean_fibres_stated(rng: Rng) -> Case:
    """Fibre count stated, and all are there."""
    return _clean(rng, draw_cable(rng, fibres=12), (1550,), "--fibres", "12")


def clean_names_tell(rng: Rng) -> Case:
    """Nothing typed into the headers; file names say fibre, wavelength and direction."""
    cable = draw_cable(rng)
    empty = {"cable": "", "fibre": "", "location_a": "", "location_b": ""}
    takes = {slot: labelled(take, **empty) for slot, take in usual(cable).items()}
    cable = replace(cable, name="")
    return case_of(files_of(rng, takes), cable, exit_codes=(0,))


def clean_folders_tell(rng: Rng) -> Case:
    """Both headers say Alder to Birch, as typed in the morning; folders A and B tell the end."""
    cable = draw_cable(rng)
    takes = {
        (n, nm, end): labelled(
            take,
            f"{STICK}/{end}/{cable.name}_{n:03d}.sor",
            location_a=HUTS[0],
            location_b=HUTS[1],
        )
        for (n, nm, end), take in usual(cable).items()
    }
    return case_of(files_of(rng, takes), cable, exit_codes=(0,))


def clean_instrument_counts_files(rng: Rng) -> Case:
    """The instrument counts its files; headers say everything."""
    cable = draw_cable(rng)
    takes = usual(cable)
    order = sorted(takes, key=lambda slot: takes[slot].label["taken"])
    named = {
        slot: labelled(takes[slot], f"{STICK}/TRACE{k:04d}.SOR") for k, slot in enumerate(order, 37)
    }
    return case_of(files_of(rng, named), cable)


def clean_in_an_archive(rng: Rng) -> Case:
    """The crew mailed a zip archive."""
    cable = draw_cable(rng)
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for path, content in files_of(rng, usual(cable)):
            when = (2024, 5, 16, 9, 0, 0)
            archive.writestr(zipfile.ZipInfo(path, when), content)
    files: Files = (("stick.zip", held.getvalue()),)
    return case_of(files, cable, folders=("stick.zip",))


def clean_clocks_hours_apart(rng: Rng) -> Case:
    """Two crews on one day, two instruments, one clock in another time zone."""
    cable = draw_cable(rng)
    hours = timedelta(hours=float(rng.choice((-9, -5, 1, 8))))
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "B":
            when = MORNING + timedelta(minutes=slot[0]) + hours
            takes[slot] = labelled(take, taken=when)
    return case_of(files_of(rng, takes), cable)


def clean_other_files_beside(rng: Rng) -> Case:
    """Photographs, a note, a spreadsheet lie among the traces."""
    cable = draw_cable(rng)
    beside: Files = (
        (f"{STICK}/IMG_0001.JPG", b"\xff\xd8\xff\xe0" + bytes(200)),
        (f"{STICK}/notes.txt", b"closure 2: lid seal replaced\r\n"),
        (f"{STICK}/Thumbs.db", bytes(64)),
    )
    return case_of((*files_of(rng, usual(cable)), *beside), cable)

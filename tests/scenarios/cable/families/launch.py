"""Launch and receive fibres: unstated, stated wrongly, forgotten."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from simulated import Joint, JointKind

from scenarios.cable.case import Case, Place, Where, case_of, places_of, says
from scenarios.cable.world import (
    Cable,
    Slot,
    Take,
    draw_cable,
    files_of,
    labelled,
    text_file,
    usual,
    with_bad,
)

Rng = np.random.Generator

_CORD = (r"launch", r"receive", r"cord", r"offset")


def _unstated(cable: Cable, cord_m: float | None) -> dict[Slot, Take]:
    """Shoot through cords that no header tells of."""
    takes = usual(cable, cord_m=cord_m)
    return {slot: labelled(take, user_offset_m=0.0) for slot, take in takes.items()}


def _moved(cable: Cable, by_m: float) -> list[Place]:
    """Give the places of a cable as counted from a point before or behind its end A."""
    return [replace(p, distance_m=p.distance_m + by_m) for p in places_of(cable)]


def launch_unstated(rng: Rng) -> Case:
    """A launch fibre of 1.000 km at both ends that nobody stated: no closure, no order."""
    cable = draw_cable(rng)
    return case_of(
        files_of(rng, _unstated(cable, 1_000.0)),
        cable,
        exit_codes=(0, 1),
        involved=None,
        orders="none",
    )


def launch_unstated_with_a_bad_splice(rng: Rng) -> Case:
    """The same with one bad splice: that one is ordered, and nothing at 1.000 km."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.35, 0.6)), 3))
    return case_of(
        files_of(rng, _unstated(cable, 1_000.0)),
        cable,
        exit_codes=(1,),
        involved=None,
        due=[Where(fibre, cable.glass[fibre].boundaries_m[closure])],
    )


def launch_unstated_angled(rng: Rng) -> Case:
    """The same with angled connectors that send nothing back: 0.25 dB at 1.000 km from both
    instruments, on all fibres.
    """
    cable = draw_cable(rng)
    angled = Joint(0.25, None, JointKind.CONNECTOR)
    takes = {
        slot: replace(take, connector_a=angled, connector_b=angled)
        for slot, take in _unstated(cable, 1_000.0).items()
    }
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(0, 1),
        involved=None,
        orders="none",
        say=[says("a launch fibre", _CORD, aloud=False)],
    )


def launch_unstated_of_two_lengths(rng: Rng) -> Case:
    """Reels of 500 m at A and 1,000 m at B in all shots, unstated."""
    cable = draw_cable(rng)
    takes = {
        slot: replace(take, cords_m=(500.0, 1_000.0) if take.end == "A" else (1_000.0, 500.0))
        for slot, take in _unstated(cable, 500.0).items()
    }
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None, orders="none")


def launch_carried_along(rng: Rng) -> Case:
    """One launch fibre of 500 m went with the instrument, stated, and nothing at the far end."""
    cable = draw_cable(rng)
    takes = {
        slot: replace(take, cords_m=(500.0, None))
        for slot, take in usual(cable, cord_m=500.0).items()
    }
    return case_of(files_of(rng, takes), cable)


def launch_stated_on_the_command_line(rng: Rng) -> Case:
    """Launch and receive fibre of 1 km, not in the headers, stated when asked."""
    cable = draw_cable(rng)
    args = ("--launch", "1km", "--receive", "1km")
    return case_of(files_of(rng, _unstated(cable, 1_000.0)), cable, args=args)


def launch_stated_wrongly(rng: Rng) -> Case:
    """Stated is 500 m, the reels are of 1 km: every distance would be half a kilometre too far."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    cable = with_bad(cable, fibre, 2, 0.45)
    args = ("--launch", "500m", "--receive", "500m")
    return case_of(
        files_of(rng, _unstated(cable, 1_000.0)),
        cable,
        args=args,
        exit_codes=(1, 2),
        graded=(),
        # A row may count as stated, as long as nobody is sent there.
        places=[*places_of(cable), *_moved(cable, 500.0)],
        involved=None,
        say=[says("the launch fibre is not as stated", _CORD)],
        orders="none",
        closures=None,
    )


def launch_stated_and_not_there(rng: Rng) -> Case:
    """`--launch 1km` of the last job; there is none, and a bad splice lies inside it."""
    cable = draw_cable(rng, closures_m=(600.0, 1_900.0, 2_800.0), length_m=4_200.0)
    fibre = int(rng.integers(1, 13))
    cable = with_bad(cable, fibre, 1, 0.45)
    takes = _unstated(cable, None)
    return case_of(
        files_of(rng, takes),
        cable,
        args=("--launch", "1km", "--receive", "1km"),
        exit_codes=(1, 2),
        graded=(),
        places=[*places_of(cable), *_moved(cable, -1_000.0)],
        involved=None,
        say=[says("the launch fibre is not as stated", _CORD)],
        never=(r"no splice has to be (?:re)?made",),
        orders="none",
        closures=None,
    )


def offset_left_over(rng: Rng) -> Case:
    """The user offset of the last job, 800 m, is in all headers of A; the launch fibre has 300."""
    cable = draw_cable(rng, closures_m=(1_100.0, 1_900.0, 2_800.0), length_m=4_200.0)
    takes = usual(cable)
    for slot, take in takes.items():
        if slot[2] == "A":
            takes[slot] = labelled(take, user_offset_m=800.0)
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(0, 1),
        graded=(),
        places=[*places_of(cable), *_moved(cable, -500.0)],
        involved=None,
        orders="none",
        say=[says("the offset is not the launch fibre's", _CORD, aloud=False)],
    )


def launch_forgotten_once(rng: Rng) -> Case:
    """One shot of all was taken without the launch fibre; its first closure is far enough off."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    slot = fibre, 1550, str(rng.choice(("A", "B")))
    takes[slot] = labelled(replace(takes[slot], cords_m=(None, 300.0)), user_offset_m=0.0)
    say = says("no launch fibre here", rf"\b{fibre}\b", _CORD, aloud=False)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=[fibre], say=[say])


def launch_that_no_rule_asks_for(rng: Rng) -> Case:
    """A shipped profile of 0.10 dB per splice; the crew used launch fibres: no shot again."""
    cable = draw_cable(rng, losses_db=(0.03, 0.08))
    return case_of(
        files_of(rng, usual(cable)),
        cable,
        args=("--profile", "three-attempts"),
        limit_db=0.10,
        exit_codes=(0, 1),
        involved=None,
        never=(r"(?:launch|cord).*(?:shoot|shot|take)\w* .*again",),
        orders="none",
    )


def launch_asked_for_and_missing(rng: Rng) -> Case:
    """The contract asks for a launch fibre of 500 m, and there is none."""
    cable = draw_cable(rng)
    profile = text_file(
        "contract.toml",
        "format = 1",
        'name = "invented-launch"',
        'source = "invented for this case"',
        "[splice]",
        "limit_db = 0.20",
        "[setup]",
        'launch = "required"',
        "launch_m_min = 500",
    )
    return case_of(
        (*files_of(rng, usual(cable, cord_m=None)), *profile),
        cable,
        args=("--profile", "contract.toml"),
        exit_codes=(1,),
        involved=None,
        say=[says("a launch fibre is asked for", _CORD)],
        orders="none",
    )

"""Under which rule: figures of a profile, at and around their limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from simulated import Fibre, Joint, JointKind

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    Files,
    changed,
    draw_cable,
    files_of,
    text_file,
    usual,
    with_bad,
)

Rng = np.random.Generator

_ARGS = ("--profile", "contract.toml")


def _contract(*lines: str, limit_db: float = 0.20) -> Files:
    return text_file(
        "contract.toml",
        "format = 1",
        'name = "invented"',
        'source = "invented for this case"',
        "[splice]",
        f"limit_db = {limit_db}",
        *lines,
    )


def limit_met_to_the_decimal(rng: Rng) -> Case:
    """Losses of 0.148 to 0.152 dB against 0.15: what is printed decides, in every row."""
    cable = draw_cable(rng)
    for n in cable.numbers:
        cable = with_bad(cable, n, 2, round(float(rng.uniform(0.148, 0.152)), 4))
    files = (*files_of(rng, usual(cable)), *_contract(limit_db=0.15))
    return case_of(files, cable, args=_ARGS, limit_db=0.15, exit_codes=(0, 1), involved=None)


def limit_just_kept(rng: Rng) -> Case:
    """All within 0.12 dB, by 0.005 at least: good."""
    cable = draw_cable(rng, losses_db=(0.03, 0.112))
    files = (*files_of(rng, usual(cable)), *_contract(limit_db=0.12))
    return case_of(files, cable, args=_ARGS, limit_db=0.12)


def limit_just_missed(rng: Rng) -> Case:
    """One splice is 0.012 to 0.02 dB over a limit of 0.12."""
    cable = draw_cable(rng, losses_db=(0.03, 0.105))
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.132, 0.14)), 3))
    files = (*files_of(rng, usual(cable)), *_contract(limit_db=0.12))
    return case_of(files, cable, args=_ARGS, limit_db=0.12)


def limit_by_wavelength(rng: Rng) -> Case:
    """0.25 dB at 1310 nm, 0.20 at 1550: a splice of 0.225 dB is good at one, bad at the other."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, 0.225)
    profile = text_file(
        "contract.toml",
        "format = 1",
        'name = "invented"',
        'source = "invented for this case"',
        "[splice]",
        "limit_db_at = { 1310 = 0.25, 1550 = 0.20 }",
        'wavelengths = "all"',
    )
    nms = (1310, 1550)
    files = (*files_of(rng, usual(cable, nms)), *profile)
    return case_of(files, cable, nms=nms, args=_ARGS, limit_db={1310: 0.25, 1550: 0.20})


def guarded_too_close(rng: Rng) -> Case:
    """Under the guarded rule a splice of exactly the limit is not decided."""
    cable = draw_cable(rng)
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, 0.200)
    where = Where(fibre, cable.glass[fibre].boundaries_m[closure])
    return case_of(
        files_of(rng, usual(cable)),
        cable,
        args=("--guarded",),
        exit_codes=(1,),
        uncleared=[where],
        orders="none",
        say=[says("too close to call", r"too close|undecided|averag")],
    )


def guarded_clear(rng: Rng) -> Case:
    """Under the guarded rule splices well below the limit pass."""
    cable = draw_cable(rng)
    return case_of(files_of(rng, usual(cable)), cable, args=("--guarded",))


def mean_kept(rng: Rng) -> Case:
    """Mean of a fibre's splices at most 0.12 dB, and it is 0.06 to 0.09."""
    cable = draw_cable(rng, losses_db=(0.06, 0.09))
    files = (*files_of(rng, usual(cable)), *_contract("[span]", "mean_limit_db = 0.12"))
    return case_of(files, cable, args=_ARGS)


def mean_missed(rng: Rng) -> Case:
    """One fibre's splices are each within 0.20 dB, and their mean of 0.15 is over 0.12."""
    cable = draw_cable(rng, losses_db=(0.06, 0.09))
    fibre = int(rng.integers(1, 13))
    for k in (1, 2, 3):
        cable = with_bad(cable, fibre, k, round(float(rng.uniform(0.14, 0.16)), 3))
    files = (*files_of(rng, usual(cable)), *_contract("[span]", "mean_limit_db = 0.12"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=[fibre],
        say=[says("the mean of this fibre is over", rf"\b{fibre}\b", r"mean|average")],
        orders="none",
    )


def mean_kept_with_a_bad_splice(rng: Rng) -> Case:
    """A good mean never excuses a bad splice."""
    cable = draw_cable(rng, losses_db=(0.03, 0.05))
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, 0.26)
    files = (*files_of(rng, usual(cable)), *_contract("[span]", "mean_limit_db = 0.15"))
    return case_of(files, cable, args=_ARGS)


def attenuation_missed(rng: Rng) -> Case:
    """One fibre loses 0.24 dB/km, where 0.22 is asked; its splices are good."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))

    def poor(glass: Fibre) -> Fibre:
        return replace(
            glass,
            sections=tuple(replace(s, attenuation_db_per_km=0.24) for s in glass.sections),
        )

    cable = changed(cable, (fibre,), poor)
    lines = ("[fibre]", "attenuation_db_per_km_at = { 1550 = 0.22 }")
    files = (*files_of(rng, usual(cable)), *_contract(*lines))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=[fibre],
        say=[
            says(
                "its attenuation is over",
                rf"\b{fibre}\b",
                (r"dB/km", r"attenuation", r"per km"),
                aloud=False,
            )
        ],
        orders="none",
    )


def attenuation_kept(rng: Rng) -> Case:
    """All fibres lose 0.19 dB/km, where 0.22 is asked."""
    cable = draw_cable(rng)
    lines = ("[fibre]", "attenuation_db_per_km_at = { 1550 = 0.22 }")
    return case_of((*files_of(rng, usual(cable)), *_contract(*lines)), cable, args=_ARGS)


def end_connector_missed(rng: Rng) -> Case:
    """The connector at A of one fibre loses 0.9 dB, where 0.5 is asked."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    poor = Joint(0.9, -45.0, JointKind.CONNECTOR)
    takes = usual(cable, cord_m=500.0)
    for end in "AB":
        takes[fibre, 1550, end] = replace(takes[fibre, 1550, end], connector_a=poor)
    files = (*files_of(rng, takes), *_contract("[connector]", "end_limit_db = 0.5"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=[fibre],
        say=[says("the connector is over", rf"\b{fibre}\b", r"connector", aloud=False)],
        orders="none",
    )


def end_connectors_kept(rng: Rng) -> Case:
    """All end connectors lose 0.3 dB, where 0.5 is asked."""
    cable = draw_cable(rng)
    takes = usual(cable, cord_m=500.0)
    files = (*files_of(rng, takes), *_contract("[connector]", "end_limit_db = 0.5"))
    return case_of(files, cable, args=_ARGS)


def total_missed(rng: Rng) -> Case:
    """End to end at most 0.20 dB/km + 0.06 a splice: one fibre's sum is over, no splice is."""
    cable = draw_cable(rng, losses_db=(0.03, 0.05))
    fibre = int(rng.integers(1, 13))
    for k in (1, 2, 3):
        cable = with_bad(cable, fibre, k, 0.17)
    lines = (
        "[span.formula]",
        "fibre_db_per_km_at = { 1550 = 0.20 }",
        "splice_db = 0.06",
        "connector_db = 0",
    )
    files = (*files_of(rng, usual(cable)), *_contract(*lines))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=[fibre],
        say=[says("end to end it is over", rf"\b{fibre}\b", (r"end to end", r"span", r"total"))],
        orders="none",
    )


def total_kept(rng: Rng) -> Case:
    """The same rule, kept by 0.1 dB at least."""
    cable = draw_cable(rng, losses_db=(0.02, 0.03))
    lines = (
        "[span.formula]",
        "fibre_db_per_km_at = { 1550 = 0.20 }",
        "splice_db = 0.06",
        "connector_db = 0",
    )
    return case_of((*files_of(rng, usual(cable)), *_contract(*lines)), cable, args=_ARGS)


def wavelength_asked_for_and_never_shot(rng: Rng) -> Case:
    """The contract asks for 1310 and 1550 nm; all was shot at 1550 only."""
    cable = draw_cable(rng)
    files = (*files_of(rng, usual(cable)), *_contract("[wavelengths]", "required = [1310, 1550]"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=None,
        say=[says("1310 nm is missing", r"1310", (r"miss", r"no shot", r"not shot", r"shoot"))],
        orders="none",
    )


def pulse_not_as_asked(rng: Rng) -> Case:
    """The contract allows pulses up to 50 ns; all was shot with 100."""
    cable = draw_cable(rng)
    files = (*files_of(rng, usual(cable)), *_contract("[setup]", "pulse_ns_max = 50"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=None,
        say=[says("the pulse is not as asked", r"pulse", r"\b50\b", r"\b100\b")],
        orders="none",
    )


def too_many_splices(rng: Rng) -> Case:
    """At most one splice per two kilometres; the cable has one per kilometre."""
    cable = draw_cable(rng, closures=3, length_m=3_300.0)
    files = (*files_of(rng, usual(cable)), *_contract("[span]", "splices_per_km = 0.5"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(1,),
        involved=None,
        say=[
            says(
                "more splices than allowed",
                r"splices?",
                (r"per km", r"/km", r"allowed"),
                aloud=False,
            )
        ],
        orders="none",
    )


def key_misspelt(rng: Rng) -> Case:
    """A key of the contract is misspelt: nothing is judged by a rule that was not read."""
    cable = draw_cable(rng)
    files = (*files_of(rng, usual(cable)), *_contract("[span]", "mean_limt_db = 0.12"))
    return case_of(
        files,
        cable,
        args=_ARGS,
        exit_codes=(2,),
        graded=(),
        involved=None,
        say=[says("which key", r"mean_limt_db")],
    )


def nominal_passes_with_a_remark(rng: Rng) -> Case:
    """Nominal 0.12 dB, limit 0.20: a splice of 0.15 to 0.18 passes with a remark."""
    cable = draw_cable(rng, losses_db=(0.03, 0.10))
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, fibre, closure, round(float(rng.uniform(0.15, 0.18)), 3))
    files = (*files_of(rng, usual(cable)), *_contract("nominal_db = 0.12"))
    return case_of(files, cable, args=_ARGS, involved=[fibre])

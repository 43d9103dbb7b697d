"""Shots that are not there: what is asked for is what the stage of the work asks for."""

from __future__ import annotations

from dataclasses import replace

from cable_of_values import CABLE, A, B, shot

from otdravg.cable.checks.missing import missing_shots
from otdravg.cable.model import Expected, ShotToTake
from otdravg.verdict.rules import Directions, Profile, Stage, WavelengthRule, default

BOTH = default()
ONE = replace(BOTH, stage=Stage("first look", Directions.ONE))
NAMED = WavelengthRule(required=(1310, 1550))


def asked(profile: Profile, *there: tuple[int, int, str]) -> list[ShotToTake]:
    """What is to be shot yet, where some shots are there: fibre, wavelength, end."""
    records = [shot(fibre, nm, A if end == "A" else B) for fibre, nm, end in there]
    to_take, findings = missing_shots(records, profile, {}, Expected())
    assert len(findings) == len({(s.fibre, s.wavelength_nm) for s in to_take})
    return to_take


def test_half_a_pair_at_a_wavelength_of_one_fibre_is_not_passed_over() -> None:
    whole = [(1, nm, end) for nm in (1310, 1550) for end in "AB"]
    extra = asked(replace(BOTH, wavelengths=NAMED), *whole, (1, 1625, "A"))
    assert extra == [ShotToTake(CABLE, 1, B, 1625)]


def test_a_stage_that_needs_one_end_asks_nothing_of_the_other() -> None:
    """One direction is enough for what the profile names, and so for what was shot beside it."""
    named = replace(ONE, wavelengths=NAMED)
    assert asked(named, (1, 1310, "A"), (1, 1550, "A"), (1, 1625, "A")) == []
    assert asked(named, (1, 1310, "A")) == [ShotToTake(CABLE, 1, A, 1550)]


def test_a_usual_wavelength_that_a_fibre_lacks_is_asked_for_from_as_many_ends_as_are_needed() -> (
    None
):
    others = [(fibre, nm, "A") for fibre in (1, 2, 3) for nm in (1310, 1550)]
    assert asked(ONE, *others, (4, 1310, "A")) == [ShotToTake(CABLE, 4, A, 1550)]
    both = [(fibre, nm, end) for fibre in (1, 2, 3) for nm in (1310, 1550) for end in "AB"]
    lacks = asked(BOTH, *both, (4, 1310, "A"), (4, 1310, "B"))
    assert lacks == [ShotToTake(CABLE, 4, end, 1550) for end in (A, B)]

"""Which shot is current: repairs, shots taken again, attempts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np

from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    NIGHT,
    STICK,
    Cable,
    Files,
    Slot,
    Take,
    again,
    changed,
    draw_cable,
    files_of,
    folder_of,
    text_file,
    usual,
    with_bad,
    with_loss,
)

Rng = np.random.Generator

_AGAIN = (
    r"shoot",
    r"shot .*(?:missing|again)",
    r"take .*again",
    r"new shot",
    r"still .*missing",
    r"retest",
)
_FROM_B = (
    r"\bB:",
    r"from B\b",
    r"\bB end\b",
    r"\bend B\b",
    r"Birch",
    r"other end",
    r"B→A",
    r"\bBA\b",
)
#: Two states of a splice that differ by less than two shots can tell, dB.
_SAME_DB = 0.008
_PROFILE = ("--profile", "contract.toml")


def _contract() -> Files:
    """A contract with 0.10 dB for a splice and 0.20 dB after three attempts."""
    return text_file(
        "contract.toml",
        "format = 1",
        'name = "invented-attempts"',
        'source = "invented for this case"',
        "[splice]",
        "limit_db = 0.10",
        "[splice.attempts]",
        "allowed = 3",
        "fallback_db = 0.20",
        "[wavelengths]",
        "required = [1550]",
    )


def _remade(rng: Rng, cable: Cable, closure: int, fixed: Mapping[int, float] = {}) -> Cable:
    """Return the cable with a whole ribbon spliced anew at a closure: new luck for each fibre."""
    for n in cable.fibres_of(1):
        loss_db = fixed.get(n, round(float(rng.uniform(0.03, 0.085)), 3))
        cable = changed(cable, (n,), lambda glass, x=loss_db: with_loss(glass, closure - 1, x))
    return cable


def _shot_again(
    takes: Mapping[Slot, Take],
    after: Cable,
    slots: Sequence[Slot],
    later: timedelta,
    mark: str = "_2",
) -> list[Take]:
    return [again(takes[s], later, glass=after.glass[s[0]], mark=mark) for s in slots]


def _slots(fibres: Sequence[int], ends: str = "AB") -> list[Slot]:
    return [(n, 1550, end) for n in fibres for end in ends]


def _places(cable: Cable, fibres: Sequence[int], closure: int) -> list[Where]:
    """Name the splices of fibres at a closure."""
    return [Where(n, cable.glass[n].boundaries_m[closure]) for n in fibres]


def _mixed(before: Cable, after: Cable, closure: int) -> list[Where]:
    """Name the splices of ribbon 1 of which one shot is of before and one of after.

    Those whose loss came out the same can be read from either: a review may do so.
    """
    unlike = [
        n
        for n in after.fibres_of(1)
        if abs(
            after.glass[n].joints[closure - 1].loss_db - before.glass[n].joints[closure - 1].loss_db
        )
        > _SAME_DB
    ]
    return _places(after, unlike, closure)


def _bad_then_good(rng: Rng, fibres: int = 12) -> tuple[Cable, Cable, int, int]:
    """Draw a cable with a bad splice, and the same after its ribbon was made again."""
    before = draw_cable(rng, fibres=fibres)
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    before = with_bad(before, bad, closure, round(float(rng.uniform(0.3, 0.5)), 3))
    return before, _remade(rng, before, closure), bad, closure


def repaired_and_shot_from_both_ends(rng: Rng) -> Case:
    """A ribbon was made again and all of it shot again from both ends: the new shots count."""
    before, after, _, _ = _bad_then_good(rng)
    takes = usual(before)
    new = _shot_again(takes, after, _slots(after.numbers), 3 * NIGHT)
    if rng.random() < 0.5:
        files = files_of(rng, takes) + files_of(rng, [folder_of(t, "after") for t in new])
        return case_of(files, after, folders=(STICK, "after"))
    return case_of(files_of(rng, [*takes.values(), *new]), after)


def repaired_and_shot_from_one_end(rng: Rng) -> Case:
    """A ribbon was made again and shot again from one end only: the other shots are of before."""
    before, after, _, closure = _bad_then_good(rng)
    takes = usual(before)
    end = str(rng.choice(("A", "B")))
    new = _shot_again(takes, after, _slots(after.numbers, end), 3 * NIGHT)
    other = (
        _FROM_B if end == "A" else (r"\bA:", r"from A\b", r"\bend A\b", r"Alder", r"A→B", r"\bAB\b")
    )
    return case_of(
        files_of(rng, [*takes.values(), *new]),
        after,
        exit_codes=(1,),
        graded=(),
        ungraded=_mixed(before, after, closure),
        involved=None,
        say=[says("shoot the other end again", _AGAIN, (*other, r"other end"))],
        orders="none",
    )


def repaired_shot_from_one_end_with_a_ribbon_aside(rng: Rng) -> Case:
    """Of two ribbons one was made again and shot again from A only; the other is right as it is."""
    before, after, _, closure = _bad_then_good(rng, fibres=24)
    takes = usual(before)
    new = _shot_again(takes, after, _slots(after.fibres_of(1), "A"), 3 * NIGHT)
    return case_of(
        files_of(rng, [*takes.values(), *new]),
        after,
        exit_codes=(1,),
        graded=after.fibres_of(2),
        ungraded=_mixed(before, after, closure),
        involved=after.fibres_of(1),
        say=[says("shoot B again", _AGAIN, (*_FROM_B, r"other end"))],
        orders="none",
    )


def dirty_connector_shot_again(rng: Rng) -> Case:
    """Some shots from A were noisy for a dirty connector and taken again; nothing was spliced."""
    cable = draw_cable(rng)
    takes = usual(cable)
    fibres = [int(n) for n in rng.choice(cable.numbers, int(rng.choice((1, 3, 12))), replace=False)]
    later = timedelta(minutes=int(rng.choice((30, 1_500))))
    new = [again(takes[s], later) for s in _slots(fibres, "A")]
    for s in _slots(fibres, "A"):
        takes[s] = replace(takes[s], settings={"dynamic_range_db": 15.0})
    return case_of(files_of(rng, [*takes.values(), *new]), cable)


def neighbours_stale(rng: Rng) -> Case:
    """A ribbon was made again for one fibre, and only that fibre was shot again."""
    before, after, bad, closure = _bad_then_good(rng)
    takes = usual(before)
    new = _shot_again(takes, after, _slots([bad]), 3 * NIGHT)
    others = [n for n in after.numbers if n != bad]
    return case_of(
        files_of(rng, [*takes.values(), *new]),
        after,
        exit_codes=(1,),
        graded=(bad,),
        ungraded=_places(after, others, closure),
        involved=None,
        say=[
            says("shoot the others of the ribbon again", _AGAIN, (r"ribbon", r"fibres", r"other"))
        ],
        orders="none",
    )


def three_shots_are_one_attempt(rng: Rng) -> Case:
    """One fibre was shot three times within twenty minutes; 0.15 dB is its first attempt."""
    cable = draw_cable(rng, losses_db=(0.03, 0.085))
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, bad, closure, round(float(rng.uniform(0.13, 0.18)), 3))
    takes = usual(cable)
    more = [
        again(takes[bad, 1550, end], timedelta(minutes=5 * k), mark=f"_{k}")
        for k in (1, 2)
        for end in "AB"
    ]
    where = _places(cable, [bad], closure)
    return case_of(
        (*files_of(rng, [*takes.values(), *more]), *_contract()),
        cable,
        args=_PROFILE,
        limit_db=0.10,
        uncleared=where,
        due=where,
        never=(r"last attempt", r"out of specification"),
    )


def first_attempt_is_made_again(rng: Rng) -> Case:
    """A first attempt at 0.15 to 0.30 dB where 0.10 dB is asked: attempts are due, no waiver."""
    cable = draw_cable(rng, losses_db=(0.03, 0.085))
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, bad, closure, round(float(rng.uniform(0.14, 0.30)), 3))
    where = _places(cable, [bad], closure)
    return case_of(
        (*files_of(rng, usual(cable)), *_contract()),
        cable,
        args=_PROFILE,
        limit_db=0.10,
        uncleared=where,
        due=where,
    )


def _three_attempts(rng: Rng, losses_db: Sequence[float]) -> tuple[Files, Cable, int, int]:
    """Make a ribbon three times at one closure, all of it shot from both ends each time."""
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(draw_cable(rng, losses_db=(0.03, 0.085)), bad, closure, losses_db[0])
    takes = usual(cable)
    shots = list(takes.values())
    for k, loss_db in enumerate(losses_db[1:], 1):
        cable = _remade(rng, cable, closure, {bad: loss_db})
        shots += _shot_again(takes, cable, _slots(cable.numbers), 3 * k * NIGHT, f"_{k + 1}")
    return (*files_of(rng, shots), *_contract()), cable, bad, closure


def third_attempt_accepted(rng: Rng) -> Case:
    """Three real attempts; the third is above 0.10 and within 0.20 dB: accepted, on record."""
    last_db = round(float(rng.uniform(0.13, 0.18)), 3)
    files, cable, _, _ = _three_attempts(rng, (0.36, 0.27, last_db))
    return case_of(
        files,
        cable,
        args=_PROFILE,
        limit_db={1550: 0.20},
        exit_codes=(0, 1),
        involved=None,
        say=[
            says("after three attempts", r"(?:3|three|third) ?(?:attempts?|of 3)|attempt 3|out of")
        ],
        orders="none",
    )


def third_attempt_still_bad(rng: Rng) -> Case:
    """Three real attempts, the third still above the fallback: somebody has to decide."""
    files, cable, bad, closure = _three_attempts(rng, (0.36, 0.31, 0.27))
    return case_of(
        files,
        cable,
        args=_PROFILE,
        limit_db=0.10,
        uncleared=_places(cable, [bad], closure),
        involved=None,
        say=[says("ask for a concession", (r"concession", r"waiver", r"last attempt", r"decide"))],
        orders="none",
    )


def second_attempt_of_three(rng: Rng) -> Case:
    """Two real attempts, the second at 0.15 dB: one more is due."""
    files, cable, bad, closure = _three_attempts(rng, (0.36, 0.155))
    where = _places(cable, [bad], closure)
    return case_of(
        files,
        cable,
        args=_PROFILE,
        limit_db=0.10,
        uncleared=where,
        due=where,
        involved=None,
        never=(r"last attempt", r"accepted out of specification"),
    )


def attempts_elsewhere(rng: Rng) -> Case:
    """A ribbon was shot three times, for another closure was made again; 0.15 dB is untouched."""
    bad = int(rng.integers(1, 13))
    here, there = (int(k) for k in rng.choice((1, 2, 3), 2, replace=False))
    cable = draw_cable(rng, losses_db=(0.03, 0.085))
    cable = with_bad(cable, bad, here, round(float(rng.uniform(0.13, 0.18)), 3))
    cable = with_bad(cable, bad % 12 + 1, there, 0.42)
    takes = usual(cable)
    shots = list(takes.values())
    for k in (1, 2):
        cable = _remade(rng, cable, there, {bad % 12 + 1: 0.31} if k == 1 else {})
        shots += _shot_again(takes, cable, _slots(cable.numbers), 3 * k * NIGHT, f"_{k + 1}")
    where = _places(cable, [bad], here)
    return case_of(
        (*files_of(rng, shots), *_contract()),
        cable,
        args=_PROFILE,
        limit_db=0.10,
        uncleared=where,
        due=where,
        involved=None,
        never=(r"last attempt", r"accepted out of specification"),
    )


def repaired_but_shot_before_by_the_clock(rng: Rng) -> Case:
    """A second folder holds the shots after the repair; the instruments' clocks had been set back
    by most of a year: what the folders say and what the clocks say cannot both be true.
    """
    before, after, _, _ = _bad_then_good(rng)
    takes = usual(before)
    new = _shot_again(takes, after, _slots(after.numbers), -200 * NIGHT)
    files = files_of(rng, takes) + files_of(rng, [folder_of(t, "after") for t in new])
    return _at_odds(files, before, after, (STICK, "after"))


def folders_named_the_wrong_way_round(rng: Rng) -> Case:
    """The same repair with true clocks, and the folder of before the repair is named last."""
    before, after, _, _ = _bad_then_good(rng)
    takes = usual(before)
    new = _shot_again(takes, after, _slots(after.numbers), 200 * NIGHT)
    files = files_of(rng, takes) + files_of(rng, [folder_of(t, "after") for t in new])
    return _at_odds(files, before, after, ("after", STICK))


def _at_odds(files: Files, before: Cable, after: Cable, folders: tuple[str, str]) -> Case:
    """Folders and clocks contradict each other: asked about, and nothing is cut meanwhile."""
    return case_of(
        files, after, folders=folders, exit_codes=(1,), graded=(), involved=None,
        ungraded=(), orders="none", say=[says("which shots are newer", r"newer|clocks?")],
    )  # fmt: skip

"""Whose splice is it: end B numbers otherwise than end A, and glass that tells or does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scenarios.cable.case import Case, Say, Where, case_of, says
from scenarios.cable.telling import clearly
from scenarios.cable.world import (
    Cable,
    crossed,
    draw_cable,
    exchanged,
    files_of,
    text_file,
    usual,
    with_bad,
)

Rng = np.random.Generator

#: "Crossed" where labels are merely shifted sends somebody to open a closure.
_CROSSED = (r"fibres-crossed", r"(?<!not )(?<!no )(?<!nothing )\bcross(?:ed|ing)\b")
#: Where every shot is there and merely has another number, none is to be taken.
_NONE_MISSING = (r"\bshots? to take\b", r"direction-missing", r"(?:fibre|ribbon)-missing")
_SHIFTED = (
    r"shift",
    r"displaced",
    r"off by (?:one|1)\b",
    r"offset (?:of|by) (?:one|1)\b",
    r"\b(?:one|1)\b.{0,30}\b(?:on|off|up|down|ahead|behind|further|higher|lower|more|less)\b",
    r"\b(?:one|1)\b.{0,30}\b(?:later|earlier|too (?:far|high|low))\b",
    r"next (?:number|fibre)",
    r"by (?:one|1)\b",
    r"[+−-] ?1\b",
)
_REVERSED = (
    r"revers",
    r"mirror",
    r"backward",
    r"back to front",
    r"roll(?:ed|over)",
    r"flip",
    r"turned",
    r"upside down",
    r"other way",
    r"other (?:edge|side)",
    r"count(?:ed|s)? (?:down|from the (?:last|other))",
)
_EXCHANGED = (r"exchang", r"swap", r"interchang", r"transpos", r"cross", r"each other")
_NUMBERS = (r"number", r"label")


def _wrong_numbers(
    rng: Rng, cable: Cable, wrong: set[int], *say: Say, never: tuple[str, ...] = ()
) -> Case:
    """Act a cable whose B end numbers some fibres otherwise; those must not be graded."""
    every = set(cable.numbers)
    return case_of(
        files_of(rng, usual(cable)),
        cable,
        exit_codes=(1,),
        graded=every - wrong,
        ungraded=[Where()] if wrong == every else [Where(n) for n in sorted(wrong)],
        involved=None if wrong == every else wrong,
        say=say,
        never=never,
        orders="none" if wrong == every else "true",
    )


def shift_by_one_round(rng: Rng) -> Case:
    """B's crew began at fibre 2 and called it 1; the last number went to fibre 1."""
    fibres = int(rng.choice((12, 24)))
    by = int(rng.choice((1, -1)))
    cable = draw_cable(rng, fibres=fibres)
    at_b = {n: (n - 1 + by) % fibres + 1 for n in cable.numbers}
    cable = replace(cable, at_b=at_b)
    say = says("B's numbers are shifted by one", _SHIFTED)
    return _wrong_numbers(rng, cable, set(cable.numbers), say, never=_CROSSED)


def shift_by_one_open(rng: Rng) -> Case:
    """B's crew left the first socket out: its shots are called 2 to 13."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n + 1 for n in cable.numbers})
    say = says("B's numbers are one higher", _SHIFTED)
    return _wrong_numbers(rng, cable, {*cable.numbers, 13}, say, never=_CROSSED + _NONE_MISSING)


def shift_by_one_first_never_shot(rng: Rng) -> Case:
    """B's crew never saw fibre 1 and called fibre 2 the first: eleven shots, 1 to 11."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n - 1 for n in cable.numbers})
    takes = usual(cable)
    del takes[1, 1550, "B"]
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=(),
        ungraded=[Where()],
        involved=None,
        say=[says("B's numbers are one lower", _SHIFTED)],
        never=_CROSSED,
        orders="none",
    )


def shift_from_one_ribbon_on(rng: Rng) -> Case:
    """From ribbon 2 on B's crew is one number off; ribbon 1 is right, with a bad splice."""
    cable = draw_cable(rng, fibres=24)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, round(float(rng.uniform(0.35, 0.6)), 3))
    cable = replace(cable, at_b={n: 13 + (n - 12) % 12 for n in range(13, 25)})
    say = says("ribbon 2 is shifted by one", _SHIFTED, (r"ribbon 2", r"\b1[34]\b", r"\b24\b"))
    case = _wrong_numbers(rng, cable, set(range(13, 25)), say, never=_CROSSED)
    return replace(case, due=(Where(bad, cable.closures_m[1] * 1.003),))


def ribbon_rolled(rng: Rng) -> Case:
    """One ribbon of two was numbered from its other edge at B: 12 is 1."""
    cable = draw_cable(rng, fibres=24)
    first = int(rng.choice((1, 13)))
    wrong = set(range(first, first + 12))
    cable = replace(cable, at_b={n: 2 * first + 11 - n for n in wrong})
    ribbon = cable.ribbon_of(first)
    say = says(
        "one ribbon is numbered the other way round",
        _REVERSED,
        (rf"ribbon {ribbon}\b", rf"\b{first}\b", rf"\b{first + 11}\b"),
    )
    return _wrong_numbers(rng, cable, wrong, say)


def ribbon_rolled_in_a_closure(rng: Rng) -> Case:
    """One ribbon was spliced upside down in a closure: fibre 1 goes on as fibre 12."""
    cable = draw_cable(rng, fibres=24)
    first = int(rng.choice((1, 13)))
    wrong = set(range(first, first + 12))
    cable = crossed(cable, {n: 2 * first + 11 - n for n in wrong}, int(rng.integers(1, 4)))
    ribbon = cable.ribbon_of(first)
    say = says(
        "one ribbon is the other way round",
        _REVERSED,
        (rf"ribbon {ribbon}\b", rf"\b{first}\b", rf"\b{first + 11}\b"),
    )
    return _wrong_numbers(rng, cable, wrong, say)


def two_ribbons_exchanged(rng: Rng) -> Case:
    """Ribbons 1 and 2 are exchanged at B; with a third ribbon, that one is right."""
    fibres = int(rng.choice((24, 36)))
    cable = draw_cable(rng, fibres=fibres)
    cable = replace(cable, at_b={n: (n + 11) % 24 + 1 for n in range(1, 25)})
    say = says("two ribbons are exchanged", r"ribbon|1\D+12\D+13\D+24", (*_EXCHANGED, r"place"))
    return _wrong_numbers(rng, cable, set(range(1, 25)), say)


def twelve_off(rng: Rng) -> Case:
    """The owner counts this cable 13 to 24, and only B's crew knew."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n + 12 for n in cable.numbers})
    say = says(
        "B's numbers are twelve higher",
        (r"\b(?:12|twelve)\b", r"one ribbon"),
        (r"shift", r"higher", r"lower", r"\boff", r"more", r"less", r"\+", r"further", r"by "),
    )
    case = _wrong_numbers(
        rng, cable, {*cable.numbers, *range(13, 25)}, say, never=_CROSSED + _NONE_MISSING
    )
    return replace(case, truth=replace(case.truth, closures=None))


def all_numbers_reversed(rng: Rng) -> Case:
    """B's crew counted all fibres from the last to the first."""
    fibres = int(rng.choice((12, 24)))
    cable = draw_cable(rng, fibres=fibres)
    cable = replace(cable, at_b={n: fibres + 1 - n for n in cable.numbers})
    return _wrong_numbers(
        rng, cable, set(cable.numbers), says("B's numbers run the other way", _REVERSED)
    )


def pair_crossed(rng: Rng) -> Case:
    """Two fibres of a ribbon are crossed in a closure; another fibre has a bad splice."""
    first, second, bad = (int(n) for n in rng.choice(np.arange(1, 13), 3, replace=False))
    closure = int(rng.integers(1, 4))
    cable = clearly(lambda: crossed(draw_cable(rng), exchanged((first, second)), closure))
    cable = with_bad(cable, bad, 1, round(float(rng.uniform(0.35, 0.6)), 3))
    say = says("these two are crossed", _EXCHANGED, rf"\b{first}\b", rf"\b{second}\b")
    case = _wrong_numbers(rng, cable, {first, second}, say)
    return replace(case, due=(Where(bad, cable.closures_m[0] * 1.003),))


def pair_crossed_with_a_bad_splice(rng: Rng) -> Case:
    """Two fibres are crossed in closure 1, and a bad splice behind it is on one of them."""
    first, second = (int(n) for n in rng.choice(np.arange(1, 13), 2, replace=False))
    loss_db = round(float(rng.uniform(0.4, 0.6)), 3)
    swaps = exchanged((first, second))
    cable = clearly(lambda: crossed(with_bad(draw_cable(rng), first, 3, loss_db), swaps, 1))
    # Which ribbon to open is known, but not for which colour: nothing of the two is graded.
    say = says("these two are crossed", _EXCHANGED, rf"\b{first}\b", rf"\b{second}\b")
    return _wrong_numbers(rng, cable, {first, second}, say)


def two_pairs_crossed(rng: Rng) -> Case:
    """Two pairs of fibres are crossed, each in its own closure."""
    four = [int(n) for n in rng.choice(np.arange(1, 13), 4, replace=False)]

    def draw() -> Cable:
        cable = crossed(draw_cable(rng), exchanged((four[0], four[1])), 1)
        return crossed(cable, exchanged((four[2], four[3])), 3)

    cable = clearly(draw, four[:2], four[2:])
    say = [
        says("these two are crossed", _EXCHANGED, rf"\b{a}\b", rf"\b{b}\b")
        for a, b in (four[:2], four[2:])
    ]
    return _wrong_numbers(rng, cable, set(four), *say)


def crossing_undone(rng: Rng) -> Case:
    """Two fibres are crossed in closure 1 and crossed back in closure 2: each is one fibre."""
    cable = draw_cable(rng)
    first, second = (int(n) for n in rng.choice(np.arange(1, 13), 2, replace=False))
    there = crossed(cable, exchanged((first, second)), 1)
    back = crossed(there, exchanged((first, second)), 2)
    cable = replace(back, at_b={})
    return case_of(files_of(rng, usual(cable)), cable, never=_CROSSED)


def three_in_a_round(rng: Rng) -> Case:
    """Fibres 4, 5 and 6 go on as 5, 6 and 4 from a closure on."""
    closure = int(rng.integers(1, 4))
    cable = clearly(lambda: crossed(draw_cable(rng), {4: 5, 5: 6, 6: 4}, closure))
    say = says("these three are mixed up", r"\b4\b", r"\b5\b|4 ?(?:–|-|to) ?6", r"\b6\b")
    return _wrong_numbers(rng, cable, {4, 5, 6}, say)


def numbered_at_random(rng: Rng) -> Case:
    """B's crew wrote down the order in which the fibres came to hand: no rule explains it."""
    cable = draw_cable(rng)
    order = list(cable.numbers)
    while any(order[(n - 1)] == n for n in cable.numbers):
        order = [int(n) for n in rng.permutation(cable.numbers)]
    cable = replace(cable, at_b=dict(zip(cable.numbers, order, strict=True)))
    say = says(
        "as numbered the shots do not belong together",
        _NUMBERS,
        (r"do not belong", r"do not (?:fit|match|agree)", r"no (?:simple|one|single)", r"as numb"),
    )
    return _wrong_numbers(rng, cable, set(cable.numbers), say)


def owners_list_applied(rng: Rng) -> Case:
    """B's headers bear the owner's numbers; a table says which file is which fibre."""
    cable = draw_cable(rng)
    owners = [int(n) for n in rng.choice(np.arange(101, 145), 12, replace=False)]
    cable = replace(cable, at_b=dict(zip(cable.numbers, owners, strict=True)))
    bad = int(rng.integers(1, 13))
    if rng.random() < 0.5:
        cable = with_bad(cable, bad, 2, 0.45)
    takes = usual(cable)
    lines = [f"{takes[n, 1550, 'B'].path.partition('/')[2]},{n},BA,1550" for n in cable.numbers]
    table = text_file("mapping.csv", "file,fibre,direction,wavelength_nm", *lines)
    return case_of(
        (*files_of(rng, takes), *table), cable, args=("--mapping", "mapping.csv"), never=_CROSSED
    )


def owners_list_forgotten(rng: Rng) -> Case:
    """B's headers bear the owner's numbers, 101 and up, and nobody gave the list."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: 100 + n for n in cable.numbers})
    takes = usual(cable)
    return case_of(
        files_of(rng, takes),
        cable,
        exit_codes=(1,),
        graded=(),
        ungraded=[Where()],
        involved=None,
        say=[says("B's numbers are a hundred higher", _NUMBERS, r"\b100\b|\b101\b")],
        never=_CROSSED + _NONE_MISSING,
        orders="none",
        closures=None,
    )


def shift_mended_by_table(rng: Rng) -> Case:
    """B's numbers are one off, somebody saw it, and a table puts it right."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n % 12 + 1 for n in cable.numbers})
    takes = usual(cable)
    lines = [f"{takes[n, 1550, 'B'].path.rpartition('/')[2]},{n}" for n in cable.numbers]
    table = text_file("mapping.csv", "file,fibre", *lines)
    return case_of(
        (*files_of(rng, takes), *table), cable, args=("--mapping", "mapping.csv"), never=_CROSSED
    )


def glass_alike(rng: Rng) -> Case:
    """All fibres of one drawing, no steps anywhere: only the losses differ from fibre to fibre."""
    cable = draw_cable(rng, alike=True, sigma_b_db=0.001)
    return case_of(files_of(rng, usual(cable)), cable)


def glass_and_losses_alike(rng: Rng) -> Case:
    """All fibres of one drawing and every splice alike: nothing but labels tells them apart."""
    loss_db = round(float(rng.uniform(0.03, 0.06)), 3)
    cable = draw_cable(rng, alike=True, sigma_b_db=0.0005, losses_db=(loss_db, loss_db + 0.001))
    say = says(
        "numbering rests on the labels",
        (r"label", r"number", r"header", r"identity|pairs by their glass"),
        (r"cannot be told", r"too (?:much )?alike", r"rests? on", r"cannot (?:tell|show|prove)"),
        aloud=False,
    )
    return case_of(files_of(rng, usual(cable)), cable, say=[say])


def shift_from_one_fibre_on(rng: Rng) -> Case:
    """At B one socket of twelve was left out: from some fibre on, all numbers are one higher."""
    first = int(rng.integers(4, 9))
    at_b = {n: n + 1 for n in range(first, 13)}
    cable = clearly(lambda: replace(draw_cable(rng), at_b=at_b))
    say = says("from here on B's numbers are one higher", _SHIFTED, rf"\b(?:{first}|{first + 1})\b")
    return _wrong_numbers(rng, cable, {*range(first, 14)}, say, never=_CROSSED + _NONE_MISSING)


def shift_with_bad_splices(rng: Rng) -> Case:
    """B's numbers are shifted by one and two splices are bad: no ribbon is opened for either."""
    cable = draw_cable(rng)
    for n, k in zip(rng.choice(cable.numbers, 2, replace=False), (1, 3), strict=True):
        cable = with_bad(cable, int(n), k, round(float(rng.uniform(0.4, 0.7)), 3))
    cable = replace(cable, at_b={n: n % 12 + 1 for n in cable.numbers})
    say = says("B's numbers are shifted by one", _SHIFTED)
    return _wrong_numbers(rng, cable, set(cable.numbers), say, never=_CROSSED)


def shift_at_two_wavelengths(rng: Rng) -> Case:
    """B's numbers are shifted by one at 1310 and 1550 nm alike."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n % 12 + 1 for n in cable.numbers})
    nms = (1310, 1550)
    return case_of(
        files_of(rng, usual(cable, nms)),
        cable,
        nms=nms,
        exit_codes=(1,),
        graded=(),
        ungraded=[Where()],
        involved=None,
        say=[says("B's numbers are shifted by one", _SHIFTED)],
        never=_CROSSED,
        orders="none",
    )


def shift_and_a_crossed_pair(rng: Rng) -> Case:
    """Ribbon 2 is shifted by one at B, and two fibres of ribbon 1 are crossed: two stories."""
    first, second = (int(n) for n in rng.choice(np.arange(1, 13), 2, replace=False))
    swaps = exchanged((first, second))
    cable = clearly(lambda: crossed(draw_cable(rng, fibres=24), swaps, 1))
    shifted = {n: 13 + (n - 12) % 12 for n in range(13, 25)}
    cable = replace(cable, at_b={**cable.at_b, **shifted})
    say = [
        says("ribbon 2 is shifted by one", _SHIFTED, (r"ribbon 2", r"\b1[34]\b", r"\b24\b")),
        says("these two are crossed", _EXCHANGED, rf"\b{first}\b", rf"\b{second}\b"),
    ]
    return _wrong_numbers(rng, cable, {first, second, *shifted}, *say)


def ribbon_of_16_rolled(rng: Rng) -> Case:
    """One of two ribbons of sixteen was numbered from its other edge at B."""
    cable = draw_cable(rng, fibres=32, ribbon=16)
    wrong = set(range(17, 33))
    cable = replace(cable, at_b={n: 49 - n for n in wrong})
    say = says("ribbon 2 is the other way round", _REVERSED, (r"ribbon 2", r"\b17\b", r"\b32\b"))
    case = _wrong_numbers(rng, cable, wrong, say)
    return replace(case, command=(*case.command, "--ribbon", "16"))

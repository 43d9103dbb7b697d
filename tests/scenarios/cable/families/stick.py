"""The worst stick of the year: jobs that contradict their shots, sets turned round, leftovers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
from simulated import Joint, JointKind

from scenarios.cable.case import Case, Where, case_of, places_of, says
from scenarios.cable.telling import clearly
from scenarios.cable.world import (
    HUTS,
    STICK,
    Cable,
    Files,
    Slot,
    Take,
    again,
    changed,
    crossed,
    draw_cable,
    exchanged,
    files_of,
    folder_of,
    labelled,
    text_file,
    usual,
    with_bad,
    with_length,
)

Rng = np.random.Generator
Takes = dict[Slot, Take]

_JOB = ("--job", "job.toml")
_ENDS = (r"\bends?\b", r"direction", r"from [AB]\b", r"Alder", r"Birch", r"counted from")


def _job(
    cable: Cable, *lines: str, fibres: int | None = None, nms: Sequence[int] = (1550,)
) -> Files:
    return text_file(
        "job.toml",
        "format = 1",
        f'cable = "{cable.name}"',
        f"fibres = {fibres or len(cable.numbers)}",
        f"wavelengths = [{', '.join(map(str, nms))}]",
        "ribbon = 12",
        *lines,
    )


def _lopsided(rng: Rng, **told: object) -> Cable:
    """Three closures, all in the half next to A: turned round, none lies where one should."""
    places = np.sort(rng.uniform([500, 1_100, 1_700], [600, 1_250, 1_900]))
    return draw_cable(rng, length_m=4_500.0, closures_m=[float(m) for m in places], **told)  # type: ignore[arg-type]


def _turned(takes: Takes) -> Takes:
    """Every shot from A is called one from B, in header and name, and the other way round."""
    turned = {}
    for (n, nm, end), take in takes.items():
        twin = takes[n, nm, "B" if end == "A" else "A"]
        ends = {key: twin.label[key] for key in ("location_a", "location_b")}
        turned[n, nm, end] = labelled(take, twin.path, **ends)
    return turned


def all_turned_with_a_table(rng: Rng) -> Case:
    """Both sets bear the other end's labels; the table of closures counts from the true A."""
    cable = _lopsided(rng)
    cable = with_bad(cable, int(rng.integers(1, 13)), 1, 0.45)
    lines = [f"C{k},{m:.0f}" for k, m in enumerate(cable.closures_m, 1)]
    files = (
        *files_of(rng, _turned(usual(cable))),
        *text_file("closures.csv", "name,distance", *lines),
    )
    return case_of(
        files, cable, args=("--closures", "closures.csv"), exit_codes=(1,), graded=(),
        involved=None, ungraded=[Where(distance_m=m * 1.003) for m in cable.closures_m],
        say=[says("the table is counted from the other end", _ENDS, r"closure|table|distance")],
        closures=None, either_end=True,
    )  # fmt: skip


def all_turned_in_the_folders(rng: Rng) -> Case:
    """Folders "A" and "B" were exchanged when they were copied; headers and names are right."""
    cable = draw_cable(rng)
    takes = usual(cable)
    moved = {
        slot: folder_of(take, f"{STICK}/from-{'B' if slot[2] == 'A' else 'A'}")
        for slot, take in takes.items()
    }
    return case_of(files_of(rng, moved), cable, exit_codes=(0, 1), involved=None)


def all_turned_folders_alone_tell(rng: Rng) -> Case:
    """Folders were exchanged, names and headers do not say which end: nothing can tell."""
    cable = draw_cable(rng)
    cable = with_bad(cable, int(rng.integers(1, 13)), 1, 0.45)
    blank = {
        slot: labelled(
            take,
            f"{STICK}/from-{'B' if slot[2] == 'A' else 'A'}/{slot[0]:03d}.sor",
            location_a="",
            location_b="",
        )
        for slot, take in usual(cable).items()
    }
    return case_of(files_of(rng, blank), cable, involved=None, either_end=True)


def job_counts_too_many(rng: Rng) -> Case:
    """The job says 24 fibres, twelve are there: twelve are to be shot, and none is refused."""
    cable = draw_cable(rng)
    files = (*files_of(rng, usual(cable)), *_job(cable, fibres=24))
    say = says("12 are missing", r"13\D{1,4}24", r"shoot|missing|take")
    return case_of(files, cable, args=_JOB, exit_codes=(1,), involved=range(13, 25), say=[say])


def job_counts_too_few(rng: Rng) -> Case:
    """The job says twelve fibres, 24 were shot: the others are asked about."""
    cable = draw_cable(rng, fibres=24)
    files = (*files_of(rng, usual(cable)), *_job(cable, fibres=12))
    say = says("13 to 24 are none of the job's", r"13\D{1,4}24", r"12|count|beyond|job")
    return case_of(
        files,
        cable,
        args=_JOB,
        exit_codes=(1,),
        graded=range(1, 13),
        involved=range(13, 25),
        say=[say],
    )


def job_of_another_cable(rng: Rng) -> Case:
    """The job of the neighbouring cable lay in the folder: not one of its shots is here."""
    cable = draw_cable(rng)
    other = replace(cable, name="SIM-99")
    files = (*files_of(rng, usual(cable)), *_job(other))
    say = says("another cable", r"SIM-12", r"SIM-99|job")
    return case_of(
        files,
        cable,
        args=_JOB,
        exit_codes=(1, 2),
        graded=(),
        involved=None,
        say=[say],
        closures=None,
    )


def one_ribbon_of_many(rng: Rng) -> Case:
    """Ribbon 3 of a large cable, fibres 25 to 36: nothing was to be shot of the others."""
    cable = draw_cable(rng, first=25)
    return case_of(files_of(rng, usual(cable)), cable)


def end_of_a_ribbon_of_16(rng: Rng) -> Case:
    """Fibres 13 to 16 only, of a ribbon of sixteen; one of them is bad."""
    cable = draw_cable(rng, fibres=4, first=13, ribbon=16)
    cable = with_bad(cable, 14, 2, 0.5)
    return case_of(
        files_of(rng, usual(cable)), cable, args=("--ribbon", "16"), exit_codes=(1,),
        involved=range(1, 17), due=[Where(14, cable.closures_m[1] * 1.003)],
    )  # fmt: skip


def ribbons_of_four(rng: Rng) -> Case:
    """Ribbons of four; the order is for the ribbon of the bad splice and no other."""
    cable = draw_cable(rng, ribbon=4)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.45)
    due = [Where(bad, cable.closures_m[1] * 1.003)]
    return case_of(files_of(rng, usual(cable)), cable, args=("--ribbon", "4"), due=due)


def loose_tube_one_bad(rng: Rng) -> Case:
    """Loose tube: the fibre alone is made again."""
    cable = draw_cable(rng, ribbon=1)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.45)
    due = [Where(bad, cable.closures_m[1] * 1.003)]
    return case_of(files_of(rng, usual(cable)), cable, args=("--ribbon", "none"), due=due)


def cords_of_three_lengths(rng: Rng) -> Case:
    """Launch fibres of 150, 300 and 500 m, as they came to hand; no header says which."""
    cable = draw_cable(rng)
    takes = usual(cable)
    for (n, nm, end), take in takes.items():
        cords_m = {0: (150.0, 150.0), 1: (300.0, 300.0), 2: (500.0, 500.0)}[n % 3]
        takes[n, nm, end] = labelled(replace(take, cords_m=cords_m), user_offset_m=0.0)
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None)


def other_fibre_in_one_reel(rng: Rng) -> Case:
    """Reel 2 is fibre of another type: 0.23 dB/km and a step at both of its ends, all fibres."""
    cable = draw_cable(rng)

    def other(glass):  # type: ignore[no-untyped-def]
        sections = list(glass.sections)
        s = sections[1]
        sections[1] = replace(
            s,
            attenuation_db_per_km=s.attenuation_db_per_km + 0.035,
            backscatter_db=s.backscatter_db - 0.25,
        )
        return replace(glass, sections=tuple(sections))

    return case_of(
        files_of(rng, usual(changed(cable, cable.numbers, other))),
        changed(cable, cable.numbers, other),
    )


def half_at_one_wavelength(rng: Rng) -> Case:
    """1310 nm was shot of fibres 1 to 6 only, and the job asks for both of all."""
    cable = draw_cable(rng)
    takes = {s: t for s, t in usual(cable, (1310, 1550)).items() if s[1] == 1550 or s[0] <= 6}
    files = (*files_of(rng, takes), *_job(cable, nms=(1310, 1550)))
    say = says("1310 of 7 to 12 is missing", r"7\D{1,4}12", "1310")
    nms = (1310, 1550)
    there = [p for p in places_of(cable, nms) if p.nm == 1550 or p.fibre <= 6]
    return case_of(
        files, cable, nms=nms, args=_JOB, exit_codes=(1,), involved=range(7, 13), say=[say],
        places=there,
    )  # fmt: skip


def everything_twice(rng: Rng) -> Case:
    """The whole folder lies there a second time under another name: no attempts, no repair."""
    cable = draw_cable(rng)
    files = files_of(rng, usual(cable))
    copied = tuple((f"{STICK}/backup of Monday/{p.rpartition('/')[2]}", c) for p, c in files)
    return case_of((*files, *copied), cable)


def half_cut_off(rng: Rng) -> Case:
    """The stick was pulled out: files of three fibres end in their middle."""
    cable = draw_cable(rng)
    torn = {int(n) for n in rng.choice(np.arange(1, 13), 3, replace=False)}
    files = tuple(
        (path, content[: len(content) // 2])
        if any(f"_F{n:03d}_" in path and path.endswith("BA.sor") for n in torn)
        else (path, content)
        for path, content in files_of(rng, usual(cable))
    )
    return case_of(
        files, cable, exit_codes=(1,), graded=set(cable.numbers) - torn, involved=torn,
        ungraded=[Where(n) for n in sorted(torn)], say=[says("unreadable", r"read|cut|copy|ends")],
    )  # fmt: skip


def cut_through(rng: Rng) -> Case:
    """The cable was dug through behind closure 2 before B shot: all shots from B end there."""
    cable = draw_cable(rng)
    takes = usual(cable)
    at_m = cable.closures_m[1] + 200.0
    for slot, take in takes.items():
        if slot[2] == "B":
            seen = take.glass.reversed()
            broken = seen.broken_at(seen.length_m - at_m, -30.0).reversed()
            takes[slot] = replace(take, glass=broken, cords_m=(300.0, None))
    return case_of(
        files_of(rng, takes), cable, exit_codes=(1,), graded=(), ungraded=[Where()], involved=None,
        say=[says("broken or lengths differ", r"broken|length|ends|break")], orders="none",
        closures=None,
    )  # fmt: skip


def crossed_with_slack(rng: Rng) -> Case:
    """Ribbon 2 has 30 m more in a closure, and two fibres of ribbon 1 are crossed."""
    first, second = (int(n) for n in rng.choice(np.arange(1, 13), 2, replace=False))
    swaps = exchanged((first, second))
    cable = clearly(lambda: crossed(draw_cable(rng, fibres=24), swaps, 1), (first, second))
    cable = with_length(cable, range(13, 25), 2, 30.0)
    say = says("crossed", r"cross|exchang", rf"\b{first}\b", rf"\b{second}\b")
    return case_of(
        files_of(rng, usual(cable)), cable, exit_codes=(1,),
        graded=set(cable.numbers) - {first, second}, involved=[first, second],
        ungraded=[Where(first), Where(second)], say=[say],
    )  # fmt: skip


def numbers_with_letters(rng: Rng) -> Case:
    """The crew typed "F007a" and "F007b" for the two ends as fibre numbers; names say the same."""
    cable = draw_cable(rng)
    takes = {
        slot: labelled(
            take,
            f"{STICK}/F{slot[0]:03d}{slot[2].lower()}.sor",
            fibre=f"F{slot[0]:03d}{slot[2].lower()}",
        )
        for slot, take in usual(cable).items()
    }
    return case_of(files_of(rng, takes), cable, exit_codes=(0, 1), involved=None)


def shots_of_the_reel(rng: Rng) -> Case:
    """Shots of the launch reel alone lie beside the cable's, under fibre 0 and "TEST"."""
    cable = draw_cable(rng)
    takes = usual(cable)
    reel = replace(cable.glass[1], sections=cable.glass[1].sections[:1], joints=())
    extra = [
        labelled(
            replace(takes[1, 1550, end], glass=reel, cords_m=(None, None)),
            f"{STICK}/TEST_{end}.sor", cable="TEST", fibre="000", user_offset_m=0.0,
        )
        for end in "AB"
    ]  # fmt: skip
    files = files_of(rng, [*takes.values(), *extra])
    return case_of(files, cable, exit_codes=(0, 1), involved=None, closures=None)


def years_that_nobody_set(rng: Rng) -> Case:
    """Both instruments say 1970; a later folder holds ribbon 1 shot again after a repair."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    bad = with_bad(cable, fibre, 2, 0.5)
    first = usual(bad)
    epoch = {
        slot: labelled(take, taken=take.label["taken"].replace(year=1970))
        for slot, take in first.items()
    }
    later = [
        folder_of(
            again(epoch[n, 1550, end], timedelta(hours=2), glass=cable.glass[n], mark=""), "later"
        )
        for n in cable.numbers
        for end in "AB"
    ]
    files = files_of(rng, [*epoch.values(), *later])
    return case_of(files, cable, folders=(STICK, "later"), exit_codes=(0, 1), involved=None)


def mapping_of_a_missing_file(rng: Rng) -> Case:
    """The mapping table names a file that does not lie there; all others are right."""
    cable = draw_cable(rng)
    takes = usual(cable)
    lines = [f"{t.path.rpartition('/')[2]},{n}" for (n, _, _), t in takes.items()]
    table = text_file("mapping.csv", "file,fibre", *lines, "gone_F099.sor,99")
    return case_of(
        (*files_of(rng, takes), *table), cable, args=("--mapping", "mapping.csv"),
        exit_codes=(0, 1, 2), involved=None, graded=(), say=[says("which line", r"gone_F099")],
    )  # fmt: skip


def connectors_at_a_closure(rng: Rng) -> Case:
    """Closure 2 is a cabinet: every fibre is plugged there, 0.25 dB and a reflection."""
    cable = draw_cable(rng)

    def plugged(glass):  # type: ignore[no-untyped-def]
        joints = list(glass.joints)
        joints[1] = Joint(0.25, kind=JointKind.CONNECTOR, reflectance_db=-52.0)
        return replace(glass, joints=tuple(joints))

    cable = changed(cable, cable.numbers, plugged)
    return case_of(
        files_of(rng, usual(cable)), cable, exit_codes=(0, 1), involved=None, orders="none",
        graded=(), say=[says("connector", r"connector|reflect|plug")],
    )  # fmt: skip


def ends_named_by_nobody_and_one_job(rng: Rng) -> Case:
    """Headers name Alder and Birch, the job calls Birch A: places are counted from Birch."""
    cable = draw_cable(rng)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 1, 0.45)
    files = (
        *files_of(rng, usual(cable)),
        *_job(cable, "[ends]", f'a = "{HUTS[1]}"', f'b = "{HUTS[0]}"'),
    )
    return case_of(files, cable, args=_JOB, exit_codes=(1,), involved=None, either_end=True)


def _not_one(rng: Rng, cable: Cable, takes: Sequence[Take], other: Cable, bad: int) -> Case:
    """Two sets under one name: the bad splice of the first is no earlier state of the second."""
    places = (*places_of(cable), *places_of(replace(other, name=f"{cable.name} (2)")))
    at = Where(bad, cable.closures_m[1] * 1.003, cable=cable.name)
    return case_of(
        files_of(rng, takes), cable, folders=(STICK, "later"), exit_codes=(1,), places=places,
        involved=None, uncleared=[at], due=[at], closures=None,
        say=[says("two cables", r"two|2|several|more than one", r"cable|name|glass")],
    )  # fmt: skip


def later_folder_of_the_wrong_ribbon(rng: Rng) -> Case:
    """Ribbon 1 was to be shot again after its repair; shot was ribbon 2, and called ribbon 1."""
    cable = draw_cable(rng, fibres=24)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.5)
    takes = usual(cable)
    later = []
    for n in range(1, 13):
        for end in "AB":
            take = again(takes[n, 1550, end], timedelta(days=3), glass=cable.glass[n + 12], mark="")
            later.append(folder_of(take, "later"))
    shot = {n: cable.glass[n + 12] for n in range(1, 13)}
    return _not_one(rng, cable, [*takes.values(), *later], replace(cable, glass=shot), bad)


def later_folder_of_the_next_cable(rng: Rng) -> Case:
    """Two cables in one trench: the folder "after the repair" holds the other one's ribbon."""
    cable = draw_cable(rng)
    other = draw_cable(rng, closures_m=cable.closures_m, length_m=cable.glass[1].length_m / 1.003)
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.5)
    takes = usual(cable)
    later = [
        folder_of(again(take, timedelta(days=3), glass=other.glass[n], mark=""), "later")
        for (n, _, _), take in takes.items()
    ]
    return _not_one(rng, cable, [*takes.values(), *later], other, bad)


def one_wavelength_shifted_at_b(rng: Rng) -> Case:
    """At 1310 nm B began at fibre 2 and called it 1; at 1550 all is right."""
    cable = draw_cable(rng)
    takes = usual(cable, (1310, 1550))
    moved = {
        (n, nm, end): replace(take, glass=cable.glass[n % 12 + 1])
        if (nm, end) == (1310, "B")
        else take
        for (n, nm, end), take in takes.items()
    }
    say = says("1310 is shifted", r"1310", r"shift|higher|lower|number")
    return case_of(
        files_of(rng, moved), cable, nms=(1310, 1550), exit_codes=(1,), graded=(), involved=None,
        ungraded=[Where(nm=1310)], say=[say], never=(r"fibres-crossed",),
    )  # fmt: skip


def one_wavelength_crossed_by_name(rng: Rng) -> Case:
    """Two files of B bear each other's name at 1310 nm; at 1550 both fibres are themselves."""
    first, second = (int(n) for n in rng.choice(np.arange(1, 13), 2, replace=False))
    swaps = exchanged((first, second))
    told = clearly(lambda: crossed(draw_cable(rng), swaps, 1), (first, second))
    cable = crossed(told, swaps, 1)  # back again: the glass of each is its own
    takes = usual(replace(cable, at_b={}), (1310, 1550))
    takes[first, 1310, "B"], takes[second, 1310, "B"] = (
        replace(takes[one, 1310, "B"], glass=cable.glass[other])
        for one, other in ((first, second), (second, first))
    )
    return case_of(
        files_of(rng, takes), cable, nms=(1310, 1550), exit_codes=(1,), involved=[first, second],
        graded=set(cable.numbers) - {first, second},
        ungraded=[Where(first, nm=1310), Where(second, nm=1310)],
    )  # fmt: skip


def ribbon_rolled_and_turned_round(rng: Rng) -> Case:
    """Ribbon 2 was numbered from its other edge at B, and its ends were typed the wrong way."""
    cable = _lopsided(rng, fibres=24)
    cable = replace(cable, at_b={n: 37 - n for n in range(13, 25)})
    takes = usual(cable)
    wrong = range(13, 25)
    by_label = {(cable.at_b.get(n, n) if end == "B" else n, end): (n, end) for n, _, end in takes}
    for n in wrong:
        one, other = ((*by_label[n, end][:1], 1550, end) for end in "AB")
        takes[one], takes[other] = (
            labelled(
                takes[mine], takes[twin].path,
                **{key: takes[twin].label[key] for key in ("location_a", "location_b")},
            )
            for mine, twin in ((one, other), (other, one))
        )  # fmt: skip
    return case_of(
        files_of(rng, takes), cable, exit_codes=(1,), graded=range(1, 13), involved=wrong,
        ungraded=[Where(n) for n in wrong],
    )  # fmt: skip


def five_fibres_only(rng: Rng) -> Case:
    """Five fibres: too few to learn from how they differ, and that is said."""
    cable = draw_cable(rng, fibres=5)
    say = says("rests on labels", r"labels", r"few|5", aloud=False)
    return case_of(
        files_of(rng, usual(cable)), cable, involved=range(6, 13), exit_codes=(0, 1), say=[say]
    )


def owners_numbers_at_both_ends(rng: Rng) -> Case:
    """Both crews used the owner's numbers, 101 to 112; the count says twelve."""
    cable = draw_cable(rng, first=101)
    return case_of(
        files_of(rng, usual(cable)), cable, args=("--fibres", "12"), exit_codes=(1,), graded=(),
        involved=None, say=[says("numbers above the count", r"101", r"12|count|above|beyond")],
    )  # fmt: skip


def wrong_ribbon_size(rng: Rng) -> Case:
    """Ribbons of twelve reviewed as ribbons of eight: the bad splice is found all the same."""
    cable = draw_cable(rng, fibres=24)
    cable = with_bad(cable, 15, 2, 0.45)
    return case_of(files_of(rng, usual(cable)), cable, args=("--ribbon", "8"))


def two_closures_near_each_other(rng: Rng) -> Case:
    """Two closures 60 m apart, with a bad splice in the second."""
    at_m = float(rng.uniform(1_200, 1_800))
    cable = draw_cable(rng, length_m=4_000.0, closures_m=(at_m, at_m + 60.0, 3_000.0))
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.45)
    return case_of(files_of(rng, usual(cable)), cable, involved=None)


def crossed_pair_and_a_missing_shot(rng: Rng) -> Case:
    """Two fibres are crossed, and a third one's shot from B was never taken."""
    first, second, third = (int(n) for n in rng.choice(np.arange(1, 13), 3, replace=False))
    swaps = exchanged((first, second))
    cable = clearly(lambda: crossed(draw_cable(rng), swaps, 1), (first, second))
    takes = usual(cable)
    del takes[third, 1550, "B"]
    return case_of(
        files_of(rng, takes), cable, exit_codes=(1,), involved=[first, second, third],
        graded=set(cable.numbers) - {first, second, third},
        ungraded=[Where(first), Where(second), Where(third)],
    )  # fmt: skip

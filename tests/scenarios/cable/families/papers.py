"""Papers beside the shots: decisions, an earlier delivery, plans, loops, closing dates, colours."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from simulated import Joint, JointKind

from otdravg.cli import main as command
from scenarios.cable.case import Case, Where, case_of, says
from scenarios.cable.world import (
    HUTS,
    MORNING,
    NIGHT,
    STICK,
    Cable,
    Files,
    crossed,
    draw_cable,
    files_of,
    inside,
    labelled,
    text_file,
    usual,
    with_bad,
)

Rng = np.random.Generator

_WHO = ("--who", "R. Vale")
_COLOURS = (
    "white", "rose", "lime", "navy", "amber", "grey", "teal", "plum",
    "coral", "olive", "ivory", "rust", "indigo", "pearl", "ochre", "jade",
)  # fmt: skip


def _made(files: Files, *commands: Sequence[str]) -> Files:
    """What commands of an earlier day left beside the files, the files themselves apart."""
    with tempfile.TemporaryDirectory() as name, inside(name):
        for path, content in files:
            Path(path).parent.mkdir(parents=True, exist_ok=True)
            Path(path).write_bytes(content)
        for typed in commands:
            result = CliRunner().invoke(command, list(typed), prog_name="otdravg")
            if result.exit_code not in (0, 1):
                raise ValueError(f"{' '.join(typed)}: {result.output}")
        return tuple(_left({path for path, _ in files}))


def _left(known: set[str]) -> Iterator[tuple[str, bytes]]:
    for path in sorted(Path().rglob("*")):
        if path.is_file() and path.as_posix() not in known:
            yield path.as_posix(), path.read_bytes()


def _contract(*lines: str, limit_db: float = 0.20) -> Files:
    return text_file(
        "contract.toml", "format = 1", 'name = "invented"', 'source = "invented for this case"',
        "[splice]", f"limit_db = {limit_db}", *lines,
    )  # fmt: skip


def _job(cable: Cable, *lines: str) -> Files:
    return text_file(
        "job.toml", "format = 1", f'cable = "{cable.name}"', f"fibres = {len(cable.numbers)}",
        "wavelengths = [1550]", *lines, "[ends]", f'a = "{HUTS[0]}"', f'b = "{HUTS[1]}"',
    )  # fmt: skip


_JOB = ("--job", "job.toml")
_PROFILE = ("--profile", "contract.toml")


# -- decisions -------------------------------------------------------------------------


def shift_mended_by_a_decision(rng: Rng) -> Case:
    """B's numbers are one off, and the reviewer decided so: renumbered, everything is graded."""
    cable = draw_cable(rng)
    cable = replace(cable, at_b={n: n % 12 + 1 for n in cable.numbers})
    if rng.random() < 0.5:
        cable = with_bad(cable, int(rng.integers(1, 13)), 2, 0.45)
    decide = ("decide", "decisions.csv", "renumber", "--cable", cable.name,
              "--value", "B 2-12=1-11 1=12", *_WHO, "--why", "light from end to end")  # fmt: skip
    return case_of(
        (*files_of(rng, usual(cable)), *_made((), decide)),
        cable,
        args=("--decisions", "decisions.csv"),
    )


def renumbered_though_all_was_right(rng: Rng) -> Case:
    """The reviewer renumbered a cable that was right: the glass says so, and nothing passes."""
    cable = draw_cable(rng)
    decide = ("decide", "decisions.csv", "renumber", "--cable", cable.name,
              "--value", "B 2-12=1-11 1=12", *_WHO, "--why", "mistaken")  # fmt: skip
    return case_of(
        (*files_of(rng, usual(cable)), *_made((), decide)),
        cable,
        args=("--decisions", "decisions.csv"),
        exit_codes=(1,),
        graded=(),
        ungraded=[Where()],
        involved=None,
        orders="none",
    )


def missing_shot_acknowledged(rng: Rng) -> Case:
    """A shot from B is missing, and the owner waived it: listed, and nothing is open."""
    cable = draw_cable(rng)
    fibre = int(rng.integers(1, 13))
    takes = usual(cable)
    del takes[fibre, 1550, "B"]
    decide = ("decide", "decisions.csv", "acknowledge", "--cable", cable.name, "--fibre",
              str(fibre), "--value", "direction-missing", *_WHO, "--why", "waived")  # fmt: skip
    return case_of(
        (*files_of(rng, takes), *_made((), decide)),
        cable,
        args=("--decisions", "decisions.csv"),
        exit_codes=(0, 1),
        graded=set(cable.numbers) - {fibre},
        involved=[fibre],
        uncleared=[Where(fibre)],
        say=[says("it is settled by a decision", rf"\b{fibre}\b", r"[Ss]ettled|acknowledged")],
    )


def decision_that_fits_no_more(rng: Rng) -> Case:
    """A decision names a file that does not lie there any more: said, and not silently dropped."""
    cable = draw_cable(rng)
    decide = ("decide", "decisions.csv", "exclude-shot", "--cable", cable.name, "--file",
              "gone/SIM-12_F003_1550_BA.sor", *_WHO, "--why", "spoilt")  # fmt: skip
    return case_of(
        (*files_of(rng, usual(cable)), *_made((), decide)),
        cable,
        args=("--decisions", "decisions.csv"),
        exit_codes=(1,),
        involved=None,
        say=[says("the decision fits nothing", r"decision", r"F003_1550_BA", aloud=False)],
    )


# -- an earlier delivery ---------------------------------------------------------------


def _against(rng: Rng, before: Cable, now: Cable) -> Files:
    """An earlier delivery of a cable, and shots of today."""
    first = files_of(rng, usual(before))
    earlier = _made(first, ("cable", STICK, "--out", "earlier", "--workers", "1"))
    return (*files_of(rng, usual(now, day=MORNING + 60 * NIGHT)), *earlier)


def nothing_changed_since(rng: Rng) -> Case:
    """Shot again two months after the delivery: all splices read as they did."""
    cable = draw_cable(rng)
    return case_of(_against(rng, cable, cable), cable, args=("--against", "earlier"))


def worse_since_the_delivery(rng: Rng) -> Case:
    """One splice got worse by 0.08 to 0.10 dB and is within its limit still."""
    before = draw_cable(rng, losses_db=(0.03, 0.06))
    fibre, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    now = with_bad(before, fibre, closure, round(float(rng.uniform(0.14, 0.16)), 3))
    return case_of(
        _against(rng, before, now),
        now,
        args=("--against", "earlier"),
        exit_codes=(0, 1),
        involved=[fibre],
        say=[says("it got worse", rf"\b{fibre}\b", r"worse|more than|since", aloud=False)],
        orders="none",
    )


# -- limits for many -------------------------------------------------------------------


def _share(rng: Rng, over: int) -> Case:
    """95 % of 36 splices at most 0.10 dB, none above 0.30; some are between."""
    cable = draw_cable(rng, losses_db=(0.03, 0.085))
    fibres = [int(n) for n in rng.choice(cable.numbers, over, replace=False)]
    for n in fibres:
        cable = with_bad(
            cable, n, int(rng.integers(1, 4)), round(float(rng.uniform(0.14, 0.25)), 3)
        )
    share = ("[share]", "percent = 95", "limit_db = 0.10")
    missed = over > 1  # 35 of 36 are 97.2 %, 34 of 36 are 94.4 %
    return case_of(
        (*files_of(rng, usual(cable)), *_contract(*share, limit_db=0.30)),
        cable,
        args=_PROFILE,
        limit_db=0.30,
        exit_codes=(1,) if missed else (0,),
        involved=None if missed else (),
        say=[says("the share is missed", r"\b94\b|94[.,]4|95 ?%", r"0[.,]10")] if missed else (),
        orders="none",
    )


def share_kept(rng: Rng) -> Case:
    """One splice of 36 is above 0.10 dB: 97 % are not, and 95 are asked."""
    return _share(rng, 1)


def share_missed(rng: Rng) -> Case:
    """Three splices of 36 are above 0.10 dB: 91.7 % are not, and 95 are asked."""
    case = _share(rng, 3)
    return replace(case, says=(says("the share is missed", r"91[.,]6|91[.,]7|\b91\b", r"95"),))


def share_never_excuses(rng: Rng) -> Case:
    """The share is kept, and one splice is above the limit for every one: made again."""
    cable = draw_cable(rng, losses_db=(0.03, 0.085))
    bad = int(rng.integers(1, 13))
    cable = with_bad(cable, bad, 2, 0.42)
    share = ("[share]", "percent = 95", "limit_db = 0.10")
    return case_of(
        (*files_of(rng, usual(cable)), *_contract(*share, limit_db=0.30)),
        cable,
        args=_PROFILE,
        limit_db=0.30,
        due=[Where(bad, cable.glass[bad].boundaries_m[2])],
    )


def single_fibre_broken_out(rng: Rng) -> Case:
    """The contract lets one fibre be broken out: one bad splice opens no whole ribbon."""
    cable = draw_cable(rng)
    bad, closure = int(rng.integers(1, 13)), int(rng.integers(1, 4))
    cable = with_bad(cable, bad, closure, 0.45)
    return case_of(
        (*files_of(rng, usual(cable)), *_contract("[ribbon]", "size = 12", "single_fibre = true")),
        cable,
        args=_PROFILE,
        say=[says("this fibre alone", rf"\b{bad}\b", r"alone|break .*out|broken out|single")],
        never=(r"re-splice ribbon",),
    )


# -- how the cable is made -------------------------------------------------------------


def colours_of_its_own(rng: Rng) -> Case:
    """A ribbon of sixteen with the maker's own colours; the bad one is in position 13 to 16."""
    cable = draw_cable(rng, fibres=16, ribbon=16)
    bad = int(rng.integers(13, 17))
    cable = with_bad(cable, bad, 2, 0.47)
    colours = ", ".join(f'"{name}"' for name in _COLOURS)
    job = _job(cable, "ribbon = 16", f"colours = [{colours}]")
    return case_of(
        (*files_of(rng, usual(cable)), *job),
        cable,
        args=_JOB,
        due=[Where(bad, cable.glass[bad].boundaries_m[2])],
        say=[says("the colour as the maker has it", rf"\b{bad}\b", _COLOURS[bad - 1])],
    )


def _looped(cable: Cable, one: int, other: int) -> Cable:
    """Join two fibres at B by a connector; each is the way out and the other the way back."""
    near, back = cable.glass[one], cable.glass[other].reversed()
    way = replace(
        near,
        sections=near.sections + back.sections,
        joints=(*near.joints, Joint(0.4, -50.0, JointKind.CONNECTOR), *back.joints),
    )
    return replace(cable, glass={**cable.glass, one: way, other: way.reversed()})


def cable_of_loops(rng: Rng) -> Case:
    """Nobody stood at B: fibres are looped there in pairs, and all were shot from A."""
    cable = draw_cable(rng, length_m=3_000.0)
    bad = int(rng.integers(1, 13)) if rng.random() < 0.5 else None
    if bad is not None:
        cable = with_bad(cable, bad, 2, 0.45)
    looped = cable
    for n in range(1, 13, 2):
        looped = _looped(looped, n, n + 1)
    takes = {slot: take for slot, take in usual(looped).items() if slot[2] == "A"}
    pairs = [f"{n},{n + 1}," for n in range(1, 13, 2)]
    lists = text_file("loops.csv", "fibre,other,length", *pairs)
    due = [] if bad is None else [Where(bad, cable.glass[bad].boundaries_m[2])]
    return case_of((*files_of(rng, takes), *lists, *_job(cable)), cable, args=_JOB, due=due)


def ribbons_exchanged_as_planned(rng: Rng) -> Case:
    """Ribbon 1 meets ribbon 2 in closure 2, and the other way round, as the splice plan has it."""
    cable = draw_cable(rng, fibres=24)
    cable = crossed(cable, {n: (n + 11) % 24 + 1 for n in cable.numbers}, 2)
    plan = text_file("splice-plan.csv", "closure,ribbon_in,ribbon_out", "2,1,2", "2,2,1")
    return case_of((*files_of(rng, usual(cable)), *plan, *_job(cable)), cable, args=_JOB)


def ribbons_exchanged_as_not_planned(rng: Rng) -> Case:
    """The plan has ribbons 1 and 2 exchanged in closure 2, and they were spliced straight."""
    cable = draw_cable(rng, fibres=24)
    plan = text_file("splice-plan.csv", "closure,ribbon_in,ribbon_out", "2,1,2", "2,2,1")
    return case_of(
        (*files_of(rng, usual(cable)), *plan, *_job(cable)),
        cable,
        args=_JOB,
        exit_codes=(1,),
        graded=(),
        involved=None,
        say=[says("not as planned", r"plan")],
        orders="none",
    )


def ribbon_of_24_parted_as_planned(rng: Rng) -> Case:
    """A ribbon of 24 is parted into two of 12 in closure 1, exchanged as the plan has it."""
    cable = draw_cable(rng, fibres=24, ribbon=24)
    cable = crossed(cable, {n: (n + 11) % 24 + 1 for n in cable.numbers}, 1)
    plan = text_file(
        "splice-plan.csv", "closure,ribbon_in,fibres_in,ribbon_out,fibres_out",
        "1,1,1-12,1,13-24", "1,1,13-24,1,1-12",
    )  # fmt: skip
    files = (*files_of(rng, usual(cable)), *plan, *_job(cable, "ribbon = 24"))
    return case_of(files, cable, args=_JOB)


def branch_as_planned(rng: Rng) -> Case:
    """Ribbon 2 leaves into a branch in closure 2, whose crew counts from 1 under its own name."""
    cable = draw_cable(rng, fibres=24)
    bad = int(rng.integers(13, 25)) if rng.random() < 0.5 else None
    for n in range(13, 25):
        glass = cable.glass[n]
        last = replace(glass.sections[2], length_m=float(rng.normal(900.0, 0.3)))
        glass = replace(glass, sections=(*glass.sections[:2], last), joints=glass.joints[:2])
        cable = replace(cable, glass={**cable.glass, n: glass})
    if bad is not None:
        cable = with_bad(cable, bad, 2, 0.46)
    takes = usual(cable)
    for n in range(13, 25):
        path = f"{STICK}/SIM-BR_F{n - 12:03d}_1550_BA.sor"
        takes[n, 1550, "B"] = labelled(
            takes[n, 1550, "B"], path, cable="SIM-BR", fibre=f"{n - 12:03d}",
            location_a="Cedar hut",
        )  # fmt: skip
    plan = text_file(
        "splice-plan.csv", "closure,ribbon_in,cable_out,ribbon_out", "2,1,,1", "2,2,SIM-BR,1"
    )
    return case_of(
        (*files_of(rng, takes), *plan, *_job(cable)),
        cable,
        args=_JOB,
        closures=None,
        due=[] if bad is None else [Where(bad, cable.glass[bad].boundaries_m[2])],
    )


# -- stages ----------------------------------------------------------------------------


def _closing(rng: Rng, after: timedelta, asked: str) -> tuple[Files, Cable]:
    """A contract that asks for open or closed closures, which were closed some time after."""
    cable = draw_cable(rng)
    closed = MORNING + after
    rows = [f"C{k},{m:.0f},{closed:%Y-%m-%d %H:%M}" for k, m in enumerate(cable.closures_m, 1)]
    table = text_file("closures.csv", "name,distance,closed", *rows)
    contract = text_file(
        "contract.toml", "format = 1", 'name = "invented"', 'source = "invented for this case"',
        'stage = "final"', "[splice]", "limit_db = 0.20",
        "[stages.final]", f'closures = "{asked}"',
    )  # fmt: skip
    files = (
        *files_of(rng, usual(cable)),
        *table,
        *contract,
        *_job(cable, 'profile = "contract.toml"'),
    )
    return files, cable


def closed_after_the_shots(rng: Rng) -> Case:
    """The contract wants shots through closed closures, and they were closed a week later."""
    files, cable = _closing(rng, 7 * NIGHT, "closed")
    return case_of(
        files, cable, args=_JOB, exit_codes=(1,), involved=None, orders="none",
        say=[says("closed after the shots", r"clos(?:ed|ure)", r"after|older|before|again")],
    )  # fmt: skip


def closed_before_the_shots(rng: Rng) -> Case:
    """The contract wants shots through closed closures, and they were closed the day before."""
    files, cable = _closing(rng, -NIGHT, "closed")
    return case_of(files, cable, args=_JOB)


def shot_through_open_closures(rng: Rng) -> Case:
    """The contract wants shots before closing, and they were closed a week later."""
    files, cable = _closing(rng, 7 * NIGHT, "open")
    return case_of(files, cable, args=_JOB)

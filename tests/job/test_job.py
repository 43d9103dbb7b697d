"""What a job says is applied, refused by name, or asked for; what is missing follows from it."""

from __future__ import annotations

import importlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import job_table
import pytest

from otdravg.cable.lists.facts import Reel
from otdravg.cable.location import NOWHERE
from otdravg.cable.model import ShotRecord, ShotUse, TakenFor
from otdravg.errors import BadJob, BadSetting, OtdravgError
from otdravg.job import Job, load, parse
from otdravg.job.form import job_text, typed, typed_row
from otdravg.job.keys import KEYS, JobKey
from otdravg.job.lists import LISTS
from otdravg.report.job import remaining
from otdravg.shot.settings import Direction
from otdravg.trade import fibre_colour
from otdravg.verdict import load_shipped
from otdravg.words import told

LEAST = 'format = 1\ncable = "RIDGE-7"\nfibres = 24\nwavelengths = [1310, 1550]\n'


def problems(text: str, path: str | Path = "job.toml") -> dict[str, str]:
    with pytest.raises(BadJob) as caught:
        parse(text, path)
    return {one.name: told(one.allowed) for one in caught.value.problems}


def test_the_least_job_says_nothing_else() -> None:
    job = parse(LEAST)
    assert (job.cable, job.fibres, job.wavelengths_nm) == ("RIDGE-7", 24, (1310, 1550))
    assert (job.ribbon, job.profile, job.stage, job.colours) == (None, None, None, ())
    assert job.rules().is_default
    assert job.rules().ribbon_size == 12  # the profile's


@pytest.mark.parametrize("name", [key.path for key in KEYS if key.is_required])
def test_what_is_needed_is_asked_for(name: str) -> None:
    without = "\n".join(line for line in LEAST.splitlines() if not line.startswith(name))
    assert problems(without) == {name: "it has to be there"}


@pytest.mark.parametrize(
    ("line", "name", "hint"),
    [
        ("fibers = 24", "fibers", "did you mean fibres?"),
        ("ribbon = 13", "ribbon", "write one of 0, 4, 6, 8, 12, 16, 24"),
        ("ribbon = true", "ribbon", "write one of 0"),
        ('launch = "4.2"', "launch", "metres or kilometres"),
        ("launch = 1.5", "launch", "metres or kilometres"),
        ('colours = ["red", "red"]', "colours", "stands there twice"),
        ('colours = "rainbow"', "colours", "write a list of texts"),
        ('stage = ""', "stage", "write a text"),
        ('origin = "letter"', "origin", "unknown key"),
        ("[ends]\nc = 'x'", "ends.c", "unknown key"),
        ("[[closures]]\nname = 'A'", "closures[1].distance", "it has to be there"),
        ("[[closures]]\nname = 'A'\ndistanse = 4", "closures[1].distanse", "did you mean distance"),
        ("[[reels]]\nreel = 'R'\nfibre_type = 'mixed'", "reels[1].fibre_type", "G.652"),
        ("closures = 'none.csv'", "closures", "cannot be read"),
        ("format2 = 1", "format2", "did you mean format?"),
    ],
)
def test_what_cannot_be_applied_is_refused_by_name(line: str, name: str, hint: str) -> None:
    found = problems(LEAST + line)
    assert hint in found[name], found


def test_every_fault_is_said_at_once_and_names_the_file() -> None:
    with pytest.raises(BadJob, match=r"mine\.toml: .* \(and 3 more\)"):
        parse("format = 2\nfibres = 0\n", "mine.toml")


@pytest.mark.parametrize(
    "text", ["fibres = ", "\x00", 'a = """', "wavelengths = []\n" + LEAST[:30], "[ends\n"]
)
def test_what_is_no_job_is_one_line(text: str) -> None:
    with pytest.raises(OtdravgError) as caught:
        parse(text)
    assert "\n" not in str(caught.value)


def test_a_list_is_the_same_in_the_job_and_beside_it(tmp_path: Path) -> None:
    inline = LEAST + "".join(
        f"[[closures]]\nname = '{name}'\ndistance = {at}\n"
        for name, at in (("Otterstone", "'4.29km'"), ("Tansy Lane", "1870"))
    )
    (tmp_path / "c.csv").write_text("\ufeffname, distance\nOtterstone,4.29km\n\nTansy Lane,1870\n")
    (tmp_path / "job.toml").write_text(f"{LEAST}closures = 'c.csv'\n")
    beside = load(tmp_path / "job.toml")
    assert beside.closures == parse(inline).closures
    assert [c.distance_m for c in beside.closures] == [1870.0, 4290.0]  # from A
    (tmp_path / "c.csv").write_text("name,distance\nOtterstone,4,29km\n")
    found = problems(f"{LEAST}closures = 'c.csv'\n", tmp_path / "job.toml")
    assert "more cells" in found["c.csv line 2"]
    (tmp_path / "c.csv").write_text("name,distance\nOtterstone,far\nOtterstone,1km\n")
    found = problems(f"{LEAST}closures = 'c.csv'\n", tmp_path / "job.toml")
    assert "write a length" in found["c.csv line 2, column distance"]
    assert found["c.csv line 3, column name"] == "it stands there twice"


def test_every_key_is_applied_by_a_function_that_exists() -> None:
    assert KEYS
    for own in (*KEYS, *LISTS):
        module, _, name = own.applied_by.partition(":")
        found: Any = importlib.import_module(module)
        for part in name.split("."):
            found = getattr(found, part)
        assert callable(found) or isinstance(found, property), own


#: For each key a value, and what of the job it changes.
CHANGES: dict[str, tuple[str, Any]] = {
    "cable": ("cable = 'X'", lambda job: job.expected.cable),
    "fibres": ("fibres = 12", lambda job: len(job.missing(()))),
    "wavelengths": ("wavelengths = [1625]", lambda job: job.rules().wavelengths.required),
    "ribbon": ("ribbon = 16", lambda job: job.rules().ribbon_size),
    "ends.a": ("ends.a = 'North'", lambda job: job.expected.ends),
    "ends.b": ("ends.b = 'South'", lambda job: job.expected.ends),
    "profile": ("profile = 'three-attempts'", lambda job: job.rules().name),
    "stage": ("profile = 'every-rule'\nstage = 'construction'", lambda job: job.rules().stage.name),
    "colours": ("colours = ['red']", lambda job: job.expected.colours),
    "launch": ("launch = 500", lambda job: job.launch_m),
    "receive": ("receive = '1km'", lambda job: job.receive_m),
    "shots": ("shots = ['day 1']", lambda job: job.folders),
    "closures": ("closures = [{name = 'A', distance = 500}]", lambda job: job.closures),
    "reels": (
        "reels = [{reel = 'R', fibre_type = 'G.653'}]",
        lambda job: job.expected.fibre_type,
    ),
    "splice_plan": (
        "splice_plan = [{closure = '1', ribbon_in = '2', reversed = true}]",
        lambda job: job.options().splice_plan.moved,
    ),
    "instruments": (
        "instruments = [{instrument = '4711'}]",
        lambda job: job.expected.instruments,
    ),
    "route": (
        "route = [{place = 'A', kind = 'end', mark_out = 12}]",
        lambda job: job.expected.route,
    ),
    "power": (
        "power = [{fibre = 1, source_at = 'A', arrives = 1}]",
        lambda job: job.expected.power,
    ),
    "loops": ("loops = [{fibre = 1, other = 2}]", lambda job: job.options().loops),
    "splice_log": (
        "splice_log = [{date_time = 2026-04-03T14:05:00, closure = 'A', ribbon = 1}]",
        lambda job: job.options().splice_log,
    ),
}


@pytest.mark.parametrize("name", [own.path if isinstance(own, JobKey) else own.name
                                  for own in (*KEYS, *LISTS)])  # fmt: skip
def test_every_key_changes_something(name: str) -> None:
    line, seen = CHANGES[name]
    text = "\n".join(o for o in LEAST.splitlines() if not o.startswith(f"{name} "))
    assert seen(parse(f"{text}\n{line}\n")) != seen(parse(LEAST))


def test_reels_of_two_types_are_mixed() -> None:
    job = replace(parse(LEAST), reels=(Reel("a", "G.652"), Reel("b", "G.657")))
    assert job.fibre_type == "mixed"
    assert replace(job, reels=job.reels[:1]).fibre_type == "G.652"


def test_wavelengths_of_the_job_are_asked_beside_those_of_the_profile() -> None:
    profile = load_shipped("every-rule")
    rules = replace(parse(LEAST), wavelengths_nm=(1310, 1625)).rules(profile)
    assert {1310, 1625} | set(profile.wavelengths.required) == set(rules.wavelengths.required)
    assert rules.wavelengths.cases
    assert all({1310, 1625} <= set(case.required) for case in rules.wavelengths.cases)


def test_a_stage_that_the_profile_does_not_have_is_refused() -> None:
    with pytest.raises(BadSetting, match=r"stage: 'last'.*default has the stages: none"):
        parse(f"{LEAST}stage = 'last'").rules()


def test_a_profile_is_looked_for_beside_the_job(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(
        'format = 1\nname = "mine"\nsource = "letter"\n[splice]\nlimit_db = 0.11\n'
    )
    (tmp_path / "job.toml").write_text(f"{LEAST}profile = 'mine.toml'\n")
    assert load(tmp_path / "job.toml").rules().name == "mine"


def shot(fibre: int, nm: int, direction: Direction, **more: Any) -> ShotRecord:
    taken = TakenFor(more.pop("cable", "RIDGE 7"), fibre, direction, nm)
    use = more.pop("use", ShotUse.USED)
    return ShotRecord("f", NOWHERE, "", "", 1, 0, taken, use, 1, None, None, 0, **more)


A, B = Direction.A_TO_B, Direction.B_TO_A


def test_what_is_missing_is_known_before_anything_is_in() -> None:
    job = parse(LEAST)
    assert remaining(job.missing(())) == [
        ("A", "fibres 1–24 at 1310 and 1550 nm"),
        ("B", "fibres 1–24 at 1310 and 1550 nm"),
    ]


def test_what_is_missing_stands_in_shooting_order() -> None:
    job = replace(parse(LEAST), ends=("North", "South"))
    records = [shot(f, nm, A) for f in range(1, 13) for nm in (1310, 1550)]
    records += [shot(f, 1550, B) for f in range(1, 7)]
    records += [shot(7, 1550, B, use=ShotUse.UNREADABLE), shot(8, 1550, B, cable="OTHER")]
    missing = job.missing(records)
    assert [s.direction for s in missing] == [A] * 24 + [B] * 42
    assert remaining(missing, job.ends) == [
        ("A (North)", "fibres 13–24 at 1310 and 1550 nm"),
        ("B (South)", "fibres 1–6 at 1310 nm; 7–24 at 1310 and 1550 nm"),
    ]
    everything = [shot(f, nm, d) for f in range(1, 25) for nm in (1310, 1550) for d in (A, B)]
    assert job.missing(everything) == ()


def test_who_stands_at_b_is_told_the_numbers_that_fibres_have_there() -> None:
    rows = ", ".join(
        f"{{closure = '1', ribbon_in = '{a}', ribbon_out = '{3 - a}'}}" for a in (1, 2)
    )
    job = parse(f"ribbon = 12\n{LEAST}splice_plan = [{rows}]")
    records = [shot(f, nm, A) for f in range(1, 25) for nm in (1310, 1550)]
    records += [shot(f, nm, B) for f in range(1, 23) for nm in (1310, 1550)]  # counted at A
    missing = job.missing(records)
    assert {s.fibre for s in missing} == {23, 24}
    said = remaining(missing, job.ends, at_b=job.options().splice_plan.moved)
    assert said == [("B", "fibres 11–12 at 1310 and 1550 nm, as numbered at B")]


def test_a_stage_of_one_direction_asks_for_one() -> None:
    job = parse(LEAST)
    rules = job.rules(load_shipped("every-rule"))
    one_way = next(s for s in rules.stages.values() if s.directions.value == "one")
    missing = job.missing([shot(1, 1310, B), shot(1, 1550, B)], replace(rules, stage=one_way))
    wanted = len(rules.wavelengths.required)
    assert len(missing) == 24 * wanted - 2
    assert {s.direction for s in missing} == {A}


def test_colours_of_the_cables_own() -> None:
    own = tuple(f"c{n}" for n in range(1, 17))
    assert [fibre_colour(f, 16, own) for f in (1, 13, 16, 17, 32)] == ["c1", "c13", "c16", "c1",
                                                                       "c16"]  # fmt: skip
    assert fibre_colour(13, 16) == "blue/2"  # TIA-598 as far as twelve go, then marked
    assert fibre_colour(14, None, own) == "c14"
    assert fibre_colour(18, None, own) == "c2"
    assert fibre_colour(3, 12, ("red", "blue")) == "red/2"


def test_a_form_reads_back_as_what_was_put_in() -> None:
    values: dict[str, Any] = {
        "cable": 'A "B" \\ ü \x7f',
        "fibres": 48,
        "wavelengths": [1310, 1550],
        "ribbon": 16,
        "ends.a": "North",
        "ends.b": "South",
        "colours": [f"c{n}" for n in range(16)],
        "closures": [{"name": "Mill", "distance": "5km"}, {"name": "Lane", "distance": "2km"}],
        "reels": [{"reel": "R", "fibre_type": "G.652"}],
    }
    job = parse(job_text(values))
    assert (job.cable, job.fibres, job.ends) == (values["cable"], 48, ("North", "South"))
    assert job.colours == tuple(values["colours"])
    assert [c.name for c in job.closures] == ["Lane", "Mill"]
    assert job.reels == (Reel("R", "G.652"),)


def test_an_empty_form_shows_every_key_and_says_nothing() -> None:
    text = job_text({})
    for key in KEYS:
        assert f"# {key.sentence()}." in text
    assert set(problems(text)) == {key.path for key in KEYS if key.is_required}
    filled = text.replace("# ", "").replace(f"format = {1}\n", "", 0)
    lines = [line for line in filled.splitlines() if " = " in line or line.startswith("[")]
    lines = [line for line in lines if not line.startswith(("Closures:", "Reels"))]
    job = parse("\n".join(lines))  # the examples in it can be used as they are
    assert isinstance(job, Job)
    assert job.closures[0].distance_m == 4290.0


def test_what_is_typed() -> None:
    by_name = {key.path: key for key in KEYS}
    assert typed(by_name["wavelengths"], "1310, 1550") == [1310, 1550]
    assert typed(by_name["colours"], "TIA-598") == "TIA-598"
    assert typed(by_name["colours"], "red,blue") == ["red", "blue"]
    assert typed(by_name["fibres"], "many") == "many"  # for the reader to refuse
    assert typed_row(LISTS[0], "At = sea=4km") == {"name": "At = sea", "distance": "4km"}
    with pytest.raises(BadSetting, match=r"write NAME=DISTANCE, as in Otterstone=4\.29km"):
        typed_row(LISTS[0], "Otterstone")


def test_the_page_shows_every_key() -> None:
    page = job_table.PAGE.read_text(encoding="utf-8")
    assert page == job_table.page_with_table(page), "run tests/refresh_docs.py"
    van = job_table.VAN.read_text(encoding="utf-8")
    assert van == job_table.page_with_table(van, job_table.LISTS_BEGIN, job_table.LISTS_END)

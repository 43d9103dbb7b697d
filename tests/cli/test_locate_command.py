"""The answer to an emergency call: between which places, at which mark, and what is not known."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from key_cables import plain

from otdravg.cli import main

JOB = """format = 1
cable = "SIM-KEYS"
fibres = 2
wavelengths = [1310, 1550]
ends = {a = "Alder hut", b = "Birch hut"}
closures = [{name = "1", distance = "690m"}, {name = "2", distance = "1410m"}]
"""
#: Sheaths of 677, 706 and 693 m under glass of 690, 720 and 705 m.
ROUTE = """place,kind,mark_in,mark_out
Alder hut,end,,100
MH 1,manhole,400,
1,closure,777,2000
MH 2,manhole,1850,
MH 3,manhole,1500,
2,closure,1294,0
Birch hut,end,693,
"""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(one) for one in arguments])


@pytest.fixture
def job(tmp_path: Path) -> Path:
    (tmp_path / "route.csv").write_text(ROUTE, encoding="utf-8")
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path / "job.toml"


def mark_in(result: Result) -> tuple[float, float]:
    assert result.exit_code == 0, result.output
    found = re.search(r"sheath mark about (\d+) ± (\d+) m", result.output)
    assert found is not None, result.output
    return float(found[1]), float(found[2])


def test_places_mark_and_what_is_not_known(job: Path) -> None:
    result = run("locate", job, "990m")
    mark, expanded = mark_in(result)
    assert abs(mark - (2000 - 706 * 300 / 720)) <= expanded < 8
    said = " ".join(result.output.split())
    for part in (
        "between MH 2 and MH 3",
        "0.990 km from A",
        "closure 1 300 m towards A, closure 2 420 m towards B",
        "MH 2 144 m towards A, MH 3 206 m towards B",
        "marks fall towards B",
        "take off a launch fibre",
        "the index that the instrument was set to",
        "prove each one dark",
    ):
        assert part in said


def test_from_the_other_end_by_the_closeout(job: Path, tmp_path: Path) -> None:
    plain(tmp_path / "shots")
    reviewed = run(
        "cable", "--job", job, tmp_path / "shots", "--out", tmp_path / "out", "--only", "json",
        "--workers", 1,
    )  # fmt: skip
    assert reviewed.exit_code in (0, 1), reviewed.output
    closeout = tmp_path / "out" / "closeout.json"
    from_a, from_b = (
        run("locate", closeout, "990m"),
        run("locate", closeout, "1.125km", "--from", "B"),
    )
    assert mark_in(from_a)[0] == pytest.approx(mark_in(from_b)[0], abs=1)
    # An instrument that counts with an index 0.7 % higher shows the same place as nearer.
    nearer = run("locate", closeout, "983.1m", "--index", 1.4785)
    assert mark_in(nearer)[0] == pytest.approx(mark_in(from_a)[0], abs=1)


def test_in_german(job: Path) -> None:
    said = " ".join(run("locate", job, "990m", "--language", "de").output.split())
    assert "Ort zwischen MH 2 und MH 3, Mantelmarke etwa 1706 ± 5 m" in said
    assert "Muffe 1 300 m in Richtung A, Muffe 2 420 m in Richtung B (in der Faser)" in said
    assert "0,990 km von A" in said
    assert "Muffe 1 bis Muffe 2, Marken fallen nach B" in said
    assert "closure" not in said


def test_without_a_route_the_closures_are_said(job: Path) -> None:
    (job.parent / "route.csv").unlink()
    result = run("locate", job, "990m")
    assert result.exit_code == 0
    said = " ".join(result.output.split())
    assert "At between closure 1 and closure 2" in said
    assert "the job has no route" in said
    refused = run("locate", job, "990m", "--from", "B")
    assert (refused.exit_code, "nothing says how long the fibre is" in refused.output) == (2, True)


def test_where_no_marks_reach_the_reason_is_said(job: Path) -> None:
    route = job.parent / "route.csv"
    route.write_text(ROUTE.replace("1,closure,777,2000", "1,closure,777,"), encoding="utf-8")
    said = " ".join(run("locate", job, "990m").output.split())
    assert "At between closure 1 and closure 2" in said
    assert "there are no marks at both of its ends: closure 1 to closure 2" in said


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("9km",), "the fibre is 2"),
        (("12",), "metres or kilometres"),
        (("990m", "--index", "1.47"), "does not say with which index"),
        (("990m", "--from", "C"), "--from"),
    ],
)
def test_what_cannot_be_located_is_one_line(
    job: Path, arguments: tuple[str, ...], said: str
) -> None:
    result = run("locate", job, *arguments)
    assert result.exit_code == 2
    assert said in result.output


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("MH 2,manhole,3.310,", "column mark_in: '3.310' is not usable; write the mark as it is"),
        ("MH 2,pit,1850,", "column kind"),
        ("MH 2,end,1850,", "an end stands first or last"),
        ("MH 1,manhole,1850,", "it stands there twice"),
    ],
)
def test_typing_errors_in_the_route_are_named(job: Path, line: str, said: str) -> None:
    route = job.parent / "route.csv"
    route.write_text(ROUTE.replace("MH 2,manhole,1850,", line), encoding="utf-8")
    result = run("job", "check", job)
    assert result.exit_code == 2
    assert "route.csv line 5" in result.output
    assert said in " ".join(result.output.split())

"""Closeouts of several cables in one package, from one folder with all their shots."""

from __future__ import annotations

import csv
import html
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from otdravg.cli import main
from otdravg.simulate.demo import write_demo
from otdravg.system.manifest import write_evidence, write_manifest

#: Folder of the shots, cable by the mapping table, seed of the simulation.
CABLES = (("first", "RIDGE 1", 1), ("second", "RIDGE 2", 2))
COUNTS = ("within", "over", "open", "one_way", "not_measured", "not_shot")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def told(done: Result) -> str:
    return " ".join(done.output.split())


@pytest.fixture(scope="module")
def stick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cables of three fibres and a text file beside each, with a table that names them."""
    place = tmp_path_factory.mktemp("stick")
    (place / "shots").mkdir()
    lines = ["file,cable"]
    for folder, cable, seed in CABLES:
        write_demo(place / "shots" / folder, fibres=3, wavelengths=(1550,), seed=seed)
        shots = sorted((place / "shots" / folder).glob("*.sor"))
        lines += [f"{folder}/{shot.name},{cable}" for shot in shots]
    (place / "mapping.csv").write_text("\n".join(lines), "utf-8")
    return place


@pytest.fixture(scope="module")
def package(stick: Path) -> Path:
    done = run(
        "cable", stick / "shots", "--mapping", stick / "mapping.csv", "--out", stick / "package",
        "--all", "--each-cable", "--ribbon", "none",
    )  # fmt: skip
    assert done.exit_code == 1, done.output
    assert "cable RIDGE 1" in done.output
    assert "cable RIDGE 2" in done.output
    return stick / "package"


def index_of(package: Path) -> list[dict[str, str]]:
    with open(package / "index.csv", encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_each_cable_has_a_closeout_of_its_own_with_its_shots_alone(package: Path) -> None:
    assert sorted(path.name for path in package.iterdir()) == [
        "RIDGE_1", "RIDGE_2", "evidence.sha256", "index.csv", "index.html", "manifest.sha256",
    ]  # fmt: skip
    for folder in ("RIDGE_1", "RIDGE_2"):
        assert (package / folder / "closeout.pdf").is_file()
        assert len(list((package / folder / "traces").glob("*.sor"))) == 6
        with open(package / folder / "splices.csv", encoding="utf-8", newline="") as stream:
            assert {row["cable"] for row in csv.DictReader(stream)} == {folder.replace("_", " ")}
        findings = (package / folder / "findings.csv").read_text("utf-8")
        assert "mapping-unused" not in findings


def test_the_index_says_of_each_what_its_table_of_splices_does(package: Path) -> None:
    lines = index_of(package)
    assert [line["cables"] for line in lines] == ["RIDGE 1", "RIDGE 2"]
    for line in lines:
        with open(package / line["folder"] / "splices.csv", encoding="utf-8", newline="") as stream:
            splices = [row for row in csv.DictReader(stream) if row["closure_number"]]
        over = sum(row["state"] == "over limit" for row in splices)
        assert int(line["splices_over"]) == over
        assert line["standing"] == ("not accepted" if over else "accepted")
        assert int(line["splices_expected"]) == len(splices)
        assert sum(int(line[f"splices_{count}"]) for count in COUNTS) == len(splices)


def test_people_find_the_verdict_and_the_closeout_of_each(package: Path) -> None:
    page = html.unescape((package / "index.html").read_text("utf-8"))
    assert page.count("<td>not accepted</td>") == sum(
        line["standing"] == "not accepted" for line in index_of(package)
    )
    links = re.findall(r'href="([^"]+)"', page)
    assert links == ["RIDGE_1/closeout.html", "RIDGE_2/closeout.html"]
    assert all((package / link).is_file() for link in links)


def test_verify_checks_the_whole_and_every_closeout(package: Path) -> None:
    done = run("verify", package)
    assert done.exit_code == 0, done.output
    assert "agree index against the closeouts" in told(done)
    assert "agree RIDGE_2: 19 checks of a closeout" in told(done)


def test_verify_with_measure_reviews_every_cable_again(package: Path) -> None:
    done = run("verify", package, "--measure")
    assert done.exit_code == 0, done.output
    assert "left out" not in done.output


def verdict_turned(package: Path) -> None:
    path = package / "index.csv"
    path.write_text(path.read_text("utf-8").replace("not accepted", "accepted"), "utf-8")


def page_turned(package: Path) -> None:
    path = package / "index.html"
    path.write_text(path.read_text("utf-8").replace("not accepted", "accepted"), "utf-8")


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (verdict_turned, "index.csv: is not what the closeouts make it"),
        (page_turned, "index.html: is not what the closeouts make it"),
        (lambda p: (p / "more.txt").write_text("x"), "more.txt: is no part of a package"),
        (lambda p: shutil.rmtree(p / "RIDGE_2"), "index.csv: is not what the closeouts make it"),
        (lambda p: (p / "RIDGE_1" / "fibres.csv").unlink(), "RIDGE_1/fibres.csv: is missing"),
        (lambda p: shutil.copytree(p / "RIDGE_1", p / "RIDGE_3"), "index.csv: is not what"),
    ],
)
def test_verify_finds_what_was_changed_with_the_hashes_made_again(
    package: Path, tmp_path: Path, change: object, problem: str
) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(package, copy)
    assert callable(change)
    change(copy)
    write_evidence(copy)
    write_manifest(copy)
    done = run("verify", copy)
    assert done.exit_code == 1
    assert problem in told(done)


def test_the_hash_on_the_index_is_that_of_all_evidence(package: Path) -> None:
    page = (package / "index.html").read_text("utf-8")
    (evidence,) = re.findall(r"\b[0-9a-f]{64}\b", page)
    assert run("verify", package, "--evidence", evidence).exit_code == 0
    assert run("verify", package, "--evidence", evidence[::-1]).exit_code == 1


def test_the_next_package_is_held_against_the_last_cable_by_cable(
    stick: Path, package: Path, tmp_path: Path
) -> None:
    done = run(
        "cable", stick / "shots", "--mapping", stick / "mapping.csv", "--out", tmp_path / "next",
        "--each-cable", "--against", package,
    )  # fmt: skip
    assert done.exit_code == 1, done.output
    for folder in ("RIDGE_1", "RIDGE_2"):
        with open(tmp_path / "next" / folder / "changes.csv", encoding="utf-8") as stream:
            assert {row["change"] for row in csv.DictReader(stream)} == {"same"}


def test_a_cable_of_the_last_package_does_not_go_unsaid(
    stick: Path, package: Path, tmp_path: Path
) -> None:
    command = ("cable", stick / "shots" / "first", "--out", tmp_path / "next", "--each-cable")
    done = run(*command, "--against", package)
    assert done.exit_code == 2
    assert "no shot of it is here" in told(done)
    done = run(*command, "--against", package / "RIDGE_1")
    assert done.exit_code == 2
    assert "name a package" in told(done)
    assert not (tmp_path / "next").exists()


def jobs_of(folder: Path, limits: dict[str, float]) -> list[object]:
    """Write a job for each cable, with a profile of its own limit, and name them."""
    named: list[object] = []
    for cable, limit_db in limits.items():
        own = folder / cable
        own.mkdir(parents=True)
        (own / "limit.toml").write_text(
            'format = 1\nname = "simulated"\nsource = "simulated"\n'
            f"[splice]\nlimit_db = {limit_db}\n",
            "utf-8",
        )
        (own / "job.toml").write_text(
            f'format = 1\ncable = "{cable}"\nfibres = 4\nwavelengths = [1550]\n'
            f'ribbon = 0\nprofile = "limit.toml"\n', "utf-8",
        )  # fmt: skip
        named += ["--job", own / "job.toml"]
    return named


def photos_of(folder: Path, *cables: str) -> Path:
    for cable in cables:
        (folder / cable).mkdir(parents=True)
        (folder / cable / "closure 1.jpg").write_bytes(cable.encode())
    return folder


def made(stick: Path, out: Path, *more: object) -> Result:
    return run(
        "cable", stick / "shots", "--mapping", stick / "mapping.csv", "--out", out,
        "--only", "csv,json,traces", "--each-cable", *more,
    )  # fmt: skip


def test_each_cable_is_judged_by_its_own_job_and_has_its_own_attachments(
    stick: Path, tmp_path: Path
) -> None:
    limits = {"ridge-1": 0.15, "RIDGE 2": 0.31}
    photos = photos_of(tmp_path / "photos", "RIDGE 1", "ridge_2")
    out = tmp_path / "out"
    done = made(stick, out, *jobs_of(tmp_path / "jobs", limits), "--attach", photos)
    assert done.exit_code == 1, done.output
    for folder, name, limit in (("RIDGE_1", "RIDGE 1", "0.15"), ("RIDGE_2", "ridge_2", "0.31")):
        with open(out / folder / "splices.csv", encoding="utf-8", newline="") as stream:
            assert {row["limit_db"] for row in csv.DictReader(stream)} == {limit}
        assert "fibre-missing" in (out / folder / "findings.csv").read_text("utf-8")
        assert (out / folder / "attachments" / "closure 1.jpg").read_bytes() == name.encode()
    assert [line["fibres_expected"] for line in index_of(out)] == ["4", "4"]
    assert run("verify", out).exit_code == 0


@pytest.mark.parametrize(
    ("limits", "photos", "problem"),
    [
        ({"RIDGE 1": 0.2}, (), "'RIDGE 2' is not usable; shots are of"),
        (
            {"RIDGE 1": 0.2, "RIDGE 2": 0.2, "RIDGE 9": 0.2},
            (),
            "'RIDGE 9' is not usable; no shot",
        ),
        ({"RIDGE 1": 0.2, "RIDGE 2": 0.2, "Ridge-2": 0.2}, (), "two jobs are of this cable"),
        ({}, ("RIDGE 1", "RIDGE 9"), "RIDGE 9: is no folder of a cable here"),
    ],
)
def test_what_is_of_no_cable_here_is_refused(
    stick: Path, tmp_path: Path, limits: dict[str, float], photos: tuple[str, ...], problem: str
) -> None:
    more = jobs_of(tmp_path / "jobs", limits)
    if photos:
        more += ["--attach", photos_of(tmp_path / "photos", *photos)]
    done = made(stick, tmp_path / "out", *more)
    assert done.exit_code == 2
    assert problem in told(done)
    assert not (tmp_path / "out").exists()


def test_several_jobs_need_a_closeout_each_and_a_list_shows_all_files(
    stick: Path, tmp_path: Path
) -> None:
    jobs = jobs_of(tmp_path / "jobs", {"RIDGE 1": 0.2, "RIDGE 2": 0.2})
    done = run("cable", stick / "shots", "--out", tmp_path / "out", *jobs)
    assert (done.exit_code, "a job is of one cable" in told(done)) == (2, True)
    done = run("cable", stick / "shots", "--list", "--each-cable")
    assert (done.exit_code, "leave out --each-cable" in told(done)) == (2, True)


def test_decisions_of_the_other_cable_are_no_defect_here(stick: Path, tmp_path: Path) -> None:
    (tmp_path / "decisions.csv").write_text(
        "what,who,when,why,cable,fibre,closure,value\n"
        "name-closure,R. Vale,2024-06-01T10:00,simulated,RIDGE 2,,1,Weir\n", "utf-8",
    )  # fmt: skip
    run(
        "cable", stick / "shots", "--mapping", stick / "mapping.csv", "--out", tmp_path / "out",
        "--each-cable", "--decisions", tmp_path / "decisions.csv",
    )  # fmt: skip
    names = {}
    for folder in ("RIDGE_1", "RIDGE_2"):
        findings = (tmp_path / "out" / folder / "findings.csv").read_text("utf-8")
        assert "decision-of-other-cable" not in findings
        names[folder] = (tmp_path / "out" / folder / "closures.csv").read_text("utf-8")
    assert "Weir" in names["RIDGE_2"]
    assert "Weir" not in names["RIDGE_1"]

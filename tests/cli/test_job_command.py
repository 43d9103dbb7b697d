"""``otdravg job`` and ``otdravg cable --job`` as somebody uses them who has half the shots."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from otdravg.cli import main
from otdravg.job import load
from otdravg.job.lists import LISTS
from otdravg.simulate.demo import write_demo


def test_a_faulty_job_is_told_in_the_language_asked_for(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text('format = 1\ncable = "X"\nfibres = "many"\nwavelengths = [1550]\nlengt = 1\n')
    lines = run("job", "show", job, "--language", "de").output.splitlines()
    assert [line.split("; ")[1] for line in lines] == [
        "eine ganze Zahl von 1 bis 100000 schreiben", "unbekannter Schlüssel",
    ]  # fmt: skip
    assert "write a whole number from 1 to 100000" in run("job", "show", job).output


def run(*arguments: object, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], input=typed)


def joined(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four fibres of a cable that has twelve, one of them from one end only."""
    folder = tmp_path_factory.mktemp("job") / "shots"
    write_demo(folder, fibres=4, spacing_m=4.0)
    for path in folder.glob("*F004*BA*"):
        path.unlink()
    return folder


@pytest.fixture
def job(shots: Path, tmp_path: Path) -> Path:
    file = tmp_path / "job.toml"
    result = run("job", "new", file, "--from", shots)
    assert result.exit_code == 0, result.output
    return file


def test_a_job_from_the_first_shots_says_what_they_show(job: Path) -> None:
    made = load(job)
    assert (made.cable, made.fibres, made.wavelengths_nm) == ("SIMQB1", 12, (1550,))
    assert len(made.closures) == 4
    # The demo's route, as the tutorial has it.
    assert [round(c.distance_m, -2) for c in made.closures] == [1900, 4300, 6000, 8100]
    assert "No file shows it: check it." in job.read_text(encoding="utf-8")
    checked = run("job", "check", job)
    assert (checked.exit_code, "can be used" in checked.output) == (0, True)


def test_the_review_says_what_is_still_to_be_shot(job: Path, shots: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("cable", "--job", job, shots, "--out", out, "--workers", 1)
    assert result.exit_code == 1, result.output
    text = joined(result)
    ends = load(job).ends
    assert f"- shoot from A ({ends[0]}): fibres 5–12 at 1550 nm" in text
    assert f"- shoot from B ({ends[1]}): fibres 4–12 at 1550 nm" in text
    assert "4 of 12 in, 3 measured from both ends at 1550 nm" in text
    with (out / "findings.csv").open(encoding="utf-8") as stream:
        codes = {row["finding"] for row in csv.DictReader(stream)}
    assert codes >= {"direction-missing", "fibre-missing"}
    shown = run("job", "show", job, shots)
    assert f"A ({ends[0]}): fibres 5–12 at 1550 nm" in joined(shown)


def test_shots_that_are_none_of_the_jobs_are_named(job: Path, shots: Path, tmp_path: Path) -> None:
    text = job.read_text(encoding="utf-8")
    job.write_text(
        text.replace('"SIMQB1"', '"RIDGE-7"').replace("fibres = 12", "fibres = 3"),
        encoding="utf-8",
    )
    out = tmp_path / "out"
    result = run("cable", "--job", job, shots, "--out", out, "--workers", 1)
    assert result.exit_code == 1
    with (out / "findings.csv").open(encoding="utf-8") as stream:
        found = {row["finding"]: row["evidence"] for row in csv.DictReader(stream)}
    assert found["cable-not-in-job"] == "7 shots of SIMQB1; the job says RIDGE-7"
    assert found["fibre-not-in-job"] == "1 shot of fibre 4; the job says 3 fibres"
    assert found["fibre-missing"].startswith("no file of fibres 1–3")  # of RIDGE-7


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--fibres", "24", "the job says 12"),
        ("--ribbon", "8", "the job says 12"),
        ("--end-a", "Elsewhere", "the job says"),
        ("--profile", "two-wavelengths", "the job says 'three-attempts'"),
        ("--launch", "2km", "the job says 0.0"),
    ],
)
def test_an_option_that_says_otherwise_is_refused(
    job: Path, shots: Path, tmp_path: Path, option: str, value: str, said: str
) -> None:
    text = job.read_text(encoding="utf-8")
    text = text.replace('# profile = "contract.toml"', 'profile = "three-attempts"')
    job.write_text(text.replace('# launch = "1km"', "launch = 0"), encoding="utf-8")
    result = run("cable", "--job", job, shots, "--out", tmp_path / "out", option, value)
    assert result.exit_code == 2
    assert said in result.output
    assert option in result.output
    assert not (tmp_path / "out").exists()


def test_loose_tube_in_the_job_is_no_ribbon(job: Path, shots: Path, tmp_path: Path) -> None:
    job.write_text(job.read_text(encoding="utf-8").replace("ribbon = 12", "ribbon = 0"))
    result = run("cable", "--job", job, shots, "--out", tmp_path / "out", "--ribbon", 12)
    assert (result.exit_code, "the job says 0" in result.output) == (2, True)


def test_an_option_that_says_the_same_or_more_is_taken(
    job: Path, shots: Path, tmp_path: Path
) -> None:
    result = run(
        "cable", "--job", job, shots, "--out", tmp_path / "out", "--fibres", 12, "--ribbon", 12,
        "--profile", "three-attempts", "--workers", 1,
    )  # fmt: skip
    assert result.exit_code == 1
    assert "profile three-attempts" in joined(result)


def test_the_folders_may_stand_in_the_job(job: Path, shots: Path, tmp_path: Path) -> None:
    missing = run("cable", "--job", job, "--out", tmp_path / "out")
    assert (missing.exit_code, "write shots = [...]" in missing.output) == (2, True)
    text = job.read_text(encoding="utf-8")
    job.write_text(text.replace('# shots = ["shots"]', f'shots = ["{shots.as_posix()}"]'))
    assert run("cable", "--job", job, "--list").exit_code == 0


def test_a_job_by_questions(tmp_path: Path) -> None:
    """An answer that cannot be used is asked for again; an empty one leaves a line to fill in."""
    answers = ["RIDGE-7", "many", "24", "1310,1550", "13", "12", "North", "", "", "", "", "1",
               "1km", "", "Mill=4", "Mill=4km, Lane=2km", "", "4711"]  # fmt: skip
    file = tmp_path / "job.toml"
    result = run("job", "new", file, typed="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.output
    made = load(file)
    assert (made.cable, made.fibres, made.ribbon, made.launch_m) == ("RIDGE-7", 24, 12, 1000.0)
    assert [c.name for c in made.closures] == ["Lane", "Mill"]
    for refused in ("'many'", "13 is not usable", "metres or kilometres"):
        assert refused in result.output
    assert '# b = "Gorsemoor hut"' in file.read_text(encoding="utf-8")


def test_a_job_by_options_and_what_is_left_to_fill_in(tmp_path: Path) -> None:
    file = tmp_path / "job.toml"
    result = run(
        "job", "new", file, "--cable", "RIDGE-7", "--end-a", "North", "--closure", "Mill=4km"
    )
    assert result.exit_code == 0
    assert "fill in fibres, wavelengths, then otdravg job check" in result.output
    refused = run("job", "check", file)
    assert refused.exit_code == 2
    assert "fibres: '(missing)'" in refused.output
    before = file.read_bytes()
    again = run("job", "new", file, "--cable", "OTHER")
    assert (again.exit_code, file.read_bytes()) == (2, before)
    assert run("job", "new", file, "--cable", "OTHER", "--force").exit_code == 0
    assert b"OTHER" in file.read_bytes()


def test_what_could_not_be_read_back_is_not_written(tmp_path: Path) -> None:
    file = tmp_path / "job.toml"
    result = run("job", "new", file, "--fibres", "many")
    assert (result.exit_code, file.exists()) == (2, False)
    assert "fibres: 'many' is not usable" in result.output
    # The input ends: as a process, since the runner of click 8.1 answers on with nothing.
    command = [sys.executable, "-m", "otdravg", "job", "new", str(file)]
    interrupted = subprocess.run(command, input=b"RIDGE-7\n", capture_output=True, check=False)
    assert interrupted.returncode == 2
    assert interrupted.stderr.count(b"\n") <= 2
    assert list(tmp_path.iterdir()) == []


def test_check_names_every_fault_and_the_profile_too(tmp_path: Path) -> None:
    file = tmp_path / "job.toml"
    file.write_text('format = 1\ncabel = "x"\nfibres = 0\nwavelengths = [1550]\n')
    result = run("job", "check", file)
    assert result.exit_code == 2
    for said in ("did you mean cable?", "from 1 to 100000", "cable: '(missing)'"):
        assert said in result.output
    file.write_text('format = 1\ncable = "x"\nfibres = 4\nwavelengths = [1550]\nprofile = "no"\n')
    result = run("job", "check", file)
    assert (result.exit_code, "profile: 'no' is not usable" in result.output) == (2, True)


def test_empty_forms_are_written_once_and_read_beside_the_job(tmp_path: Path) -> None:
    van = tmp_path / "van"
    assert run("job", "forms", van).exit_code == 0
    assert {path.name for path in van.iterdir()} == {own.file for own in LISTS}
    file = van / "job.toml"
    file.write_text('format = 1\ncable = "RIDGE-7"\nfibres = 24\nwavelengths = [1310]\n')
    assert run("job", "check", file).exit_code == 0
    (van / "closures.csv").write_text("name;distance\nMill;4,2km\nMill;far\nLane;1;x\n")
    checked = run("job", "check", file)
    assert checked.exit_code == 2
    assert len(checked.output.splitlines()) == 4
    again = run("cable", "--job", file, van)  # the same, not the first alone
    assert again.exit_code == 2
    assert again.output == checked.output
    assert run("job", "forms", van).exit_code == 2
    assert "Mill" in (van / "closures.csv").read_text()
    assert run("job", "forms", van, "--semicolon", "--force").exit_code == 0
    assert "name;distance;" in (van / "closures.csv").read_text("utf-8-sig")

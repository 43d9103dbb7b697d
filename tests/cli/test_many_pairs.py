"""``otdravg pair`` of a folder, of a pattern, of many files: one answer for each fibre."""

from __future__ import annotations

import csv
import json
import re
import shutil
import zipfile
from pathlib import Path

import jsonschema
import pytest
from run_command import SAMPLES, Run

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "pair.schema.json").read_text(encoding="utf-8")
)
#: Verdicts that the truth of the samples asks for at 0.20 dB; splice 3 of the gainers has 0.26 dB.
ANSWERS = {"004": "leave", "F9": "leave", "017": "cut"}


@pytest.fixture
def shots(tmp_path: Path) -> Path:
    """A folder with the six sample shots and nothing else."""
    folder = tmp_path / "shots"
    folder.mkdir()
    for path in SAMPLES.glob("*.sor"):
        shutil.copy(path, folder)
    return folder


def lines_of(text: str) -> list[str]:
    """Answer lines, what hangs below each joined to it."""
    joined = re.sub(r"\n +", " ", text)
    return [line for line in joined.splitlines() if re.match("LEAVE|CUT|CHECK|SHOOT AGAIN", line)]


@pytest.mark.parametrize("how", ["folder", "pattern", "files", "archive"])
def test_each_fibre_has_its_answer(run: Run, shots: Path, how: str) -> None:
    given: list[object] = [shots]
    if how == "pattern":  # as cmd.exe leaves it
        given = [shots / "*.sor"]
    if how == "files":
        given = [*sorted(shots.glob("*.sor"))]
    if how == "archive":
        with zipfile.ZipFile(shots.parent / "shots.zip", "w") as archive:
            for path in shots.glob("*.sor"):
                archive.write(path, path.name)
        given = [shots.parent / "shots.zip"]
    done = run("pair", *given)
    assert done.returncode == 1  # one fibre is to be cut
    text = done.stdout.decode()
    assert text.startswith("3 pairs: 1 CUT, 2 LEAVE\n")
    lines = lines_of(text)
    assert [line.split()[:3] for line in lines] == [
        ["CUT", "fibre", "17,"],  # what needs something comes first
        ["LEAVE", "fibre", "4,"],
        ["LEAVE", "fibre", "9,"],
    ]
    assert re.search(
        r"5\.6[12]\d km from Otterstone hut, 3\.38\d km from Brackenfold hut", lines[0]
    )
    assert max(map(len, text.splitlines())) <= 80


def test_json_is_one_object_a_line(run: Run, shots: Path) -> None:
    (shots / "alone_F030_1550_A.sor").write_bytes((SAMPLES / "easy_A.sor").read_bytes()[:200])
    done = run("pair", shots, "--json")
    objects = [json.loads(line) for line in done.stdout.decode().splitlines()]
    pairs = [one for one in objects if one["schema"] == "otdravg.pair/2"]
    for one in pairs:
        jsonschema.validate(one, SCHEMA)
    assert {one["shots"]["ab"]["fibre"]: one["verdict"] for one in pairs} == ANSWERS
    (left,) = (one for one in objects if one["schema"] != "otdravg.pair/2")
    assert left["schema"] == "otdravg.left-out/1"
    assert left["use"] == "unreadable"
    assert left["files"] == [str(shots / "alone_F030_1550_A.sor")]


def test_unreadable_and_unpaired_files_are_listed_and_hold_up_the_all_clear(
    run: Run, shots: Path
) -> None:
    for name in ("gainers_A.sor", "gainers_B.sor", "hidden_splice_B.sor"):
        (shots / name).unlink()
    assert run("pair", shots / "easy_A.sor", shots / "easy_B.sor").returncode == 0
    (shots / "broken.sor").write_bytes(b"no trace")
    done = run("pair", "shots")
    assert done.returncode == 1
    text = re.sub(r"\n +", " ", done.stdout.decode())
    assert "1 pair: 1 LEAVE; 2 files not measured" in text
    assert re.search(r"hidden_splice_A\.sor: no partner: the shot from the other end", text)
    assert re.search(r"broken\.sor: unreadable: ", text)


def test_a_clean_folder_is_an_all_clear(run: Run, shots: Path) -> None:
    for name in ("gainers_A.sor", "gainers_B.sor"):
        (shots / name).unlink()
    (shots / "notes.txt").write_text("not a shot, and not in the way")
    done = run("pair", shots)
    assert done.returncode == 0
    assert b"notes.txt" not in done.stdout


def test_nothing_measured_is_status_two(run: Run, tmp_path: Path) -> None:
    for name in ("1.sor", "2.sor", "3.sor"):
        (tmp_path / name).write_bytes(b"no trace")
    done = run("pair", "1.sor", "2.sor", "3.sor", "--csv", "a.csv")
    assert done.returncode == 2
    assert b"3 files not measured" in done.stdout
    assert not (tmp_path / "a.csv").exists()


def test_missing_files_are_named(run: Run) -> None:
    done = run("pair", SAMPLES / "easy_A.sor", SAMPLES / "easy_B.sor", "missing.sor")
    assert done.returncode == 1
    assert b"missing.sor: unreadable: " in done.stdout


def test_shots_of_two_fibres_with_one_name_do_not_stop_the_others(run: Run, shots: Path) -> None:
    shutil.copy(shots / "easy_A.sor", shots / "gainers_A.sor")
    (shots / "easy_A.sor").unlink()
    done = run("pair", shots)
    assert done.returncode == 1
    assert len(lines_of(done.stdout.decode())) == 2


def test_one_table_for_all(run: Run, shots: Path, tmp_path: Path) -> None:
    done = run("pair", shots, "--csv", "all.csv")
    assert done.stderr == b"wrote all.csv\n"
    with open(tmp_path / "all.csv", encoding="utf-8", newline="") as stream:
        fibres = [row["fibre"] for row in csv.DictReader(stream)]
    assert {fibre: fibres.count(fibre) for fibre in ANSWERS} == {"004": 3, "F9": 4, "017": 4}


def test_details_of_each(run: Run, shots: Path) -> None:
    text = run("pair", shots, "--details").stdout.decode()
    assert text.count("Uncertainty budget of 1 at") == 3


@pytest.mark.parametrize("option", [("--swap",), ("--plot", "a.png"), ("--report", "a.pdf")])
def test_what_is_of_one_pair_is_refused_for_many(
    run: Run, shots: Path, tmp_path: Path, option: tuple[str, ...]
) -> None:
    done = run("pair", shots, *option)
    assert done.returncode == 2
    assert b"name its two files" in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["shots"]


def test_a_shot_is_never_written_over(run: Run, shots: Path) -> None:
    before = (shots / "easy_A.sor").read_bytes()
    done = run("pair", shots, "--csv", shots / "easy_A.sor", "--force")
    assert done.returncode == 2
    assert (shots / "easy_A.sor").read_bytes() == before

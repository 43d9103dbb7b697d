"""``otdravg pair`` as installed, on simulated sample traces whose truth is written beside them."""

from __future__ import annotations

import csv
import fcntl
import json
import os
import pty
import re
import shutil
import struct
import subprocess
import termios
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from run_command import SAMPLES, Run, run_in
from running import run_here

Done = subprocess.CompletedProcess[bytes]

SCHEMA = json.loads(
    (Path(__file__).parents[2] / "docs" / "pair.schema.json").read_text(encoding="utf-8")
)


def truth_of(pair: str) -> list[dict[str, str]]:
    with open(SAMPLES / "truth.csv", encoding="utf-8", newline="") as stream:
        return [row for row in csv.DictReader(stream) if row["pair"] == pair]


def as_json(run: Run, *arguments: object) -> dict[str, Any]:
    done = run("pair", *arguments, "--json")
    assert done.stderr == b""
    content: dict[str, Any] = json.loads(done.stdout)
    jsonschema.validate(content, SCHEMA)
    assert content["exit_status"] == done.returncode
    return content


@pytest.mark.parametrize("name", ["easy", "gainers", "hidden_splice"])
def test_samples_give_their_planted_truth(run: Run, name: str) -> None:
    content = as_json(run, SAMPLES / f"{name}_A.sor", SAMPLES / f"{name}_B.sor")
    truth = truth_of(name)
    assert len(content["splices"]) == len(truth)
    for splice, planted in zip(content["splices"], truth, strict=True):
        assert splice["loss_db"] == pytest.approx(float(planted["loss_db"]), abs=0.005)
        assert splice["distance_m"] == pytest.approx(float(planted["distance_m"]), abs=5)
        step_db = float(planted["backscatter_step_db"])
        assert splice["backscatter_step_db"] == pytest.approx(step_db, abs=0.01)
        assert splice["kind"] == planted["kind"]


def test_a_stated_response_is_applied_and_named(run: Run) -> None:
    pair = [SAMPLES / f"gainers_{end}.sor" for end in "AB"]
    stated, learnt = as_json(run, *pair, "--response", "0.3"), as_json(run, *pair)
    for end in ("ab", "ba"):
        assert stated["response"][end]["source"] == "stated"
        assert stated["response"][end]["poles_pulses"] == [0.3]
        assert learnt["response"][end]["source"] != "stated"
    # A pole that these receivers have not, taken out, is another answer.
    assert stated["splices"] != learnt["splices"]


@pytest.mark.parametrize(
    "arguments",
    [["pair", *(SAMPLES / f"gainers_{end}.sor" for end in "AB")], ["pair", "none", "x"], ["-h"]],
    ids=["a pair", "an error", "help"],
)
def test_the_installed_command_is_what_the_other_tests_run(
    command: str, arguments: list[object], tmp_path: Path
) -> None:
    here, installed = run_here(tmp_path, arguments), run_in(tmp_path, command, *arguments)
    assert here.returncode == installed.returncode
    assert here.stdout == installed.stdout
    assert here.stderr == installed.stderr


class TestExitStatus:
    def test_all_within(self, run: Run, hidden: tuple[Path, Path]) -> None:
        done = run("pair", *hidden)
        assert done.returncode == 0
        assert re.match(rb"LEAVE +all 4 splices are within 0\.20 dB", done.stdout)

    def test_something_over(self, gainers_printed: Done) -> None:
        assert gainers_printed.returncode == 1
        # The first line is the order, from both ends by the names in the headers; truth.csv has
        # splice 3 at 5620 m of 9005 m, with 0.26 dB.
        first = " ".join(gainers_printed.stdout.decode().split("\n\n")[0].split())
        assert re.match(
            r"CUT Re-splice 3 at 5\.6[12]\d km from Otterstone hut, "
            r"3\.38\d km from Brackenfold hut: "
            r"0\.26\d dB ± 0\.0\d\d, 0\.06\d dB over the limit\.",
            first,
        )

    def test_default_limit_is_said(self, gainers_printed: Done) -> None:
        assert b"this is a default" in gainers_printed.stdout

    def test_limit_decides(self, run: Run, gainers: tuple[Path, Path]) -> None:
        done = run("pair", *gainers, "--limit", "1310=0.3")
        assert done.returncode == 0
        assert b"default" not in done.stdout

    def test_limit_for_another_wavelength_is_not_used(
        self, run: Run, gainers: tuple[Path, Path]
    ) -> None:
        done = run("pair", *gainers, "--limit", "1550=0.3")
        assert done.returncode == 1
        assert b"this is a default" in done.stdout


class TestOptions:
    def test_a_position_where_nothing_shows(self, run: Run, hidden: tuple[Path, Path]) -> None:
        content = as_json(run, *hidden, "--at", "3km,5200", "--at", "9000m")
        asked = [s for s in content["splices"] if s["kind"] == "asked position"]
        assert [s["distance_m"] for s in asked] == [3000.0, 5200.0, 9000.0]
        for splice in asked:
            assert abs(splice["loss_db"]) <= 3 * splice["u_loss_db"] + 0.001

    def test_swap_turns_the_axis(
        self, run: Run, gainers: tuple[Path, Path], gainers_splices: list[dict[str, Any]]
    ) -> None:
        assert as_json(run, *reversed(gainers), "--swap")["splices"] == gainers_splices
        turned = as_json(run, *reversed(gainers))["splices"]
        assert [s["loss_ab_db"] for s in turned] == pytest.approx(
            [s["loss_ba_db"] for s in gainers_splices][::-1], abs=0.002
        )

    def test_stated_cords_and_index(self, run: Run, hidden: tuple[Path, Path]) -> None:
        content = as_json(
            run, *hidden, "--launch", "1.012km", "--receive", "987", "--index", "1.4682"
        )
        axis = content["axis"]
        assert axis["start_in_ab_m"] == 1012.0
        assert axis["start_in_ba_m"] == 987.0
        assert axis["start_in_ab_by"] == axis["start_in_ba_by"] == "stated-cord"
        assert axis["start_in_ab_basis"] == "as stated, 1012.0 m"
        assert axis["group_index"] == 1.4682
        (index,) = (f for f in content["findings"] if f["code"] == "index-differs")
        assert index["case"] == "chosen"
        # The two files of the sample say so; see sample_traces/README.md.
        assert index["values"] == {
            "from_a_index": 1.4682,
            "from_b_index": 1.4677,
            "used_index": 1.4682,
        }

    def test_guarded_declines_near_the_limit(
        self, run: Run, gainers: tuple[Path, Path], gainers_splices: list[dict[str, Any]]
    ) -> None:
        limit = f"{gainers_splices[2]['loss_db']:.3f}"
        content = as_json(run, *gainers, "--limit", limit, "--guarded")
        assert content["splices"][2]["verdict"] == "too close to call"
        assert content["limits"]["rule"] == "guarded"

    def test_trace_that_is_not_there(self, run: Run, gainers: tuple[Path, Path]) -> None:
        done = run("pair", *gainers, "--trace", 2)
        assert done.returncode == 2
        assert b"holds 1" in done.stderr


class TestOutputs:
    def test_plot_and_csv(
        self,
        run: Run,
        gainers: tuple[Path, Path],
        gainers_splices: list[dict[str, Any]],
        tmp_path: Path,
    ) -> None:
        done = run("pair", *gainers, "--plot", "a.svg", "--csv", "a.csv")
        assert done.returncode == 1
        assert done.stdout.endswith(b"\nwrote a.svg\nwrote a.csv\n")
        assert (tmp_path / "a.svg").stat().st_size > 10_000
        with open(tmp_path / "a.csv", encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        assert [float(r["loss_db"]) for r in rows] == [s["loss_db"] for s in gainers_splices]
        assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "a.svg"]

    def test_existing_file_is_kept(
        self, run: Run, gainers: tuple[Path, Path], tmp_path: Path
    ) -> None:
        target = tmp_path / "mine.csv"
        target.write_bytes(b"mine")
        done = run("pair", *gainers, "--csv", target)
        assert done.returncode == 2
        assert done.stdout == b""  # refused before the work
        assert target.read_bytes() == b"mine"
        assert run("pair", *gainers, "--csv", target, "--force").returncode == 1
        assert target.read_bytes() != b"mine"

    def test_one_bad_target_leaves_the_other_unwritten(
        self, run: Run, gainers: tuple[Path, Path], tmp_path: Path
    ) -> None:
        done = run("pair", *gainers, "--csv", "good.csv", "--plot", "missing/bad.png")
        assert done.returncode == 2
        assert list(tmp_path.iterdir()) == []

    def test_a_trace_is_never_written_over(
        self, run: Run, gainers: tuple[Path, Path], tmp_path: Path
    ) -> None:
        copy = tmp_path / "a.sor"
        shutil.copy(gainers[0], copy)
        done = run("pair", copy, gainers[1], "--csv", copy, "--force")
        assert done.returncode == 2
        assert copy.read_bytes() == gainers[0].read_bytes()

    def test_json_is_alone_on_stdout(self, run: Run, gainers: tuple[Path, Path]) -> None:
        done = run("pair", *gainers, "--json", "--csv", "a.csv")
        json.loads(done.stdout)
        assert done.stderr == b"wrote a.csv\n"


class TestTerminals:
    @pytest.mark.parametrize(
        "environment",
        [
            {"PYTHONIOENCODING": "ascii"},
            {"PYTHONIOENCODING": "", "LC_ALL": "C"},
            {"PYTHONIOENCODING": "", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"},
        ],
    )
    def test_poor_locales(
        self, run: Run, gainers: tuple[Path, Path], environment: dict[str, str]
    ) -> None:
        done = run("pair", *gainers, **environment)
        assert done.returncode == 1
        assert done.stderr == b""
        text = done.stdout.decode("utf-8")
        assert "over limit" in text
        assert ("A->B" in text) == text.isascii()
        assert max(map(len, text.splitlines())) <= 80

    def test_no_colour_in_a_pipe(self, gainers_printed: Done) -> None:
        assert b"\x1b" not in gainers_printed.stdout

    @pytest.mark.parametrize(("no_color", "tinted"), [("", True), ("1", False)])
    def test_colour_on_a_terminal_unless_refused(
        self, command: str, gainers: tuple[Path, Path], no_color: str, tinted: bool
    ) -> None:
        # no-color.org: NO_COLOR counts when present and not an empty string.
        ours, theirs = pty.openpty()
        environment = {**os.environ, "NO_COLOR": no_color, "TERM": "xterm"}
        with subprocess.Popen(
            [command, "pair", *map(str, gainers)], stdout=theirs, env=environment
        ) as process:
            os.close(theirs)
            shown = b""
            while piece := _read_all_of(ours):
                shown += piece
        os.close(ours)
        assert process.returncode == 1
        assert (b"\x1b[" in shown) is tinted
        assert (b"\x1b[1;31mCUT" in shown) is tinted
        assert b"over limit" in re.sub(rb"\x1b\[[0-9;]*m", b"", shown)

    @pytest.mark.parametrize(("columns", "most"), [(60, 80), (80, 80), (100, 100), (200, 120)])
    def test_a_wider_terminal_is_used(
        self, command: str, gainers: tuple[Path, Path], columns: int, most: int
    ) -> None:
        ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
        with subprocess.Popen(
            [command, "pair", *map(str, gainers)],
            stdout=theirs,
            env={**environment, "NO_COLOR": "1", "TERM": "xterm"},
        ) as process:
            os.close(theirs)
            shown = b""
            while piece := _read_all_of(ours):
                shown += piece
        os.close(ours)
        assert process.returncode == 1
        widths = [len(line) for line in shown.decode().splitlines()]
        assert max(widths) == most  # the rule of the table goes across

    def test_a_reader_that_leaves_is_no_drama(
        self, command: str, gainers: tuple[Path, Path]
    ) -> None:
        reading_end, writing_end = os.pipe()
        os.close(reading_end)
        with subprocess.Popen(
            [command, "pair", *map(str, gainers)], stdout=writing_end, stderr=subprocess.PIPE
        ) as process:
            os.close(writing_end)
            assert process.stderr is not None
            complaint = process.stderr.read()
        assert complaint == b""
        assert process.returncode == 2


def _read_all_of(descriptor: int) -> bytes:
    """Read from a terminal; Linux says EIO where others say end of file."""
    try:
        return os.read(descriptor, 65536)
    except OSError:
        return b""

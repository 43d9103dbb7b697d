"""``otdravg show`` and ``otdravg demo`` as installed."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shlex
from pathlib import Path

import pytest
from run_command import Run

from otdravg import __version__


class TestShow:
    def test_settings_and_hash(self, run: Run, gainers: tuple[Path, Path]) -> None:
        done = run("show", gainers[0])
        assert done.returncode == 0
        text = done.stdout.decode("utf-8")
        assert hashlib.sha256(gainers[0].read_bytes()).hexdigest() in text
        assert "100 ns" in text
        assert "1.46820" in text
        assert "1310 nm" in text
        assert max(map(len, text.splitlines())) <= 80

    def test_no_event_table_is_said(self, run: Run, gainers: tuple[Path, Path]) -> None:
        assert b"no event table" in run("show", gainers[1]).stdout

    def test_one_bad_file_does_not_stop_the_others(
        self, run: Run, gainers: tuple[Path, Path], tmp_path: Path
    ) -> None:
        bad = tmp_path / "bad.sor"
        bad.write_bytes(b"no trace")
        done = run("show", gainers[0], bad, gainers[1])
        assert done.returncode == 2
        assert done.stderr.count(b"\n") == 1
        assert str(bad).encode() in done.stderr
        assert done.stdout.count(b"SHA-256") == 2

    def test_json(self, run: Run, gainers: tuple[Path, Path]) -> None:
        done = run("show", *gainers, "missing.sor", "--json")
        assert done.returncode == 2
        content = json.loads(done.stdout)
        assert content["schema"] == "otdravg.show/1"
        assert [shot["file"] for shot in content["shots"]] == [str(path) for path in gainers]
        assert content["shots"][0]["settings"]["pulse_ns"] == 100.0
        assert len(content["shots"][0]["event_table"]) > 0
        assert content["shots"][1]["event_table"] == []
        assert content["unreadable"][0]["file"] == "missing.sor"

    def test_plot(self, run: Run, gainers: tuple[Path, Path], tmp_path: Path) -> None:
        assert run("show", gainers[0], "--plot", "a.png").returncode == 0
        assert (tmp_path / "a.png").stat().st_size > 10_000
        done = run("show", *gainers, "--plot", "b.png")
        assert done.returncode == 2
        assert b"one trace" in done.stderr
        assert not (tmp_path / "b.png").exists()


class TestDemo:
    def test_its_commands_run_and_give_its_truth(self, run: Run, tmp_path: Path) -> None:
        done = run("demo", "run here", "--fibres", 2, "--wavelengths", "1310,1550")
        assert done.returncode == 0
        text = done.stdout.decode("utf-8")
        assert "imulated" in text
        suggested = re.findall(r"^  otdravg (.+)$", text, re.MULTILINE)
        assert len(suggested) >= 3
        for line in suggested:
            tried = run(*shlex.split(line))
            assert tried.returncode in (0, 1), tried.stderr
            assert tried.stderr in (b"", b"wrote picture.png\n")
        assert (tmp_path / "picture.png").exists()

        content = json.loads(run(*shlex.split(suggested[0]), "--json").stdout)
        nm = content["shots"]["ab"]["nominal_wavelength_nm"]
        with open(tmp_path / "run here" / "truth.csv", encoding="utf-8", newline="") as stream:
            planted = [
                float(row["loss_db"])
                for row in csv.DictReader(stream)
                if (row["fibre"], row["wavelength_nm"]) == ("1", str(nm))
            ]
        measured = [splice["loss_db"] for splice in content["splices"]]
        assert measured == pytest.approx(planted, abs=0.01)

    def test_never_into_a_full_folder(self, run: Run, tmp_path: Path) -> None:
        (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
        done = run("demo", tmp_path, "--fibres", 1)
        assert done.returncode == 2
        assert done.stderr.count(b"\n") == 1
        assert run("demo", tmp_path, "--fibres", 1, "--force").returncode == 0
        assert (tmp_path / "mine.txt").read_text(encoding="utf-8") == "mine"

    def test_same_number_same_bytes(self, run: Run, tmp_path: Path) -> None:
        for name, seed in (("a", 5), ("b", 5)):
            assert run("demo", name, "--fibres", 1, "--seed", seed).returncode == 0
        first, second = (
            [path.read_bytes() for path in sorted((tmp_path / name).iterdir())] for name in "ab"
        )
        assert first == second

    def test_nonsense_is_refused(self, run: Run, tmp_path: Path) -> None:
        done = run("demo", "x", "--wavelengths", "1400")
        assert done.returncode == 2
        assert done.stderr.count(b"\n") == 1
        assert not (tmp_path / "x").exists()


def test_version(run: Run) -> None:
    done = run("--version")
    assert done.returncode == 0
    assert __version__.encode() in done.stdout


@pytest.mark.parametrize("words", [[], ["pair"]])
def test_help(run: Run, words: list[str]) -> None:
    done = run(*words, "--help")
    assert done.returncode == 0
    assert done.stdout.startswith(b"Usage: otdravg")

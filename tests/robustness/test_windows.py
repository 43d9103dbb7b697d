"""What a laptop with Windows does otherwise, simulated here: no test runs on Windows itself.

What is only simulated, and what is not even that, is listed in ``docs/limits.md``.
"""

from __future__ import annotations

import builtins
import ntpath
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import click
import pytest
from running import run_here
from small_run import content_of, run

from otdravg.cli import main, terminal
from otdravg.system import ordinary, workers
from otdravg.system.ordinary import extended, openable

SAMPLES = Path(__file__).parents[2] / "sample_traces"


class TestWorkers:
    """Windows has no fork: a worker starts a new interpreter that loads everything anew."""

    SCRIPT = """
import multiprocessing, sys
from otdravg.__main__ import start

if __name__ == "__main__":
    multiprocessing.set_start_method("spawn")
    start()
"""

    def test_that_are_spawned_give_the_same_bytes(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        script = tmp_path / "spawning.py"
        script.write_text(self.SCRIPT, encoding="utf-8")
        arguments = ["cable", str(SAMPLES), "--out", str(tmp_path / "spawned"), "--workers", "2"]
        done = subprocess.run(
            [sys.executable, str(script), *arguments], capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stderr.count("Traceback")) == (1, 0), done.stderr
        assert run("cable", SAMPLES, "--out", tmp_path / "here", "--workers", 1)[0] == 1
        assert content_of(tmp_path / "spawned") == content_of(tmp_path / "here")

    def test_more_than_the_machine_has_room_for_are_not_started_and_it_says_so(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(os, "cpu_count", lambda: 1)
        monkeypatch.setattr(workers, "MEMORY_INFO", tmp_path / "none")
        monkeypatch.setattr(workers, "MEMORY_LIMIT", tmp_path / "none")
        status, said = run("cable", SAMPLES, "--list", "--workers", 100)
        assert status == 0
        assert said == ("otdravg: 1 worker process, not 100: this machine has processors for 1\n")

    def test_memory_that_runs_out_is_one_line(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def measure(*_: object, **__: object) -> None:
            raise MemoryError

        monkeypatch.setattr("otdravg.cli.pair.measure", measure)
        status, said = run("pair", SAMPLES / "easy_A.sor", SAMPLES / "easy_B.sor")
        assert status == 2
        assert said.startswith("otdravg: memory ran out before the job was done; ")
        assert said.count("\n") == 1


class TestPatterns:
    """cmd.exe hands ``*.sor`` on as it stands."""

    def test_stand_for_the_files_that_are_there(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        monkeypatch.chdir(SAMPLES)
        for arguments in (["show", "*_A.sor"], ["pair", "easy_?.sor"], ["cable", "..", "--list"]):
            with pytest.raises(SystemExit) as end:
                main(arguments)
            assert end.value.code == 0, arguments
        shown = capsys.readouterr().out
        assert all(f"{name}_A.sor\n" in shown for name in ("easy", "gainers", "hidden_splice"))

    def test_a_file_of_that_very_name_comes_first(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "shot[1].sor").write_bytes((SAMPLES / "easy_A.sor").read_bytes())
        (tmp_path / "shot1.sor").write_bytes((SAMPLES / "easy_B.sor").read_bytes())
        monkeypatch.chdir(tmp_path)
        assert run("show", "shot[1].sor", "--json")[0] == 0

    def test_one_that_fits_nothing_is_named_as_it_was_typed(self, tmp_path: Path) -> None:
        status, said = run("show", tmp_path / "*.sor")
        assert status == 2
        assert said.startswith(f"otdravg: {tmp_path / '*.sor'}: file: cannot be read")

    def test_nothing_else_is_expanded(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Left to itself click expands every word there, a reviewer's reason among them."""
        seen: dict[str, Any] = {}
        monkeypatch.setattr(click.Group, "main", lambda self, **how: seen.update(how))
        with pytest.raises(SystemExit):
            main(args=["--version"])
        assert seen["windows_expand_args"] is False

    def test_a_pair_is_two_files(self) -> None:
        status, said = run("pair", SAMPLES / "easy_A.sor")
        assert status == 2
        assert "a pair is two files, A.sor and B.sor, not 1" in said

    def test_a_pattern_of_many_files_is_many_pairs(self) -> None:
        assert run("pair", SAMPLES / "*.sor") == (1, "")


class TestConsole:
    """A console that is redirected has the system's own 8-bit encoding, which lacks arrows."""

    @pytest.mark.parametrize("encoding", ["cp1252", "cp437"])
    @pytest.mark.parametrize(
        "arguments",
        [
            ["pair", "gainers_A.sor", "gainers_B.sor", "--details"],
            ["show", "easy_A.sor"],
            ["plan", "--length", "24km", "--splices-every", "2km"],
            ["cable", ".", "--list"],
            ["profile", "show", "every-rule"],
            ["pair", "--help"],
        ],
        ids=" ".join,
    )
    def test_gets_letters_that_it_has(self, arguments: list[str], encoding: str) -> None:
        there = run_here(SAMPLES, arguments, encoding=encoding)
        here = run_here(SAMPLES, arguments)
        assert (there.returncode, there.stderr) == (here.returncode, b"")
        assert there.stdout.decode(encoding).count("?") == here.stdout.decode("utf-8").count("?")

    @pytest.mark.parametrize(
        ("surroundings", "colour"),
        [({}, False), ({"WT_SESSION": "1"}, True), ({"TERM": "x"}, True)],
    )
    def test_of_the_old_kind_gets_no_colour(
        self, surroundings: dict[str, str], colour: bool, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        stream: Any = SimpleNamespace(isatty=lambda: True)
        monkeypatch.setattr(terminal, "os", SimpleNamespace(name="nt", environ=surroundings))
        assert terminal.shows_colour(stream) is colour


class TestOpenElsewhere:
    """What a spreadsheet has open can be neither opened for writing nor replaced."""

    @pytest.fixture
    def result(self, tmp_path: Path) -> Path:
        folder = tmp_path / "result"
        assert run("cable", SAMPLES, "--out", folder, "--workers", 1, "--only", "xlsx")[0] == 1
        return folder

    def test_a_workbook_is_named_before_the_work_begins(
        self, result: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = content_of(result)
        plain = builtins.open

        def refusing(file: Any, mode: str = "r", *more: Any, **how: Any) -> Any:
            if str(file).endswith(".xlsx") and "+" in mode:
                raise PermissionError(13, "Permission denied", str(file))
            return plain(file, mode, *more, **how)

        monkeypatch.setattr(builtins, "open", refusing)
        status, said = run("cable", SAMPLES, "--out", result, "--workers", 1, "--force")
        assert status == 2
        assert said == (
            f"otdravg: {result / 'closeout.xlsx'}: is open in another program; "
            "close it there, as in the spreadsheet\n"
        )
        assert content_of(result) == before

    def test_one_opened_meanwhile_leaves_the_earlier_result(
        self, result: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        before = content_of(result)
        plain = os.rename

        def refusing(source: Any, target: Any) -> None:
            if Path(source) == result:
                raise PermissionError(13, "Permission denied", str(source))
            plain(source, target)

        monkeypatch.setattr(os, "rename", refusing)
        status, said = run("cable", SAMPLES, "--out", result, "--workers", 1, "--force")
        assert (status, said.count("\n")) == (2, 1)
        assert said.endswith(
            "close it where it is open, as in a spreadsheet, or check the rights\n"
        )
        assert content_of(result) == before
        assert [path.name for path in result.parent.iterdir()] == ["result"]

    def test_a_table_is_left_as_it_was(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        table = tmp_path / "012.csv"
        table.write_text("earlier")

        def refusing(source: Any, target: Any) -> None:
            raise PermissionError(13, "Permission denied", str(target))

        monkeypatch.setattr(os, "replace", refusing)
        status, said = run(
            "pair", SAMPLES / "easy_A.sor", SAMPLES / "easy_B.sor", "--csv", table, "--force"
        )
        assert status == 2
        assert said == (
            f"otdravg: {table}: could not be written (Permission denied); "
            "close it where it is open, as in a spreadsheet, or check the rights\n"
        )
        assert table.read_text() == "earlier"
        assert list(tmp_path.iterdir()) == [table]


class TestLongPaths:
    """From 260 letters on Windows opens a path only with a prefix ("Maximum Path Length
    Limitation" in the documentation of its file functions), for a share with another one."""

    @pytest.mark.parametrize(
        ("path", "opened"),
        [
            ("C:\\shots\\012.sor", "\\\\?\\C:\\shots\\012.sor"),
            ("\\\\server\\share\\012.sor", "\\\\?\\UNC\\server\\share\\012.sor"),
            ("\\\\?\\C:\\012.sor", "\\\\?\\C:\\012.sor"),
        ],
    )
    def test_prefix(self, path: str, opened: str) -> None:
        assert extended(path) == opened

    def test_only_what_is_too_long_gets_it(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(ordinary, "os", SimpleNamespace(name="nt", path=ntpath))
        short, share = "C:\\shots\\012.sor", f"\\\\server\\share\\{'x' * 250}.sor"
        assert openable(short) == short
        assert openable(short, below=240) == f"\\\\?\\{short}"
        assert openable(f"C:/shots/{'x' * 250}.sor") == f"\\\\?\\C:\\shots\\{'x' * 250}.sor"
        assert openable(share) == f"\\\\?\\UNC{share[1:]}"

    def test_other_systems_take_paths_as_they_are(self) -> None:
        assert openable("x" * 300) == "x" * 300

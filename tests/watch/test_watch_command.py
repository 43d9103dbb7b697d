"""`otdravg watch` from the command line."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result
from construction import WAVELENGTHS, Site5

from otdravg.cli import main
from otdravg.watch.waking import waiting

JOB = ("--fibres", "12", "--closures", "5", "--wavelengths", "1310,1550")


@pytest.fixture
def run(site: Site5, tmp_path: Path) -> Callable[..., Result]:
    for end in "AB":
        for fibre in range(1, 13):
            for nm in WAVELENGTHS:
                site.shoot(fibre, nm, end)

    def called(*options: str) -> Result:
        state = ("--state", str(tmp_path / "said.json"), "--settle", "0", "--workers", "1")
        return CliRunner().invoke(main, ["watch", str(site.folder), *JOB, *state, *options])

    return called


def test_once_says_how_the_job_stands(run: Callable[..., Result]) -> None:
    done = run("--once", "--bell")
    assert done.exit_code == 1
    lines = done.output.splitlines()
    assert "- closures 1, 2, 4, 5, ribbon 1: 12 proved from both ends" in lines
    cut = next(n for n, line in enumerate(lines) if line.startswith("RE-SPLICE   closure 3"))
    warning = next(n for n, line in enumerate(lines) if line.startswith("Before anybody cuts"))
    assert warning < cut
    assert "\a" in done.output
    again = run("--once", "--bell")
    assert again.output == done.output.replace("\a", "")


def test_the_job_says_what_the_cable_is(site: Site5, tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(
        "format = 1\ncable = 'SIMQB1'\nfibres = 12\nwavelengths = [1310, 1550]\n"
        f"shots = [{json.dumps(str(site.folder))}]\n",
        encoding="utf-8",
    )
    for fibre in range(1, 12):
        for nm in WAVELENGTHS:
            site.shoot(fibre, nm, "A")
    state = ("--state", str(tmp_path / "said.json"), "--settle", "0", "--workers", "1", "--once")
    by_job = CliRunner().invoke(main, ["watch", "--job", str(job), "--closures", "5", *state])
    by_options = CliRunner().invoke(main, ["watch", str(site.folder), *JOB, *state])
    assert by_job.exit_code == by_options.exit_code == 1
    assert by_job.output == by_options.output
    assert "A end 11 of 12 fibres; B end 0 of 12 fibres" in by_job.output
    for option, value in (("--fibres", "24"), ("--wavelengths", "1550")):
        refused = CliRunner().invoke(main, ["watch", "--job", str(job), option, value, *state])
        assert (refused.exit_code, "the job says" in refused.output) == (2, True)


def test_json_lines(run: Callable[..., Result]) -> None:
    done = run("--once", "--json")
    events = [json.loads(line) for line in done.output.splitlines()]
    kinds = [event["event"] for event in events]
    assert kinds.count("ribbon") == 5
    assert kinds.count("may-be-shut") == 4
    (cut,) = [event for event in events if event["event"] == "re-splice"]
    assert (cut["closure"], cut["ribbon"], cut["fibres"]) == (3, 1, [5])
    assert cut["new"] is True
    assert "prove the fibre dark" in cut["caution"]
    assert events[-1] == {"event": "looked", "settling": 0, "trouble": "", "proved": False}


def test_summary_is_text_to_send_and_notes_nothing(
    run: Callable[..., Result], tmp_path: Path
) -> None:
    done = run("--summary")
    assert "4 of 5 closures proved whole." in done.output
    assert "5 slate 0.31 dB, re-splice; keep it open" in " ".join(done.output.split())
    assert "prove the fibre dark" in " ".join(done.output.split())
    assert not (tmp_path / "said.json").exists()


def test_what_is_proved_ends_with_0(run: Callable[..., Result], site: Site5) -> None:
    site.losses_db[3, 5] = 0.05
    for end in "AB":
        for fibre in range(1, 13):
            for nm in WAVELENGTHS:
                site.shoot(fibre, nm, end)
    assert run("--once").exit_code == 0


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--closures", "0"), "one closure or more"),
        (("--closures", "no.csv"), "no.csv"),
        (("--wavelengths", "red"), "write wavelengths in nm"),
        (("--poll", "0"), "not in the range"),
    ],
)
def test_a_wrong_option_is_one_line(
    run: Callable[..., Result], options: tuple[str, ...], says: str
) -> None:
    done = run("--once", *options)
    assert done.exit_code == 2
    assert says in done.output
    assert len(done.output.strip().splitlines()) == 1


def test_the_state_never_lies_in_the_folder(site: Site5) -> None:
    state = str(site.folder / "said.json")
    done = CliRunner().invoke(main, ["watch", str(site.folder), "--once", "--state", state])
    assert done.exit_code == 2
    assert "lies in the folder that is watched" in done.output


def test_a_job_states_it_all(run: Callable[..., Result], site: Site5, tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    distances = (703, 1325, 2138, 2800, 3542)
    rows = [f'[[closures]]\nname = "K{n}"\ndistance = {m}' for n, m in enumerate(distances, 1)]
    job.write_text(
        "format = 1\ncable = 'SIMQB1'\nfibres = 12\nwavelengths = [1310, 1550]\n" + "\n".join(rows)
    )
    state = ("--state", str(tmp_path / "other.json"), "--settle", "0", "--workers", "1", "--once")
    watch = ["watch", str(site.folder), "--job", str(job), *state]
    done = CliRunner().invoke(main, watch)
    assert done.exit_code == 1, done.output
    assert done.output.count("SHUT  ") == 4
    assert "K3, " in done.output
    refused = CliRunner().invoke(main, [*watch, "--fibres", "24"])
    assert refused.exit_code == 2
    assert "the job says 12" in refused.output


def test_an_empty_folder_is_no_error_and_not_proved(tmp_path: Path) -> None:
    folder = tmp_path / "shots"
    folder.mkdir()
    state = ("--state", str(tmp_path / "said.json"))
    done = CliRunner().invoke(main, ["watch", str(folder), "--once", "--settle", "0", *state])
    assert done.exit_code == 1
    assert done.output == "no shot is complete yet\n"


def test_a_folder_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["watch", str(tmp_path / "none"), "--once"])
    assert done.exit_code == 2
    assert "name a folder" in done.output


class TestWaking:
    """The system may end a wait early; what happened is found by looking all the same."""

    def test_a_wait_is_no_longer_than_what_is_due(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        asked: list[float] = []
        monkeypatch.setattr(threading.Event, "wait", lambda self, s: asked.append(s))
        with waiting([tmp_path], poll_s=7.0) as wait:
            for due_s in (None, 0.5, 30.0):
                wait(due_s)
        assert asked == [7.0, 0.5, 7.0]

    def test_without_the_library_it_looks_by_the_clock(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setitem(sys.modules, "watchdog.events", None)
        asked: list[float] = []
        monkeypatch.setattr(threading.Event, "wait", lambda self, s: asked.append(s))
        with waiting([tmp_path], None) as wait:
            wait(None)
        assert asked == [1.0]

    def test_a_change_ends_the_wait(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The library is stood in for: what it calls sets the event that is waited for."""
        told: list[Any] = []
        done: list[str] = []
        observer = SimpleNamespace(
            schedule=lambda handler, folder, recursive: told.append((handler, folder, recursive)),
            start=lambda: done.append("start"),
            stop=lambda: done.append("stop"),
            join=lambda: done.append("join"),
        )
        events = SimpleNamespace(FileSystemEventHandler=SimpleNamespace)
        observers = SimpleNamespace(Observer=lambda: observer)
        monkeypatch.setitem(sys.modules, "watchdog.events", events)
        monkeypatch.setitem(sys.modules, "watchdog.observers", observers)
        seen: list[tuple[bool, float]] = []
        monkeypatch.setattr(
            threading.Event, "wait", lambda self, s: seen.append((self.is_set(), s))
        )
        with waiting([tmp_path], None) as wait:
            ((handler, folder, recursive),) = told
            assert (folder, recursive) == (str(tmp_path), True)
            wait(None)
            handler.on_any_event(None)
            wait(None)
            wait(None)
        assert seen == [(False, 10.0), (True, 10.0), (False, 10.0)]
        assert done == ["start", "stop", "join"]

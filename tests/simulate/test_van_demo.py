"""The demo's crew: every list with typing errors, each named; mended, they fit the shots."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from otdravg.cable import CableReview, review
from otdravg.cli import main
from otdravg.job import load
from otdravg.job.lists import LISTS
from otdravg.simulate.demo import write_demo
from otdravg.simulate.van import _MISTAKES


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    wavelengths = (1310, 1550)
    write_demo(folder / "run", fibres=24, wavelengths=wavelengths, van=folder / "van", spacing_m=2)
    return folder


@pytest.fixture(scope="module")
def mended(demo: Path) -> CableReview:
    job = load(demo / "van" / "mended" / "job.toml")
    return review(job.folders, job.rules(), job.options())


def test_every_typing_error_is_named_with_its_place_and_none_besides(demo: Path) -> None:
    checked = run("job", "check", demo / "van" / "as-typed" / "job.toml")
    assert checked.exit_code == 2
    said = re.findall(r"([a-z-]+)\.csv line (\d+), column (\w+): '(.*?)'", checked.stderr)
    made = [
        (name, str(line + 1), column, text)
        for name, own in _MISTAKES.items()
        for line, column, text in own
    ]
    assert len(made) == 11
    assert sorted(said) == sorted(made)
    assert len(checked.stderr.splitlines()) == len(made)


def test_mended_it_is_a_job_with_every_list(demo: Path) -> None:
    job = load(demo / "van" / "mended" / "job.toml")
    every = {own.name for own in LISTS} - {"loops"}  # which a cable shot from both ends has none of
    assert {own.name for own in LISTS if getattr(job, own.name)} == every
    assert run("job", "check", demo / "van" / "mended" / "job.toml").exit_code == 0


def test_the_lists_fit_the_shots(mended: CableReview) -> None:
    told = {f.code for f in mended.findings}
    assert {f.code for f in mended.findings if f.is_open} == {"bend-suspected"}  # is in the glass
    assert {"numbering-as-planned", "power-beside-traces"} <= told
    over = [(r.closure, r.fibre) for r in mended.rows if "over" in r.verdict.verdict.value]
    assert {("J2 Otterstone", 3), ("J4 Hobb's Gate", 9)} <= set(over)  # as they were planted
    assert mended.log.splices


def test_power_readings_are_counted_at_a_as_the_shots_are(mended: CableReview) -> None:
    arrives = {one.fibre: one.arrives for one in mended.expected.power}
    assert arrives == {n: n for n in range(1, 25)}


def test_the_van_stands_apart_from_the_shots(tmp_path: Path) -> None:
    refused = run("demo", tmp_path / "run", "--job", tmp_path / "run" / "van")
    assert refused.exit_code == 2
    assert not (tmp_path / "run").exists()

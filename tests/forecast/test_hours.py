"""Hours of a job by hand, and the pace of a crew by the times of its files."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from key_cables import plain

from otdravg.cable import list_shots, read_folders
from otdravg.cable.lists.pace import paces
from otdravg.cable.model import ShotRecord, ShotUse
from otdravg.cli import main
from otdravg.forecast.hours import Hours


def test_hours_as_counted_by_hand() -> None:
    # 288 fibres at two wavelengths: 576 shots of 30 + 20 s are 8 h, of one wavelength 4 h.
    hours = Hours(288, (1310, 1550), 20.0)
    assert hours.shots == 576
    assert hours.of_an_end(30.0) == pytest.approx(8.0)
    assert hours.of_one(30.0) == pytest.approx(4.0)
    assert hours.most_averaging_s == pytest.approx(30.0)
    assert hours.fitting((10.0, 30.0, 60.0)) == 30.0
    again = replace(hours, share_again=0.25)  # 720 shots in 8 h: 40 s each
    assert again.most_averaging_s == pytest.approx(20.0)
    assert again.of_an_end(30.0) == pytest.approx(10.0)
    assert replace(hours, fibres=2000).fitting((10.0,)) is None


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> tuple[ShotRecord, ...]:
    folder = tmp_path_factory.mktemp("shots")
    plain(folder)
    return list_shots(read_folders([folder]))[0]


def at(record: ShotRecord, seconds: float, use: ShotUse = ShotUse.USED) -> ShotRecord:
    assert record.identity is not None
    taken = datetime(2024, 5, 14, 8) + timedelta(seconds=seconds)
    return replace(record, use=use, identity=replace(record.identity, taken=taken, serial="7"))


def test_the_pace_of_a_crew(records: tuple[ShotRecord, ...]) -> None:
    # 30 s of averaging each: shots every 50 s, a break of two hours, then every 50 s again.
    times = [0, 50, 100, 150, 7400, 7450, 7500, 7550]
    own = [at(record, time) for record, time in zip(records, times, strict=True)]
    own[3] = at(records[3], 150, ShotUse.EARLIER)
    (pace,) = paces([*own, at(records[0], 0, ShotUse.REPEAT)])
    assert (pace.shots, pace.again, pace.gaps) == (8, 1, 6)
    assert pace.per_hour == pytest.approx(72)
    assert pace.between_s == pytest.approx(20)
    assert pace.share_again == pytest.approx(1 / 8)


def test_times_that_tell_nothing(records: tuple[ShotRecord, ...]) -> None:
    (pace,) = paces([at(record, 0) for record in records])
    assert (pace.gaps, pace.per_hour, pace.between_s) == (0, None, None)


def test_a_job_as_the_command_says_it(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(
        'format = 1\ncable = "X"\nfibres = 288\nwavelengths = [1310, 1550]\n'
        'launch = "1km"\nclosures = [{name = "1", distance = "4km"}]\n'
        'route = [{place = "A", kind = "end", mark_out = 0}, '
        '{place = "1", kind = "closure", mark_in = 3940, mark_out = 1000}, '
        '{place = "B", kind = "end", mark_in = 3000}]\n',
        encoding="utf-8",
    )

    def run(*arguments: object) -> tuple[int, str]:
        result = CliRunner().invoke(main, [str(one) for one in arguments])
        return result.exit_code, " ".join(result.output.split())

    status, said = run("plan", "--job", tmp_path / "job.toml")
    assert status == 0, said
    assert "launch fibre 1000.0 m" in said
    assert "288 fibres at 1310 and 1550 nm: 576 shots from each end" in said
    assert "20 s from shot to shot (common practice, no source)" in said
    assert "A shift of 8 h has room for one end with up to 30 s; of the times above 30 s" in said
    assert "plan for 6.03" in said  # 2 km of sheath behind the closure at 4 km
    assert run("plan", "--job", tmp_path / "job.toml", "--shift", 3)[1].count("no averaging") == 1
    status, said = run("plan", "--length", "9km", "--splices-every", "2km", "--shift", 3)
    assert (status, "needs a --job" in said) == (2, True)
    status, said = run("plan", "--splices-every", "2km")
    assert (status, "no length" in said) == (2, True)

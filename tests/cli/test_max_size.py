"""Files larger than usual: refused by every command with the way out, read with --max-size."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from run_command import SAMPLES, Run

from otdravg import sor

COUNT = 300  # blocks, over the usual 256


@pytest.fixture
def large(tmp_path: Path) -> list[str]:
    """A simulated pair in whose files hundreds of blocks of their maker's lie."""
    names = []
    for end in ("A", "B"):
        file = sor.read(SAMPLES / f"gainers_{end}.sor")
        new = sor.build(
            revision=file.revision,
            general=file.general,
            supplier=file.supplier,
            fixed=file.fixed,
            points=np.asarray(file.waveforms[0].raw),
            scale_1000=file.data.runs[0].scale_1000,
            extra_blocks=[sor.Block.of("Own", b"", file.revision)] * COUNT,
        )
        sor.write(new, tmp_path / f"large_F001_1550_{end}.sor")
        names.append(f"large_F001_1550_{end}.sor")
    return names


def test_show_and_pair_refuse_and_name_the_option(run: Run, large: list[str]) -> None:
    for arguments in (["show", large[0]], ["pair", *large]):
        refused = run(*arguments)
        assert refused.returncode == 2
        assert refused.stderr.decode().count("\n") == 1
        assert "at most 256 blocks, found 305; " in refused.stderr.decode()
        assert "allow larger ones with --max-size 2" in refused.stderr.decode()
        assert run(*arguments, "--max-size", 2).returncode in (0, 1)


def test_plan_after_a_large_shot(run: Run, large: list[str]) -> None:
    arguments = ["plan", "--length", "5km", "--splices-every", "1km", "--like", large[0]]
    assert run(*arguments).returncode == 2
    assert run(*arguments, "--max-size", 2).returncode in (0, 1)


def test_cable_counts_it_as_unreadable_and_measures_it_with_room(
    run: Run, large: list[str], tmp_path: Path
) -> None:
    (tmp_path / "shots").mkdir()
    for name in large:
        (tmp_path / name).rename(tmp_path / "shots" / name)
    run("cable", "shots", "--out", "usual", "--workers", 1)
    assert "with --max-size 2" in (tmp_path / "usual" / "shots.csv").read_text(encoding="utf-8-sig")
    assert len((tmp_path / "usual" / "splices.csv").read_text().splitlines()) == 1
    run("cable", "shots", "--out", "larger", "--workers", 1, "--max-size", 2)
    assert "--max-size" not in (tmp_path / "larger" / "shots.csv").read_text(encoding="utf-8-sig")
    assert len((tmp_path / "larger" / "splices.csv").read_text().splitlines()) > 1


@pytest.mark.parametrize("size", ["0", "-1", "257", "1.5", "x"])
def test_a_size_that_is_none(run: Run, size: str) -> None:
    refused = run("show", SAMPLES / "gainers_A.sor", "--max-size", size)
    assert refused.returncode == 2
    assert b"--max-size" in refused.stderr

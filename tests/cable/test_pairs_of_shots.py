"""Many files of one folder: which shots are paired, and what no order to cut rests on.

The shots are simulated with known truth.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scenarios.pair.world import MORNING, draw_span, two_shots, with_loss, with_point
from simulated import Fibre, JointKind

from otdravg.cli import main

LABEL = {"fibre": "7", "cable": "SIM"}
SETTINGS = ("--limit", "0.20")


def save(
    folder: Path,
    span: Fibre,
    names: tuple[str, str],
    *,
    nm: int = 1550,
    later: timedelta = timedelta(0),
) -> None:
    """Shoot a span from both ends; an empty name is not written."""
    rng = np.random.default_rng(len(list(folder.iterdir())))
    label = {**LABEL, "taken": MORNING + later}
    set_to = {"nm": nm}
    files = two_shots(rng, span, label_a=label, label_b=label, settings=set_to, settings_b=set_to)
    for (_, content), name in zip(files, names, strict=True):
        if name:
            (folder / name).write_bytes(content)


def said(folder: Path, *options: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["pair", str(folder), *SETTINGS, *options])
    return result.exit_code, " ".join(result.output.split())


def spliced() -> Fibre:
    return draw_span(np.random.default_rng(8), count=4)


class TestShotAgainFromOneEnd:
    """0.50 dB from both ends; re-spliced; from A once more: half of both is nobody's loss."""

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        bad = with_loss(spliced(), 1, 0.50)
        save(tmp_path, bad, ("7_A_old.sor", "7_B_old.sor"))
        day = timedelta(days=1)
        save(tmp_path, with_loss(bad, 1, 0.03), ("7_A_new.sor", ""), later=day)
        return tmp_path

    def test_nobody_is_told_to_cut(self, folder: Path) -> None:
        code, text = said(folder)
        assert code == 1
        assert "Re-splice" not in text
        assert "the shot from B is older" in text

    def test_with_the_other_end_it_is_clear(self, folder: Path) -> None:
        good = with_loss(spliced(), 1, 0.03)
        save(folder, good, ("", "7_B_new.sor"), later=timedelta(days=1, hours=2))
        assert said(folder)[0] == 0

    def test_whoever_knows_better_says_so(self, folder: Path) -> None:
        assert "Re-splice" in said(folder, "--unchanged")[1]


def test_six_fibres_under_one_number_are_no_all_clear(tmp_path: Path) -> None:
    for number in range(6):
        span = with_loss(spliced(), number % 4, 0.02 + 0.01 * number)
        names = (f"T{2 * number}.sor", f"T{2 * number + 1}.sor")
        save(tmp_path, span, names, later=timedelta(minutes=number))
    code, text = said(tmp_path)
    assert code == 1
    assert "LEAVE" not in text
    assert text.startswith("1 pair: 1 CHECK; not cleared before")
    assert "are named fibre 7 at 1550 nm, minutes apart, and do not read alike" in text


def test_six_fibres_of_their_own_glass_under_one_number_are_no_pair(tmp_path: Path) -> None:
    for number in range(6):
        span = draw_span(np.random.default_rng(number), count=4, length_m=5000.0)
        names = (f"T{2 * number}.sor", f"T{2 * number + 1}.sor")
        save(tmp_path, span, names, later=timedelta(minutes=number))
    code, text = said(tmp_path)
    assert code == 2
    assert "LEAVE" not in text
    assert "by their glass they are of 6 fibres" in text
    assert "12 files not measured" in text


def test_a_number_on_which_header_and_name_disagree_is_not_left(tmp_path: Path) -> None:
    save(tmp_path, spliced(), ("F9_A.sor", "F9_B.sor"))
    code, text = said(tmp_path)
    assert code == 1
    assert "LEAVE" not in text
    assert "it may not be fibre 7" in text


def test_another_number_in_a_name_that_holds_the_headers_is_no_doubt(tmp_path: Path) -> None:
    save(tmp_path, spliced(), ("7_A_2.sor", "7_B_2.sor"))
    assert said(tmp_path)[0] == 0


def test_shot_again_days_later_with_nothing_done_is_clear(tmp_path: Path) -> None:
    save(tmp_path, spliced(), ("7_A.sor", "7_B.sor"))
    save(tmp_path, spliced(), ("7_A_again.sor", ""), later=timedelta(days=3))
    assert said(tmp_path)[0] == 0


def test_of_shots_without_a_date_nobody_knows_which_is_the_newest(tmp_path: Path) -> None:
    bad = with_loss(spliced(), 1, 0.50)
    save(tmp_path, bad, ("7_A.sor", "7_B.sor"))
    long_ago = timedelta(days=-365 * 30)
    save(tmp_path, with_loss(bad, 1, 0.03), ("7_A_x.sor", "7_B_x.sor"), later=long_ago)
    code, text = said(tmp_path)
    assert code == 1
    assert "Re-splice" not in text
    assert "LEAVE" not in text
    assert "nothing says which is the newest" in text


def test_the_same_launch_cleaned_and_shot_again_is_no_second_attempt(tmp_path: Path) -> None:
    bad = with_loss(spliced(), 1, 0.50)
    save(tmp_path, bad, ("7_A_1.sor", "7_B_1.sor"))
    save(tmp_path, bad, ("7_A_2.sor", ""), later=timedelta(minutes=5))
    assert "Re-splice" in said(tmp_path)[1]


def test_a_bend_that_one_wavelength_shows_is_not_cut(tmp_path: Path) -> None:
    # Bend loss rises with wavelength, splice loss hardly (ITU-T G.657, handbooks).
    span = spliced()
    at_m = (span.boundaries_m[2] + span.boundaries_m[3]) / 2
    for nm, loss_db, per_km in ((1310, 0.05, 0.33), (1550, 0.45, 0.19)):
        sections = tuple(replace(s, attenuation_db_per_km=per_km) for s in span.sections)
        bent = with_point(replace(span, sections=sections), at_m, loss_db, kind=JointKind.BEND)
        save(tmp_path, bent, (f"7_{nm}_A.sor", f"7_{nm}_B.sor"), nm=nm)
    code, text = said(tmp_path)
    assert code == 1
    assert "Re-splice" not in text
    assert "a bend is suspected" in text


def test_a_splice_that_both_wavelengths_show_is_cut(tmp_path: Path) -> None:
    span = with_loss(spliced(), 1, 0.45)
    for nm, per_km in ((1310, 0.33), (1550, 0.19)):
        sections = tuple(replace(s, attenuation_db_per_km=per_km) for s in span.sections)
        own = replace(span, sections=sections)
        save(tmp_path, own, (f"7_{nm}_A.sor", f"7_{nm}_B.sor"), nm=nm)
    text = said(tmp_path)[1]
    assert text.count("Re-splice") == 2


def test_a_cut_short_file_is_listed_once(tmp_path: Path) -> None:
    save(tmp_path, spliced(), ("7_A.sor", "7_B.sor"))
    half = (tmp_path / "7_A.sor").read_bytes()
    (tmp_path / "7_A.sor").write_bytes(half[: len(half) // 2])
    code, text = said(tmp_path)
    assert code == 2
    assert text.count("cut short") == 1

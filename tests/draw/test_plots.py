"""The picture: its curves keep the method's promise, and its files are the same each time."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from corpus import random_pair
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from matplotlib.text import Text
from pair_example import LENGTH_M, SPOTS, measurement, reading, with_readings
from scipy import optimize

from otdravg.draw.curves import envelope, span_curves
from otdravg.draw.labels import side_by_side
from otdravg.draw.pair import check_format, pair_figure, save_figure, shot_figure
from otdravg.errors import BadSetting, OutputRefused
from otdravg.fit.reading import Kind
from otdravg.pair.measure import measure
from otdravg.shot.trace import traces_from
from otdravg.verdict.judge import PairReport, judge
from otdravg.verdict.limits import Limits


@pytest.fixture(scope="module")
def report() -> PairReport:
    return judge(measurement(), Limits())


def texts_of(figure: Figure) -> str:
    found = [text.get_text() for text in figure.texts]
    for axes in figure.axes:
        found += [text.get_text() for text in axes.texts]
    return "\n".join(found)


def level_between(curve: np.ndarray, z_m: np.ndarray, low_m: float, high_m: float) -> float:
    inside = (z_m > low_m + 60) & (z_m < high_m - 60)
    return float(np.nanmean(curve[inside]))


class TestCurves:
    """(F - G)/2 falls by the true losses only, (F + G)/2 moves by the glass only."""

    edges = (0.0, *(spot.z_m for spot in SPOTS), LENGTH_M)

    def steps(self, curve: np.ndarray, z_m: np.ndarray) -> list[float]:
        levels = [level_between(curve, z_m, low, high) for low, high in pairwise(self.edges)]
        return [before - after for before, after in pairwise(levels)]

    def test_half_difference_shows_the_planted_losses(self) -> None:
        curves = span_curves(measurement())
        planted = [spot.loss_db for spot in SPOTS]
        assert self.steps(curves.half_difference_db, curves.z_m) == pytest.approx(planted, abs=2e-3)

    def test_half_sum_shows_the_planted_glass_and_no_loss(self) -> None:
        curves = span_curves(measurement())
        planted = [spot.step_db for spot in SPOTS]
        assert self.steps(curves.half_sum_db, curves.z_m) == pytest.approx(planted, abs=2e-3)

    def test_each_shot_alone_shows_loss_plus_or_minus_glass(self) -> None:
        curves = span_curves(measurement())
        from_a = [spot.loss_db + spot.step_db for spot in SPOTS]
        from_b = [spot.loss_db - spot.step_db for spot in SPOTS]
        assert self.steps(curves.from_a_db, curves.z_m) == pytest.approx(from_a, abs=2e-3)
        assert self.steps(curves.from_b_db, curves.z_m) == pytest.approx(from_b, abs=2e-3)

    def test_long_dead_zones_are_bridged_along_the_fibre(self) -> None:
        # Behind a pulse of 0.5 km fibre has fallen by 0.1 dB: no step and no ramp of the picture.
        pair = random_pair(
            np.random.default_rng(5), pulse_ns=(5000.0, 5000.0), spacing_m=(4.0, 6.0),
            splices=(2, 2), section_m=(9000.0, 12_000.0), cords=0.0, connectors=0.0,
        )  # fmt: skip
        measured = measure(traces_from(pair.a)[0], traces_from(pair.b)[0])
        curves = span_curves(measured)
        edges = (0.0, *(reading.distance_m for reading in measured.readings), pair.span_m)
        assert len(edges) == 4
        for curve in (curves.half_difference_db, curves.half_sum_db):
            for low_m, high_m in pairwise(edges):
                piece = curve[(curves.z_m > low_m + 20) & (curves.z_m < high_m - 20)]
                assert np.nanmax(piece) - np.nanmin(piece) < 0.02

    def test_all_start_at_zero(self) -> None:
        curves = span_curves(measurement())
        for curve in (curves.from_a_db, curves.from_b_db, curves.half_sum_db):
            first = level_between(curve, curves.z_m, 0, SPOTS[0].z_m)
            assert first == pytest.approx(0, abs=2e-3)

    def test_thinning_keeps_every_reflection(self) -> None:
        x = np.arange(30_000.0)
        y = np.zeros(30_000)
        y[[12_345, 29_999]] = 9.0
        thin_x, thin_y = envelope(x, y, -1, 40_000)
        assert thin_x.size < 4000
        assert list(thin_x[thin_y == 9.0]) == [12_345.0, 29_999.0]
        assert np.all(np.diff(thin_x) > 0)


class TestLabels:
    @given(
        st.lists(st.floats(0, 100), min_size=1, max_size=25).map(sorted),
        st.floats(0.1, 3.9),
    )
    def test_none_overlaps_and_all_stay_inside(self, wanted: list[float], width: float) -> None:
        placed = side_by_side(np.array(wanted), width, 0, 100)
        assert np.all(np.diff(placed) >= width - 1e-9)
        assert placed.min() >= -1e-9
        assert placed.max() <= 100 + 1e-9

    def test_is_the_least_squares_placement(self) -> None:
        wanted = np.array([10.0, 10.5, 11.0, 30.0, 31.0])
        placed = side_by_side(wanted, 4.0, 0, 100)
        best = optimize.minimize(
            lambda x: np.sum((x - wanted) ** 2),
            wanted,
            constraints={"type": "ineq", "fun": lambda x: np.diff(x) - 4.0},
        )
        assert placed == pytest.approx(best.x, abs=1e-4)

    def test_labels_that_have_room_stay(self) -> None:
        wanted = np.array([10.0, 50.0])
        assert side_by_side(wanted, 4.0, 0, 100) == pytest.approx(wanted)

    @pytest.mark.parametrize("count", [0, 1, 9, 20])
    def test_drawn_labels_do_not_overlap(self, count: int) -> None:
        crowded = [
            reading(0.1, 0.1, distance_m=1500 + 40.0 * i if i < 6 else 1500 + 200.0 * i)
            for i in range(count)
        ]
        figure = pair_figure(judge(with_readings(*crowded), Limits()))
        figure.canvas.draw()
        headings = ("1   ", "2   ", "3   ")
        drawn = 0
        for axes in figure.axes:
            notes = [
                note
                for note in axes.texts
                if note.get_text()[:1].isdigit() and not note.get_text().startswith(headings)
            ]
            boxes = sorted(_text_box(note) for note in notes)
            assert [pair for pair in pairwise(boxes) if pair[0][1] > pair[1][0] + 1] == []
            drawn += len(boxes)
        assert drawn >= count


def _text_box(note: Text) -> tuple[float, float]:
    """Left and right edge of a drawn text in pixels, its leader not counted."""
    box = Text.get_window_extent(note)
    return box.x0, box.x1


class TestWords:
    def test_every_true_loss_stands_in_the_picture(self, report: PairReport) -> None:
        words = texts_of(pair_figure(report))
        assert report.splices
        for judged in report.splices:
            assert str(judged.reported_loss_db) in words

    def test_verdicts_are_in_words(self, report: PairReport) -> None:
        assert "over limit" in texts_of(pair_figure(report))

    def test_default_limit_is_said(self, report: PairReport) -> None:
        assert "the contract's figure decides" in texts_of(pair_figure(report))

    def test_one_way_and_unmeasured_are_said(self) -> None:
        pair = with_readings(
            reading(0.1, None), reading(None, None), reading(0.4, 0.4, kind=Kind.CONNECTOR)
        )
        words = texts_of(pair_figure(judge(pair, Limits())))
        assert "one direction only" in words
        assert "not measured" in words
        assert "connector, not evaluated" in words


@pytest.mark.parametrize("suffix", [".png", ".pdf", ".svg", ".PNG"])
class TestFiles:
    def test_same_report_same_bytes(self, report: PairReport, tmp_path: Path, suffix: str) -> None:
        paths = [tmp_path / f"{name}{suffix}" for name in "ab"]
        for path in paths:
            save_figure(pair_figure(report), path, overwrite=False)
        assert paths[0].read_bytes() == paths[1].read_bytes()

    def test_starts_like_its_format(self, report: PairReport, tmp_path: Path, suffix: str) -> None:
        path = tmp_path / f"a{suffix}"
        save_figure(shot_figure(report.measurement.ab, None), path, overwrite=False)
        # PNG (ISO/IEC 15948) signature, PDF (ISO 32000) header, XML declaration.
        starts = {".png": b"\x89PNG\r\n\x1a\n", ".pdf": b"%PDF-", ".svg": b"<?xml"}
        assert path.read_bytes().startswith(starts[suffix.lower()])

    def test_never_over_an_existing_file(
        self, report: PairReport, tmp_path: Path, suffix: str
    ) -> None:
        path = tmp_path / f"a{suffix}"
        path.write_bytes(b"mine")
        with pytest.raises(OutputRefused, match="exists already"):
            save_figure(shot_figure(report.measurement.ab, None), path, overwrite=False)
        assert path.read_bytes() == b"mine"


@pytest.mark.parametrize("name", ["a", "a.jpg", "a.svgz", ".png"])
def test_other_endings_are_refused(name: str) -> None:
    with pytest.raises(BadSetting, match="png"):
        check_format(Path(name))


def test_header_text_is_drawn_as_it_is(report: PairReport, tmp_path: Path) -> None:
    shot = report.measurement.ab
    odd = replace(shot, identity=replace(shot.identity, cable="$\\frac{1}$ 光 <b> \x1b[2J"))
    changed = replace(report, measurement=replace(report.measurement, ab=odd))
    path = tmp_path / "a.svg"
    save_figure(pair_figure(changed), path, overwrite=False)
    ET.parse(path)
    assert "\\x1b" in texts_of(pair_figure(changed))


def test_events_of_the_files_own_table_are_labelled(report: PairReport) -> None:
    shot = report.measurement.ab
    assert shot.table
    words = texts_of(shot_figure(shot, None))
    for event in shot.table:
        at_km = event.distance_m(shot.settings.group_index) / 1000
        assert f"{event.number}\n{at_km:.3f} km" in words


def test_detected_events_are_marked(report: PairReport) -> None:
    pair = report.measurement
    labels = [
        text.get_text()
        for text in shot_figure(pair.ab, pair.detection_ab).axes[0].get_legend().get_texts()
    ]
    assert labels == ["shot", "in the file's own table", "found in the waveform"]

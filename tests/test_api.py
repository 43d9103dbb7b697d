"""The package from Python: three lines for a pair, one for a cable, errors of one family."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import otdravg
from otdravg import (
    BadSetting,
    Limits,
    Measurement,
    OtdravgError,
    PairReport,
    Rule,
    Trace,
    UnreadableTrace,
    Verdict,
    judge,
    measure,
    read,
    read_all,
    review,
    sor,
)

SAMPLES = Path(__file__).parents[1] / "sample_traces"
A, B = SAMPLES / "gainers_A.sor", SAMPLES / "gainers_B.sor"


@pytest.fixture(scope="module")
def measurement() -> Measurement:
    return measure(read(A), read(str(B)))


@pytest.fixture
def two_traces(tmp_path: Path) -> Path:
    """A file with two pulse widths, 100 ns and 300 ns."""
    path = tmp_path / "two.sor"
    points = np.arange(3000, 9000, dtype=np.uint16)
    made = sor.build(
        general=sor.GeneralParameters(),
        supplier=sor.SupplierParameters(),
        fixed=sor.FixedParameters(pulse_widths_ns=(100, 300), data_spacings=(50_000, 50_000)),
        points=(points, points),
    )
    sor.write(made, path)
    return path


def with_losses(measured: Measurement, *losses_db: float) -> Measurement:
    readings = zip(measured.readings, losses_db, strict=False)
    return replace(measured, readings=tuple(replace(r, loss_db=loss) for r, loss in readings))


class TestPair:
    def test_what_is_printed_is_what_was_measured_and_judged(
        self, measurement: Measurement
    ) -> None:
        report = judge(measurement, limit_db=0.15)
        assert isinstance(report, PairReport)
        verdicts = [splice.verdict for splice in report.splices]
        assert verdicts == [Verdict.WITHIN, Verdict.WITHIN, Verdict.OVER, Verdict.WITHIN]
        assert len(report.splices) == len(measurement.readings)
        for splice, reading in zip(report.splices, measurement.readings, strict=True):
            assert splice.distance_m == reading.distance_m
            assert splice.loss_db == reading.loss_db
            assert splice.expanded_uncertainty_db == reading.expanded_uncertainty_db

    def test_the_shots_face_each_other_whatever_their_files_say(
        self, measurement: Measurement
    ) -> None:
        assert measurement.ab.identity.direction is otdravg.Direction.A_TO_B
        assert measurement.ba.identity.direction is otdravg.Direction.B_TO_A


class TestLimit:
    @pytest.mark.parametrize(
        "limit_db",
        [0.15, np.float64(0.15), np.float32(0.15), Decimal("0.15"), "0.15", {1310: 0.15}],
        ids=repr,
    )
    def test_means_what_it_prints(self, measurement: Measurement, limit_db: Any) -> None:
        # The nearest binary number to 0.15 lies below it; 0.05 + 0.1 is 0.15000000000000002.
        report = judge(with_losses(measurement, 0.05 + 0.1, 0.1506), limit_db=limit_db)
        assert report.limit_db == Decimal("0.15")
        assert report.limit_is_stated
        assert [one.verdict for one in report.splices] == [Verdict.WITHIN, Verdict.OVER]

    def test_of_another_wavelength_leaves_the_default(self, measurement: Measurement) -> None:
        report = judge(measurement, limit_db={1550: 0.1})
        assert (report.limit_db, report.limit_is_stated) == (Decimal("0.20"), False)
        assert (judge(measurement).limit_db, judge(measurement).limit_is_stated) == (
            Decimal("0.20"),
            False,
        )

    def test_small_numbers_have_no_exponent(self) -> None:
        assert Limits.of(0.00001).default_db == Decimal("0.00001")

    @pytest.mark.parametrize(
        "limit_db",
        [
            *(-0.1, 0, 0.0, math.nan, math.inf, 3.01, True, "", "nan", "0,15", "0_1", []),
            *(Fraction(1, 8), {1310: -0.1}, {1310: None}, {"1310.5": 0.1}, {80: 0.1}),
        ],
        ids=repr,
    )
    def test_that_is_none_is_refused(self, measurement: Measurement, limit_db: Any) -> None:
        with pytest.raises(BadSetting, match=r"^limit: "):
            judge(measurement, limit_db=limit_db)

    def test_inside_the_uncertainty_is_not_called_when_guarded(
        self, measurement: Measurement
    ) -> None:
        near = with_losses(measurement, 0.15)
        assert judge(near, 0.15).splices[0].verdict is Verdict.WITHIN
        assert judge(near, 0.15, guarded=True).splices[0].verdict is Verdict.TOO_CLOSE
        stated = Limits.parse(["0.15"])
        assert judge(near, stated, guarded=True).splices[0].verdict is Verdict.TOO_CLOSE
        assert judge(near, replace(stated, rule=Rule.GUARDED)).limits.rule is Rule.GUARDED


class TestRead:
    def test_of_several_traces_the_first_is_taken_and_said(self, two_traces: Path) -> None:
        assert [shot.settings.pulse_ns for shot in read_all(two_traces)] == [100, 300]
        first, second = read(two_traces), read(two_traces, trace=2)
        assert (first.settings.pulse_ns, second.settings.pulse_ns) == (100, 300)
        assert [f.code for f in first.findings if f.code == "several-traces"] == ["several-traces"]
        assert "several-traces" not in [f.code for f in second.findings]
        assert "several-traces" not in [f.code for f in read(two_traces, trace=1).findings]

    @pytest.mark.parametrize("number", [0, -1, 3, 1.5, "1"])
    def test_no_trace_of_that_number(self, two_traces: Path, number: Any) -> None:
        with pytest.raises(BadSetting, match=r"^trace: .*two\.sor holds 2$"):
            read(two_traces, trace=number)

    @pytest.mark.parametrize("wrong", [None, 3, b"a.sor", ["a.sor"], object])
    def test_what_is_no_path(self, wrong: Any) -> None:
        with pytest.raises(UnreadableTrace, match="expected a file's name"):
            read(wrong)

    @pytest.mark.parametrize("name", ["missing.sor", "folder.sor", "nul\0.sor", "empty.sor"])
    def test_what_is_no_trace_is_one_line_with_its_name(self, tmp_path: Path, name: str) -> None:
        (tmp_path / "folder.sor").mkdir()
        (tmp_path / "empty.sor").touch()
        with pytest.raises(OtdravgError) as raised:
            read(tmp_path / name)
        assert str(raised.value).startswith(f"{tmp_path / name}: ")
        assert "\n" not in str(raised.value)

    def test_a_shot_is_one_line_and_can_be_plotted(self) -> None:
        shot = read(A)
        assert repr(shot) == (
            "<Trace 'gainers_A.sor': fibre '017', 1310 nm, 100 ns, 11258 points, 11.258 km>"
        )
        assert shot.distance_m.shape == shot.level_db.shape
        assert shot.distance_m[-1] - shot.distance_m[0] == pytest.approx(11_257, abs=1)

    def test_a_name_from_outside_cannot_break_the_line(self) -> None:
        shot = read(A)
        hostile = replace(shot, identity=replace(shot.identity, fibre="\x1b[2J\n1"))
        assert repr(hostile).isprintable()


class TestReview:
    def test_of_a_folder_is_one_call(self) -> None:
        result = review(SAMPLES, profile="two-wavelengths")
        assert len(result.rows) == 11
        assert result.profile.name == "two-wavelengths"
        assert review([str(SAMPLES)]).profile.is_default

    def test_a_folder_without_shots_is_never_all_clear(self, tmp_path: Path) -> None:
        with pytest.raises(BadSetting, match="no trace file lies in it"):
            review(tmp_path)

    @pytest.mark.parametrize("wrong", [None, 3, "no-such-folder", [None]])
    def test_what_is_no_folder(self, wrong: Any) -> None:
        with pytest.raises(BadSetting, match=r"^folder: "):
            review(wrong)

    @pytest.mark.parametrize("wrong", ["no-such-name", "no-such-file.toml", 3])
    def test_what_is_no_profile(self, wrong: Any) -> None:
        with pytest.raises(BadSetting):
            review(SAMPLES, profile=wrong)


_TYPED = """
from otdravg import Measurement, PairReport, Trace, judge, measure, read, review

shot: Trace = read("a.sor")
measured: Measurement = measure(shot, read("b.sor", trace=2))
report: PairReport = judge(measured, limit_db={1310: 0.25, 1550: "0.2"})
losses: list[float | None] = [splice.loss_db for splice in report.splices]
metres: float = shot.distance_m.max()
rows: int = len(review("shots", profile="two-wavelengths").rows)
import otdravg

otdravg.no_such_name
judge(measured, limit_db=[0.1])
"""


def test_a_strict_type_checker_sees_the_names(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text(_TYPED, encoding="utf-8")
    mypy = pytest.importorskip("mypy.api", reason="the oldest set is tested without mypy")
    said, problems, _ = mypy.run(["--strict", "--no-error-summary", str(script)])
    assert problems == ""
    assert [line.split("error: ")[1].split("  [")[1] for line in said.splitlines()] == [
        "attr-defined]",
        "arg-type]",
    ]


def test_every_name_of_the_package_is_there() -> None:
    for name in otdravg.__all__:
        assert getattr(otdravg, name) is not None
    assert set(otdravg.__all__) < set(dir(otdravg))
    assert isinstance(read(A), Trace)


def test_names_load_what_they_need() -> None:
    script = (
        "import sys, otdravg; assert 'numpy' not in sys.modules; otdravg.OtdravgError; "
        "assert 'numpy' not in sys.modules; otdravg.read; otdravg.measure; otdravg.judge; "
        "assert not {'scipy', 'matplotlib', 'otdravg.cable.run'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", script], check=True)

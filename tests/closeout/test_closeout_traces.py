"""The original trace files under new names: bytes unchanged, nothing lost, nothing outside."""

from __future__ import annotations

import csv
import hashlib
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

import pytest
from closeout_example import MADE_AT, NASTY
from hypothesis import given
from hypothesis import strategies as st

from otdravg.cable import CableReview, ShotRecord, ShotUse
from otdravg.closeout.traces import (
    DEFAULT_TRACE_NAME,
    NAMES_TABLE,
    Renamed,
    check_pattern,
    renamed,
    safe_name,
    write_traces,
)
from otdravg.errors import BadSetting, OutputRefused
from otdravg.shot.settings import Direction
from otdravg.tables.csv_file import CsvStyle


def names_in(files: Sequence[Renamed]) -> list[str]:
    return [file.new_name for file in files if file.new_name]


def a_shot(review: CableReview, **changes: object) -> ShotRecord:
    used = next(s for s in review.shots if s.use is ShotUse.USED)
    return replace(used, **changes)  # type: ignore[arg-type]


def test_copies_have_the_bytes_of_the_originals(good_review: CableReview, tmp_path: Path) -> None:
    files = renamed(good_review.shots, DEFAULT_TRACE_NAME)
    write_traces(tmp_path, files, style=CsvStyle())
    assert files
    for file in files:
        if file.new_name:
            copy = (tmp_path / "traces" / file.new_name).read_bytes()
            assert copy == Path(file.shot.location.path).read_bytes()
    with open(tmp_path / "traces" / NAMES_TABLE, encoding="utf-8", newline="") as stream:
        table = list(csv.DictReader(stream))
    assert [row["old_name"] for row in table] == [shot.path for shot in good_review.shots]
    for row in table:
        if row["new_name"]:
            content = (tmp_path / "traces" / row["new_name"]).read_bytes()
            assert hashlib.sha256(content).hexdigest() == row["sha256"]


def test_names_say_cable_fibre_wavelength_and_direction(good_review: CableReview) -> None:
    files = renamed(good_review.shots, DEFAULT_TRACE_NAME)
    shot = next(f for f in files if f.shot.use is ShotUse.USED)
    place = shot.shot.taken_for
    way = {Direction.A_TO_B: "AB", Direction.B_TO_A: "BA"}[place.direction]
    assert shot.new_name == f"{place.cable}_{place.fibre:04d}_{place.wavelength_nm}_{way}.sor"


def test_strays_are_listed_and_not_copied(good_review: CableReview) -> None:
    files = renamed(good_review.shots, DEFAULT_TRACE_NAME)
    strays = [f for f in files if f.shot.use is ShotUse.NOT_A_SHOT]
    assert strays
    assert all(f.new_name == "" for f in strays)


def test_earlier_attempts_and_unused_files_stand_apart(bad_review: CableReview) -> None:
    files = renamed(bad_review.shots, DEFAULT_TRACE_NAME)
    earlier = [f.new_name for f in files if f.shot.use is ShotUse.EARLIER]
    other = [f.new_name for f in files if f.shot.use is ShotUse.MISMATCHED]
    assert earlier
    assert other
    assert all("_try" in name for name in earlier)
    assert all(name.startswith("unused/") for name in other)


def test_equal_names_are_numbered_whatever_their_letter_case(good_review: CableReview) -> None:
    place = a_shot(good_review).taken_for
    shots = [
        a_shot(good_review, path=f"{n}.sor", taken_for=replace(place, cable=cable))
        for n, cable in enumerate(("Cable", "CABLE", "cable"))
    ]
    names = names_in(renamed(shots, DEFAULT_TRACE_NAME))
    assert len({name.casefold() for name in names}) == 3


def test_file_with_several_traces_is_copied_once(good_review: CableReview) -> None:
    first = a_shot(good_review)
    files = renamed([first, replace(first, trace_number=2)], DEFAULT_TRACE_NAME)
    assert files[0].new_name == files[1].new_name


@pytest.mark.parametrize("text", [*NASTY, "con", "COM1.sor", "...", "", "a" * 400, "Müller/§"])
def test_names_from_strangers_stay_inside_and_mean_no_device(
    good_review: CableReview, text: str
) -> None:
    place = a_shot(good_review).taken_for
    shots = [
        a_shot(good_review, path="x.sor", taken_for=replace(place, cable=text)),
        a_shot(good_review, path=f"{text}.sor", use=ShotUse.UNPLACED),
    ]
    names = names_in(renamed(shots, DEFAULT_TRACE_NAME))
    assert names
    for name in names:
        parts = PurePosixPath(name).parts
        assert ".." not in parts
        assert len(parts) <= 2
        assert name.isascii()
        assert len(parts[-1]) < 200
        assert parts[-1].split(".")[0].lower() not in {"con", "com1", "nul", ""}


@given(st.text(max_size=40))
def test_safe_names_hold_safe_signs_only(text: str) -> None:
    name = safe_name(text)
    assert name
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")
    assert not name.startswith(".")
    assert safe_name(name) == name


def test_file_that_changed_since_it_was_measured_stops_the_closeout(
    good_review: CableReview, tmp_path: Path
) -> None:
    changed = tmp_path / "changed.sor"
    shot = a_shot(good_review)
    content = bytearray(Path(shot.location.path).read_bytes())
    content[-1] ^= 1
    changed.write_bytes(content)
    moved = replace(shot.location, path=str(changed))
    files = renamed([replace(shot, location=moved)], DEFAULT_TRACE_NAME)
    with pytest.raises(OutputRefused, match="has changed since it was first read"):
        write_traces(tmp_path, files, style=CsvStyle())


def test_zip_holds_the_same_and_has_the_same_bytes_again(
    good_review: CableReview, tmp_path: Path
) -> None:
    files = renamed(good_review.shots, DEFAULT_TRACE_NAME)
    contents = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_traces(tmp_path / name, files, style=CsvStyle(), zip_at=MADE_AT)
        contents.append((tmp_path / name / "traces.zip").read_bytes())
    assert contents[0] == contents[1]
    with zipfile.ZipFile(tmp_path / "one" / "traces.zip") as archive:
        assert archive.testzip() is None
        assert files
        for file in files:
            if file.new_name:
                content = archive.read(f"traces/{file.new_name}")
                assert hashlib.sha256(content).hexdigest() == file.shot.sha256


@pytest.mark.parametrize(
    ("pattern", "problem"),
    [
        ("{cable}_{fibre}.sor", "wavelength"),
        ("{fibre}_{wavelength}_{direction}.txt", "end it in .sor"),
        ("{fibre}_{wavelength}_{direction}_{colour}.sor", "fields are"),
        ("{fibre:x.y}_{wavelength}_{direction}.sor", "mend the pattern"),
        ("{fibre_{wavelength}_{direction}.sor", "mend the pattern|fields are"),
        ("{fibre.__class__}_{wavelength}_{direction}.sor", "fields are"),
    ],
)
def test_patterns_that_cannot_serve_are_refused(pattern: str, problem: str) -> None:
    with pytest.raises(BadSetting, match=problem):
        check_pattern(pattern)

"""Cable runs that several tests look at, made and reviewed once."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from faulty_run import plant_repair, write_all, write_crossed

from otdravg.cable import CableReview, read_folders, review
from otdravg.cable.files.folder import RawShot
from otdravg.simulate.demo import DemoSummary, write_demo
from otdravg.verdict import default, load_shipped


@pytest.fixture(scope="session")
def planted_run(tmp_path_factory: pytest.TempPathFactory) -> DemoSummary:
    """The demo of 48 fibres with every kind of fault; coarse points keep it short."""
    place = tmp_path_factory.mktemp("planted")
    return write_demo(
        place / "shots", fibres=48, spacing_m=3.0, answers=place / "answers", workers=2
    )


@pytest.fixture(scope="session")
def planted(planted_run: DemoSummary) -> CableReview:
    with ProcessPoolExecutor(2) as executor:
        shots = read_folders([planted_run.directory], executor)
        return review(shots, load_shipped("two-wavelengths"), executor=executor)


@pytest.fixture(scope="session")
def faulty_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """16 fibres at two wavelengths, 14 and 15 crossed."""
    folder = tmp_path_factory.mktemp("cable") / "shots"
    write_crossed(folder, 16, 14, 15)
    return folder


@pytest.fixture(scope="session")
def clean_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight fibres at one wavelength, nothing wrong."""
    folder = tmp_path_factory.mktemp("clean") / "shots"
    write_all(folder, 8, (1550,))
    return folder


@pytest.fixture(scope="session")
def clean_shots(clean_folder: Path) -> tuple[RawShot, ...]:
    return read_folders([clean_folder])


@pytest.fixture(scope="session")
def clean(clean_shots: tuple[RawShot, ...]) -> CableReview:
    return review(clean_shots, default())


@pytest.fixture(scope="session")
def repair_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fibre 3 after the repair of its splice in closure 2."""
    folder = tmp_path_factory.mktemp("repair") / "after"
    plant_repair(folder)
    return folder

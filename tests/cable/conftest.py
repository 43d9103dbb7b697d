"""Cable runs that several tests look at, made and reviewed once."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from faulty_run import plant_faults, plant_repair, write_all

from otdravg.cable import CableReview, read_folders, review
from otdravg.cable.inventory import RawShot
from otdravg.profile import default


@pytest.fixture(scope="session")
def faulty_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """36 fibres at two wavelengths with every kind of mix-up."""
    folder = tmp_path_factory.mktemp("cable") / "shots"
    plant_faults(folder)
    return folder


@pytest.fixture(scope="session")
def faulty(faulty_folder: Path) -> CableReview:
    with ProcessPoolExecutor(2) as executor:
        return review(read_folders([faulty_folder]), default(), executor=executor)


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

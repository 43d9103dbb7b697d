"""A small simulated cable run: three fibres at one wavelength, six shots, two other files."""

from __future__ import annotations

import contextlib
import hashlib
import io
from pathlib import Path

from otdravg.cable import CableReview, read_folders, review
from otdravg.cli import main
from otdravg.simulate.demo import write_demo
from otdravg.verdict import default

SHOTS = 6


def write_shots(folder: Path) -> Path:
    """Write the run into a folder; simulated, the same bytes every time."""
    write_demo(folder, fibres=3, wavelengths=(1550,), spacing_m=2.0)
    return folder


def review_of(*folders: Path) -> CableReview:
    return review(read_folders(folders), default())


def content_of(folder: Path) -> dict[str, str]:
    """Hashes of all files below a folder, by name."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def run(*arguments: object) -> tuple[int, str]:
    """Run the command here; exit status and what it said on stderr."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main([str(argument) for argument in arguments])
            status = 0
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 0
    return status, err.getvalue()

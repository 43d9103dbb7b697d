"""Output files are whole or absent, and never over something unasked."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from otdravg.errors import OutputRefused
from otdravg.system import atomic
from otdravg.system.atomic import check_targets, write_atomic


def test_writes_bytes_with_ordinary_rights(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    write_atomic(target, b"abc", overwrite=False)
    assert target.read_bytes() == b"abc"
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    assert target.stat().st_mode == plain.stat().st_mode
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out.csv", "plain"]


def test_never_over_an_existing_file(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_bytes(b"mine")
    with pytest.raises(OutputRefused, match="exists already"):
        write_atomic(target, b"new", overwrite=False)
    assert target.read_bytes() == b"mine"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_overwrites_when_asked(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    target.write_bytes(b"old")
    write_atomic(target, b"new", overwrite=True)
    assert target.read_bytes() == b"new"


def test_a_failed_write_leaves_the_old_file_and_no_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "out.csv"
    target.write_bytes(b"old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputRefused, match="could not be written"):
        write_atomic(target, b"new", overwrite=True)
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_a_draft_that_cannot_be_cleared_away_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refusing(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "unlink", refusing)
    target = tmp_path / "out.csv"
    write_atomic(target, b"new", overwrite=False)
    assert target.read_bytes() == b"new"


@pytest.mark.parametrize("taken", [False, True])
def test_file_systems_without_hard_links(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, taken: bool
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(atomic.os, "link", no_links)
    target = tmp_path / "out.csv"
    if taken:
        target.write_bytes(b"mine")
        with pytest.raises(OutputRefused, match="exists already"):
            write_atomic(target, b"new", overwrite=False)
        assert target.read_bytes() == b"mine"
    else:
        write_atomic(target, b"new", overwrite=False)
        assert target.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


class TestCheckTargets:
    def test_input_is_never_an_output(self, tmp_path: Path) -> None:
        source = tmp_path / "a.sor"
        source.write_bytes(b"trace")
        link = tmp_path / "link.sor"
        link.symlink_to(source)
        for target in (source, link, tmp_path / "." / "a.sor"):
            with pytest.raises(OutputRefused, match="being read"):
                check_targets([target], inputs=[source], overwrite=True)

    def test_one_file_for_two_outputs(self, tmp_path: Path) -> None:
        with pytest.raises(OutputRefused, match="two outputs"):
            check_targets([tmp_path / "x", tmp_path / "x"], inputs=[], overwrite=True)

    def test_existing_file(self, tmp_path: Path) -> None:
        (tmp_path / "x").touch()
        with pytest.raises(OutputRefused, match="exists already"):
            check_targets([tmp_path / "x"], inputs=[], overwrite=False)
        check_targets([tmp_path / "x"], inputs=[], overwrite=True)

    def test_folder_and_missing_folder(self, tmp_path: Path) -> None:
        with pytest.raises(OutputRefused, match="not a regular file"):
            check_targets([tmp_path], inputs=[], overwrite=True)
        with pytest.raises(OutputRefused, match="folder does not exist"):
            check_targets([tmp_path / "no" / "x"], inputs=[], overwrite=True)

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
    def test_closed_folder(self, tmp_path: Path) -> None:
        tmp_path.chmod(0o500)
        try:
            with pytest.raises(OutputRefused, match="cannot be written to"):
                check_targets([tmp_path / "x"], inputs=[], overwrite=True)
        finally:
            tmp_path.chmod(0o700)

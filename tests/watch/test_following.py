"""A file counts when nobody has touched it for a while and it can be read."""

from __future__ import annotations

import errno
import os
from collections.abc import Sequence
from pathlib import Path

import pytest
from construction import Clock, Site5

from otdravg.errors import BadSetting
from otdravg.watch.folder import Follower, Listing, Look, listed

SETTLE_S = 3.0


class Desk:
    """A follower of one folder, and a clock that only the test moves."""

    def __init__(self, folder: Path) -> None:
        self.clock = Clock()
        self.away = False
        self.numbered_from = 0
        self.follower = Follower([folder], SETTLE_S, self.clock, self._listing)

    def _listing(self, folders: Sequence[Path]) -> Listing:
        if self.away:
            raise BadSetting("folder", str(folders[0]), "name a folder or zip archive that exists")
        found = listed(folders).items()
        return {file: (size, at, self.numbered_from + n) for file, (size, at, n) in found}

    def after(self, seconds: float) -> Look:
        self.clock.now += seconds
        return self.follower.look()


@pytest.fixture
def desk(site: Site5) -> Desk:
    return Desk(site.folder)


def names(look: Look) -> list[str]:
    return [shot.file.path for shot in look.shots if not shot.problem]


def test_a_file_counts_when_it_was_left_alone_long_enough(site: Site5, desk: Desk) -> None:
    path = site.shoot(1, 1550, "A")
    first = desk.after(0)
    assert (names(first), first.settling, first.due_s) == ([], 1, SETTLE_S)
    assert desk.after(1).due_s == SETTLE_S - 1
    assert names(desk.after(2)) == [path.name]
    assert desk.after(0).due_s is None


def test_a_slow_writer_is_waited_for(site: Site5, desk: Desk) -> None:
    content = site.content(1, 1550, "A")
    path = site.folder / "SIMQB1_F001_1550_AB.sor"
    for share in (0.2, 0.4, 0.6, 0.8, 1.0):
        path.write_bytes(content[: int(share * len(content))])
        assert desk.after(2).shots == ()
    assert names(desk.after(SETTLE_S)) == [path.name]


def test_a_draft_that_is_renamed_counts_from_its_last_name(site: Site5, desk: Desk) -> None:
    draft = site.folder / "F001.tmp"
    draft.write_bytes(site.content(1, 1550, "A"))
    desk.after(0)
    assert [shot.file.is_trace_file for shot in desk.after(5).shots] == [False]
    draft.rename(site.folder / "F001.sor")
    assert names(desk.after(0)) == []
    assert names(desk.after(SETTLE_S)) == ["F001.sor"]


def test_what_is_written_again_is_read_again(site: Site5, desk: Desk) -> None:
    path = site.shoot(1, 1550, "A")
    desk.after(0)
    before = desk.after(SETTLE_S).shots[0].sha256
    path.write_bytes(site.content(1, 1550, "A"))
    assert desk.after(0).shots == ()
    after = desk.after(SETTLE_S).shots[0].sha256
    assert before != after


@pytest.mark.parametrize("seconds", [-1e9, 1e9], ids=["1980s", "years ahead"])
def test_a_wrong_clock_does_not_matter(site: Site5, desk: Desk, seconds: float) -> None:
    """Time of the last change is compared with itself only."""
    path = site.shoot(1, 1550, "A")
    then = path.stat().st_mtime + seconds
    os.utime(path, (then, then))
    assert desk.after(0).shots == ()
    assert names(desk.after(SETTLE_S)) == [path.name]
    os.utime(path, (then - 50, then - 50))
    assert desk.after(0).shots == ()
    assert names(desk.after(SETTLE_S)) == [path.name]


def test_what_is_deleted_does_not_count_any_more(site: Site5, desk: Desk) -> None:
    gone, stays = site.shoot(1, 1550, "A"), site.shoot(2, 1550, "A")
    desk.after(0)
    assert len(desk.after(SETTLE_S).shots) == 2
    gone.unlink()
    assert names(desk.after(0)) == [stays.name]


def test_a_folder_that_is_away_is_not_an_empty_one(site: Site5, desk: Desk) -> None:
    path = site.shoot(1, 1550, "A")
    desk.after(0)
    desk.after(SETTLE_S)
    desk.away = True
    look = desk.after(60)
    assert names(look) == [path.name]
    assert "name a folder" in look.away
    desk.away = False
    assert desk.after(0).away == ""


def test_a_stick_that_is_put_in_again_holds_the_same_shots(site: Site5, desk: Desk) -> None:
    """FAT has no numbers of files: its driver makes them up anew (Linux, fs/fat/inode.c)."""
    site.shoot(1, 1550, "A")
    desk.after(0)
    before = desk.after(SETTLE_S)
    desk.away = True
    desk.after(60)
    desk.away, desk.numbered_from = False, 1000
    again = desk.after(60)
    assert (again.shots, again.settling) == (before.shots, 0)


def test_another_shot_of_one_name_size_and_date_is_read(site: Site5, desk: Desk) -> None:
    """An instrument whose clock stands still dates all alike; the new file has a new number."""
    path = site.shoot(1, 1550, "A")
    os.utime(path, (0, 0))
    desk.after(0)
    (before,) = desk.after(SETTLE_S).shots
    content = bytearray(path.read_bytes())
    content[-40] ^= 1
    path.write_bytes(content)
    os.utime(path, (0, 0))
    desk.numbered_from = 1000
    assert desk.after(0).shots == ()
    (after,) = desk.after(SETTLE_S).shots
    assert after.sha256 != before.sha256


def test_a_folder_that_never_was_there_is_an_error(tmp_path: Path) -> None:
    follower = Follower([tmp_path / "nowhere"], SETTLE_S, Clock())
    with pytest.raises(BadSetting):
        follower.look()


def test_only_what_is_new_is_read(site: Site5, desk: Desk) -> None:
    site.shoot(1, 1550, "A")
    desk.after(0)
    first = desk.after(SETTLE_S).shots[0]
    site.shoot(2, 1550, "A")
    desk.after(0)
    assert desk.after(SETTLE_S).shots[0] is first


def test_a_file_that_its_writer_has_locked_is_tried_again(
    site: Site5, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On Windows a file that is open for writing cannot be opened (simulated)."""
    path = site.shoot(1, 1550, "A")
    desk.after(0)

    def locked(path: str) -> object:
        raise PermissionError(errno.EACCES, "in use", path)

    with monkeypatch.context() as patch:
        patch.setattr("otdravg.cable.location.open_ordinary", locked)
        assert names(desk.after(SETTLE_S)) == []
    assert names(desk.after(1)) == [path.name]


def test_a_damaged_file_is_there_with_its_problem(site: Site5, desk: Desk) -> None:
    path = site.folder / "SIMQB1_F001_1550_AB.sor"
    path.write_bytes(b"\0" * 400)
    desk.after(0)
    (shot,) = desk.after(SETTLE_S).shots
    assert shot.problem
    path.write_bytes(site.content(1, 1550, "A"))
    desk.after(0)
    assert names(desk.after(SETTLE_S)) == [path.name]


def test_nothing_in_the_folder_is_changed(site: Site5, desk: Desk) -> None:
    path = site.shoot(1, 1550, "A")
    before = path.stat()
    desk.after(0)
    desk.after(SETTLE_S)
    assert path.stat().st_mtime_ns == before.st_mtime_ns
    assert [p.name for p in site.folder.iterdir()] == [path.name]

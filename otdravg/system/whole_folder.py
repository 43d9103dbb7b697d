"""A folder that is there complete, or not at all; one run at a time.

Three names lie beside the target ``DIR`` while a run writes, and none after it:

========================  ==========================================================
name                      what it is
========================  ==========================================================
``.DIR.lock``             held by the run; the system lets go of it when the run ends
``.DIR.0123abcd.part``    a folder not yet complete, or on its way out
``.DIR.0123abcd.old``     the earlier folder, complete, while the new one is put in place
========================  ==========================================================

A killed run leaves them behind. The next run takes no notice of the lock, puts an earlier
folder back that was caught between the renames, and clears the rest away.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from otdravg.errors import BadCloseout, OutputRefused
from otdravg.findings import says
from otdravg.system.manifest import MANIFEST, files_below, read_manifest
from otdravg.system.only_run import as_refusal, only_run
from otdravg.system.ordinary import is_open_elsewhere, openable

#: Letters that the names of a closeout's files add to their folder's, at most.
_LONGEST_NAME = 150


def check_folder(target: Path, *, inputs: Collection[str], overwrite: bool) -> None:
    """Refuse before the work starts what could not be written after it.

    Only a folder that is empty, or that holds nothing but what its manifest lists, is ever
    replaced: nobody's own files are thrown away.

    Raises
    ------
    OutputRefused
        With what is in the way.
    """
    place = _real(target)
    if not place.parent.is_dir():
        raise OutputRefused(target, says("no-parent"), says("make-folder"))
    if not os.access(place.parent, os.W_OK | os.X_OK):
        raise OutputRefused(target, says("parent-closed"), says("choose-another"))
    if not place.exists():
        return
    if not place.is_dir():
        raise OutputRefused(target, says("is-a-file"), says("name-folder"))
    for path in inputs:
        if place in _real(path).parents:
            raise OutputRefused(target, says("holds-inputs"), says("name-other-folder"))
    if _is_empty(target, place):
        return
    if not overwrite:
        raise OutputRefused(target, says("folder-full"), says("other-or-force"))
    _check_is_ours(target, place)
    for name in files_below(place):
        if is_open_elsewhere(place / name):
            raise OutputRefused.open_elsewhere(target / name)


def _check_is_ours(target: Path, place: Path) -> None:
    try:
        ours = read_manifest(place)
    except BadCloseout as error:
        raise OutputRefused(
            target, says("has-no-manifest", file=MANIFEST), says("name-other-folder")
        ) from error
    foreign = [name for name in files_below(place) if name not in ours]
    if foreign:
        raise OutputRefused(target, says("holds-foreign", file=foreign[0]), says("move-it"))


def _is_empty(target: Path, place: Path) -> bool:
    try:
        return not any(place.iterdir())
    except OSError as error:
        raise OutputRefused(
            target, says("not-readable", why=str(error.strerror)), says("choose-another")
        ) from error


@contextmanager
def whole_folder(target: Path, *, inputs: Collection[str] = (), overwrite: bool) -> Iterator[Path]:
    """Give a hidden folder to write to; when all went well it becomes the target.

    Whenever the program is killed, the target is the old complete folder, the new complete
    one, or absent; then the next run puts the old one back. Nothing happens to the target
    before the block ends, so the block may hold the whole work: no other run gets in between.

    Parameters
    ----------
    target : Path
        Made if it is not there; its parent has to be.
    inputs : collection of str
        Files and folders that are read: the target must not hold them.
    overwrite : bool
        Whether an earlier result is replaced; see :func:`check_folder`.

    Raises
    ------
    OutputRefused
        As :func:`check_folder`, if another run is writing to the same target, or if the
        system refuses to write.
    """
    place = _real(target)
    check_folder(target, inputs=inputs, overwrite=overwrite)
    with only_run(target), as_refusal(target, says("free-space")):
        _tidy(place)
        draft = place.with_name(f".{place.name}.{secrets.token_hex(4)}.part")
        draft = Path(openable(os.fspath(draft), below=_LONGEST_NAME))
        try:
            # Again: another run may have ended just now, or an earlier result been put back.
            check_folder(target, inputs=inputs, overwrite=overwrite)
            draft.mkdir()
            yield draft
            _swap(target, draft, place, overwrite)
        finally:
            shutil.rmtree(draft, ignore_errors=True)


def _real(path: str | Path) -> Path:
    return Path(os.path.realpath(path))


def _tidy(place: Path) -> None:
    """Clear away what a killed run left behind; an earlier result goes back to its place."""
    name = re.compile(rf"\.{re.escape(place.name)}\.[0-9a-f]{{8}}\.(part|old)")
    left = sorted(path for path in place.parent.iterdir() if name.fullmatch(path.name))
    for path in left:
        if path.suffix == ".old" and not place.exists():
            path.rename(place)
        else:
            shutil.rmtree(path.rename(path.with_suffix(".part")), ignore_errors=True)


def _swap(target: Path, draft: Path, place: Path, overwrite: bool) -> None:
    """Put the draft in the target's place; what was there becomes the draft, to be cleared."""
    # Looked at again: somebody may have put a file there while the work went on.
    check_folder(target, inputs=(), overwrite=overwrite)
    if place.exists() and not any(place.iterdir()):
        place.rmdir()
    if not place.exists():
        os.rename(draft, place)
        return
    old = draft.with_suffix(".old")
    try:
        os.rename(place, old)
        os.rename(draft, place)
    except BaseException:
        if not place.exists():
            os.rename(old, place)
        raise
    with suppress(OSError):  # the new one is in place; then the next run clears the old one away
        os.rename(old, draft)  # no longer complete once that has begun

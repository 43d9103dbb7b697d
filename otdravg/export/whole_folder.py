"""A folder that is there complete, or not at all; one run at a time."""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from otdravg.errors import BadCloseout, OutputRefused
from otdravg.export.manifest import MANIFEST, files_below, read_manifest

__all__ = ["check_folder", "whole_folder"]


def check_folder(target: Path, *, inputs: Iterable[str], overwrite: bool) -> None:
    """Refuse before the work starts what could not be written after it.

    Only a folder that is empty, or that holds nothing but what its manifest lists, is ever
    replaced: nobody's own files are thrown away.

    Raises
    ------
    OutputRefused
        With what is in the way.
    """
    place = target.resolve()
    if not place.parent.is_dir():
        raise OutputRefused(target, "its parent folder does not exist", "make that folder first")
    if not os.access(place.parent, os.W_OK | os.X_OK):
        raise OutputRefused(target, "its parent folder cannot be written to", "choose another")
    if not place.exists():
        return
    if not place.is_dir():
        raise OutputRefused(target, "is a file", "name a folder")
    for location in inputs:
        if place in Path(location).resolve().parents:
            raise OutputRefused(target, "holds files that are read", "name another folder")
    if not any(place.iterdir()):
        return
    if not overwrite:
        raise OutputRefused(
            target, "the folder is not empty", "name another, or replace by --force"
        )
    _check_is_ours(target, place)


def _check_is_ours(target: Path, place: Path) -> None:
    try:
        ours = read_manifest(place)
    except BadCloseout as error:
        raise OutputRefused(
            target, f"has no {MANIFEST}, so it is no closeout", "name another folder"
        ) from error
    foreign = [name for name in files_below(place) if name not in ours]
    if foreign:
        raise OutputRefused(
            target, f"holds {foreign[0]}, which no closeout wrote", "move it elsewhere first"
        )


@contextmanager
def whole_folder(target: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a hidden folder to write to; when all went well it becomes the target.

    Whenever the program is killed, the target is the old complete folder, the new complete
    one, or absent. What a killed run left behind is cleared away by the next.

    Raises
    ------
    OutputRefused
        If another run is writing to the same target, or the system refuses to write.
    """
    place = target.resolve()
    with _only_run(target, place):
        for left in place.parent.glob(f".{_escaped(place.name)}.*.part"):
            shutil.rmtree(left, ignore_errors=True)
        draft = place.with_name(f".{place.name}.{secrets.token_hex(4)}.part")
        try:
            draft.mkdir()
            yield draft
            _swap(draft, place, overwrite)
        except OSError as error:
            raise OutputRefused(
                target,
                f"could not be written ({error.strerror or error})",
                "free space or choose another place",
            ) from error
        finally:
            shutil.rmtree(draft, ignore_errors=True)


def _escaped(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _swap(draft: Path, place: Path, overwrite: bool) -> None:
    """Put the draft in the target's place."""
    if place.exists() and not any(place.iterdir()):
        place.rmdir()
    if place.exists() and not overwrite:
        raise FileExistsError(0, "another program has written there meanwhile")
    if place.exists():
        old = draft.with_name(draft.name.removesuffix(".part") + ".old.part")
        os.rename(place, old)
        os.rename(draft, place)
        shutil.rmtree(old, ignore_errors=True)
    else:
        os.rename(draft, place)


@contextmanager
def _only_run(target: Path, place: Path) -> Iterator[None]:
    """Hold a lock beside the target; the system lets go of it however the program ends."""
    lock = place.with_name(f".{place.name}.lock")
    try:
        stream = open(lock, "ab")  # noqa: SIM115 - held open beyond this block on purpose
    except OSError as error:
        raise OutputRefused(
            target, f"could not be written ({error.strerror})", "choose another place"
        ) from error
    with stream:
        if not _locked(stream.fileno()) or not _is_still(lock, stream.fileno()):
            raise OutputRefused(target, "another run is writing there", "wait until it has ended")
        try:
            yield
        finally:
            with suppress(OSError):  # another system refuses while it is open: then it stays
                lock.unlink()


def _is_still(lock: Path, descriptor: int) -> bool:
    """Whether the lock file has not been taken away by the run that had it before."""
    try:
        return os.path.samestat(lock.stat(), os.fstat(descriptor))
    except OSError:
        return False


def _locked(descriptor: int) -> bool:
    """Take a lock that ends with the process; False if another one has it."""
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        except OSError:
            return False
        return True
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True

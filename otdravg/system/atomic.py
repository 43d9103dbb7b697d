"""Output files: complete or not there, and never over something unasked."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from otdravg.errors import OutputRefused
from otdravg.findings import says
from otdravg.system.ordinary import is_open_elsewhere


def check_targets(targets: Iterable[Path], *, inputs: Iterable[Path], overwrite: bool) -> None:
    """Refuse before the work starts what could not be written after it.

    Parameters
    ----------
    targets : iterable of Path
        Files that will be written.
    inputs : iterable of Path
        Files that are read: never written over, whatever ``overwrite`` says.
    overwrite : bool
        Whether an existing file may be replaced.

    Raises
    ------
    OutputRefused
        Naming the first target that is an input, is named twice, exists without
        ``overwrite``, is not a regular file, or whose folder is missing or closed.
    """
    sources = {_real(path) for path in inputs}
    seen: set[Path] = set()
    for target in targets:
        real = _real(target)
        if real in sources:
            raise OutputRefused(target, says("is-read"), says("other-name"))
        if real in seen:
            raise OutputRefused(target, says("named-twice"), says("two-names"))
        seen.add(real)
        _check_place(target, real, overwrite)


def _real(path: Path) -> Path:
    try:
        return Path(os.path.realpath(path))
    except ValueError as error:  # a zero byte
        raise OutputRefused(
            path, says("no-file-name", why=str(error)), says("choose-another")
        ) from error


def _check_place(target: Path, real: Path, overwrite: bool) -> None:
    folder = real.parent
    if real.exists() and not real.is_file():
        raise OutputRefused(target, says("not-regular"), says("name-output"))
    if real.exists() and not overwrite:
        raise _exists(target)
    if is_open_elsewhere(real):
        raise OutputRefused.open_elsewhere(target)
    if not folder.is_dir():
        raise OutputRefused(target, says("no-folder-of"), says("make-folder"))
    if not os.access(folder, os.W_OK | os.X_OK):
        raise OutputRefused(target, says("folder-closed"), says("other-folder"))


def _exists(target: Path) -> OutputRefused:
    return OutputRefused(target, says("output-exists"), says("other-name-or-force"))


def write_atomic(target: Path, content: bytes, *, overwrite: bool) -> None:
    """Write a file so that it is there complete, or not at all.

    The content goes to a temporary file in the same folder, which is then renamed. When
    ``overwrite`` is False the last step fails if another program has meanwhile made the
    file.

    Raises
    ------
    OutputRefused
        If the file exists and may not be replaced, or the system refuses to write.
    """
    real = _real(target)
    draft = real.with_name(f".{real.name}.{secrets.token_hex(4)}.part")
    try:
        with open(draft, "xb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        if overwrite:
            os.replace(draft, real)
        else:
            _move_without_replacing(draft, real)
    except FileExistsError as error:
        raise _exists(target) from error
    except OSError as error:
        raise OutputRefused.by_system(target, error, says("free-space")) from error
    finally:
        with suppress(OSError):  # what came of the target does not depend on it
            draft.unlink(missing_ok=True)


def _move_without_replacing(draft: Path, real: Path) -> None:
    """Give the draft its name only if that name is free."""
    try:
        os.link(draft, real)
    except FileExistsError:
        raise
    except OSError:  # a memory stick's file system has no hard links: reserve the name instead
        with open(real, "xb"):
            pass
        try:
            os.replace(draft, real)
        except OSError:
            real.unlink()
            raise

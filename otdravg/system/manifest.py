"""Hashes of the files of a closeout, as ``sha256sum -c`` reads them.

``evidence.sha256`` lists what the results rest on, and is made first, so that its own hash can
be printed on what people read; ``manifest.sha256`` then lists every file.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from otdravg.errors import BadCloseout
from otdravg.findings import says
from otdravg.system.ordinary import open_ordinary

MANIFEST = "manifest.sha256"
EVIDENCE = "evidence.sha256"
#: Traces, tables, and the results with all their digits.
_EVIDENCE_ENDS = (".csv", ".json", ".sor", ".zip")
#: A hundred thousand files of a closeout take less; a longer manifest does not fit its folder.
_LARGEST_BYTES = 32 * 2**20
_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")


@dataclass(frozen=True, slots=True)
class ManifestCheck:
    """What came of a check; names are relative to the folder, with forward slashes."""

    listed: int
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    extra: tuple[str, ...]  # there, and not in the manifest

    @property
    def is_good(self) -> bool:
        """Whether the folder is exactly what the manifest says."""
        return not (self.changed or self.missing or self.extra)


def write_manifest(folder: Path) -> None:
    """Write the manifest over every file below a folder."""
    _write(folder, MANIFEST, files_below(folder))


def write_evidence(folder: Path) -> str:
    """Write the hashes of what the results rest on; return the hash of that list, if it has any.

    Page and paper alone rest on nothing that lies beside them: a hash of an empty list on them
    would look like a seal.
    """
    files = _evidence_below(folder)
    _write(folder, EVIDENCE, files)
    return _hash_of(folder / EVIDENCE) if files else ""


def _write(folder: Path, name: str, files: Iterable[str]) -> None:
    lines = [f"{_hash_of(folder / file)}  {file}\n" for file in files]
    (folder / name).write_bytes("".join(lines).encode("utf-8"))


def _evidence_below(folder: Path) -> list[str]:
    return [name for name in files_below(folder) if name.lower().endswith(_EVIDENCE_ENDS)]


def read_manifest(folder: Path, name: str = MANIFEST) -> Mapping[str, str]:
    """Return the hashes by file name.

    Raises
    ------
    BadCloseout
        If there is no manifest, or a line of it cannot be read.
    """
    place = folder / name
    try:
        with open_ordinary(str(place)) as stream:
            text = stream.read(_LARGEST_BYTES).decode("utf-8")
    except OSError as error:
        raise BadCloseout(
            place, says("not-readable", why=error.strerror or str(error)), says("name-closeout")
        ) from error
    except UnicodeDecodeError as error:
        raise BadCloseout(place, says("not-utf8-at", byte=error.start)) from error
    hashes: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None:
            raise BadCloseout(place, says("no-hash-line", line=number))
        if match[2] in hashes:
            raise BadCloseout(place, says("hash-line-twice", line=number, file=match[2]))
        hashes[match[2]] = match[1]
    return hashes


def check_manifest(folder: Path) -> ManifestCheck:
    """Hold a folder against its manifest."""
    return _check(folder, read_manifest(folder), set(files_below(folder)))


def check_evidence(folder: Path) -> tuple[ManifestCheck, str]:
    """Hold traces, tables and results against their list; return the hash of the list, too."""
    found = _check(folder, read_manifest(folder, EVIDENCE), set(_evidence_below(folder)))
    return found, _hash_of(folder / EVIDENCE)


def _check(folder: Path, hashes: Mapping[str, str], present: set[str]) -> ManifestCheck:
    return ManifestCheck(
        listed=len(hashes),
        changed=tuple(
            name
            for name, wanted in hashes.items()
            if name in present and _hash_of(folder / name) != wanted
        ),
        missing=tuple(name for name in hashes if name not in present),
        extra=tuple(sorted(present - set(hashes))),
    )


def files_below(folder: Path) -> list[str]:
    """Names of all files but the manifest, sorted, with forward slashes."""
    return sorted(
        name
        for path in folder.rglob("*")
        if (path.is_symlink() or not path.is_dir())
        and (name := path.relative_to(folder).as_posix()) != MANIFEST
    )


def _hash_of(path: Path) -> str:
    """SHA-256 of a file; a link, a device or a file that cannot be opened has none."""
    digest = hashlib.sha256()
    try:
        with open_ordinary(str(path)) as stream:
            while chunk := stream.read(1 << 20):
                digest.update(chunk)
    except OSError:
        return ""
    return digest.hexdigest()

"""What lies in a zip archive, entry by entry; nothing is unpacked to disk.

An archive may come from anybody: its directory is read within limits, and an entry that is
not plainly one file of its own name is passed over, with the reason beside it.
"""

from __future__ import annotations

import io
import os
import re
import stat
import struct
import zipfile
from collections import defaultdict
from dataclasses import dataclass, replace

from otdravg.cable.location import FoundFile, Location, Member
from otdravg.errors import UnreadableTrace
from otdravg.findings import Statement, says
from otdravg.system.ordinary import open_ordinary

ARCHIVE_SUFFIX = ".zip"

#: General purpose flags (APPNOTE 6.3.10, 4.4.4): encrypted, strongly encrypted, masked header.
_ENCRYPTED = 0x0001 | 0x0040 | 0x2000
_PATCH_DATA = 0x0020
_UTF8_NAME = 0x0800
_DRIVE = re.compile(r"[A-Za-z]:")


@dataclass(frozen=True, slots=True)
class ArchiveLimits:
    """How large an archive may be; far above what a crew's cable takes.

    Parameters
    ----------
    entries : int
        Files and folders in it. 3456 fibres at three wavelengths from both ends are 20,736.
    directory_bytes : int
        Size of its directory, which has to be held in memory.
    unpacked_bytes : int
        Size of all its files together.
    ratio : int
        Unpacked to packed size of an entry larger than ``small_bytes``. Shots pack to between
        a half and a thirtieth; what packs better than this holds no shot.
    small_bytes : int
        Entries up to here may pack as well as they like.
    """

    entries: int = 100_000
    directory_bytes: int = 16 * 2**20
    unpacked_bytes: int = 16 * 2**30
    ratio: int = 200
    small_bytes: int = 2**20


def archive_entries(path: str, limits: ArchiveLimits | None = None) -> tuple[FoundFile, ...]:
    """List the files in an archive, in the order of its directory; folders are left out.

    Entries of one name are one entry, which is passed over: nobody knows which is meant.

    Raises
    ------
    UnreadableTrace
        If the file is no zip archive, its directory is damaged, or it is too large.
    """
    limits = limits or ArchiveLimits()
    by_path: dict[str, list[FoundFile]] = defaultdict(list)
    infos, archive_bytes = _directory(path, limits)
    if len(infos) > limits.entries:
        raise _refused(
            path, says("expected-at-most", most=limits.entries, what="entries", found=len(infos))
        )
    total = sum(info.file_size for info in infos)
    if total > limits.unpacked_bytes:
        most = limits.unpacked_bytes
        raise _refused(
            path, says("expected-at-most", most=most, what="bytes unpacked", found=total)
        )
    for info in infos:
        entry = _entry(path, info, limits)
        if entry is not None and not 0 <= info.header_offset < archive_bytes:
            entry = replace(entry, skipped=says("begins-outside"))
        if entry is not None:
            by_path[entry.path].append(entry)
    return tuple(_one_of(same) for same in by_path.values())


class _Bounded(io.BufferedReader):
    """A file of which no more is read at once than an archive's directory may have."""

    most = 0

    def read(self, size: int | None = -1, /) -> bytes:
        """Read, unless it is too much; the end of the file is read without a size."""
        if size is not None and size > self.most:
            raise zipfile.BadZipFile(f"its directory has more than {self.most:,} bytes")
        return super().read(size)


def _directory(path: str, limits: ArchiveLimits) -> tuple[list[zipfile.ZipInfo], int]:
    """Read the directory of an archive, and how many bytes the archive has."""
    try:
        with _Bounded(open_ordinary(path).detach()) as stream:
            stream.most = limits.directory_bytes
            with zipfile.ZipFile(stream) as archive:
                return archive.infolist(), os.fstat(stream.fileno()).st_size
    except OSError as error:
        raise _refused(path, says("not-readable", why=str(error.strerror or error))) from None
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError, struct.error) as e:
        raise _refused(path, says("expected-archive", why=_lowered(str(e))), _AGAIN) from None


_AGAIN = says("copy-or-unpack")


def _refused(path: str, problem: Statement, advice: Statement | None = None) -> UnreadableTrace:
    return UnreadableTrace(path, "archive", None, problem, advice or says("unpack-and-name"))


def _lowered(text: str) -> str:
    return text[:1].lower() + text[1:]


def _entry(archive: str, info: zipfile.ZipInfo, limits: ArchiveLimits) -> FoundFile | None:
    """Describe one entry; None for a folder."""
    typed = _name_of(info).replace("\\", "/")  # some programs write the paths of their own system
    parts = [part for part in typed.split("/") if part not in ("", ".")]
    is_outside = typed.startswith("/") or ".." in parts or bool(_DRIVE.match(typed))
    path = typed if is_outside or not parts else "/".join(parts)
    is_folder = typed.endswith("/")
    if is_folder and not info.file_size and not path.lower().endswith(".sor"):
        return None
    member = Member(
        path,
        info.orig_filename.encode("utf-8" if info.flag_bits & _UTF8_NAME else "cp437"),
        info.header_offset,
        info.compress_size,
        info.compress_type == zipfile.ZIP_DEFLATED,
        info.CRC,
    )
    if is_outside:
        skipped: Statement | None = says("leads-out")
    elif not parts or "\0" in info.orig_filename:
        path, skipped = path or "?", says("name-is-none")
    elif is_folder:
        skipped = says("folder-entry")
    else:
        skipped = _problem(info, path, limits)
    location = Location(archive, info.file_size, member)
    return FoundFile(0, path, location, skipped, path.lower().endswith(ARCHIVE_SUFFIX))


def _name_of(info: zipfile.ZipInfo) -> str:
    """Name of an entry as it was meant.

    Common programs write UTF-8 without saying so, and what does not say so is code page 437
    (APPNOTE.TXT 6.3, appendix D). A name in that code page is hardly ever valid UTF-8.
    """
    if info.flag_bits & _UTF8_NAME:
        return info.filename
    try:
        return info.filename.encode("cp437").decode("utf-8")
    except UnicodeError:
        return info.filename


def _problem(info: zipfile.ZipInfo, path: str, limits: ArchiveLimits) -> Statement | None:
    """Say why an entry is passed over; None if it is a file like any other."""
    kind = stat.S_IFMT(info.external_attr >> 16)
    if kind == stat.S_IFLNK:
        return says("link-entry")
    if kind not in (0, stat.S_IFREG):
        return says("odd-entry")
    if info.flag_bits & _ENCRYPTED:
        return says("encrypted-entry")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or (
        info.flag_bits & _PATCH_DATA
    ):
        return says("packed-by", method=info.compress_type)
    if path.lower().endswith(ARCHIVE_SUFFIX):
        return says("inner-archive")
    # Deflated bytes are hardly longer than the file, stored ones just as long (RFC 1951, 3.2.4).
    if info.compress_size > info.file_size + info.file_size // 100 + 1024:
        return says("smaller-unpacked")
    if info.file_size > max(limits.small_bytes, limits.ratio * info.compress_size):
        return says(
            "grows-much", packed=info.compress_size, bytes=info.file_size, ratio=limits.ratio
        )
    return None


def _one_of(same: list[FoundFile]) -> FoundFile:
    if len(same) == 1:
        return same[0]
    return replace(same[0], skipped=says("same-name-entries", count=len(same)))

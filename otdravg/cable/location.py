"""Where the bytes of one file lie: in a folder, or inside a zip archive.

Everything that reads a file of the crew goes through :meth:`Location.read_bytes`: it opens
ordinary files only and for reading only, takes no more memory than the file was long when it
was listed, and gives no other bytes than those that were seen first.
"""

from __future__ import annotations

import hashlib
import os
import struct
import zlib
from dataclasses import dataclass, field
from io import BufferedReader

from otdravg.errors import UnreadableTrace
from otdravg.findings import Statement, says
from otdravg.system.ordinary import open_ordinary

SUFFIX = ".sor"

#: Local file header: signature, 22 bytes that the directory has too, lengths of name and extra
#: field (APPNOTE 6.3.10, 4.3.7).
_LOCAL_HEADER = struct.Struct("<4s22xHH")
_LOCAL_SIGNATURE = b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Member:
    """One entry of a zip archive, as the archive's directory describes it."""

    name: str  # readable, with forward slashes
    stored_name: bytes
    header_offset: int  # of the local header, from the beginning of the archive
    packed_bytes: int
    deflated: bool
    crc32: int


@dataclass(frozen=True, slots=True)
class Location:
    """Where the bytes of one file lie, how many there are, and, once read, what they hash to.

    Parameters
    ----------
    path : str
        The file, or the archive that holds it.
    size_bytes : int
        Size when it was listed.
    member : Member or None
        The entry, if ``path`` is an archive.
    sha256 : str
        Of the bytes; empty until somebody has read them.
    """

    path: str
    size_bytes: int
    member: Member | None = None
    sha256: str = ""

    def __str__(self) -> str:
        return self.path if self.member is None else f"{self.path}/{self.member.name}"

    def read_bytes(self) -> bytes:
        """Read the file.

        Raises
        ------
        UnreadableTrace
            If it cannot be read, is no ordinary file, is damaged inside its archive, or is not
            what it was when it was listed or first read.
        """
        try:
            with open_ordinary(self.path) as stream:
                if self.member is None:
                    data = stream.read(self.size_bytes + 1)
                else:
                    data = self._unpacked(stream, self.member)
        except OSError as error:
            why = says("not-readable", why=error.strerror or str(error))
            raise self._error(why, says("keep-files")) from None
        is_same = len(data) == self.size_bytes
        if self.sha256:
            is_same = is_same and hashlib.sha256(data).hexdigest() == self.sha256
        if not is_same:
            raise self._error(says("has-changed"), says("review-again"))
        return data

    def _unpacked(self, stream: BufferedReader, member: Member) -> bytes:
        """Read an entry; a bomb is cut off one byte behind the size that was announced."""
        stream.seek(member.header_offset)
        header = stream.read(_LOCAL_HEADER.size)
        if len(header) < _LOCAL_HEADER.size or not header.startswith(_LOCAL_SIGNATURE):
            raise self._damaged(says("no-entry-there"))
        _, name_size, extra_size = _LOCAL_HEADER.unpack(header)
        if stream.read(name_size) != member.stored_name:
            raise self._damaged(says("entry-renamed"))
        stream.seek(extra_size, os.SEEK_CUR)
        packed = stream.read(member.packed_bytes)
        if member.deflated:
            inflate = zlib.decompressobj(-zlib.MAX_WBITS)
            try:
                data = inflate.decompress(packed, self.size_bytes + 1)
            except zlib.error as error:
                raise self._damaged(says("packed-damaged", why=str(error))) from None
        else:
            data = packed
        if len(data) != self.size_bytes:
            is_more = len(data) > self.size_bytes
            code = "entry-longer" if is_more else "entry-shorter"
            raise self._damaged(says(code, bytes=self.size_bytes, found=len(data)))
        if zlib.crc32(data) != member.crc32:
            raise self._damaged(says("entry-checksum"))
        return data

    def _damaged(self, problem: Statement) -> UnreadableTrace:
        return self._error(problem, says("make-archive-again"))

    def _error(self, problem: Statement, advice: Statement) -> UnreadableTrace:
        return UnreadableTrace(str(self), "file", None, problem, advice)


@dataclass(frozen=True, slots=True, order=True)
class FoundFile:
    """One file below a folder: ``batch`` is the number of the folder given, from 0."""

    batch: int
    path: str  # relative to its folder, forward slashes; prefixed by the folder if several
    location: Location = field(compare=False)
    skipped: Statement | None = field(default=None, compare=False)  # why it is not opened
    holds_files: bool = field(default=False, compare=False)  # a folder or an archive

    @property
    def is_trace_file(self) -> bool:
        """Whether the name ends in ``.sor``, in any letter case.

        macOS puts a note of its own beside every file on a stick and in an archive, which has the
        file's name behind ``._`` (AppleDouble, RFC 1740; the name is practice): that is no shot.
        """
        name = self.path.rpartition("/")[2].lower()
        return name.endswith(SUFFIX) and not name.startswith("._")


#: Of a shot that was read back from a closeout: its bytes are elsewhere.
NOWHERE = Location("", 0)

"""The original trace files, bytes unchanged, under names that say what they are.

A file keeps its bytes: one that no longer is what was measured stops the closeout. New names
hold letters, digits, ``-``, ``_`` and ``.`` only, so that they mean the same on every system
and never leave the folder.
"""

from __future__ import annotations

import os
import re
import string
import unicodedata
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timezone
from pathlib import Path
from typing import IO

from otdravg.cable.model import CableReview, ShotRecord, ShotUse
from otdravg.errors import BadSetting, OutputRefused, UnreadableTrace
from otdravg.findings import says
from otdravg.shot.settings import Direction
from otdravg.tables.csv_file import Column, CsvStyle, cell_table, csv_bytes

#: How a trace file is named in a closeout.
DEFAULT_TRACE_NAME = "{cable}_{fibre:04d}_{wavelength}_{direction}.sor"

#: Table of old and new names, inside the folder.
NAMES_TABLE = "names.csv"
_UNUSED = "unused"
_LONGEST_STEM = 120
#: Of a cable's name, so that fibre and direction behind it are never cut off.
_LONGEST_CABLE = 60
#: Of what stands behind the colon of a field: a width of a thousand million is no name.
_LONGEST_FORMAT = 4
_DIRECTIONS = {Direction.A_TO_B: "AB", Direction.B_TO_A: "BA"}
#: Names that another system keeps for its devices (common practice, no source).
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Renamed:
    """A file that was read, and its name in the closeout; empty: it was not copied."""

    shot: ShotRecord
    new_name: str


def check_pattern(pattern: str) -> None:
    """Try a name pattern.

    Raises
    ------
    BadSetting
        If it has unknown fields, does not tell shots apart, or does not end in ``.sor``.
    """
    try:
        parts = [part for part in string.Formatter().parse(pattern) if part[1] is not None]
        fields = {name for _, name, _, _ in parts}
        known = {"cable", "fibre", "wavelength", "direction", "attempt"}
        if not fields <= known:
            raise BadSetting(
                "traces.name", pattern, says("known-fields", known=", ".join(sorted(known)))
            )
        if any(len(layout or "") > _LONGEST_FORMAT for _, _, layout, _ in parts):
            raise BadSetting("traces.name", pattern, says("field-width"))
        _filled(pattern, "C", 1, 1550, Direction.A_TO_B, 1)
    except (ValueError, IndexError, KeyError) as error:
        raise BadSetting("traces.name", pattern, says("mend-pattern", why=str(error))) from error
    if not {"fibre", "wavelength", "direction"} <= fields:
        raise BadSetting("traces.name", pattern, says("use-trace-fields"))
    if not pattern.lower().endswith(".sor"):
        raise BadSetting("traces.name", pattern, says("end-in-sor"))


def _filled(
    pattern: str, cable: str, fibre: int, wavelength_nm: int, direction: Direction, attempt: int
) -> str:
    return pattern.format(
        cable=cable,
        fibre=fibre,
        wavelength=wavelength_nm,
        direction=_DIRECTIONS[direction],
        attempt=attempt,
    )


def renamed(shots: Sequence[ShotRecord], pattern: str) -> tuple[Renamed, ...]:
    """Give every trace file its name in the closeout.

    The shots that stand get the pattern's name, earlier attempts the same with ``_try1`` and
    so on. Trace files that were not used go to ``unused/`` under their own names. What is no
    trace file at all, or could not be opened, is listed and not copied. A name that is taken
    already gets ``_2``, ``_3``, …
    """
    taken: set[str] = {NAMES_TABLE}
    names: dict[str, str] = {}
    result = []
    for shot in shots:
        if shot.use is ShotUse.NOT_A_SHOT or not shot.sha256:
            result.append(Renamed(shot, ""))
            continue
        if shot.path not in names:  # a file that holds several traces is one file
            names[shot.path] = _free(_name_of(shot, pattern), taken)
        result.append(Renamed(shot, names[shot.path]))
    return tuple(result)


def trace_pattern(review: CableReview, by_template: str | None) -> str:
    """Return how trace files are named: by the template, else by the profile, else as usual."""
    return by_template or review.profile.trace_name or DEFAULT_TRACE_NAME


def names_table(files: Sequence[Renamed], style: CsvStyle) -> bytes:
    """Return the table of old and new names as CSV."""
    return csv_bytes(cell_table(_COLUMNS, files), style)


def _name_of(shot: ShotRecord, pattern: str) -> str:
    is_ours = shot.use in (ShotUse.USED, ShotUse.EARLIER)
    place = shot.taken_for
    if is_ours and place.fibre is not None and place.wavelength_nm is not None:
        name = _filled(
            pattern,
            _plain(place.cable)[:_LONGEST_CABLE],
            place.fibre,
            place.wavelength_nm,
            place.direction,
            max(shot.attempt, 1),
        )
        stem, suffix = os.path.splitext(name)
        if shot.use is ShotUse.EARLIER:
            stem += f"_try{shot.attempt}"
        return safe_name(stem) + suffix.lower()
    stem, dot, suffix = shot.path.replace("/", "_").rpartition(".")
    return f"{_UNUSED}/{safe_name(stem)}{dot}{suffix.lower()}"


def _plain(text: str) -> str:
    """Keep letters, digits, ``-``, ``_`` and single dots of a text."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", plain)
    return re.sub(r"\.{2,}", ".", plain)[:_LONGEST_STEM].strip("._-")


def safe_name(text: str) -> str:
    """Make a text the name of a file on any system; never empty."""
    plain = _plain(text)
    if not plain:
        return "file"
    return f"file_{plain}" if _RESERVED.fullmatch(plain) else plain


def _free(name: str, taken: set[str]) -> str:
    """Return the name, or a numbered one; names that differ in letter case only collide."""
    stem, suffix = os.path.splitext(name)
    candidate, number = name, 1
    while candidate.casefold() in taken:
        number += 1
        candidate = f"{stem}_{number}{suffix}"
    taken.add(candidate.casefold())
    return candidate


_COLUMNS: tuple[Column[Renamed], ...] = (
    ("new_name", lambda r: r.new_name),
    ("old_name", lambda r: r.shot.path),
    ("use", lambda r: r.shot.use.value),
    ("sha256", lambda r: r.shot.sha256),
)


def write_traces(
    folder: Path,
    files: Sequence[Renamed],
    *,
    style: CsvStyle,
    zip_at: datetime | None = None,
    done: Callable[[int], None] = lambda count: None,
) -> None:
    """Copy the trace files and write the table of their names.

    Parameters
    ----------
    folder : Path
        Where to put ``traces/`` (or ``traces.zip``).
    files : sequence of Renamed
    style : CsvStyle
        Of the table.
    zip_at : datetime, optional
        Write ``traces.zip`` instead, with this time on every entry.
    done : callable
        Called with the number of files finished since the last call.

    Raises
    ------
    OutputRefused
        If a file cannot be read any more or has other bytes than when it was measured.
    """
    table = names_table(files, style)
    copies = {file.new_name: file.shot for file in files if file.new_name}
    if zip_at is None:
        _write_folder(folder / "traces", copies, table, done)
    else:
        _write_zip(folder / "traces.zip", copies, table, zip_at, done)


def _write_folder(
    target: Path, copies: dict[str, ShotRecord], table: bytes, done: Callable[[int], None]
) -> None:
    target.mkdir()
    (target / NAMES_TABLE).write_bytes(table)
    for name, shot in copies.items():
        place = target / name
        place.parent.mkdir(exist_ok=True)
        with open(place, "xb") as stream:
            _copy(shot, stream)
        done(1)


def _write_zip(
    target: Path,
    copies: dict[str, ShotRecord],
    table: bytes,
    made_at: datetime,
    done: Callable[[int], None],
) -> None:
    # The format counts years from 1980 (APPNOTE 6.3.10, 4.4.6).
    at = max(made_at, datetime(1980, 1, 1, tzinfo=timezone.utc))
    when = (at.year, at.month, at.day, at.hour, at.minute, at.second)
    with zipfile.ZipFile(target, "x", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(_entry(f"traces/{NAMES_TABLE}", when), table)
        for name, shot in copies.items():
            with archive.open(_entry(f"traces/{name}", when), "w") as stream:
                _copy(shot, stream)
            done(1)


def _entry(name: str, when: tuple[int, int, int, int, int, int]) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, when)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o644 << 16
    return entry


def _copy(shot: ShotRecord, target: IO[bytes]) -> None:
    try:
        content = shot.location.read_bytes()
    except UnreadableTrace as error:
        raise OutputRefused(shot.path, error.expected, error.advice) from error
    target.write(content)

"""What a file's name and its folders say about the shot in it.

Nothing here is certain: names are typed by people. Every reading is a claim that is
weighed against the header (see :mod:`otdravg.cable.files.taking`).
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path, PurePosixPath

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.shot.settings import Direction


@dataclass(frozen=True, slots=True)
class Claim:
    """What one source says about a shot; ``None`` where it says nothing."""

    cable: str | None = None
    fibre: int | None = None
    direction: Direction | None = None
    wavelength_nm: int | None = None


#: Test wavelengths that a number in a name may be, nm (ITU-T G.652 bands and common practice).
WAVELENGTHS_NM = (850, 1300, 1310, 1383, 1490, 1550, 1577, 1590, 1625, 1650)

#: A laser marked this far from a usual wavelength is still meant to be it, nm.
_SAME_LASER_NM = 15


def usual_wavelength(wavelength_nm: int) -> int:
    """Return the usual test wavelength that a stated one is meant to be: 1550 for 1551."""
    nearest = min(WAVELENGTHS_NM, key=lambda nm: abs(nm - wavelength_nm))
    return nearest if abs(nearest - wavelength_nm) <= _SAME_LASER_NM else wavelength_nm


_WAVELENGTH = re.compile(
    r"(?<!\d)(" + "|".join(str(nm) for nm in WAVELENGTHS_NM) + r")(?:\s*nm)?(?!\d)", re.IGNORECASE
)
#: Words for a fibre, in front of its number.
_OF_FIBRE = ("f", "fb", "fib", "fibre", "fiber", "strand")
_MARKED_FIBRE = re.compile(
    rf"(?<![A-Za-z])(?:{'|'.join(_OF_FIBRE)})[ ._#-]*0*(\d{{1,4}})(?!\d)", re.IGNORECASE
)
_NUMBER = re.compile(r"(?<![A-Za-z\d.])0*(\d{1,4})(?![\d.])")
_DIRECTION = re.compile(
    r"(?<![A-Za-z\d])(?:"
    r"(?P<both>a[ _.-]?(?:to|2|>|-)?[ _.-]?b|b[ _.-]?(?:to|2|>|-)?[ _.-]?a)"
    r"|(?:from|end|side)[ _.-]?(?P<end>[ab])|(?P<end2>[ab])[ _.-]?(?:end|side)|(?P<one>[ab])"
    r")(?![A-Za-z\d])",
    re.IGNORECASE,
)


def direction_of(text: str) -> Direction | None:
    """Read a direction as people write it: ``AB``, ``A-B``, ``A to B``, ``from A``, ``A``."""
    ends = set()
    for match in _DIRECTION.finditer(text):
        letters = match["both"] or match["end"] or match["end2"] or match["one"]
        ends.add(letters[0].upper())
    if len(ends) != 1:
        return None
    return Direction.A_TO_B if ends == {"A"} else Direction.B_TO_A


@lru_cache(maxsize=4096)
def same_text(text: str) -> str:
    """Reduce a text to letters and digits in lower case, for comparison."""
    return "".join(c for c in text.casefold() if c.isalnum())


def claim_of_name(name: str) -> Claim:
    """Read a file name (without its folders).

    A fibre number is one marked as such (``F014``, ``fibre-14``), else the last number that
    stands alone and is not a wavelength.
    """
    stem = name.rsplit(".", 1)[0]
    numbers = _NUMBER.findall(_WAVELENGTH.sub(" ", stem)) or ["0"]
    claim = _read(stem)
    return claim if marks_fibre(name) else replace(claim, fibre=int(numbers[-1]) or None)


def _read(text: str) -> Claim:
    """Read a part of a path; only a marked number is a fibre's."""
    wavelengths = {int(nm) for nm in _WAVELENGTH.findall(text)}
    rest = _WAVELENGTH.sub(" ", text)
    marked = _MARKED_FIBRE.findall(rest) or ["0"]
    wavelength = wavelengths.pop() if len(wavelengths) == 1 else None
    return Claim(None, int(marked[-1]) or None, direction_of(rest), wavelength)


def marks_fibre(name: str) -> bool:
    """Whether a file name says of a number that it is a fibre's: ``F014``, ``fibre-14``."""
    return _MARKED_FIBRE.search(_WAVELENGTH.sub(" ", name.rsplit(".", 1)[0])) is not None


#: A number with the letters before it, which say what it counts.
_COUNTED = re.compile(r"([A-Za-z]*)[ ._#-]*(?<!\d)0*(\d{1,4})(?!\d)")


def numbers_by_place(path: str) -> dict[NumberPlace, int]:
    """Read all numbers in a path but wavelengths, each by where it stands."""
    found: dict[NumberPlace, int] = {}
    parts = PurePosixPath(path.rsplit(".", 1)[0]).parts
    for level, part in enumerate(reversed(parts)):
        count: Counter[str] = Counter()
        for match in _COUNTED.finditer(_WAVELENGTH.sub(" ", part)):
            letters = match[1].lower()
            # An end in front of a number counts nothing: A012.
            word = "" if letters in ("a", "b") else letters
            count[word] += 1
            found[NumberPlace(level, word, count[word])] = int(match[2])
    return found


@dataclass(frozen=True, slots=True, order=True)
class NumberPlace:
    """Where in paths a number stands: how many folders up, behind which word, the how manieth."""

    level: int  # 0: in the file's name
    word: str
    number: int

    @property
    def is_marked(self) -> bool:
        """Whether the word says that it counts fibres."""
        return self.word in _OF_FIBRE


def claim_of_folder(folders: Iterable[str]) -> Claim:
    """Read the folders above a file, the nearest first; the nearest that says a thing counts."""
    fibre = direction = wavelength = None
    for said in map(_read, folders):
        fibre = fibre or said.fibre
        direction = direction or said.direction
        wavelength = wavelength or said.wavelength_nm
    return Claim(None, fibre, direction, wavelength)


_FIELDS = {
    "cable": r"(?P<cable>[^/]+?)",
    "fibre": r"(?P<fibre>\d+)",
    "direction": r"(?P<direction>[^/]+?)",
    "wavelength": r"(?P<wavelength>\d{3,4})",
    "any": r"[^/]*?",
}


@dataclass(frozen=True, slots=True)
class NamePattern:
    """A name pattern with named fields, such as ``{cable}_F{fibre}_{wavelength}_{direction}``."""

    text: str
    expression: re.Pattern[str]
    folders: int  # how many folder levels it looks at

    @classmethod
    def parse(cls, text: str) -> NamePattern:
        """Compile a pattern.

        Fields are ``{cable}``, ``{fibre}``, ``{direction}``, ``{wavelength}`` and ``{any}``;
        everything else stands for itself, in any letter case. The file ending may be left
        out. A ``/`` makes the pattern look at folders too.

        Raises
        ------
        BadSetting
            For an unknown or repeated field, or a pattern without fields.
        """
        parts = re.split(r"\{([^{}]*)\}", text)
        names = [part for part in parts[1::2] if part != "any"]
        allowed = ", ".join("{" + name + "}" for name in _FIELDS)
        for name in names:
            if name not in _FIELDS:
                raise BadSetting(
                    "name pattern", text, says("no-such-field", name=name, allowed=allowed)
                )
        if not names or len(set(names)) != len(names):
            raise BadSetting("name pattern", text, says("fields-once", allowed=allowed))
        pieces = [_FIELDS[part] if i % 2 else re.escape(part) for i, part in enumerate(parts)]
        expression = "".join(pieces) + (r"(?:\.sor)?" if not text.lower().endswith(".sor") else "")
        return cls(text, re.compile(expression, re.IGNORECASE), text.count("/"))

    def claim(self, path: str) -> Claim | None:
        """Read a relative path; ``None`` if it does not match.

        Raises
        ------
        BadSetting
            If the direction field holds something that is not a direction.
        """
        tail = "/".join(PurePosixPath(path).parts[-1 - self.folders :])
        match = self.expression.fullmatch(tail)
        if match is None:
            return None
        found = match.groupdict()
        direction = found.get("direction")
        sense = None if direction is None else direction_of(direction)
        if direction is not None and sense is None:
            raise BadSetting(
                "name pattern", self.text, says("no-direction-in", text=direction, path=path)
            )
        fibre, wavelength = found.get("fibre"), found.get("wavelength")
        return Claim(
            found.get("cable"),
            int(fibre) if fibre and int(fibre) > 0 else None,
            sense,
            usual_wavelength(int(wavelength)) if wavelength else None,
        )


@dataclass(frozen=True, slots=True)
class Mapping:
    """A table that says by hand what files are: claims by path or by bare name."""

    claims: dict[str, Claim]

    def claim(self, path: str) -> Claim | None:
        """Return the claim for a relative path; a full path goes before a bare name."""
        return self.claims.get(path.casefold()) or self.claims.get(
            PurePosixPath(path).name.casefold()
        )

    def unused(self, paths: Iterable[str]) -> tuple[str, ...]:
        """Return entries that name none of these files."""
        known = set()
        for path in paths:
            known |= {path.casefold(), PurePosixPath(path).name.casefold()}
        return tuple(sorted(set(self.claims) - known))


_MAPPING_COLUMNS = {"file", "cable", "fibre", "direction", "wavelength_nm"}


def read_mapping(path: Path) -> Mapping:
    """Read a mapping CSV with the columns file, cable, fibre, direction, wavelength_nm.

    All but ``file`` may be missing or empty; what is empty is decided as usual.

    Raises
    ------
    BadSetting
        With the line that cannot be used.
    """
    text = path.read_text(encoding="utf-8-sig")
    rows = csv.DictReader(io.StringIO(text))
    columns = {name.strip() for name in rows.fieldnames or () if name}
    if "file" not in columns or not columns <= _MAPPING_COLUMNS:
        allowed = ", ".join(sorted(_MAPPING_COLUMNS))
        raise BadSetting("mapping", str(path), says("first-line", allowed=allowed))
    claims: dict[str, Claim] = {}
    for number, row in enumerate(rows, start=2):
        cells = {(key or "").strip(): (value or "").strip() for key, value in row.items()}
        name = cells["file"].replace("\\", "/").casefold()
        if not name:
            continue
        place = f"{path} line {number}"
        if name in claims:
            raise BadSetting("mapping", place, says("file-named-twice", file=cells["file"]))
        claims[name] = Claim(
            cells.get("cable") or None,
            _whole(cells.get("fibre"), place),
            _stated_direction(cells.get("direction"), place),
            _whole(cells.get("wavelength_nm"), place),
        )
    return Mapping(claims)


def _whole(text: str | None, place: str) -> int | None:
    if not text:
        return None
    if not re.fullmatch(r"\d{1,4}", text, re.ASCII) or int(text) == 0:
        raise BadSetting("mapping", place, says("not-whole-above-0", text=text))
    return int(text)


def _stated_direction(text: str | None, place: str) -> Direction | None:
    if not text:
        return None
    direction = direction_of(text.replace("→", "-"))
    if direction is None:
        raise BadSetting("mapping", place, says("not-a-direction", text=text))
    return direction

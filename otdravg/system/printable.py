"""Text from outside made safe to print, and signs for terminals that lack them."""

from __future__ import annotations

import re
import unicodedata

_ASCII_SIGNS = str.maketrans(
    {"→": "->", "±": "+-", "…": "...", "×": "x", "µ": "u", **dict.fromkeys("−–—·•", "-")}
    # From memory: German where umlauts cannot be written.
    | {"ä": "ae", "ö": "oe", "ü": "ue", "Ä": "AE", "Ö": "OE", "Ü": "UE", "ß": "ss"}
)


#: Combining marks in a row that stay marks. Written languages stack three or four (common
#: practice, no source); forty paint over the lines above and below.
_MOST_MARKS = 4
#: The first combining mark of all (Unicode Standard, block 0300 to 036F).
_FIRST_MARK = "\u0300"
#: How Python writes bytes of a file name that it could not decode (PEP 383).
_ESCAPED_BYTES = re.compile("[\udc80-\udcff]+")


def printable(text: str) -> str:
    r"""Make control characters visible as ``\x1b`` and the like.

    Header texts and file names come from outside: an escape sequence in one could
    recolour a terminal, hide a line or turn the reading direction round. Control,
    format, surrogate and line-separator characters are written out instead of obeyed, and
    so are noncharacters, which XML forbids, and combining marks that pile up.

    Bytes of a file name that the system's locale could not read are read as UTF-8 first, so
    that a name looks the same whatever the locale.
    """
    if text.isprintable() and max(text, default="") < _FIRST_MARK:
        return text
    shown, marks = [], 0
    for character in _ESCAPED_BYTES.sub(_read_as_utf8, text):
        category = unicodedata.category(character)
        marks = marks + 1 if category in {"Mn", "Me"} else 0
        is_obeyed = category in {"Cc", "Cf", "Cs", "Zl", "Zp"} or _is_noncharacter(character)
        shown.append(_written_out(character) if is_obeyed or marks > _MOST_MARKS else character)
    return "".join(shown)


def _read_as_utf8(escaped: re.Match[str]) -> str:
    content = escaped[0].encode("utf-8", "surrogateescape")
    return content.decode("utf-8", "surrogateescape")


def _is_noncharacter(character: str) -> bool:
    """Tell the code points that never stand for a character (Unicode Standard, 23.7)."""
    point = ord(character)
    return point & 0xFFFE == 0xFFFE or 0xFDD0 <= point <= 0xFDEF


def _written_out(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


def survives(text: str, encoding: str) -> bool:
    """Tell whether an output encoding can carry the text."""
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def spelled_in_ascii(text: str) -> str:
    """Replace the trade's signs by ASCII ones, and anything else that is left by ``?``."""
    return text.translate(_ASCII_SIGNS).encode("ascii", "replace").decode("ascii")

"""Text from outside made safe to print, and signs for terminals that lack them."""

from __future__ import annotations

import unicodedata

__all__ = ["printable", "spelled_in_ascii", "survives"]

_ASCII_SIGNS = str.maketrans(
    {"→": "->", "±": "+-", "−": "-", "–": "-", "…": "...", "·": "-", "—": "-", "µ": "u"}
)


def printable(text: str) -> str:
    r"""Make control characters visible as ``\x1b`` and the like.

    Header texts and file names come from outside: an escape sequence in one could
    recolour a terminal, hide a line or turn the reading direction round. Control,
    format, surrogate and line-separator characters are written out instead of obeyed.
    """
    return "".join(_written_out(c) if _is_obeyed(c) else c for c in text)


def _is_obeyed(character: str) -> bool:
    return unicodedata.category(character) in {"Cc", "Cf", "Cs", "Zl", "Zp"}


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

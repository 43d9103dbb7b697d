"""Texts as strangers' files, folders and tables may hold them, and what none of them may do.

One list for every test of an output. A text is hostile if something that reads the output
could obey it: a terminal, a spreadsheet, a browser, a template, a file system.
"""

from __future__ import annotations

import re
import unicodedata
from pathlib import PureWindowsPath

__all__ = [
    "FILE_NAMES",
    "HOSTILE",
    "WINDOWS_DEVICES",
    "check_name",
    "is_obeyed",
    "longest_mark_run",
]

#: What it is, and the text. None holds a NUL: a header ends its text there (see below).
HOSTILE: dict[str, str] = {
    "newline": "line\nbreak",
    "carriage return": "over\rwritten",
    "windows line end": "two\r\nlines",
    "tab": "a\tb",
    "bell and backspace": "ding\a\b\b\bdong",
    "vertical tab": "a\vb\fc",
    "delete": "a\x7fb",
    # ECMA-48: control sequences, one-byte control codes, operating system commands.
    "clear screen": "\x1b[2J\x1b[H gone",
    "colour": "\x1b[32mwithin limit\x1b[0m",
    "one-byte control sequence": "\x9b31m red",
    "window title": "\x1b]0;other title\x07",
    "link": "\x1b]8;;http://example.invalid/\x1b\\here\x1b]8;;\x1b\\",
    "clipboard": "\x1b]52;c;cm0gLXJm\x07",
    "device control": "\x1bP$qm\x1b\\",
    "next line": "a\x85b",
    "line separator": "a\u2028b\u2029c",
    # Unicode Standard Annex 9: marks that turn the reading direction round.
    "right-to-left override": "AB\u202eros.\u202c",
    "right-to-left isolate": "\u2067x\u2069",
    "right-to-left mark": "a\u200f\u200eb\u061cc",
    "zero width": "a\u200bb\u200cc\u200dd\u2060e\ufefff",
    "tag letters": "a\U000e0041\U000e0042b",
    "soft hyphen": "a\u00adb",
    "combining flood": "Z" + "\u0300\u0301\u0302\u0303\u0304" * 40,
    "leading combining mark": "\u0338before",
    "noncharacter": "a\ufffe\uffff\ufdd0\U0001ffffb",  # not allowed in XML 1.0, section 2.2
    # Spreadsheets take these for formulas (OWASP, CSV Injection).
    "formula": '=HYPERLINK("http://example.invalid","open")',
    "formula after blank": "  =1+1",
    "formula after no-break space": "\u00a0=1+1",
    "formula after tab": "\t=1+1",
    "formula plus": "+1+1",
    "formula minus": "-1+1",
    "formula at": "@SUM(A1:A9)",
    "formula full width": "\uff1d1+1",
    "formula quoted": '"=1+1"',
    "old data exchange": "=cmd|' /C calc'!A0",
    "coded control in a workbook": "_x001B__x000A_",  # ECMA-376-1, 22.9.2.19 ST_Xstring
    "cell error": "#REF!",
    # HTML and what makes pages.
    "script": "<script>alert(1)</script>",
    "script end": "</script><script>alert(1)</script>",
    "handler": '"><img src=x onerror=alert(1)>',
    "single quoted attribute": "' onmouseover='alert(1)",
    "comment": "<!-- --!> <![CDATA[ ]]>",
    "entity": "&lt;b&gt;&#x202e;&amp;",
    "address": "javascript:alert(1)",
    "template": "{{ 7*7 }}{% raw %}{#",
    "format": "{0} {cable} %s %(x)s",
    "markup of a paragraph": '<font size="200"><a href="x">y</a>',
    "formula of a picture": r"$\frac{1}{$ \$x$ $$",
    # Places.
    "parent": "../../outside",
    "absolute": "/etc/passwd",
    "drive": r"C:\Windows\x",
    "network place": r"\\host\share",
    "stream": "a:b",
    "device": "CON",
    "device with ending": "NUL.sor",
    "device in other letters": "com\u00b9",
    "dots": "...",
    "trailing dot": "name.",
    "trailing blank": "name ",
    "wildcards": 'a*b?c"d<e>f|g',
    "option": "--force",
    "shell": "$(touch x); `touch y`",
    # Size and alphabet.
    "empty": "",
    "long": "x" * 300,
    "long word of wide letters": "漢" * 300,
    "quotes": "'\"`\u2018\u201c\\",
    "emoji": "\U0001f9f5\U0001f469\u200d\U0001f527",
    "astral letters": "\U00020000\U0001d54f",
    "decomposed": "Mu\u0308nchen",
    "right-to-left letters": "שלום عربى",
}

#: File names that are legal on this system: no ``/``, no NUL, no more than 255 bytes.
FILE_NAMES: dict[str, bytes] = {
    **{
        what: text.replace("/", "\u2215").encode()[:200]
        for what, text in HOSTILE.items()
        if what not in ("empty", "dots", "combining flood", "long word of wide letters")
    },
    "combining flood": HOSTILE["combining flood"].encode()[:201],
    "long word of wide letters": HOSTILE["long word of wide letters"].encode()[:198],
    "not UTF-8": b"caf\xe9 \xff\xfe",
    "cut UTF-8": "漢".encode()[:2],
}

#: Names that Windows keeps for devices, whatever ending follows
#: (Microsoft, "Naming Files, Paths, and Namespaces").
WINDOWS_DEVICES = frozenset(
    ["con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in "0123456789")]
)


def is_obeyed(character: str) -> bool:
    """Whether something that shows text acts on a character in place of showing it."""
    point = ord(character)
    return (
        unicodedata.category(character) in {"Cc", "Cf", "Cs", "Zl", "Zp"}
        or point & 0xFFFE == 0xFFFE
        or 0xFDD0 <= point <= 0xFDEF  # noncharacters: Unicode Standard, section 23.7
    )


def longest_mark_run(text: str) -> int:
    """How many combining marks pile up on one letter at most."""
    longest = run = 0
    for character in text:
        run = run + 1 if unicodedata.category(character) in {"Mn", "Me"} else 0
        longest = max(longest, run)
    return longest


def check_name(name: str, endings: str = "sor") -> None:
    """A name that stays inside its folder and is legal on Windows too."""
    path = PureWindowsPath(name)
    assert not path.anchor
    assert re.fullmatch(rf"(unused/)?[A-Za-z0-9_][A-Za-z0-9._-]*\.({endings})", name), name
    assert len(name) <= 160
    assert path.parts
    for part in path.parts:
        # Microsoft, "Naming Files, Paths, and Namespaces".
        assert not part.endswith((".", " "))
        assert part.split(".")[0].lower() not in WINDOWS_DEVICES
        assert part != ".."

"""Files of settings in TOML, whatever editor saved them."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike
from pathlib import Path
from typing import Any

from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.words.catalogue import tomllib  # type: ignore[attr-defined]

__all__ = ["settings_in", "settings_text", "tomllib"]


def settings_text(path: str | PathLike[str]) -> str:
    """Return the text of a file, without the byte-order mark that editors of Windows put first.

    Raises
    ------
    BadSetting
        If it cannot be read, or is no UTF-8.
    """
    try:
        return Path(path).read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadSetting("text", f"byte {error.start}", says("save-as-utf8")) from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise BadSetting("file", str(path), says("cannot-be-read", why=why)) from error


def settings_in(text: str, number: Callable[[str], Any]) -> dict[str, Any]:
    """Return what a text of TOML states; ``number`` makes its figures with a point.

    Raises
    ------
    BadSetting
        With the line that is no TOML.
    """
    try:
        content: dict[str, Any] = tomllib.loads(text, parse_float=number)
    except (ValueError, RecursionError) as error:
        raise BadSetting("TOML", str(error), says("mend-line")) from error
    return content

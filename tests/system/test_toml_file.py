"""Files of settings as editors save them: read alike, whatever they are settings of."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from otdravg.closeout.template import load_template
from otdravg.errors import BadSetting
from otdravg.job import load as load_job
from otdravg.system.toml_file import settings_in, settings_text
from otdravg.verdict import load as load_profile

#: The UTF-8 signature that editors of Windows write (Unicode Standard, 2.13).
SIGNATURE = b"\xef\xbb\xbf"

#: What reads a file of settings, and the least that such a file states.
KINDS: dict[str, tuple[Callable[[Path], object], str]] = {
    "profile": (load_profile, "format = 1\nname = 'own'\nsource = 'contract'\n"),
    "job": (load_job, "format = 1\ncable = 'SIM-1'\nfibres = 12\nwavelengths = [1550]\n"),
    "template": (load_template, "format = 1\ncompany = 'Simulated crew'\n"),
}

every_kind = pytest.mark.parametrize(("load", "text"), KINDS.values(), ids=KINDS)


@every_kind
def test_signature_and_line_ends_of_windows_change_nothing(
    load: Callable[[Path], object], text: str, tmp_path: Path
) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(text.encode())
    plain = load(path)
    path.write_bytes(SIGNATURE + text.replace("\n", "\r\n").encode())
    assert load(path) == plain


@every_kind
@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"format = 1\nname = '\xff'\n", "'byte 19' is not usable; save the file as UTF-8"),
        ("format = 1\n".encode("utf-16"), "save the file as UTF-8"),
        (b"format 1\n", "line 1"),
        (b"format = " + b"[" * 100_000, "mend the line named"),
    ],
    ids=["another encoding", "two bytes a letter", "no TOML", "too deep"],
)
def test_what_is_no_settings_is_one_line_that_names_the_file(
    load: Callable[[Path], object], text: str, content: bytes, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(content)
    with pytest.raises(BadSetting) as caught:
        load(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@every_kind
@pytest.mark.parametrize("name", ["none.toml", "", "a\0b"])
def test_what_cannot_be_opened_is_one_line(
    load: Callable[[Path], object], text: str, name: str, tmp_path: Path
) -> None:
    with pytest.raises(BadSetting, match=r"No such file|directory|cannot be read"):
        load(tmp_path / name)


def test_figures_are_made_as_they_are_typed(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text("a = 0.150\nb = 1\n")
    assert settings_in(settings_text(path), str) == {"a": "0.150", "b": 1}

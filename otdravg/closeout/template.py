"""The closeout template: whose paper it is, in which language, with which columns.

Read from a TOML file; docs/template.md is the reference of every key. A template changes
how a closeout looks and never a number in it.
"""

from __future__ import annotations

import io
import warnings
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from os import PathLike
from pathlib import Path
from typing import Any

from otdravg.closeout.form import Form, form_of, known_or_nearest
from otdravg.closeout.traces import check_pattern
from otdravg.errors import BadSetting, BadSettings
from otdravg.findings import says
from otdravg.system.toml_file import settings_in, settings_text
from otdravg.tables.csv_file import CellTable, CsvStyle
from otdravg.tables.splices import TABLES, column_names
from otdravg.words.headings import Language, Words

#: Number of the file layout that this reader knows.
_FORMAT = 1

#: Columns of a splice in the order used without a choice.
SPLICE_COLUMNS = (
    "cable", "fibre", "ribbon", "position", "colour", "wavelength_nm", "closure", "tube",
    "ribbon_mark", "tray", "slot", "distance_m", "loss_ab_db", "loss_ba_db", "loss_db",
    "expanded_uncertainty_db", "backscatter_step_db", "limit_db", "state", "verdict", "action",
    "reason", "kind", "coverage", "reflectance_db", "more_than_at_shortest_db", "attempt",
    "near_limit", "detected", "missing_because", "decision", "taken", "file_ab", "file_ba",
)  # fmt: skip

#: Without these a row of the table does not say what it is about.
NEEDED_COLUMNS = ("fibre", "wavelength_nm", "distance_m", "loss_db", "verdict")

_LARGEST_LOGO_BYTES = 2_000_000
_LARGEST_FORM_BYTES = 5_000_000
_LONGEST_TEXT = 200


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture for the cover, PNG or JPEG; size in its own pixels."""

    name: str
    content: bytes
    width: int
    height: int

    @property
    def media_type(self) -> str:
        """Media type by the first bytes of the content."""
        return "image/jpeg" if self.content.startswith(b"\xff\xd8") else "image/png"


@dataclass(frozen=True, slots=True)
class Template:
    """What a closeout says beside the results, and how it says it."""

    company: str = ""  # who did the work
    owner: str = ""  # who gets the closeout
    project: str = ""  # number or name of the project
    revision: str = ""  # of the closeout, as the job counts them
    title: str = ""  # of the closeout; empty: as the language has it
    logo: Logo | None = None
    language: Language = Language.ENGLISH
    columns: tuple[str, ...] = SPLICE_COLUMNS  # constants among them
    headings: Mapping[str, str] = field(default_factory=dict)  # in place of ours, by column
    constants: Mapping[str, str] = field(default_factory=dict)  # by name: the same in every row
    csv: CsvStyle = field(default_factory=CsvStyle)
    trace_name: str | None = None  # None: as the profile says, else the default
    full: bool = False  # the paper has a page with both shots for every exception
    form: Form | None = None  # the owner's own workbook
    made_at: datetime | None = None  # UTC; set when the closeout is made, not by the user

    @property
    def words(self) -> Words:
        """Headings and labels in the language chosen, those of the owner in place of ours."""
        return Words(self.language, self.headings)

    @property
    def labels(self) -> list[tuple[str, str]]:
        """Whose closeout it is, of what project: a label and a text for each."""
        keys = ("project", "revision", "owner", "company")
        return [*((self.words[key], getattr(self, key)) for key in keys), *self.constants.items()]

    @property
    def is_list_chosen(self) -> bool:
        """Whether the list of splices is to look otherwise than without a template."""
        return bool(self.columns != SPLICE_COLUMNS or self.headings)

    def chosen(self, splices: CellTable) -> CellTable:
        """Take the chosen columns of the table of splices, as far as it has them."""
        known = splices.names + tuple(self.constants)
        names = tuple(name for name in self.columns if name in known)
        places, own = [known.index(name) for name in names], tuple(self.constants.values())
        return CellTable(names, tuple(tuple((*r, *own)[p] for p in places) for r in splices.rows))

    @property
    def made_on(self) -> str:
        """When the closeout was made, UTC, as text; nothing if that is not known."""
        return "" if self.made_at is None else f"{self.made_at:%Y-%m-%d %H:%M}"


def load_template(path: str | PathLike[str]) -> Template:
    """Read a template from a TOML file; the logo is looked for beside it.

    Raises
    ------
    BadSetting
        Naming the file, and the first key that cannot be used, its value, and what is allowed.
    """
    try:
        return parse_template(settings_text(path), Path(path).parent)
    except BadSetting as error:
        raise BadSettings(path, [error]) from error


def parse_template(text: str, folder: Path) -> Template:
    """Read a template from TOML text; a logo is looked for in ``folder``."""
    content = settings_in(text, float)
    top = _Keys(content, "")
    if top.take("format", int, 1) != _FORMAT:
        raise BadSetting("format", content["format"], says("reads-format", number=_FORMAT))
    language = _language(top.take("language", str, Language.ENGLISH.value))
    constants = _constants(top.take("constants", dict, {}))
    columns = _columns(top.take("columns", list, [*SPLICE_COLUMNS, *constants]), constants)
    headings = _headings(top.take("headings", dict, {}), columns, language)
    logo = top.text("logo")
    style = _csv_style(_Keys(top.take("csv", dict, {}), "csv."))
    traces = _Keys(top.take("traces", dict, {}), "traces.")
    trace_name = traces.take("name", str, "") or None
    if trace_name is not None:
        check_pattern(trace_name)
    traces.close()
    form = _form(_Keys(top.take("form", dict, {}), "form."), folder)
    template = Template(
        company=top.text("company"),
        owner=top.text("owner"),
        project=top.text("project"),
        revision=top.text("revision"),
        title=top.text("title"),
        logo=_logo(folder / logo) if logo else None,
        language=language,
        columns=columns,
        headings=headings,
        constants=constants,
        csv=style,
        trace_name=trace_name,
        full=top.take("full", bool, False),
        form=form,
    )
    top.close()
    return template


class _Keys:
    """Keys of one table, each taken once; what is left over is an error."""

    def __init__(self, content: Mapping[str, Any], prefix: str) -> None:
        self._left = dict(content)
        self._prefix = prefix

    def take(self, key: str, kind: type, default: Any) -> Any:
        value = self._left.pop(key, default)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise BadSetting(self._prefix + key, value, _KIND_WORDS[kind])
        return value

    def text(self, key: str) -> str:
        value: str = self.take(key, str, "")
        if len(value) > _LONGEST_TEXT:
            raise BadSetting(
                self._prefix + key, value[:20] + "…", says("at-most-signs", most=_LONGEST_TEXT)
            )
        return value

    def close(self) -> None:
        for key, value in self._left.items():
            raise BadSetting(self._prefix + key, value, says("no-template-key"))


_KIND_WORDS = {
    str: says("write-text"),
    int: says("write-whole-number"),
    list: says("write-brackets"),
    dict: says("write-table"),
    bool: says("write-flag"),
}


def _language(code: str) -> Language:
    try:
        return Language(code)
    except ValueError as error:
        known = ", ".join(f'"{language.value}"' for language in Language)
        raise BadSetting("language", code, says("write-one-of", known=known)) from error


def _constants(content: dict[str, Any]) -> dict[str, str]:
    keys = _Keys(content, "constants.")
    for name in content:
        if name in column_names("splices"):
            raise BadSetting("constants", name, says("column-has-name"))
    return {name: keys.text(name) for name in content}


def _columns(names: list[Any], constants: Mapping[str, str]) -> tuple[str, ...]:
    for name in names:
        known_or_nearest("columns", name, (*column_names("splices"), *constants))
    if len(set(names)) != len(names):
        raise BadSetting("columns", names, says("column-once"))
    for name in (*NEEDED_COLUMNS, *constants):
        if name not in names:
            raise BadSetting("columns", names, says("has-to-be-among", name=name))
    return tuple(names)


def _headings(
    content: dict[str, Any], columns: Collection[str], language: Language
) -> dict[str, str]:
    keys = _Keys(content, "headings.")
    known = {name for table in TABLES for name in column_names(table)}
    for name in content:
        known_or_nearest("headings", name, known)
    headings = {name: keys.text(name) for name in content}
    words = Words(language, headings)
    same = Counter(words.heading(name) for name in columns)
    if same and same.most_common(1)[0][1] > 1:
        raise BadSetting("headings", same.most_common(1)[0][0], says("own-heading"))
    return headings


def _csv_style(keys: _Keys) -> CsvStyle:
    style = CsvStyle(
        separator=keys.take("separator", str, ","),
        decimal_comma=keys.take("decimal_comma", bool, False),
    )
    keys.close()
    return style


_LOGOS = ("PNG", "JPEG")


def _logo(path: Path) -> Logo:
    return logo_of(path.name, _content("logo", path, _LARGEST_LOGO_BYTES))


def _form(keys: _Keys, folder: Path) -> Form | None:
    workbook, cells = keys.text("workbook"), keys.take("cells", dict, {})
    rows: dict[str, tuple[str, tuple[str, ...]]] = {}
    for name, content in keys.take("rows", dict, {}).items():
        own = _Keys({"": content}, f"form.rows.{name}").take("", dict, {})
        own = _Keys(own, f"form.rows.{name}.")
        rows[name] = own.take("table", str, "splices"), tuple(own.take("columns", list, []))
        own.close()
    keys.close()
    if not workbook:
        if cells or rows:
            raise BadSetting("form.workbook", "", says("name-workbook"))
        return None
    if not (cells or rows):
        raise BadSetting("form.workbook", workbook, says("say-form-cells"))
    content = _content("form.workbook", folder / workbook, _LARGEST_FORM_BYTES)
    return form_of(workbook, content, cells, rows)


def _content(key: str, path: Path, most: int) -> bytes:
    """Read a file that lies beside the template."""
    try:
        with open(path, "rb") as stream:
            content = stream.read(most + 1)
    except OSError as error:
        raise BadSetting(
            key, str(path), says("cannot-be-read", why=error.strerror or str(error))
        ) from error
    if len(content) > most:
        raise BadSetting(key, str(path), says("at-most-mb", most=most // 1_000_000))
    return content


def logo_of(name: str, content: bytes) -> Logo:
    """Make a logo of a picture's bytes; only its head is read.

    Raises
    ------
    BadSetting
        If it is neither PNG nor JPEG.
    """
    from PIL import Image  # a template without a logo needs none

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # of pictures that unpack to very much
            with Image.open(io.BytesIO(content), formats=_LOGOS) as picture:
                return Logo(name, content, *picture.size)
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError) as error:
        raise BadSetting("logo", name, says("give-png")) from error

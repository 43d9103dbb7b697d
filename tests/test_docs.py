"""The docs are true: every shown command runs, every shown output is real, nothing is missing."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from docs_examples import (
    PAGES,
    ROOT,
    difference,
    examples_of,
    install_commands,
    prepare_folder,
    run_example,
    shown_matches,
)
from make_pictures import PICTURES, PICTURES_DIR, make_picture
from refresh_docs import modules

from otdravg.cli import main

ALL_PAGES = (*PAGES, ROOT / "DEVELOPERS.md", ROOT / "sample_traces" / "README.md")
REFERENCE = ROOT / "docs" / "commands.md"

_LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
_OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


def commands() -> Iterator[tuple[str, click.Command]]:
    """All commands with their names, sub-groups walked."""
    waiting: list[tuple[str, click.Command]] = [("", main)]
    while waiting:
        name, command = waiting.pop(0)
        if isinstance(command, click.Group):
            context = click.Context(command)
            waiting += [
                (f"{name} {sub}".strip(), found)
                for sub in command.list_commands(context)
                if (found := command.get_command(context, sub)) is not None
            ]
        else:
            yield name, command


def test_the_help_of_every_command_ends_with_an_example_of_it() -> None:
    without = [
        name
        for name, command in commands()
        if f"\n\b\notdravg {name} " not in (inspect.cleandoc(command.help or "") + " ")
        and f"\n\b\notdravg {name}\n" not in inspect.cleandoc(command.help or "")
    ]
    assert without == []


def long_options(command: click.Command) -> list[str]:
    """Long names of a command's options."""
    return [
        name
        for parameter in command.params
        if isinstance(parameter, click.Option)
        for name in (*parameter.opts, *parameter.secondary_opts)
        if name.startswith("--")
    ]


def reference_sections() -> list[tuple[str, str]]:
    """Sections of the reference: the command in the heading ("" if it names none), and the text."""
    sections: list[tuple[str, str]] = []
    for section in re.split(
        r"^(?=##+ )", REFERENCE.read_text(encoding="utf-8"), flags=re.MULTILINE
    ):
        heading = re.match(r"##+ `otdravg ((?:[a-z-]+\b(?!\.) ?)+)", section)
        sections.append((heading[1].strip() if heading else "", section))
    return sections


def reference_for(name: str) -> str:
    """Text of the reference about a command; a sub-command may be part of its group's section.

    Parts of a section below a heading of their own belong to the command above them.
    """
    about = ""
    current = ""
    for command, section in reference_sections():
        if command or section.startswith("## "):
            current = command
        in_group = name.startswith(f"{current} ") and f"otdravg {name}" in about + section
        if current == name or (current and in_group):
            about += section
    return about


@pytest.mark.parametrize(
    "page", [page for page in PAGES if examples_of(page)], ids=lambda page: page.name
)
def test_shown_commands_run_and_print_what_is_shown(page: Path, tmp_path: Path) -> None:
    prepare_folder(tmp_path)
    faults: list[str] = []
    for example in examples_of(page):
        outcome = run_example(example, tmp_path)
        if not example.ends_as_stated(outcome.status):
            faults.append(
                f"{example.place}: exit status {outcome.status}: {' && '.join(example.commands)}\n"
                + "\n".join(outcome.lines)
            )
        elif example.shown is not None and not shown_matches(example.shown, outcome.lines):
            faults.append(f"{example.place}:\n{difference(example.shown, outcome.lines)}")
    assert not faults, "\n\n".join(faults)


def test_comparison_of_outputs_can_fail() -> None:
    assert shown_matches(("a", "…", "d"), ("a", "b", "c", "d"))
    assert shown_matches(("a", "…"), ("a",))
    assert not shown_matches(("a", "…", "d"), ("a", "b", "c"))
    assert not shown_matches(("0.060",), ("0.061",))


def test_readme_opens_with_two_commands_of_one_line() -> None:
    found = install_commands()
    assert len(found) == 2
    assert found[0].endswith("otdravg pair sample_traces/easy_A.sor sample_traces/easy_B.sor")
    assert found[1].endswith("pytest")


@pytest.mark.parametrize(("name", "command"), list(commands()))
def test_every_command_and_option_is_in_the_reference(name: str, command: click.Command) -> None:
    about = reference_for(name)
    assert about, f"docs/commands.md has no section on {name}"
    documented = set(_OPTION.findall(about))
    assert not [option for option in long_options(command) if option not in documented]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_option_named_in_the_docs_exists(page: Path) -> None:
    known = {option for _, command in commands() for option in long_options(command)}
    named = set(_OPTION.findall(page.read_text(encoding="utf-8")))
    assert not named - known - {"--help", "--version"}


@pytest.mark.parametrize("page", ALL_PAGES, ids=lambda page: f"{page.parent.name}/{page.name}")
def test_links_lead_to_files_that_exist(page: Path) -> None:
    targets = _LINK.findall(page.read_text(encoding="utf-8"))
    local = [t.split("#")[0] for t in targets if "://" not in t and not t.startswith("#")]
    assert not [target for target in local if not (page.parent / target).exists()]


def test_every_page_is_reached_from_the_index() -> None:
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    linked = {target.split("#")[0] for target in _LINK.findall(index)}
    pages = {page.name for page in (ROOT / "docs").iterdir() if page.is_file()} - {"index.md"}
    assert not pages - linked


def test_map_of_the_code_names_every_module() -> None:
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = [f"`{module.as_posix()}`" for module in modules()]
    assert named
    assert not [name for name in named if name not in developers]


def test_every_picture_is_drawn_by_the_script_and_shown_in_a_page() -> None:
    # Pages of the closeout are photographed from the outputs, not drawn by the script.
    photographed = {
        path.name for kind in ("closeout", "page") for path in PICTURES_DIR.glob(f"{kind}-*.png")
    }
    drawn = set(PICTURES) | photographed
    kept = {path.name for path in PICTURES_DIR.iterdir()}
    shown = {
        Path(target).name
        for page in ALL_PAGES
        for target in _LINK.findall(page.read_text(encoding="utf-8"))
        if target.endswith(".png")
    }
    assert drawn == kept == shown


def test_script_draws_a_picture(tmp_path: Path) -> None:
    picture = make_picture(next(iter(PICTURES)), tmp_path)
    assert picture.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # PNG signature, RFC 2083

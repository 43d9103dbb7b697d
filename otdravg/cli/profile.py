"""``otdravg profile``: read, check and explain acceptance profiles."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from otdravg.cli.boundary import check_files
from otdravg.cli.options import files_argument
from otdravg.cli.terminal import print_text, shows_signs
from otdravg.errors import BadProfile, BadSetting
from otdravg.report.page import Page
from otdravg.verdict import (
    Profile,
    default,
    load,
    load_named,
    load_shipped,
    shipped_names,
    shipped_text,
)
from otdravg.verdict.describe import described


@click.group(no_args_is_help=False)
def profile() -> None:
    """Check and explain acceptance profiles: the contract's rules in a TOML file."""


@profile.command()
@files_argument("files", "FILE...")
@click.pass_context
def check(ctx: click.Context, files: tuple[Path, ...]) -> None:
    """Say whether profiles can be used, and everything that is wrong with them.

    Exit status 0: all can be used, 2: one cannot.

    \b
    otdravg profile check contract.toml
    """
    check_files(ctx, files, _problems)


def _problems(path: Path) -> tuple[BadSetting, ...]:
    """Return what is wrong with a profile; say so if nothing is."""
    try:
        good = load(path)
    except BadProfile as error:
        return error.problems
    print_text(f"{path}: can be used ({good.name})\n")
    return ()


@profile.command()
@click.argument("which", metavar="[NAME|FILE]", required=False)
@click.option("--toml", "as_toml", is_flag=True, help="Print a shipped profile's file, to copy.")
def show(which: str | None, *, as_toml: bool) -> None:
    """Explain a profile in plain words; without an argument, list those that come along.

    The shipped ones are examples of how contracts put it. Only your contract's figures count.

    \b
    otdravg profile show three-attempts
    otdravg profile show two-wavelengths --toml > mine.toml
    """
    if which is None:
        print_text(_listed())
    elif as_toml:
        print_text(shipped_text(which))
    else:
        print_text(_explained(load_named(which)))


def _page() -> Page:
    return Page(ascii_only=not shows_signs(sys.stdout), colour=False)


def _listed() -> str:
    page = _page()
    page.paragraph("Example profiles that come along; a contract's own figures replace them.")
    page.line()
    for known in (default(), *(load_shipped(name) for name in shipped_names())):
        page.line(known.name)
        page.entry("", known.title)
    return page.text()


def _explained(shown: Profile) -> str:
    page = _page()
    page.paragraph(f"{shown.name}: {shown.title or 'no title'}")
    page.entry("Source", shown.source)
    if shown.is_default:
        page.entry("", "Nobody stated it for this job: the contract's figures decide.")
    page.rule()
    for label, sentence in described(shown):
        page.entry(label, sentence)
    return page.text()

"""``otdravg profile``: read, check and explain acceptance profiles."""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import click

from otdravg.cli.boundary import check_files
from otdravg.cli.options import files_argument, language_option
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
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words


@click.group(no_args_is_help=False)
def profile() -> None:
    """Check and explain acceptance profiles: the contract's rules in a TOML file."""


@profile.command()
@files_argument("files", "FILE...")
@language_option
@click.pass_context
def check(ctx: click.Context, files: tuple[Path, ...], language: Language | None) -> None:
    """Say whether profiles can be used, and everything that is wrong with them.

    Exit status 0: all can be used, 2: one cannot.

    \b
    otdravg profile check contract.toml
    """
    check_files(ctx, files, partial(_problems, words=Words(language or Language.ENGLISH)))


def _problems(path: Path, words: Words) -> tuple[BadSetting, ...]:
    """Return what is wrong with a profile; say so if nothing is."""
    try:
        good = load(path)
    except BadProfile as error:
        return error.problems
    print_text(words.say("profile", "usable", path=str(path), name=good.name) + "\n")
    return ()


@profile.command()
@click.argument("which", metavar="[NAME|FILE]", required=False)
@click.option("--toml", "as_toml", is_flag=True, help="Print a shipped profile's file, to copy.")
@language_option
def show(which: str | None, *, as_toml: bool, language: Language | None) -> None:
    """Explain a profile in plain words; without an argument, list those that come along.

    The shipped ones are examples of how contracts put it. Only your contract's figures count.

    \b
    otdravg profile show three-attempts
    otdravg profile show two-wavelengths --toml > mine.toml
    """
    words = Words(language or Language.ENGLISH)
    if which is None:
        print_text(_listed(words))
    elif as_toml:
        print_text(shipped_text(which))
    else:
        print_text(_explained(load_named(which), words))


def _page() -> Page:
    return Page(ascii_only=not shows_signs(sys.stdout), colour=False)


def _listed(words: Words) -> str:
    page = _page()
    page.paragraph(words.say("profile", "examples"))
    page.line()
    for known in (default(), *(load_shipped(name) for name in shipped_names())):
        page.line(known.name)
        page.entry("", known.title)
    return page.text()


def _explained(shown: Profile, words: Words) -> str:
    page = _page()
    page.paragraph(f"{shown.name}: {shown.title or words.say('profile', 'no-title')}")
    page.entry(words.say("profile", "source"), shown.source)
    if shown.is_default:
        page.entry("", words.say("profile", "nobody-stated"))
    page.rule()
    for label, sentence in described(shown, words.language):
        page.entry(label, sentence)
    return page.text()

"""Options that every command which writes a closeout has."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from otdravg.cli.options import FilePath
from otdravg.closeout.closeout import PARTS

__all__ = ["only_option", "template_option"]

Command = TypeVar("Command", bound=Callable[..., Any])


def only_option(command: Command) -> Command:
    """Add ``--only PART,...``."""
    return click.option(
        "--only",
        metavar="PART,...",
        help=f"Which outputs: {', '.join(PARTS)}. The manifest is always written.",
    )(command)


def template_option(command: Command) -> Command:
    """Add ``--template FILE``."""
    return click.option(
        "--template",
        "template_file",
        metavar="FILE",
        type=FilePath,
        help="Company, logo, project, columns, language: a TOML file.",
    )(command)

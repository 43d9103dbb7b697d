"""Options that every command which writes a closeout has."""

from __future__ import annotations

import click

from otdravg.cli.options import FilePath
from otdravg.closeout import PARTS

#: ``--only PART,...``
only_option = click.option(
    "--only",
    metavar="PART,...",
    help=f"Which outputs: {', '.join(PARTS)}. The manifest is always written.",
)

#: ``--template FILE``
template_option = click.option(
    "--template",
    "template_file",
    metavar="FILE",
    type=FilePath,
    help="Company, logo, project, columns, language: a TOML file.",
)

#: ``--full``
full_option = click.option(
    "--full", is_flag=True, help="Paper: a page with both shots for every splice of interest."
)

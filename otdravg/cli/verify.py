"""``otdravg verify``: is a closeout complete, unchanged, and of one mind?"""

from __future__ import annotations

from pathlib import Path

import click

from otdravg.cli.options import FilePath
from otdravg.cli.terminal import print_text
from otdravg.export.agreement import compare_outputs
from otdravg.export.manifest import check_manifest
from otdravg.export.printable import printable

__all__ = ["verify"]

_MOST_SHOWN = 50


@click.command(short_help="Check a closeout: hashes, and the same numbers in every output.")
@click.argument("folder", metavar="DIR", type=FilePath)
@click.pass_context
def verify(ctx: click.Context, folder: Path) -> None:
    """Check every file against manifest.sha256, and the numbers of all outputs against each other.

    Exit status 0: all is as it was written and agrees, 1: something does not, 2: it could not
    be checked.
    """
    manifest = check_manifest(folder)
    problems = [
        *(f"{name}: is missing" for name in manifest.missing),
        *(f"{name}: has changed since the closeout was made" for name in manifest.changed),
        *(f"{name}: is not in the manifest" for name in manifest.extra),
    ]
    agreement = compare_outputs(folder)
    problems += agreement.differences
    for text in problems[:_MOST_SHOWN]:
        print_text(printable(text) + "\n")
    if len(problems) > _MOST_SHOWN:
        print_text(f"and {len(problems) - _MOST_SHOWN} more\n")
    outputs = ", ".join(agreement.compared) or "no output with splices"
    state = "agree" if not agreement.differences else "do not agree"
    print_text(f"{manifest.listed} files in the manifest, {len(problems)} problems\n")
    if len(agreement.compared) > 1:
        print_text(f"{agreement.splices} splices {state} in {outputs}\n")
    ctx.exit(1 if problems else 0)

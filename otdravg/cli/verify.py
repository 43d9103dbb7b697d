"""``otdravg verify``: is a closeout complete, unchanged, and of one mind?"""

from __future__ import annotations

from pathlib import Path

import click

from otdravg.cable import read_decisions
from otdravg.cli.options import FilePath
from otdravg.cli.terminal import print_text
from otdravg.closeout.agreement import compare_decisions, compare_outputs, decisions_made_with
from otdravg.findings import Severity
from otdravg.report.page import counted
from otdravg.system.manifest import check_manifest
from otdravg.system.printable import printable

__all__ = ["verify"]

_MOST_SHOWN = 50


@click.command(short_help="Check a closeout: hashes, and the same numbers in every output.")
@click.argument("folder", metavar="DIR", type=FilePath)
@click.option(
    "--decisions",
    "decisions_file",
    metavar="FILE",
    type=FilePath,
    help="A file of decisions: does it still hold those that the outputs were made with?",
)
@click.pass_context
def verify(ctx: click.Context, folder: Path, *, decisions_file: Path | None) -> None:
    """Check every file against manifest.sha256, and the numbers of all outputs against each other.

    With --decisions a file of decisions is checked too: that its chain of seals holds, and that
    nothing was cut off or sealed anew since the outputs were made.

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
    if decisions_file is not None:
        decisions = read_decisions(decisions_file)
        problems += [
            f"{decisions_file.name}: {finding.evidence}"
            for finding in decisions.findings
            if finding.severity is not Severity.NOTE
        ]
        made_with = decisions_made_with(folder)
        problems += compare_decisions(made_with, decisions.entries, decisions_file.name)
    for text in problems[:_MOST_SHOWN]:
        print_text(printable(text) + "\n")
    if len(problems) > _MOST_SHOWN:
        print_text(f"and {len(problems) - _MOST_SHOWN} more\n")
    outputs = ", ".join(agreement.compared) or "no output with splices"
    one = agreement.splices == 1
    if agreement.differences:
        state = "does not agree" if one else "do not agree"
    else:
        state = "agrees" if one else "agree"
    files, found = counted(manifest.listed, "file"), counted(len(problems), "problem")
    print_text(f"{files} in the manifest, {found}\n")
    if len(agreement.compared) > 1:
        print_text(f"{counted(agreement.splices, 'splice')} {state} in {outputs}\n")
    ctx.exit(1 if problems else 0)

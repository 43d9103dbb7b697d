"""``otdravg verify``: is a closeout complete, unchanged, of one mind, and true in itself?"""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import click

from otdravg.cable import read_decisions
from otdravg.cli.options import FilePath
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import looks, print_text
from otdravg.closeout.checks.decisions import compare_decisions, decisions_made_with
from otdravg.closeout.checks.model import Check, checked
from otdravg.closeout.checks.run import checks_of
from otdravg.findings import Severity
from otdravg.report.page import Page, counted
from otdravg.system.printable import printable
from otdravg.system.workers import local_workers, room_for_workers
from otdravg.words.catalogue import told

__all__ = ["verify"]

_MOST_SHOWN = 50
_WIDTHS = (8, 11)
#: What no look into the folder tells, and who can tell it.
_CANNOT_KNOW = (
    "whether somebody made all of it anew, with other traces or other rules: compare the evidence "
    "hash on the signed paper (otdravg verify DIR --evidence HASH)",
    "whether limits, fibres expected, ends and closures are the contract's: they are what profile "
    "and job said when it was made",
    "whether a shot was taken where, when and by whom its header says",
)
#: The same where the traces are not reviewed again.
_NOT_MEASURED = (
    "whether readings, lengths, places, reasons, attempts, curves and findings are those of the "
    "traces: --measure tells, if the traces are in it"
)


@click.command(short_help="Check a closeout: unchanged, of one mind, true in itself.")
@click.argument("folder", metavar="DIR", type=FilePath)
@click.option("--measure", is_flag=True, help="Review the traces again and compare every result.")
@click.option(
    "--evidence",
    metavar="HASH",
    default="",
    help="Evidence hash on the signed paper: is it that of this closeout? Its first half will do.",
)
@click.option(
    "--decisions",
    "decisions_file",
    metavar="FILE",
    type=FilePath,
    help="A file of decisions: does it still hold those that the outputs were made with?",
)
@click.pass_context
def verify(
    ctx: click.Context,
    folder: Path,
    *,
    measure: bool,
    evidence: str,
    decisions_file: Path | None,
) -> None:
    """Check hashes, outputs, results and traces of a closeout against each other.

    Every output is made again from closeout.json and compared; losses are held against both
    readings, verdicts against their limits, rows against fibres, closures and traces. With
    --measure the traces are reviewed again, which takes as long as the review took.

    With --decisions a file of decisions is checked too: that its chain of seals holds, and that
    nothing was cut off or sealed anew since the outputs were made.

    Exit status 0: all is as it was written and agrees, 1: something does not, 2: it could not
    be checked.

    \b
    otdravg verify result
    otdravg verify result --measure --decisions decisions.csv
    """
    progress = ProgressLine()
    workers = room_for_workers(0).workers if measure else 1
    with local_workers(workers) if workers > 1 else nullcontext() as executor:
        checks = list(
            checks_of(
                folder, evidence=evidence, measure=measure, executor=executor, progress=progress
            )
        )
    progress.clear()
    if decisions_file is not None:
        checks.append(_decisions(folder, decisions_file))
    problems = [text for check in checks for text in check.problems]
    page = Page(**looks(colour=False))
    for text in problems[:_MOST_SHOWN]:
        page.paragraph(text)
    if len(problems) > _MOST_SHOWN:
        page.line(f"and {len(problems) - _MOST_SHOWN} more")
    if problems:
        page.line()
    _table(page, checks)
    page.line("Cannot be known from the folder alone:")
    for text in (*(() if measure else (_NOT_MEASURED,)), *_CANNOT_KNOW):
        page.bullet(text)
    page.line(counted(len(problems), "problem"))
    print_text(page.text())
    ctx.exit(1 if problems else 0)


def _decisions(folder: Path, file: Path) -> Check:
    decisions = read_decisions(file)
    problems = [
        f"{file.name}: {told(finding.evidence)}"
        for finding in decisions.findings
        if finding.severity is not Severity.NOTE
    ]
    problems += compare_decisions(decisions_made_with(folder), decisions.entries, file.name)
    return checked(f"decisions in {printable(file.name)}", len(decisions.entries), problems)


def _table(page: Page, checks: list[Check]) -> None:
    """What was checked, how many, and what came of it."""
    page.row(("Checked", "Result", "What"), _WIDTHS)
    for check in checks:
        wrong = len(check.problems)
        result = (check.not_done and "not done") or (f"{wrong} wrong" if wrong else "agree")
        count = "" if check.not_done else f"{check.count:,}"
        more = f": {check.not_done}" if check.not_done else ""
        page.row((count, result, f"{check.what}{more}"), _WIDTHS)

"""``otdravg verify``: is a closeout complete, unchanged, of one mind, and true in itself?"""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path

import click

from otdravg.cable import read_decisions
from otdravg.cli.options import FilePath, language_option
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import looks, print_text
from otdravg.closeout.checks.decisions import compare_decisions, decisions_made_with
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.checks.run import checks_of
from otdravg.findings import Severity, says
from otdravg.report.page import Page
from otdravg.system.workers import local_workers, room_for_workers
from otdravg.words.catalogue import Language, group
from otdravg.words.headings import Words

_MOST_SHOWN = 50
_WIDTHS = (8, 11)


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
@language_option
@click.pass_context
def verify(
    ctx: click.Context,
    folder: Path,
    *,
    language: Language | None,
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
    words = Words(language or Language.ENGLISH)
    problems = [problem for check in checks for problem in check.problems]
    page = Page(**looks(colour=False))
    for problem in problems[:_MOST_SHOWN]:
        page.paragraph(words.told(problem))
    if len(problems) > _MOST_SHOWN:
        page.line(words.say("verify", "more", more=len(problems) - _MOST_SHOWN))
    if problems:
        page.line()
    _table(page, checks, words)
    page.line(words.say("verify", "cannot-know"))
    for key in (*(() if measure else ("not-measured",)), "other-package", "contract", "header"):
        page.bullet(words.say("verify", key))
    page.line(words.say("verify", "problems", problems=len(problems)))
    print_text(page.text())
    ctx.exit(1 if problems else 0)


def _decisions(folder: Path, file: Path) -> Check:
    decisions = read_decisions(file)
    problems = [
        at(file.name, finding.evidence)
        for finding in decisions.findings
        if finding.severity is not Severity.NOTE
    ]
    problems += compare_decisions(decisions_made_with(folder), decisions.entries, file.name)
    return checked(says("check-decisions", file=file.name), len(decisions.entries), problems)


def _table(page: Page, checks: list[Check], words: Words) -> None:
    """What was checked, how many, and what came of it."""
    thousands = group("language", words.language)["thousands_sign"]
    page.row(words.say("verify", "heads").split("/"), _WIDTHS)
    for check in checks:
        count, what = f"{check.count:,}".replace(",", thousands), words.told(check.what)
        result = words.say("verify", "agree")
        if check.problems:
            result = words.say("verify", "wrong", count=len(check.problems))
        if check.not_done is not None:
            count, result = "", words.say("verify", "not-done")
            what += f": {words.told(check.not_done)}"
        page.row((count, result, what), _WIDTHS)

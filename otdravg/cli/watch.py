"""``otdravg watch``: follow a folder while shots come in, and say what may be shut."""

from __future__ import annotations

import time
from pathlib import Path

import click

from otdravg.cable import KnownClosure, read_closure_table
from otdravg.cli import options
from otdravg.cli.options import FilePath, language_option
from otdravg.cli.progress import ProgressLine
from otdravg.cli.stated import Stated, stating_a_cable
from otdravg.cli.terminal import looks, print_error, print_text
from otdravg.errors import BadSetting, Unusable
from otdravg.findings import says
from otdravg.job import agreed
from otdravg.report.page import Page
from otdravg.watch import Answer, Expected, Follower, Watch
from otdravg.watch.folder import SETTLE_S
from otdravg.watch.memory import usual_place
from otdravg.watch.screen import answer_text, json_lines, summary_text
from otdravg.watch.waking import waiting
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words


@options.Typed
def _closures(text: str) -> int | tuple[KnownClosure, ...]:
    """Read how many closures there are, or the table of them."""
    if text.isascii() and text.isdigit():
        if int(text) < 1:
            raise Unusable(says("one-closure"))
        return int(text)
    return read_closure_table(Path(text))


@click.command()
@stating_a_cable
@click.option(
    "--closures",
    metavar="N|CSV",
    type=_closures,
    help="How many closures the cable has, or a table of them: name,distance.",
)
@click.option(
    "--wavelengths", metavar="NM,...", type=options.wavelengths_nm, help="What is to be shot."
)
@click.option(
    "--settle",
    "settle_s",
    metavar="SECONDS",
    type=click.FloatRange(min=0, max=600),
    default=SETTLE_S,
    show_default=True,
    help="A file counts when nobody has touched it for so long.",
)
@click.option(
    "--poll",
    "poll_s",
    metavar="SECONDS",
    type=click.FloatRange(min=0.2, max=600),
    help="Look that often, and do not ask the system to tell. For network shares and sticks.",
)
@click.option("--once", is_flag=True, help="Look, say how the job stands, and leave.")
@click.option("--summary", is_flag=True, help="Look, write the day's text to send, and leave.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON lines, an event each.")
@click.option("--bell", is_flag=True, help="Ring when somebody is called.")
@click.option("--state", metavar="FILE", type=FilePath, help="Where to note what was said.")
@language_option
@click.pass_context
def watch(
    ctx: click.Context,
    stated: Stated,
    *,
    wavelengths: tuple[int, ...] | None,
    settle_s: float,
    poll_s: float | None,
    once: bool,
    summary: bool,
    as_json: bool,
    bell: bool,
    state: Path | None,
    language: Language | None,
) -> None:
    """Follow FOLDER while shots come in: what is in, what to re-splice, what may be shut.

    Says for each closure and ribbon how far it is, a sentence to be read over the phone when a
    closure has to stay open, and one when every splice of it is proved. For that the job has to
    be stated: by --job, or by --fibres, --closures and --wavelengths (or a profile that names
    them). Ctrl-C ends it; started again it goes on where it was.

    \b
    otdravg watch shots --fibres 72 --closures 5 --wavelengths 1310,1550 --bell
    otdravg watch shots --job ridge-7.toml --summary
    """
    place = usual_place(stated.folders) if state is None else state
    if any(folder.resolve() in place.resolve().parents for folder in stated.folders):
        raise BadSetting("state", str(place), says("state-inside"))
    nm = agreed("--wavelengths", wavelengths, stated.job.wavelengths_nm)
    expected = Expected(stated.options.fibre_count, stated.closure_count, nm or ())
    progress = ProgressLine()
    looks_once = once or summary
    last: Answer | None = None
    with stated.executor() as executor, waiting(stated.folders, poll_s) as wait:
        following = Watch(
            Follower(stated.folders, settle_s, time.monotonic, size_limits=stated.size_limits),
            stated.rules,
            stated.options,
            expected,
            None if summary else place,
            executor,
            progress,
            language or Language.ENGLISH,
        )
        try:
            for answer in following.answers(
                lambda due_s: time.sleep(due_s or 0) if looks_once else wait(due_s), once=looks_once
            ):
                progress.clear()
                _show(
                    answer, following.words, last is None,
                    as_json=as_json, summary=summary, live=not looks_once,
                )  # fmt: skip
                if bell and answer.rings:
                    print_text("\a")
                if problem := following.note_said(answer):
                    print_error(problem)
                last = answer
        except KeyboardInterrupt:
            progress.clear()
    ctx.exit(0 if last is not None and last.is_proved else 1)


def _show(
    answer: Answer, words: Words, first: bool, *, as_json: bool, summary: bool, live: bool
) -> None:
    """Print an answer: all that stands at first, afterwards what is news."""
    if as_json:
        print_text(json_lines(answer, everything=first))
        return
    page = Page(**looks())
    when = time.strftime("%H:%M:%S") if live else ""
    print_text(
        summary_text(answer, page, words)
        if summary
        else answer_text(answer, words, everything=first, when=when, page=page)
    )

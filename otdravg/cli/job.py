"""``otdravg job``: say once what a cable is; check and explain what was said."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import Any

import click

from otdravg.cable import list_shots, read_folders, review
from otdravg.cli.boundary import check_files
from otdravg.cli.measuring import measuring_executor
from otdravg.cli.options import FilePath, files_argument, force_option, language_option
from otdravg.cli.progress import ProgressLine
from otdravg.cli.terminal import print_error, print_text, print_written, shows_signs
from otdravg.errors import BadJob, BadSetting
from otdravg.job import Job, load, parse
from otdravg.job.form import from_review, job_text, typed, typed_row
from otdravg.job.keys import KEYS, JobKey
from otdravg.job.lists import LISTS, JobList
from otdravg.job.rows import form_of
from otdravg.report.job import job_page, remaining
from otdravg.report.page import Page
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets, write_atomic
from otdravg.words.catalogue import Language, told
from otdravg.words.headings import Words

#: Lists whose rows are short enough to be typed on the command line.
_TYPED = tuple(own for own in LISTS if own.option)


@click.group(no_args_is_help=False)
def job() -> None:
    """Say once what a cable is: fibres, ends, closures, wavelengths, rules."""


def _stating(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command an option for every key and every list of a job."""
    for own in reversed(_TYPED):
        names = "=".join(own.needed).upper()
        command = click.option(
            own.option,
            own.name,
            metavar=names,
            multiple=True,
            help=f"{own.sentence()}, as in {own.typed_example()}; may be repeated.",
        )(command)
    for key in reversed(KEYS):
        command = click.option(
            key.own_option, key.path.replace(".", "_"), metavar="TEXT", help=f"{key.sentence()}."
        )(command)
    return command


@job.command()
@click.argument("file", metavar="FILE", type=FilePath)
@_stating
@click.option(
    "--from",
    "folder",
    metavar="FOLDER",
    type=FilePath,
    help="Write what the shots in it show, to be edited.",
)
@language_option
@force_option
def new(
    file: Path, *, folder: Path | None, language: Language | None, force: bool, **stated: Any
) -> None:
    """Write a job: by questions, by options, or from the shots of a first review.

    Without an option it asks; an empty answer leaves a line to fill in later.

    \b
    otdravg job new ridge-7.toml
    otdravg job new ridge-7.toml --cable RIDGE-7 --fibres 48 --wavelengths 1310,1550
    otdravg job new ridge-7.toml --from shots
    """
    check_targets([file], inputs=[], overwrite=force)
    words = Words(language or Language.ENGLISH)
    values: dict[str, Any] = {}
    origins: dict[str, str] = {}
    if folder is not None:
        values, origins = _shown_by(folder)
    elif not any(stated.values()):
        values = _answers(words)
    for key in KEYS:
        text = stated[key.path.replace(".", "_")]
        if text is not None:
            values[key.path] = typed(key, text)
    for own in _TYPED:
        if stated[own.name]:
            values[own.name] = [typed_row(own, text) for text in stated[own.name]]
    text = job_text(values, origins)
    _refuse_faults(text, file)
    write_atomic(file, text.encode("utf-8"), overwrite=force)
    print_written([file], aside=False)
    due = [key.path for key in KEYS if key.is_required and values.get(key.path) is None]
    todo = "fill-in" if due else "then-check"
    print_text(words.say("job", todo, due=", ".join(due), file=str(file)) + "\n")


def _faults(text: str, file: Path) -> tuple[BadSetting, ...]:
    """Return what is wrong with a job, but for keys that are still to be filled in."""
    try:
        parse(text, file)
    except BadJob as error:
        return tuple(one for one in error.problems if one.value != "(missing)")
    return ()


def _refuse_faults(text: str, file: Path) -> None:
    """Refuse to write what could not be read."""
    if faults := _faults(text, file):
        raise BadJob(file, faults)


def _answers(words: Words) -> dict[str, Any]:
    """Ask for everything; an answer that cannot be used is asked for again."""
    values: dict[str, Any] = {}
    print_text(words.say("job", "empty-answer") + "\n")
    language = words.language
    for key in KEYS:
        example = _as_typed(key)
        asked = words.say("job", "ask-key", what=key.sentence(language), example=example)
        _ask(key.path, asked, values, _of_key(key), language)
    for own in _TYPED:
        example = own.typed_example()
        asked = words.say("job", "ask-list", what=own.sentence(language), example=example)
        _ask(own.name, asked, values, _of_list(own), language)
    return values


def _ask(
    path: str, question: str, values: dict[str, Any], read: Callable[[str], Any], language: Language
) -> None:
    while answer := click.prompt(question, default="", show_default=False).strip():
        value, fault = _read(path, answer, read)
        if fault is None:
            values[path] = value
            return
        print_error(told(fault.said, language))


def _read(path: str, answer: str, read: Callable[[str], Any]) -> tuple[Any, BadSetting | None]:
    """Return what an answer means, and what is wrong with it."""
    try:
        value = read(answer)
    except BadSetting as error:
        return None, error
    faults = _faults(job_text({path: value}), Path())
    return value, faults[0] if faults else None


def _of_key(key: JobKey) -> Callable[[str], Any]:
    return lambda text: typed(key, text)


def _of_list(own: JobList) -> Callable[[str], Any]:
    return lambda text: [typed_row(own, part) for part in text.split(",") if part.strip()]


def _as_typed(key: JobKey) -> str:
    return "".join(c for c in key.example if c not in '[]"')


def _shown_by(folder: Path) -> tuple[dict[str, Any], dict[str, str]]:
    progress = ProgressLine()
    with measuring_executor(None, (folder,), SizeLimits()) as executor:
        found = review([folder], executor=executor, progress=progress)
    progress.clear()
    return from_review(found)


@job.command()
@click.argument("folder", metavar="[DIR]", type=FilePath, default=".")
@click.option("--semicolon", is_flag=True, help="Columns parted by ; as a German spreadsheet does.")
@force_option
def forms(folder: Path, *, semicolon: bool, force: bool) -> None:
    """Write an empty form for each list of a job: a header, to be filled in with a spreadsheet.

    Beside the job, a list under the form's name is read without being named in the job.

    \b
    otdravg job forms van
    """
    files = {folder / own.file: form_of(own, ";" if semicolon else ",") for own in LISTS}
    folder.mkdir(parents=True, exist_ok=True)
    check_targets(files, inputs=[], overwrite=force)
    for path, content in files.items():
        write_atomic(path, content, overwrite=force)
    print_written(files, aside=False)


@job.command()
@click.argument("file", metavar="FILE", type=FilePath)
@click.argument("folders", metavar="[FOLDER]...", nargs=-1, type=FilePath)
@language_option
def show(file: Path, folders: tuple[Path, ...], language: Language | None) -> None:
    """Explain a job in plain words; with FOLDER, say what is in and what is still to be shot.

    Nothing is measured for that: headers and names are read.

    \b
    otdravg job show ridge-7.toml shots
    """
    own, words = load(file), Words(language or Language.ENGLISH)
    page = job_page(own, words, ascii_only=not shows_signs(sys.stdout))
    if folders or own.shots:
        page.line()
        _add_remaining(page, own, folders or own.folders, words)
    print_text(page.text())


def _add_remaining(page: Page, own: Job, folders: Iterable[Path], words: Words) -> None:
    records, _ = list_shots(read_folders(tuple(folders)), own.options())
    due = own.missing(records)
    label = words.say("job", "label-to-shoot")
    if not due:
        page.entry(label, words.say("job", "nothing-to-shoot"))
    for end, text in remaining(due, own.ends, words, at_b=own.options().splice_plan.moved):
        page.entry(label, f"{end}: {text}")


@job.command()
@files_argument("files", "FILE...")
@language_option
@click.pass_context
def check(ctx: click.Context, files: tuple[Path, ...], language: Language | None) -> None:
    """Say whether jobs can be used, and everything that is wrong with them.

    Exit status 0: all can be used, 2: one cannot.

    \b
    otdravg job check ridge-7.toml
    """
    check_files(ctx, files, partial(_problems, words=Words(language or Language.ENGLISH)))


def _problems(path: Path, words: Words) -> tuple[BadSetting, ...]:
    """Return what is wrong with a job and the profile it names; say so if nothing is."""
    try:
        good = load(path)
        rules = good.rules()
        good.options()
    except BadJob as error:
        return error.problems
    except BadSetting as error:
        return (error,)
    own = [f"{one.file} {len(rows)}" for one in LISTS if (rows := getattr(good, one.name))]
    print_text(
        words.say(
            "job", "usable-rows" if own else "usable",
            path=str(path), cable=good.cable, profile=rules.name, rows=", ".join(own),
        ) + "\n"
    )  # fmt: skip
    return ()

"""``otdravg show``: what is in trace files."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import click

from otdravg import __version__
from otdravg.cli.boundary import JOB_NOT_DONE
from otdravg.cli.options import (
    files_argument,
    force_option,
    json_option,
    language_option,
    max_size_option,
    plot_option,
    trace_option,
)
from otdravg.cli.terminal import print_error, print_text, print_written, shows_colour, shows_signs
from otdravg.errors import BadSetting, OtdravgError, ShotsDoNotPair
from otdravg.findings import says
from otdravg.report.shot_json import finding_object, response_object, shot_object, table_object
from otdravg.report.shot_text import shot_text
from otdravg.shot.files import read, read_all
from otdravg.shot.shot import Shot, prepare
from otdravg.shot.trace import Trace
from otdravg.sor.sizes import SizeLimits
from otdravg.system.atomic import check_targets
from otdravg.words.catalogue import Language, told

#: Name and version of the JSON layout.
SCHEMA_NAME = "otdravg.show/1"


@click.command()
@files_argument("files", "FILE...")
@trace_option
@plot_option
@language_option
@json_option
@max_size_option
@force_option
@click.pass_context
def show(
    ctx: click.Context,
    files: tuple[Path, ...],
    *,
    trace_number: int | None,
    plot: Path | None,
    language: Language | None,
    as_json: bool,
    size_limits: SizeLimits,
    force: bool,
) -> None:
    """Show settings, event table and findings of trace files.

    A file that cannot be read is one line on stderr and does not stop the others; the exit
    status is then 2. --plot draws one trace.

    \b
    otdravg show 012_A.sor
    otdravg show shots/*.sor --json
    """
    if plot is not None:
        # Only now: matplotlib takes longer to load than a file to read.
        from otdravg.draw.pair import check_format

        check_format(plot)
        check_targets([plot], inputs=files, overwrite=force)
    shots: list[Trace] = []
    unread: list[dict[str, str]] = []
    for path in files:
        found, problem = _read(path, trace_number, size_limits)
        shots += found
        if problem:
            print_error(told(problem.said, language or Language.ENGLISH))
            unread.append({"file": str(path), "error": str(problem)})
    if plot is not None:
        _draw(shots, plot, force)
    if as_json:
        content = {
            "schema": SCHEMA_NAME,
            "program_version": __version__,
            "shots": [_full_object(trace) for trace in shots],
            "unreadable": unread,
        }
        print_text(json.dumps(content, indent=2, allow_nan=False) + "\n")
    else:
        signs, colour = shows_signs(sys.stdout), shows_colour(sys.stdout)
        pages = (
            shot_text(
                trace,
                _prepared(trace),
                ascii_only=not signs,
                colour=colour,
                language=language or Language.ENGLISH,
            )
            for trace in shots
        )
        print_text("\n".join(pages))
    print_written([plot] if plot else [], aside=as_json)
    ctx.exit(JOB_NOT_DONE if unread else 0)


def _read(
    path: Path, number: int | None, size_limits: SizeLimits
) -> tuple[tuple[Trace, ...], OtdravgError | None]:
    """Read a file's traces, or return what is wrong with it."""
    try:
        if number is None:
            return read_all(path, size_limits=size_limits), None
        return (read(path, number, size_limits=size_limits),), None
    except OtdravgError as error:
        return (), error


def _draw(shots: list[Trace], plot: Path, force: bool) -> None:
    from otdravg.draw.pair import save_figure, shot_figure

    if len(shots) != 1:
        raise BadSetting("plot", str(plot), says("draws-one", count=len(shots)))
    save_figure(shot_figure(shots[0], None), plot, overwrite=force)


def _prepared(trace: Trace) -> Shot | None:
    """The trace ready for measuring; None where it shows no fibre."""
    try:
        return prepare(trace)
    except ShotsDoNotPair:
        return None


def _full_object(trace: Trace) -> dict[str, Any]:
    """A shot with what only this command shows: receiver, the file's own table, findings."""
    index = trace.settings.group_index
    shot = _prepared(trace)
    return {
        **shot_object(trace),
        "response": None if shot is None else response_object(shot),
        "event_table": [table_object(event, index) for event in trace.table],
        "findings": [finding_object(finding) for finding in trace.findings],
    }

"""Where errors end: a line on stderr for each fault, exit status 2, never a traceback."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, NoReturn

import click

from otdravg.cli.terminal import print_error, settle_process, spoken
from otdravg.errors import OtdravgError, OutOfMemory
from otdravg.findings import Statement, says
from otdravg.words.catalogue import Language, say, told

#: Exit status when the job could not be done.
JOB_NOT_DONE = 2


class Misuse(click.UsageError):
    """A command called with what does not go together; told in the language asked for."""

    def __init__(self, said: Statement) -> None:
        super().__init__(told(said))
        self.said = said

    def format_message(self) -> str:
        """Say what is wrong; see :meth:`click.ClickException.format_message`."""
        return told(self.said, spoken(self.ctx))


class OneLineErrors(click.Group):
    """A command group that turns whatever stops a command into one line and status 2.

    Status 1 means "over limit" here, so nothing may leave by Python's own status for an
    uncaught exception, which is also 1.
    """

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run the command line and leave with its exit status; see :meth:`click.Command.main`."""
        kwargs["standalone_mode"] = False
        # It would take quotes from a reviewer's reason, and [1] in a file's name for a pattern.
        kwargs["windows_expand_args"] = False
        settle_process()
        status = JOB_NOT_DONE
        try:
            result = super().main(*args, **kwargs)
            status = result if isinstance(result, int) else 0
        except SystemExit:
            pass  # the reader of stdout has gone away
        except click.ClickException as error:
            print_error(_with_help_hint(error))
        except Exception as error:
            # The last boundary: a fault of the program must not look like a verdict.
            if os.environ.get("OTDRAVG_TRACEBACK"):
                raise
            print_error(
                f"internal fault ({type(error).__name__}: {error}); "
                "set OTDRAVG_TRACEBACK=1, run again and report what it prints"
            )
        sys.exit(status)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the chosen command; a reader that has gone away ends it without a word."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # The interpreter flushes stdout once more at exit: let that go nowhere.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        except (OtdravgError, OSError, MemoryError, KeyboardInterrupt, click.Abort) as error:
            for line in _lines_of(error):
                print_error(told(line, spoken(ctx)))
        sys.exit(JOB_NOT_DONE)


def _lines_of(error: BaseException) -> tuple[Statement, ...]:
    """Say what stopped a command."""
    if isinstance(error, OtdravgError):
        return error.lines
    if isinstance(error, MemoryError):
        return OutOfMemory().lines
    if not isinstance(error, OSError):
        return (says("stopped"),)
    refused = says("system-refused", why=error.strerror or str(error))
    return (
        says("bad-line", path=str(error.filename), problem=refused) if error.filename else refused,
    )


def check_files(
    ctx: click.Context, files: Iterable[Path], problems_of: Callable[[Path], Iterable[OtdravgError]]
) -> NoReturn:
    """Say all that is wrong with files, a line each; leave with 0 only if nothing is."""
    problems = [(path, problem) for path in files for problem in problems_of(path)]
    for path, problem in problems:
        print_error(told(says("bad-line", path=str(path), problem=problem.said), spoken(ctx)))
    ctx.exit(JOB_NOT_DONE if problems else 0)


def _with_help_hint(error: click.ClickException) -> str:
    """Write a usage error in one line, with what to type next."""
    message = error.format_message().rstrip(".?")
    context = error.ctx if isinstance(error, click.UsageError) else None
    if context is None:
        return message
    path, command = context.command_path, context.command
    if isinstance(command, click.Group):
        names = ", ".join(command.list_commands(context))
        return f"{message}; type '{path} COMMAND', one of {names}"
    usage = " ".join([path, *command.collect_usage_pieces(context)])
    # What the library of options says is English, and so is then all of the line.
    language = spoken(context) if isinstance(error, Misuse) else Language.ENGLISH
    return say("screen", "type-next", language, message=message, usage=usage, path=path)

"""The command line: parse arguments, call the library, print."""

from __future__ import annotations

from importlib import import_module

import click

from otdravg import __version__
from otdravg.cli.boundary import JOB_NOT_DONE, OneLineErrors

__all__ = ["main"]

#: Command → its line in the list of commands. Each stands in the module of its name, which is
#: loaded when the command is called: no command waits for what another one needs.
_COMMANDS = {
    "cable": "Review a whole cable run: every splice, gap and mix-up.",
    "decide": "Write down a reviewer's decision, or check a file of them.",
    "demo": "Write a simulated cable run to try the program on.",
    "job": "Say once what a cable is: fibres, ends, closures, rules.",
    "locate": "Say where on the cable a distance lies: places, sheath marks.",
    "page": "Open a page in the browser: drop shots in, read the answer.",
    "pair": "Say what to do about a fibre: its splice losses from two shots.",
    "plan": "Say which pulse and averaging time to shoot with.",
    "profile": "Check and explain acceptance profiles.",
    "report": "Make a closeout again from closeout.json.",
    "show": "Show settings, event table and findings of trace files.",
    "verify": "Check a closeout: hashes, and the same numbers everywhere.",
    "watch": "Follow a folder while shots come in: what to redo, what to shut.",
}


class _Commands(OneLineErrors):
    """The commands, loaded one by one."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands' names."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Load a command; None if there is none of that name."""
        if name not in _COMMANDS:
            return None
        command: click.Command = getattr(import_module(f"otdravg.cli.{name}"), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


@click.group(
    cls=_Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="otdravg")
@click.pass_context
def main(ctx: click.Context) -> None:
    """Splice loss from OTDR shots of one fibre taken from both ends.

    \b
    Two files of one fibre   otdravg pair A.sor B.sor
    A whole cable            otdravg cable FOLDER --out RESULT
    A page in the browser    otdravg page
    Something to try it on   otdravg demo FOLDER

    A reading from one end is the splice's loss plus or minus the backscatter difference of
    the two fibres. The average of both directions is the loss. This program reads SR-4731
    trace files, measures both shots together and says what to do and how sure that is.

    Exit status: 0 all within limit, 1 something is over limit or needs a look, 2 the job
    could not be done.
    """
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())
        ctx.exit(JOB_NOT_DONE)

"""``python -m otdravg`` and the command ``otdravg``."""

from __future__ import annotations

import signal
import sys


def start() -> None:
    """Run the command line; stopped while it is still loading, it ends in one line too."""
    # A process that was told to ignore Ctrl-C, as a shell's background job, goes on doing so.
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _stop_once)
    try:
        from otdravg.cli import main

        main(prog_name="otdravg")
    except KeyboardInterrupt:  # before the command could answer for itself
        sys.stderr.write("otdravg: stopped before the job was done\n")
        sys.exit(2)


def _stop_once(*_: object) -> None:
    """Stop at the first Ctrl-C; those that follow must not disturb the clearing up."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    raise KeyboardInterrupt


if __name__ == "__main__":
    start()

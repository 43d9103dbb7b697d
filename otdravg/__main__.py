"""``python -m otdravg`` and the command ``otdravg``."""

from __future__ import annotations

import sys

__all__ = ["start"]


def start() -> None:
    """Run the command line; stopped while it is still loading, it ends in one line too."""
    try:
        from otdravg.cli import main
    except KeyboardInterrupt:
        sys.stderr.write("otdravg: stopped before the job was done\n")
        sys.exit(2)
    main(prog_name="otdravg")


if __name__ == "__main__":
    start()

"""``python -m otdravg``: the same as the command ``otdravg``."""

from otdravg.cli import main

if __name__ == "__main__":
    main(prog_name="otdravg")

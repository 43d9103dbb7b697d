"""Draw the pictures of the docs again: with the command itself, and the figures of the method.

Run from anywhere: ``python tests/make_pictures.py``. Same code, same bytes.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from figures_of_a_pair import FIGURES_OF_A_PAIR
from figures_of_a_shot import FIGURES_OF_A_SHOT

from otdravg.draw.pair import figure_bytes, own_look

ROOT = Path(__file__).resolve().parents[1]
PICTURES_DIR = ROOT / "docs" / "img"

#: Picture and the command that draws it; the samples are named as a reader would name them.
SHOWN_BY_COMMAND = {
    "gainers.png": ("pair", "sample_traces/gainers_A.sor", "sample_traces/gainers_B.sor"),
    "hidden_splice.png": (
        "pair",
        "sample_traces/hidden_splice_A.sor",
        "sample_traces/hidden_splice_B.sor",
    ),
    "one_shot.png": ("show", "sample_traces/hidden_splice_A.sor"),
}

#: Figure of the method and what draws it.
FIGURES = FIGURES_OF_A_SHOT | FIGURES_OF_A_PAIR

#: Names of all pictures.
PICTURES = (*SHOWN_BY_COMMAND, *FIGURES)


def make_picture(name: str, folder: Path = PICTURES_DIR) -> Path:
    """Draw one picture into a folder and return its path."""
    target = folder.resolve() / name
    if name in FIGURES:
        with own_look():
            figure = FIGURES[name]()
        target.write_bytes(figure_bytes(figure, ".png"))
        return target
    command = [*SHOWN_BY_COMMAND[name], "--plot", str(target), "--force"]
    done = subprocess.run(
        [sys.executable, "-m", "otdravg", *command],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        check=False,
    )
    if done.returncode not in (0, 1):  # 1: drawn, and a splice is over its limit
        raise SystemExit(f"{name}: the command ended with status {done.returncode}")
    return target


def main() -> None:
    """Draw all pictures."""
    PICTURES_DIR.mkdir(parents=True, exist_ok=True)
    for name in PICTURES:
        print(make_picture(name).relative_to(ROOT))


if __name__ == "__main__":
    main()

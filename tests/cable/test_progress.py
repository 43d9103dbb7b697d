"""Progress is shown on a terminal and nowhere else."""

from __future__ import annotations

import io

from otdravg.cli.progress import ProgressLine


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_sees_stage_count_and_end() -> None:
    stream = Terminal()
    line = ProgressLine(stream)
    for done in range(5):
        line("measure", done, 4)
    shown = stream.getvalue()
    assert "measure: [" in shown
    assert "4/4" in shown
    assert max(len(part) for part in shown.split("\r")) <= 79
    line.clear()
    assert stream.getvalue().endswith("\r" + " " * 79 + "\r")


def test_a_file_sees_nothing() -> None:
    stream = io.StringIO()
    line = ProgressLine(stream)
    line("measure", 1, 4)
    line.clear()
    assert stream.getvalue() == ""

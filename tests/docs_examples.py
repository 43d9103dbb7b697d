"""The examples in README.md and docs/: found in the pages, run, and their output compared.

In a page, a ``sh`` block holds commands, one a line, and a ``text`` block holds the output
of the ``sh`` or ``python`` block above it. A ``console`` block holds both: commands behind ``$``,
then the output. A shown line ``…`` stands for any number of lines. A command of the program ends
with status 0 or 1 (the job is done); ``<!-- exit status 2 -->`` above a block says otherwise.

:func:`refresh` writes the present output into a page; ``tests/refresh_docs.py`` calls it for all.
"""

from __future__ import annotations

import difflib
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

from running import run_here

ROOT = Path(__file__).resolve().parents[1]
PAGES = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))

_FENCE = re.compile(r"^```(\w*)\s*$")
_STATUS = re.compile(r"<!-- exit status (\d) -->")
_ELISION = "…"


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: its language, its lines, and where they stand in the page (from 0)."""

    page: Path
    language: str
    first_line: int
    lines: tuple[str, ...]
    status: int | None  # stated above the block

    @property
    def place(self) -> str:
        """Page and line, as an editor shows them."""
        return f"{self.page.relative_to(ROOT)}:{self.first_line + 1}"


@dataclass(frozen=True, slots=True)
class Example:
    """Commands with the exit status stated for them and the output shown, if any."""

    place: str
    commands: tuple[str, ...]
    status: int | None
    shown: tuple[str, ...] | None
    shown_from: int  # line of the page, from 0

    def ends_as_stated(self, status: int) -> bool:
        """Whether an exit status is the one that the page states or implies."""
        return status in (0, 1) if self.status is None else status == self.status


@dataclass(frozen=True, slots=True)
class Outcome:
    """What running an example gave: output of all its commands, status of the last one."""

    status: int
    lines: tuple[str, ...]


def blocks_of(page: Path) -> list[Block]:
    """Fenced blocks of a page in order; a fence that is not closed is an error."""
    lines = page.read_text(encoding="utf-8").splitlines()
    blocks: list[Block] = []
    opened: int | None = None
    language = ""
    for i, line in enumerate(lines):
        fence = _FENCE.match(line)
        if fence is None:
            continue
        if opened is None:
            opened, language = i, fence[1]
            continue
        above = next((text for text in reversed(lines[:opened]) if text.strip()), "")
        status = _STATUS.search(above)
        blocks.append(
            Block(
                page,
                language,
                opened + 1,
                tuple(lines[opened + 1 : i]),
                int(status[1]) if status else None,
            )
        )
        opened = None
    if opened is not None:
        raise ValueError(f"{page.name}:{opened + 1}: this block is not closed")
    return blocks


def install_commands() -> list[str]:
    """Return the README's commands that install the program; CI runs them, and nobody else."""
    readme = ROOT / "README.md"
    return [line for block in blocks_of(readme) if block.language == "sh" for line in block.lines]


def examples_of(page: Path) -> list[Example]:
    """Examples of a page in order, the README's two install commands left out."""
    examples: list[Example] = []
    waiting: Block | None = None
    for block in blocks_of(page):
        if block.language == "sh" and page.name == "README.md":
            continue
        if block.language in ("sh", "python"):
            examples += _without_output(waiting)
            waiting = block
        elif block.language == "text":
            if waiting is None:
                raise ValueError(f"{block.place}: no command above this output")
            examples.append(
                Example(
                    waiting.place,
                    _commands(waiting),
                    _status(waiting),
                    block.lines,
                    block.first_line,
                )
            )
            waiting = None
        elif block.language == "console":
            examples.append(_console(block))
    return examples + _without_output(waiting)


def _status(block: Block) -> int | None:
    """Exit status that a block states or implies: a script's error is no verdict."""
    return 0 if block.language == "python" else block.status


def _commands(block: Block) -> tuple[str, ...]:
    """Join lines continued with a backslash; comments and blank lines left out."""
    if block.language == "python":
        return ("\n".join(("python - <<'END'", *block.lines, "END")),)
    joined = "\n".join(block.lines).replace("\\\n", " ").splitlines()
    return tuple(line for line in joined if line.strip() and not line.lstrip().startswith("#"))


def _without_output(block: Block | None) -> list[Example]:
    if block is None:
        return []
    return [Example(block.place, _commands(block), _status(block), None, 0)]


def _console(block: Block) -> Example:
    count = next((i for i, t in enumerate(block.lines) if not t.startswith("$ ")), len(block.lines))
    if count == 0:
        raise ValueError(f"{block.place}: a console block starts with '$ ' and a command")
    return Example(
        block.place,
        tuple(line.removeprefix("$ ") for line in block.lines[:count]),
        block.status,
        block.lines[count:] or None,
        block.first_line + count,
    )


def prepare_folder(folder: Path) -> None:
    """Put what the pages take for granted into a folder: the sample traces."""
    shutil.copytree(ROOT / "sample_traces", folder / "sample_traces")


#: What only a shell understands.
_OF_A_SHELL = set("|<>&;$`*~")


def run_example(example: Example, folder: Path) -> Outcome:
    """Run an example's commands in a folder, stdout and stderr as a reader would see them.

    A command of the program alone runs in this process, as starting it takes longer than most of
    them do; ``tests/cli`` starts it as it is installed. Everything else is the shell's.
    """
    output = ""
    status = 0
    for command in example.commands:
        if status not in (0, 1):
            break
        is_ours = command.startswith("otdravg ") and not _OF_A_SHELL & set(command)
        if is_ours:
            done = run_here(folder, shlex.split(command)[1:], together=True)
        else:
            done = _run_in_shell(command, folder)
        output += done.stdout.decode("utf-8")
        status = done.returncode
    return Outcome(status, tuple(line.rstrip() for line in output.splitlines()))


def _run_in_shell(command: str, folder: Path) -> subprocess.CompletedProcess[bytes]:
    beside_python = str(Path(sys.executable).parent)
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"}
    environment |= {
        "PATH": beside_python + os.pathsep + os.environ.get("PATH", ""),
        "PYTHONIOENCODING": "utf-8",
        "NO_COLOR": "1",
    }
    return subprocess.run(
        ["bash", "-c", command],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )


def shown_matches(shown: tuple[str, ...], lines: tuple[str, ...]) -> bool:
    """Whether the shown lines are the real ones; ``…`` stands for any lines."""
    parts = [
        r"(?:.*\n)*" if line.strip() == _ELISION else re.escape(line.rstrip()) + "\n"
        for line in shown
    ]
    return re.fullmatch("".join(parts), "".join(f"{line}\n" for line in lines)) is not None


def difference(shown: tuple[str, ...], lines: tuple[str, ...]) -> str:
    """Show how a page and the real output differ."""
    return "\n".join(difflib.unified_diff(shown, lines, "the page", "real output", lineterm=""))


def refreshed(shown: tuple[str, ...], lines: tuple[str, ...]) -> tuple[str, ...] | None:
    """Return the present output, abridged where the shown one is; None if it does not fit.

    Lines of an abridged output are recognised by everything in them but their digits.
    """
    if all(line.strip() != _ELISION for line in shown):
        return lines
    old, real = ([re.sub(r"\d", "0", line) for line in text] for text in (shown, lines))
    matcher = difflib.SequenceMatcher(None, old, real, autojunk=False)
    new = list(shown)
    recognised = {i for i, line in enumerate(shown) if line.strip() == _ELISION}
    for start, real_start, size in matcher.get_matching_blocks():
        new[start : start + size] = lines[real_start : real_start + size]
        recognised |= set(range(start, start + size))
    whole = len(recognised) == len(shown) and shown_matches(tuple(new), lines)
    return tuple(new) if whole else None


def refresh(page: Path) -> list[str]:
    """Write the present output into a page; return the places that need a person."""
    left: list[str] = []
    lines = page.read_text(encoding="utf-8").splitlines()
    replacements: list[tuple[int, int, tuple[str, ...]]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare_folder(folder)
        for example in examples_of(page):
            outcome = run_example(example, folder)
            if not example.ends_as_stated(outcome.status):
                left.append(f"{example.place}: exit status {outcome.status}")
            if example.shown is None or shown_matches(example.shown, outcome.lines):
                continue
            new = refreshed(example.shown, outcome.lines)
            if new is None:
                left.append(f"{example.place}: abridged, and the rest is not recognised any more")
                continue
            stop = example.shown_from + len(example.shown)
            replacements.append((example.shown_from, stop, new))
    for start, stop, new in reversed(replacements):
        lines[start:stop] = new
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return left

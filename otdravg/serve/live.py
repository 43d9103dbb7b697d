"""A folder that is followed while the page is open: what ``otdravg watch`` says, in the page."""

from __future__ import annotations

import threading
from datetime import datetime

from otdravg.errors import OtdravgError
from otdravg.report.page import Page
from otdravg.watch import Answer, Watch
from otdravg.watch.screen import answer_text
from otdravg.watch.waking import POLL_S
from otdravg.words.catalogue import told


class Going:
    """How far a long piece of work has come."""

    def __init__(self) -> None:
        self.stage, self.done, self.total = "", 0, 0

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Take note of it."""
        self.stage, self.done, self.total = stage, done, total


#: Columns of what is said, as on a terminal.
_COLUMNS = 80


class Live:
    """A watch in a thread of its own, and what it said last.

    Parameters
    ----------
    watch : Watch
    going : Going
        What it is told of its progress.
    """

    def __init__(self, watch: Watch, going: Going) -> None:
        self._watch, self._going = watch, going
        self._ended = threading.Event()
        self._text = self._when = self._trouble = ""
        self._calls = False
        self._thread = threading.Thread(target=self._follow, daemon=True)
        self._thread.start()

    def state(self) -> dict[str, object]:
        """What stands, since when (local time), whether its news call somebody, what went wrong.

        Before the first answer also how far measuring is.
        """
        going = f"{self._going.done} / {self._going.total}" if self._going.total else ""
        return {
            "text": self._text, "when": self._when, "calls": self._calls,
            "trouble": self._trouble, "going": "" if self._text else going,
        }  # fmt: skip

    def stop(self) -> None:
        """End it, and wait until it has ended."""
        self._ended.set()
        self._thread.join()

    def _follow(self) -> None:
        try:
            while not self._ended.is_set():
                if (answer := self._watch.look()) is not None:
                    self._take(answer)
                due_s = self._watch.due_s
                self._ended.wait(POLL_S if due_s is None else min(due_s, POLL_S))
        except OtdravgError as error:
            self._trouble = told(error.said, self._watch.words.language)
        except Exception as error:  # noqa: BLE001
            # The last boundary of this thread: the page says it in place of an answer.
            self._trouble = f"internal fault: {type(error).__name__}: {error}"

    def _take(self, answer: Answer) -> None:
        page = Page(ascii_only=False, colour=False, columns=_COLUMNS)
        self._text = answer_text(answer, self._watch.words, everything=True, when="", page=page)
        self._when = f"{datetime.now().astimezone():%H:%M:%S}"
        self._calls = answer.rings
        self._watch.note_said(answer)

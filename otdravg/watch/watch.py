"""Follow a folder: look, measure what is new, say what is news."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from otdravg.cable.files.folder import RawShot
from otdravg.cable.lists.loops import with_far_sides
from otdravg.cable.measure.remembering import Remembering
from otdravg.cable.model import CableReview
from otdravg.cable.run import Options, review
from otdravg.errors import OutputRefused
from otdravg.verdict import Profile
from otdravg.watch.events import CALLS, Event, Kind, events_of, news_of
from otdravg.watch.folder import Follower, Look
from otdravg.watch.memory import Memory
from otdravg.watch.status import CableStatus, Expected, status_of
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words

Progress = Callable[[str, int, int], None]

#: Looks of a watch that looks once: the second finds what lay there complete, a third what was
#: being copied. Chosen, not derived.
_MOST_LOOKS = 3


@contextmanager
def _uncollected() -> Iterator[None]:
    """Let the collector of cyclic garbage wait until the answer is there.

    It would walk all measurements that are remembered again and again, and find nothing: a quarter
    of the time of an answer about 3,456 shots.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a look that showed something new."""

    review: CableReview | None  # None: no shot is complete yet
    status: tuple[CableStatus, ...]
    events: tuple[Event, ...]  # everything that stands
    news: tuple[Event, ...]  # what had not been said
    settling: int
    trouble: str = ""  # the folder is away, or what was said could not be noted

    @property
    def rings(self) -> bool:
        """Whether the news call somebody."""
        return any(event.kind in CALLS or event.kind is Kind.BACK for event in self.news)

    @property
    def is_proved(self) -> bool:
        """Whether all that is expected is proved."""
        return bool(self.status) and all(cable.is_proved for cable in self.status)


class Watch:
    """One job that is followed.

    Parameters
    ----------
    follower : Follower
    profile : Profile
    options : Options
        As for :func:`otdravg.cable.review`.
    expected : Expected
    place : Path or None
        File of what was said; None keeps it in this process only.
    executor : Executor or None
        Where new pairs are measured.
    """

    def __init__(
        self,
        follower: Follower,
        profile: Profile,
        options: Options,
        expected: Expected,
        place: Path | None = None,
        executor: Executor | None = None,
        progress: Progress = lambda stage, done, total: None,
        language: Language = Language.ENGLISH,
    ) -> None:
        self._follower = follower
        self._profile = profile
        self._options = options
        self._expected = expected
        self._place = place
        self._executor = executor
        self._progress = progress
        self.words = Words(language)
        self.remembering = Remembering(executor)
        self._memory = Memory() if place is None else Memory.read(place)
        self._seen: tuple[tuple[RawShot, ...], str] | None = None
        self.due_s: float | None = None  # seconds until a look may show more; None: not known

    def look(self) -> Answer | None:
        """Look once; None if nothing is new since the last look."""
        look = self._follower.look(self._executor)
        self.due_s = look.due_s
        # After a start all files have to settle: until then nothing is known, not even that
        # something said before does not stand any more.
        is_starting = self._seen is None and not look.shots and look.settling
        if is_starting or self._seen == (look.shots, look.away):
            return None
        self._seen = look.shots, look.away
        self._memory = self._memory.after_look([shot.sha256 for shot in look.shots])
        found, status, events = self._reviewed(look)
        news = news_of(events, self._memory.said, self.words)
        return Answer(found, status, events, news, look.settling, look.away)

    def _reviewed(
        self, look: Look
    ) -> tuple[CableReview | None, tuple[CableStatus, ...], tuple[Event, ...]]:
        if not any(shot.file.is_trace_file for shot in look.shots):
            return None, (), ()
        with _uncollected():
            found = review(
                look.shots,
                self._profile,
                self._options,
                executor=self.remembering,
                progress=self._progress,
            )
            self.remembering.forget_unused()
            came = self._memory.looks_of({shot.file.path: shot.sha256 for shot in look.shots})
            loops, cable = self._options.loops, self._options.expected.cable
            shots = tuple(with_far_sides(found.shots, loops, cable))
            status = status_of(replace(found, shots=shots), self._expected, came)
            return found, status, events_of(found, status, self.words)

    def note_said(self, answer: Answer) -> str:
        """Note that an answer was given, so that it is not given again; what went wrong, if any.

        Called after it was shown: a power cut in between says it twice, never not at all.
        """
        said = {event.key: event.known_as for event in answer.events}
        self._memory = replace(self._memory, said=said)
        if self._place is None:
            return ""
        try:
            self._memory.write(self._place)
        except (OutputRefused, OSError) as error:
            return self.words.say("watch", "not-noted", error=str(error))
        return ""

    def answers(self, wait: Callable[[float | None], None], *, once: bool) -> Iterator[Answer]:
        """Give an answer whenever there is news.

        Parameters
        ----------
        wait : callable
            Waits so many seconds at most, or as long as it likes for None.
        once : bool
            End when every file that is there is complete, with the last answer.
        """
        pending: Answer | None = None
        looks = 0
        while True:
            pending = self.look() or (pending if once else None)
            looks += 1
            # Who looks once waits for what is being copied just now, but not for ever.
            is_last = once and (self.due_s is None or looks >= _MOST_LOOKS)
            if pending is not None and (is_last or not once):
                yield pending
            if is_last:
                return
            wait(self.due_s)

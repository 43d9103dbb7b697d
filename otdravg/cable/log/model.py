"""A splice log as the crew wrote it, and what came of it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum


@dataclass(frozen=True, slots=True)
class LogLine:
    """One splice as somebody wrote it down; empty and ``None`` where nothing was written."""

    line: int  # of the file, or which of the job's tables
    when: datetime  # by the clock of who wrote it, without a zone
    closure: str
    ribbon: int  # in loose tube the fibre
    splicer: str = ""
    cleaver: str = ""
    blade: str = ""  # position of the blade; empty: as on the cleaver's line before
    electrodes_changed: bool = False  # before this splice
    estimated_db: float | None = None  # highest loss that the machine estimated
    tries: int = 1  # how often it was cleaved and fused until it stood
    person: str = ""
    remark: str = ""


class Tool(Enum):
    """What wears."""

    BLADE = "blade"  # of a cleaver, since it was turned
    ELECTRODES = "electrodes"  # of a splicer, since they were changed
    EITHER = "blade or electrodes"  # the log does not tell them apart


@dataclass(frozen=True, slots=True)
class Wear:
    """How the loss of ribbons rises with the fibres that a tool has cleaved or fused."""

    tool: Tool
    name: str  # of the cleaver or the splicer; empty: nobody wrote it
    blade: str  # position that is in now
    fibres_now: int  # since the last turn or change
    rise_db: float  # for 1,000 fibres
    u_rise_db: float
    freedom: int
    chance: float  # that luck alone gives such a rise in any tool of the log

    @property
    def now_db(self) -> float:
        """By how much loss has risen since the last turn or change, dB."""
        return self.rise_db * self.fibres_now / 1000


@dataclass(frozen=True, slots=True)
class Succession:
    """Bad ribbons that followed each other closely at one position of a blade."""

    cleaver: str
    blade: str
    splices: tuple[LogLine, ...]  # from the first bad one to the last
    bad: tuple[LogLine, ...]
    elsewhere: tuple[int, int]  # bad ones, and how many splices, in the rest of the log
    chance: float  # that luck alone brings them together anywhere in the log
    is_in: bool  # nobody has turned the blade since


@dataclass(frozen=True, slots=True)
class Machine:
    """Estimates of one splicer beside what was measured from both ends, ribbon by ribbon.

    Bias and scatter are of estimate less measured, of the highest loss in a ribbon.
    """

    splicer: str
    ribbons: int
    bias_db: float  # median
    u_bias_db: float
    scatter_db: float  # median absolute deviation × 1.4826


@dataclass(frozen=True, slots=True)
class LoggedSplice:
    """What the log says of one ribbon at one closure; its lines in order of time."""

    cable: str
    closure_number: int
    unit: int  # ribbon, in loose tube the fibre
    lines: tuple[LogLine, ...]
    measured_db: float | None = None  # highest loss of its fibres, from both ends

    @property
    def last(self) -> LogLine:
        """The line of the splice that is there now."""
        return self.lines[-1]

    @property
    def tries(self) -> int:
        """How often it was made, all told."""
        return sum(line.tries for line in self.lines)


@dataclass(frozen=True, slots=True)
class Spliced:
    """What a log says of a ribbon at a closure, or of a whole closure."""

    last: datetime  # when the last splice there was made
    splicers: tuple[str, ...]
    people: tuple[str, ...]
    tries: int  # of all of its splices together


@dataclass(frozen=True, slots=True)
class SpliceLog:
    """A splice log held against a review."""

    splices: tuple[LoggedSplice, ...]
    wear: tuple[Wear, ...] = ()
    successions: tuple[Succession, ...] = ()
    machines: tuple[Machine, ...] = ()

    def at(self, cable: str, closure_number: int, unit: int | None = None) -> Spliced | None:
        """Sum up a ribbon at a closure (in loose tube a fibre), or all that lie there."""
        own = [
            splice
            for splice in self.splices
            if (splice.cable, splice.closure_number) == (cable, closure_number)
            and unit in (None, splice.unit)
        ]
        lines = in_order([line for splice in own for line in splice.lines])
        if not lines:
            return None
        return Spliced(
            lines[-1].when,
            tuple(dict.fromkeys(line.splicer for line in lines if line.splicer)),
            tuple(dict.fromkeys(line.person for line in lines if line.person)),
            sum(line.tries for line in lines),
        )


#: Nobody wrote one.
NO_LOG = SpliceLog(())


def in_order(lines: Sequence[LogLine]) -> list[LogLine]:
    """Return lines in the order in which the splices were made."""
    return sorted(lines, key=lambda line: (line.when, line.line))


def stretches(lines: Sequence[LogLine]) -> Iterator[tuple[str, str, list[LogLine]]]:
    """Give each stretch of work of a cleaver at one position of its blade, in order of time.

    Yields
    ------
    cleaver, blade, lines
        The last stretch of a cleaver is at the position that is in now.
    """
    by_cleaver: dict[str, list[LogLine]] = defaultdict(list)
    for line in in_order(lines):
        by_cleaver[line.cleaver].append(line)
    for cleaver, own in by_cleaver.items():
        blade, stretch = own[0].blade, list[LogLine]()
        for line in own:
            if line.blade and line.blade != blade:
                if stretch and blade:
                    yield cleaver, blade, stretch
                    stretch = []
                blade = line.blade
            stretch.append(line)
        yield cleaver, blade, stretch

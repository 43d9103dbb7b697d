"""What a case is: files on a memory stick, a command, the truth, and what may be said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from simulated import Fibre, JointKind, true_joints

__all__ = ["LIMIT_DB", "Case", "Doubt", "Files", "Place", "Truth", "case_of", "places_of"]

#: The limit that a command states unless its kind is about the limit, dB.
LIMIT_DB = 0.20

#: Names and contents of the files, in the order in which the command names the shots.
Files = tuple[tuple[str, bytes], ...]


class Doubt(Enum):
    """Whether the screen should doubt the files, the pair or what was typed."""

    NEVER = "never"  # a sound pair: doubting it is crying wolf
    MAY = "may"  # an honest program can go either way
    MUST = "must"  # nothing but a doubt or a refusal is true


@dataclass(frozen=True, slots=True)
class Place:
    """What is really at one place of the span, metres from the end that the command calls A."""

    distance_m: float
    loss_db: float
    kind: JointKind = JointKind.SPLICE


@dataclass(frozen=True, slots=True)
class Truth:
    """What the world is like.

    Parameters
    ----------
    places : tuple of Place
        From A. Where the shots are of different states or fibres: those of the shot from A.
    length_m : float or None
        Of the span; ``None`` = not to be checked (nobody stated where it begins).
    limit_db : float
        The limit that the technician means.
    one_state : bool
        One fibre, from both ends, and nothing changed in between.
    as_stated : bool
        Cords, order, index and limit are what the files and the command say.
    """

    places: tuple[Place, ...]
    length_m: float | None
    limit_db: float = LIMIT_DB
    one_state: bool = True
    as_stated: bool = True

    @property
    def sound(self) -> bool:
        """Whether the numbers of the pair mean what they say."""
        return self.one_state and self.as_stated

    @property
    def over(self) -> tuple[Place, ...]:
        """Splices and bends above the limit; a connector has another one."""
        return tuple(
            p
            for p in self.places
            if p.kind is not JointKind.CONNECTOR and p.loss_db > self.limit_db + 1e-9
        )


@dataclass(frozen=True, slots=True)
class Case:
    """One acted-out story.

    Parameters
    ----------
    kind, seed : str, int
        Name of the kind, and which of its random versions.
    files : Files
        What lies on the memory stick.
    command : tuple of str
        What the technician types after ``otdravg``.
    truth : Truth
        What the world is like.
    doubt : Doubt
        Whether the screen should doubt.
    exit_codes : frozenset of int
        Allowed ones: 0 all clear, 1 over limit or doubt, 2 nothing could be measured.
    may_say : tuple of str
        If not empty: the screen matches at least one of these patterns.
    must_not_say : tuple of str
        Patterns of which the screen matches none.
    tellable : bool
        Whether the two files and the command can show the trouble at all.
    odds : float or None
        What the oracle gives for the true story against "good pair", if it was asked.
    tolerance_m : float
        How far from its true place something may be named.
    where_excuses : str or None
        An order at the wrong place is right all the same if its line matches this: it says
        from which file's end it counts.
    """

    kind: str
    seed: int
    files: Files
    command: tuple[str, ...]
    truth: Truth
    doubt: Doubt
    exit_codes: frozenset[int]
    may_say: tuple[str, ...] = ()
    must_not_say: tuple[str, ...] = ()
    tellable: bool = True
    odds: float | None = None
    tolerance_m: float = 25.0
    where_excuses: str | None = None


def places_of(span: Fibre) -> tuple[Place, ...]:
    """Give the truth of a span without its cords."""
    return tuple(Place(j.position_m, j.loss_db, j.kind) for j in true_joints(span))


def case_of(
    files: Files,
    span: Fibre | None,
    *,
    args: Sequence[str] = ("--limit", f"{LIMIT_DB:.2f}"),
    doubt: Doubt = Doubt.NEVER,
    exit_codes: Sequence[int] | None = None,
    limit_db: float = LIMIT_DB,
    one_state: bool = True,
    as_stated: bool = True,
    length_known: bool = True,
    may_say: Sequence[str] = (),
    must_not_say: Sequence[str] = (),
    tellable: bool = True,
    odds: float | None = None,
    tolerance_m: float = 25.0,
    where_excuses: str | None = None,
    command: Sequence[str] | None = None,
) -> Case:
    """Put a case together; what may end with which exit status follows from the doubt.

    A trouble that the files cannot show may be cleared, doubted or refused.
    """
    truth = Truth(
        places_of(span) if span is not None else (),
        span.length_m if span is not None and length_known else None,
        limit_db,
        one_state,
        as_stated,
    )
    if not tellable and doubt is Doubt.MUST:
        doubt = Doubt.MAY
    if exit_codes is None:
        best = 1 if truth.over and truth.sound else 0
        exit_codes = {
            Doubt.NEVER: (best,),
            Doubt.MAY: (best, 1) if tellable else (0, 1, 2),
            Doubt.MUST: (1, 2),
        }[doubt]
    if command is None:
        command = ("pair", *(name for name, _ in files[:2]), *args)
    return Case(
        kind="",
        seed=0,
        files=files,
        command=tuple(command),
        truth=truth,
        doubt=doubt,
        exit_codes=frozenset(exit_codes),
        may_say=tuple(may_say),
        must_not_say=tuple(must_not_say),
        tellable=tellable,
        odds=odds,
        tolerance_m=tolerance_m,
        where_excuses=where_excuses,
    )

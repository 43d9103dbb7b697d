"""What a case is: files in a folder, a command, the truth, and what may be said of it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from simulated import JointKind, true_joints

from scenarios.cable.world import STICK, Cable, Files, at_wavelength

__all__ = ["LIMIT_DB", "Case", "Place", "Say", "Truth", "Where", "case_of", "places_of", "says"]

#: The program's stated default, unless a profile is named.
LIMIT_DB = 0.20


@dataclass(frozen=True, slots=True)
class Place:
    """What is really at one place of one fibre at one wavelength, metres from A."""

    cable: str
    fibre: int
    nm: int
    distance_m: float
    loss_db: float
    kind: JointKind
    closure: int | None  # from 1; ``None`` = between closures
    length_m: float  # of the fibre


@dataclass(frozen=True, slots=True)
class Where:
    """Rows by fibre and place; ``None`` is all of them."""

    fibre: int | None = None
    distance_m: float | None = None
    nm: int | None = None
    cable: str | None = None

    def holds(
        self, cable: str, fibre: int | None, nm: int | None, distance_m: float, near_m: float
    ) -> bool:
        """Say whether a row is meant."""
        return (
            self.fibre in (None, fibre)
            and self.nm in (None, nm)
            and self.cable in (None, cable)
            and (self.distance_m is None or abs(self.distance_m - distance_m) <= near_m)
        )


@dataclass(frozen=True, slots=True)
class Say:
    """One thing that a colleague would say, in any of several phrasings.

    ``all_of`` are groups; of each group one pattern has to match, all groups in one finding or
    one paragraph of the screen. ``aloud``: on the screen; else a note in a table is enough.
    """

    what: str
    all_of: tuple[tuple[str, ...], ...]
    aloud: bool = True


def says(what: str, *all_of: str | Sequence[str], aloud: bool = True) -> Say:
    """Put a :class:`Say` together; a single pattern may stand for its group."""
    groups = tuple((one,) if isinstance(one, str) else tuple(one) for one in all_of)
    return Say(what, groups, aloud)


@dataclass(frozen=True, slots=True)
class Truth:
    """What the world is like.

    Parameters
    ----------
    places : tuple of Place
        Every joint of every fibre, in its latest state. Two of one fibre where two cables share
        a name.
    limit_db : mapping
        Of a splice by wavelength.
    closures : int or None
        How many closures the cable has; ``None`` = not to be checked.
    """

    places: tuple[Place, ...]
    limit_db: Mapping[int, float]
    closures: int | None

    def over(self, place: Place, margin_db: float = 0.0) -> bool:
        """Say whether a place loses more than its limit by a margin."""
        return place.loss_db > self.limit_db.get(place.nm, LIMIT_DB) + margin_db + 1e-9


@dataclass(frozen=True, slots=True)
class Case:
    """One acted-out story.

    Parameters
    ----------
    kind, seed : str, int
        Name of the kind, and which of its random versions.
    files : Files
        What the reviewer has.
    command : tuple of str
        What is typed after ``otdravg``; where the tables go is added by the runner.
    truth : Truth
        What the world is like.
    exit_codes : frozenset of int
        Allowed ones.
    graded : frozenset of int
        Fibres whose every true splice has to have a row with the true loss and a verdict.
    ungraded : tuple of Where
        Rows that must have no verdict on their loss, and no order.
    uncleared : tuple of Where
        Rows that must not be called within; over is allowed.
    involved : frozenset of int or None
        Fibres that a caution or defect may name, beside those with a bad splice; ``None``: all.
    says : tuple of Say
        What has to be said.
    never : tuple of str
        Patterns of which neither screen nor findings match any.
    orders : str
        ``true``: a ribbon is ordered to be made again only where a splice of it is bad. ``none``:
        nothing may be ordered at all.
    due : tuple of Where
        Places whose ribbon has to be ordered to be made again.
    not_lost : tuple of Where
        Places that must show: a row that is not cleared, or a finding of the fibre.
    tolerance_m : float
        How far from its true place a row may lie.
    either_end : bool
        Nothing tells which end is A: distances may count from either.
    """

    kind: str
    seed: int
    files: Files
    command: tuple[str, ...]
    truth: Truth
    exit_codes: frozenset[int]
    graded: frozenset[int]
    ungraded: tuple[Where, ...] = ()
    uncleared: tuple[Where, ...] = ()
    involved: frozenset[int] | None = frozenset()
    says: tuple[Say, ...] = ()
    never: tuple[str, ...] = ()
    orders: str = "true"
    due: tuple[Where, ...] = ()
    not_lost: tuple[Where, ...] = ()
    tolerance_m: float = 25.0
    either_end: bool = False


def places_of(cable: Cable, nms: Sequence[int] = (1550,)) -> tuple[Place, ...]:
    """Give the truth of a cable: every joint of every fibre at every wavelength."""
    return tuple(
        Place(
            cable.name,
            number,
            nm,
            joint.position_m,
            joint.loss_db,
            joint.kind,
            _closure_at(cable, joint.position_m),
            glass.length_m,
        )
        for number, glass in cable.glass.items()
        for nm in nms
        for joint in true_joints(at_wavelength(glass, nm))
    )


def _closure_at(cable: Cable, at_m: float) -> int | None:
    """Number the closure of a joint; slack moves it by less than 100 m."""
    near = [k for k, m in enumerate(cable.closures_m, 1) if abs(at_m - m * 1.003) < 100]
    return near[0] if near else None


def case_of(
    files: Files,
    cables: Cable | Sequence[Cable],
    *,
    nms: Sequence[int] = (1550,),
    args: Sequence[str] = (),
    folders: Sequence[str] = (STICK,),
    exit_codes: Iterable[int] | None = None,
    graded: Collection[int] | None = None,
    ungraded: Sequence[Where] = (),
    uncleared: Sequence[Where] = (),
    involved: Collection[int] | None = (),
    say: Sequence[Say] = (),
    never: Sequence[str] = (),
    orders: str = "true",
    due: Sequence[Where] = (),
    not_lost: Sequence[Where] = (),
    limit_db: Mapping[int, float] | float = LIMIT_DB,
    closures: int | None = -1,
    places: Sequence[Place] | None = None,
    tolerance_m: float = 25.0,
    either_end: bool = False,
) -> Case:
    """Put a case together.

    Without more, every fibre is to be graded, nothing is to be said, and the exit status is 1
    if a splice is over its limit, else 0.
    """
    every = (cables,) if isinstance(cables, Cable) else tuple(cables)
    told = tuple(places) if places is not None else sum((places_of(c, nms) for c in every), ())
    limits = dict.fromkeys(nms, limit_db) if isinstance(limit_db, float) else dict(limit_db)
    if closures == -1:
        closures = len(every[0].closures_m) if len(every) == 1 else None
    truth = Truth(told, limits, closures)
    if graded is None:
        graded = {n for c in every for n in c.numbers}
    if exit_codes is None:
        exit_codes = (1,) if any(truth.over(p) for p in told) else (0,)
    return Case(
        kind="",
        seed=0,
        files=files,
        command=("cable", *folders, *args),
        truth=truth,
        exit_codes=frozenset(exit_codes),
        graded=frozenset(graded),
        ungraded=tuple(ungraded),
        uncleared=tuple(uncleared),
        involved=None if involved is None else frozenset(involved),
        says=tuple(say),
        never=tuple(never),
        orders=orders,
        due=tuple(due),
        not_lost=tuple(not_lost),
        tolerance_m=tolerance_m,
        either_end=either_end,
    )

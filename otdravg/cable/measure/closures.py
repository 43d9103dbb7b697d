"""Closures of a cable: where the events of many fibres lie together.

Fibres of one route are nearly equally long; their positions are compared after each has
been scaled to the route's median length. A closure found in one route is the same as one
in another only as far as both routes run together from A.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import Closure, Source
from otdravg.errors import BadSetting, Unusable
from otdravg.findings import Statement, says
from otdravg.grouping import grouped
from otdravg.trade import ribbon_position
from otdravg.typed import metres_of
from otdravg.verdict.rules import Method

FloatArray = npt.NDArray[np.float64]

#: Lengths that differ by less than this share of the length belong to one route. Chosen, not
#: derived: fibres of one cable, and the slack of some closures.
_ROUTE_SHARE = 0.006
_ROUTE_LEAST_M = 80.0
#: Slack in the closures and the turns of a reel move a ribbon's splices by up to so much, m.
#: Chosen, not derived: some tens of metres are stored at a closure (common practice, no source).
_SLACK_M = 60.0
#: Two places are one closure, moved by slack, if so few of the fibres of either show both. Chosen,
#: not derived: a stray is one in some tens.
_SHOWS_BOTH = 0.1
#: How far fibres of one closure lie apart after scaling, as a share of the length.
_SCATTER_SHARE = 5e-4
_SCATTER_LEAST_M = 8.0
#: A route shares a closure with another if, up to there, this share of closures agrees.
_SHARED_ENOUGH = 0.6
#: A closure is seen in this share of a route's fibres, or in half of each of two ribbons. Where a
#: route has three ribbons or more, what this share of its fibres are of one is an event on the way.
_SEEN_SHARE = 0.2
_OF_ONE_RIBBON = 0.9
#: Cable metres in a table and fibre metres in a shot differ by up to this share.
_TABLE_SHARE = 0.02
_TABLE_LEAST_M = 50.0


@dataclass(frozen=True, slots=True)
class KnownClosure:
    """A closure from the user's table."""

    name: str
    distance_m: float
    method: Method | None = None  # how it was spliced
    stage: str = ""  # of the work there
    closed: datetime | None = None  # for good, by the crew's clock


@dataclass(frozen=True, slots=True)
class FibrePlaces:
    """Where one fibre shows events, metres from A, over all wavelengths it was measured at."""

    fibre: int
    length_m: float
    places_m: tuple[float, ...]
    placing_m: float  # how far a place may be off


@dataclass(frozen=True, slots=True, eq=False)
class CableMap:
    """Closures of one cable and where each fibre passes through them."""

    cable: str
    closures: tuple[Closure, ...]
    route_of: Mapping[int, int]  # fibre → route number
    passes: Mapping[int, Mapping[int, float]]  # fibre → {closure number: metres from its own A end}
    route_length_m: Mapping[int, float]  # route → median length
    tolerance_m: Mapping[int, float]  # fibre → how near an event must be to belong to a closure
    express: tuple[
        tuple[int, int], ...
    ] = ()  # (closure number, ribbon) that runs through unspliced
    moved: frozenset[tuple[int, int]] = frozenset()  # (fibre, closure number) set by the reviewer
    length_m: Mapping[int, float] = field(default_factory=dict)  # fibre → its own length
    ribbon_size: int | None = None

    def closure(self, number: int) -> Closure:
        """Return a closure by its number."""
        return self.closures[number - 1]

    def stretch(self, fibre: int, distance_m: float) -> Statement:
        """Say between which of a fibre's closures a place lies, from its own A end."""
        passes = self.passes[fibre]
        before = [number for number, at_m in passes.items() if at_m < distance_m]
        after = [number for number, at_m in passes.items() if at_m > distance_m]
        left = (
            says("closure-named", name=self.closure(max(before)).name)
            if before
            else says("end-named", end="A")
        )
        right = (
            says("closure-named", name=self.closure(min(after)).name)
            if after
            else says("end-named", end="B")
        )
        return says("between", left=left, right=right)

    def slack_m(self, fibres: Sequence[int]) -> dict[int, FloatArray]:
        """How much longer each section of a fibre's ribbon is than usual, metres.

        ``fibres`` pass the same closures. What moves a whole ribbon says nothing of its fibres.
        """
        known = [f for f in fibres if f in self.passes and f in self.length_m]
        if not known:
            return {}
        # One that was seen from one end, and no farther than a break, passes fewer of them.
        usual = Counter(tuple(self.passes[f]) for f in known).most_common(1)[0][0]
        known = [f for f in known if tuple(self.passes[f]) == usual]
        sections = np.array(
            [np.diff([0.0, *self.passes[f].values(), self.length_m[f]]) for f in known]
        )
        middle = np.median(sections, axis=0)
        ribbons = np.array([ribbon_position(f, self.ribbon_size)[0] or 0 for f in known])
        slack = {r: np.median(sections[ribbons == r], axis=0) - middle for r in set(ribbons)}
        return {f: slack[r] for f, r in zip(known, ribbons.tolist(), strict=True)}

    def closure_at(self, fibre: int, distance_m: float) -> Closure | None:
        """Return the closure that a place on a fibre belongs to, if it lies at one."""
        for number, at_m in self.passes[fibre].items():
            if abs(at_m - distance_m) <= self.tolerance_m[fibre]:
                return self.closure(number)
        return None


@dataclass(slots=True)
class _Cluster:
    """Events of many fibres that lie together on one route's scale."""

    at_m: float
    spread_m: float
    seen: dict[int, float] = field(default_factory=dict)  # fibre → its own metres
    routes: set[int] = field(default_factory=set)
    fibres: set[int] = field(default_factory=set)
    known: KnownClosure | None = None  # what the user's table says of it
    asked: bool = False


@dataclass(frozen=True, slots=True)
class _Route:
    number: int
    length_m: float
    fibres: tuple[FibrePlaces, ...]
    ribbons: tuple[tuple[FibrePlaces, ...], ...]  # in loose tube one of all fibres
    in_ribbons: bool

    @property
    def scatter_m(self) -> float:
        placing = float(np.median([f.placing_m for f in self.fibres]))
        return max(_SCATTER_LEAST_M, 3 * placing) + _SCATTER_SHARE * self.length_m


def table_slack_m(distance_m: float) -> float:
    """By how much a stated distance and one of a shot may differ, metres."""
    return max(_TABLE_LEAST_M, _TABLE_SHARE * distance_m)


def one_each(pairs: Iterable[tuple[float, int, int]]) -> dict[int, int]:
    """Of pairs with their distance the nearest first, as long as both of a pair are free."""
    taken: dict[int, int] = {}
    for _, one, other in sorted(pairs):
        if one not in taken and other not in taken.values():
            taken[one] = other
    return taken


def find_closures(
    cable: str,
    fibres: Sequence[FibrePlaces],
    *,
    ribbon_size: int | None,
    table: Sequence[KnownClosure] = (),
    uncut: Set[tuple[str, int]] = frozenset(),
    is_building: bool = False,
) -> CableMap:
    """Find the closures of a cable.

    Parameters
    ----------
    cable : str
        Its name.
    fibres : sequence of FibrePlaces
        Measured fibres with their events.
    ribbon_size : int or None
        Fibres of a ribbon; None for loose tube.
    table : sequence of KnownClosure
        Names and distances that the user gives; one without events is a closure too.
    uncut : set of (str, int)
        Closures, by name or number, and fibres that are planned to run through unspliced; they
        count as spliced where most of them show an event.
    is_building : bool
        Fibres may end at a closure of the table: it is none of theirs yet.

    Returns
    -------
    CableMap
        Closures in order from A, numbered from 1.
    """
    routes = _routes(fibres, ribbon_size)
    merged: list[_Cluster] = []
    for route in sorted(routes, key=lambda r: (-len(r.fibres), r.number)):
        _merge(merged, route, _clusters(route))
    _name(merged, table, routes, is_building=is_building)
    merged.sort(key=lambda c: c.at_m)
    _leave_planned_out(merged, uncut)
    express = _leave_express_out(merged, ribbon_size)
    closures = tuple(
        Closure(
            cable,
            number,
            tuple(sorted(c.routes)),
            c.known.name if c.known else str(number),
            c.at_m,
            c.spread_m,
            tuple(sorted(c.fibres)),
            len(c.seen),
            *((Source.MAPPING, c.known.method, c.known.stage, c.known.closed) if c.known else ()),
        )
        for number, c in enumerate(merged, start=1)
    )
    passes: dict[int, dict[int, float]] = {}
    for route in routes:
        for ribbon in route.ribbons:
            passes |= _own_positions(ribbon, route, merged)
    return CableMap(
        cable,
        closures,
        {one.fibre: route.number for route in routes for one in route.fibres},
        passes,
        {route.number: route.length_m for route in routes},
        {one.fibre: route.scatter_m for route in routes for one in route.fibres},
        tuple(express),
        length_m={one.fibre: one.length_m for one in fibres},
        ribbon_size=ribbon_size,
    )


def _routes(fibres: Sequence[FibrePlaces], ribbon_size: int | None) -> list[_Route]:
    """Split fibres by length; numbered from the most to the least common, then by length."""
    groups: list[list[FibrePlaces]] = []
    for one in sorted(fibres, key=lambda f: (f.length_m, f.fibre)):
        gap = max(_ROUTE_LEAST_M, _ROUTE_SHARE * one.length_m)
        if groups and one.length_m - groups[-1][-1].length_m <= gap:
            groups[-1].append(one)
        else:
            groups.append([one])
    groups.sort(key=lambda g: (-len(g), g[0].length_m))
    routes = []
    for number, group in enumerate(groups, start=1):
        ribbons = grouped(group, lambda one: ribbon_position(one.fibre, ribbon_size)[0])
        routes.append(
            _Route(
                number,
                float(np.median([one.length_m for one in group])),
                tuple(group),
                tuple(map(tuple, ribbons.values())),
                ribbon_size is not None,
            )
        )
    return routes


def _clusters(route: _Route) -> list[_Cluster]:
    """Events of a route that lie together in enough of its fibres."""
    scaled = np.array([z * route.length_m / f.length_m for f in route.fibres for z in f.places_m])
    own = np.array([z for f in route.fibres for z in f.places_m])
    fibre = np.array([f.fibre for f in route.fibres for _ in f.places_m], dtype=int)
    if scaled.size == 0:
        return []
    order = np.lexsort((fibre, scaled))
    scaled, own, fibre = scaled[order], own[order], fibre[order]
    # Half the scatter as the gap: a chain of strays must not join two closures.
    starts = np.flatnonzero(np.diff(scaled, prepend=-np.inf) > route.scatter_m / 2)
    clusters = []
    for at in np.split(np.arange(scaled.size), starts[1:]):
        middle = float(np.median(scaled[at]))
        near = at[np.abs(scaled[at] - middle) <= route.scatter_m]
        spread = 1.4826 * float(np.median(np.abs(scaled[near] - middle)))
        seen = {
            n: float(np.mean(own[near][fibre[near] == n])) for n in np.unique(fibre[near]).tolist()
        }
        clusters.append(_Cluster(middle, spread, seen))
    return [c for c in _moved_by_slack(clusters, route) if _enough(c.seen, route)]


def _moved_by_slack(clusters: Sequence[_Cluster], route: _Route) -> list[_Cluster]:
    """Join places that lie a little apart and that no fibre shows both: slack moved some ribbons.

    The nearest first. What a few fibres show is not joined: it is no closure of theirs.
    """
    lengths = {f.fibre: f.length_m for f in route.fibres}
    left = [c for c in clusters if _of_whole_ribbons(c.seen, route)]
    rest = [c for c in clusters if c not in left]
    while True:
        gaps = [
            (near.at_m - far.at_m, n)
            for n, (far, near) in enumerate(pairwise(left))
            if near.at_m - far.at_m <= _SLACK_M
            and len(near.seen.keys() & far.seen.keys())
            <= _SHOWS_BOTH * min(len(near.seen), len(far.seen))
        ]
        if not gaps:
            return sorted([*left, *rest], key=lambda c: c.at_m)
        n = min(gaps)[1]
        seen = left[n + 1].seen | left[n].seen
        scaled = np.array([own * route.length_m / lengths[fibre] for fibre, own in seen.items()])
        middle = float(np.median(scaled))
        spread = 1.4826 * float(np.median(np.abs(scaled - middle)))
        left[n : n + 2] = [_Cluster(middle, spread, dict(sorted(seen.items())))]


def _of_whole_ribbons(seen: Collection[int], route: _Route) -> bool:
    """Whether a place is a ribbon's, or several fibres' in loose tube, and no single fibre's."""
    if not route.in_ribbons:
        return len(seen) >= max(3, _SEEN_SHARE * len(route.fibres))
    return any(2 * own >= present >= 3 for own, present in _by_ribbon(seen, route))


def _by_ribbon(seen: Collection[int], route: _Route) -> list[tuple[int, int]]:
    """For each ribbon how many of its fibres show something, and how many are there."""
    return [(sum(one.fibre in seen for one in own), len(own)) for own in route.ribbons]


def _enough(seen: Collection[int], route: _Route) -> bool:
    """Whether events in these fibres make a closure."""
    total = len(route.fibres)
    if total < 3:
        return len(seen) == total > 1
    if len(seen) < 3:
        return False
    ribbons = _by_ribbon(seen, route)
    if len(ribbons) > 2 and max(own for own, _ in ribbons) >= _OF_ONE_RIBBON * len(seen):
        return False  # one ribbon was cut on the way
    if len(seen) >= _SEEN_SHARE * total:
        return True
    return sum(2 * own >= present >= 3 for own, present in ribbons) > 1


def _merge(merged: list[_Cluster], route: _Route, found: list[_Cluster]) -> None:
    """Add a route's closures; those it shares with routes already known become one."""
    known = sorted(merged, key=lambda c: c.at_m)
    events = {f.fibre: np.array(f.places_m) for f in route.fibres}
    agree = [
        c.at_m < route.length_m - route.scatter_m and _shows(c, found, events, route) for c in known
    ]
    run = 0
    for count in range(1, len(known) + 1):
        if agree[count - 1] and sum(agree[:count]) >= _SHARED_ENOUGH * count:
            run = count
    fibres = {f.fibre for f in route.fibres}
    taken: list[_Cluster] = []
    for cluster in known[:run]:
        same = [c for c in found if abs(c.at_m - cluster.at_m) <= 2 * route.scatter_m]
        for other in same:
            cluster.seen.update(other.seen)
            taken.append(other)
        if not same:
            for one in route.fibres:
                near = [z for z in one.places_m if abs(z - cluster.at_m) <= 2 * route.scatter_m]
                if near:
                    cluster.seen[one.fibre] = float(np.mean(near))
        cluster.routes.add(route.number)
        cluster.fibres |= fibres
    for cluster in found:
        if cluster not in taken:
            cluster.routes.add(route.number)
            cluster.fibres |= fibres
            merged.append(cluster)


def _shows(
    cluster: _Cluster, found: Sequence[_Cluster], events: Mapping[int, FloatArray], route: _Route
) -> bool:
    """Whether a route has an event of its own at a known closure."""
    slack = 2 * route.scatter_m
    if found:
        return any(abs(c.at_m - cluster.at_m) <= slack for c in found)
    return any(bool(np.any(np.abs(z - cluster.at_m) <= slack)) for z in events.values())


def _name(
    clusters: list[_Cluster],
    table: Sequence[KnownClosure],
    routes: Sequence[_Route],
    *,
    is_building: bool,
) -> None:
    """Give closures the names of the nearest entries of the user's table."""
    entries = one_each(
        (gap_m, i, j)
        for i, entry in enumerate(table)
        for j, cluster in enumerate(clusters)
        if (gap_m := abs(entry.distance_m - cluster.at_m)) <= table_slack_m(entry.distance_m)
    )
    for i, j in entries.items():
        clusters[j].known = table[i]
    for i, entry in enumerate(table):
        behind_m = entry.distance_m + (table_slack_m(entry.distance_m) if is_building else 0.0)
        reached = [r for r in routes if behind_m < r.length_m]
        if i in entries or not reached:
            continue
        clusters.append(
            _Cluster(
                entry.distance_m,
                0.0,
                {},
                {r.number for r in reached},
                {f.fibre for r in reached for f in r.fibres},
                entry,
                asked=True,
            )
        )


def _leave_planned_out(clusters: Sequence[_Cluster], uncut: Set[tuple[str, int]]) -> None:
    """Take out what is planned to run through a closure, unless most of it shows a splice."""
    for number, cluster in enumerate(clusters, start=1):
        names = {str(number), cluster.known.name if cluster.known else ""}
        own = {f for f in cluster.fibres if any((name, f) in uncut for name in names)}
        if 2 * len(own & set(cluster.seen)) < len(own):
            cluster.fibres -= own


def _leave_express_out(
    clusters: Sequence[_Cluster], ribbon_size: int | None
) -> list[tuple[int, int]]:
    """Take out ribbons that run through a closure without a splice.

    A good splice may escape both shots, but not a whole ribbon of them where nearly all
    other fibres of the closure show one.
    """
    express: list[tuple[int, int]] = []
    if ribbon_size is None:
        return express
    for number, cluster in enumerate(clusters, start=1):
        if cluster.asked:
            continue
        ribbons = grouped(cluster.fibres, lambda fibre: ribbon_position(fibre, ribbon_size)[0] or 0)
        unseen = {
            r: own for r, own in ribbons.items()
            if len(own) >= 4 and not cluster.seen.keys() & own
        }  # fmt: skip
        others = cluster.fibres.difference(*unseen.values())
        if len(others & cluster.seen.keys()) < 0.8 * len(others):
            continue
        cluster.fibres = others
        express += [(number, ribbon) for ribbon in sorted(unseen)]
    return express


def _own_positions(
    ribbon: Sequence[FibrePlaces], route: _Route, clusters: Sequence[_Cluster]
) -> dict[int, dict[int, float]]:
    """Where each fibre passes its closures: as seen, else as its ribbon does, else in proportion.

    Slack moves all of a ribbon.
    """
    shares = [
        [
            one_m / one.length_m
            for one in ribbon
            if (one_m := cluster.seen.get(one.fibre)) is not None
        ]
        for cluster in clusters
    ]
    usual = [float(np.median(own)) if route.in_ribbons and len(own) > 1 else None for own in shares]
    passes = {}
    for one in ribbon:
        through = {n: c for n, c in enumerate(clusters) if one.fibre in c.fibres}
        knots = [(0.0, 0.0), (route.length_m, one.length_m)]
        for n, cluster in through.items():
            share = usual[n]
            if one.fibre in cluster.seen:
                knots.append((cluster.at_m, cluster.seen[one.fibre]))
            elif share is not None:
                knots.append((cluster.at_m, share * one.length_m))
        reference, own_m = np.array(sorted(knots)).T
        passes[one.fibre] = {
            n + 1: c.seen.get(one.fibre, float(np.interp(c.at_m, reference, own_m)))
            for n, c in through.items()
        }
    return passes


def read_closure_table(path: Path) -> tuple[KnownClosure, ...]:
    """Read a CSV with the columns name and distance (``4292``, ``4.29km``, ``14080ft``).

    Columns ``method`` (fusion, ribbon, mechanical) and ``stage`` (of the profile) may stand beside
    them, where a closure's differ from the profile's.

    Raises
    ------
    BadSetting
        With the line that cannot be used.
    """
    rows = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")))
    columns = {(name or "").strip() for name in rows.fieldnames or ()}
    distance_column = next((c for c in ("distance", "distance_m") if c in columns), None)
    if "name" not in columns or distance_column is None:
        raise BadSetting("closure table", str(path), says("first-line-closures"))
    known = []
    for number, row in enumerate(rows, start=2):
        cells = {(key or "").strip(): (value or "").strip() for key, value in row.items()}
        try:
            distance_m = metres_of(cells[distance_column])
        except Unusable as error:
            raise BadSetting(f"{path} line {number}", cells[distance_column], error.said) from None
        method, methods = cells.get("method", ""), {own.value: own for own in Method}
        if method and method not in methods:
            raise BadSetting(
                "closure table",
                f"{path} line {number}",
                says("known-methods", known=", ".join(methods)),
            )
        if not cells["name"]:
            raise BadSetting("closure table", f"{path} line {number}", says("give-it-a-name"))
        known.append(
            KnownClosure(cells["name"], distance_m, methods.get(method), cells.get("stage", ""))
        )
    if len({k.name for k in known}) != len(known):
        raise BadSetting("closure table", str(path), says("name-twice"))
    return tuple(sorted(known, key=lambda k: (k.distance_m, k.name)))


def renamed(closure: Closure, name: str) -> Closure:
    """Return a closure with a reviewer's name."""
    return replace(closure, name=name, named_by=Source.DECISION)

"""Numbering as a hypothesis: which simple slip explains that shots do not fit as they are labelled.

Every story says of each shot from A which shot from B is of its fibre: as labelled, shifted by a
few numbers, a ribbon rolled, two ribbons exchanged, two fibres crossed, numbered backwards. All
are read off one table of log-likelihood ratios (:class:`Comparison`), each pays for how many
stories of its kind there are, and one that wins must fit absolutely as well. An assignment of
every shot by itself is the story of last resort: it pays for all ways to shuffle its fibres.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import partial
from math import lgamma, log

import numpy as np
import numpy.typing as npt

from otdravg.cable.identity.fingerprint import Comparison

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: Odds from which something counts as told: a pair, and a story against the next one and against
#: "as labelled", after what it pays for its kind. Chosen, not derived: twenty to one.
CLEAR = log(20)
#: Log-odds against any one slip before the shots are looked at. Chosen, not derived: one cable in
#: ten; no source counts them.
_SLIP = log(10)
#: What a pair can speak against a story at most: shots are spoilt in other ways, too. Chosen, not
#: derived.
_AT_LEAST = -log(400)
#: Odds, after what it pays for its kind, from which a small slip that is not told is a doubt.
#: Benchmark: cable_scenarios, where of 384 sound cables, half of them with shots missing, one
#: reaches it.
DOUBT = -0.5
#: The same beside a slip, told or doubted, which makes another as likely as none. Chosen, not
#: derived: one exchange in five; in one sound cable in ten some pair reaches it.
_BESIDE = -log(4) - _SLIP
#: Pairs below this are looked at. Chosen, not derived: it speaks neither for nor against.
_SUSPECT = 1.0
#: Share of a story's pairs that have to speak for it, and share of the log-likelihood of the
#: sound pairs that they have to reach in the mean. Benchmark: numbering, which misses none of
#: its simulated slips at these and tells none that is not there.
_FITTING_SHARE, _SOUND_SHARE = 0.8, 0.5
#: A free assignment of more than so many fibres has to prove itself pair by pair. Chosen, not
#: derived.
_FEW_ROWS = 4
#: Of so many that fit worst rounds of three are looked for. Chosen, not derived: time.
_IN_ROUNDS = 24
#: Scales come from pairs above this: those of the best alone would be too narrow for the others.
#: Benchmark: cable_scenarios, where at 0 half as many sound fibres again stand beside a doubt.
_UNFIT = -2.0
#: So many sound pairs say what sound is. Chosen, not derived.
_SOUND_PAIRS = 12
#: A ribbon is looked at as a whole if so much of it does not fit. Chosen, not derived.
BAD_SHARE = 0.4
#: So many fibres, and so many stories of one kind, are looked at where more would take too long;
#: and so often a free assignment and its scales are renewed. Chosen, not derived: time.
_SAMPLE, _LOOKED_AT, _ROUNDS = 256, 3, 6
#: Up to so many that do not fit all kinds of stories are held against each other at once; of more,
#: those of whole cables and ribbons come first. Chosen, not derived: time.
_FEW = 300
#: Ribbon size taken where there are no ribbons: tubes hold twelve. Standard: TIA-598.
TUBE = 12


class Kind(Enum):
    """What went wrong, in the order of simplicity."""

    SHIFTED = "shifted"  # a number left out, taken twice, or begun too late
    ROLLED = "rolled"  # a ribbon turned over
    TURNED = "turned"  # within a ribbon, by some positions round
    RIBBONS = "ribbons"  # two ribbons exchanged
    CROSSED = "crossed"  # two fibres exchanged
    BACKWARDS = "backwards"  # counted from the other end
    RIBBONS_BACKWARDS = "ribbons-backwards"
    FREE = "free"  # every shot by itself


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """Shots from A whose partner is not the shot from B of the same number.

    Parameters
    ----------
    kind : Kind
    step : int
        By how many numbers, where the kind has that.
    rows, partner : array of int, shape (m,)
        Indices of shots from A, and of those from B that are of the same fibres, -1 for none.
    odds : float
        Natural logarithm of the odds against the next story.
    wavelength_nm : int or None
        The wavelength at which alone it is true; None for all.
    """

    kind: Kind
    step: int
    rows: IntArray
    partner: IntArray
    odds: float
    wavelength_nm: int | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Numbering:
    """Which shots are of one fibre, as far as it can be told.

    ``ratios`` are those of the pairs as the stories leave them, NaN where there is no pair.
    """

    partner: IntArray
    stories: tuple[Story, ...]
    ratios: FloatArray
    worth: float  # log-likelihood of all pairs, less what the stories cost
    doubts: tuple[Story, ...] = ()  # small slips that are likelier than not, and not proved


@dataclass(frozen=True, slots=True, eq=False)
class _Slip:
    """One possible slip: which rows take whose partners, and what it costs before a look."""

    kind: Kind
    step: int
    rows: IntArray
    source: IntArray
    cost: float
    tries: float  # logarithm of how many of its kind were tried
    loose: npt.NDArray[np.bool_] | None = None  # rows that may be left without a partner


@dataclass(frozen=True, slots=True, eq=False)
class _Weighed:
    slip: _Slip
    partner: IntArray
    ratios: FloatArray
    net: float  # gain in log-likelihood less the cost
    evidence: float  # of the pairs themselves, less what comes by trying


def numbering_told(comparison: Comparison, ribbon_size: int | None) -> Numbering:
    """Tell which shots from A and B are of one fibre.

    Parameters
    ----------
    comparison : Comparison
        Shots by fibre number without gaps; its scales are set to those of the pairs told.
    ribbon_size : int or None
        None in loose tube.
    """
    size = ribbon_size or TUBE
    everybody = np.arange(comparison.size)
    if comparison.is_alike:  # scales that are taken from noise would tell any story
        own = comparison.own()
        return Numbering(everybody, (), own, float(np.nan_to_num(own).sum()))
    best: Numbering | None = None
    for partner in _beginnings(comparison, size):
        comparison.scale_by(partner)
        told = _renewed(comparison, size)
        if best is None or told.worth > best.worth:
            best = told
        known = told.ratios[np.isfinite(told.ratios)]
        if known.size and np.median(known) > CLEAR:
            break
    assert best is not None
    doubts = _in_doubt(comparison, best)
    _scale_anew(comparison, best.partner, best.ratios)
    return replace(best, doubts=doubts)


def _renewed(comparison: Comparison, size: int) -> Numbering:
    """Tell the numbering, and again with scales from the pairs that fit."""
    told = _searched(comparison, size)
    for _ in range(2):
        _scale_anew(comparison, told.partner, told.ratios)
        before, told = told, _searched(comparison, size)
        if np.array_equal(before.partner, told.partner):
            break
    return told


def _scale_anew(comparison: Comparison, partner: IntArray, ratios: FloatArray) -> None:
    """Take scales from pairs that fit; where those are few from all, which are not chosen."""
    fitting = ratios > _UNFIT
    if np.count_nonzero(fitting) < max(_SOUND_PAIRS / 2, np.isfinite(ratios).sum() / 2):
        fitting = np.isfinite(ratios)
    comparison.scale_by(np.where(fitting, partner, -1))


def _beginnings(comparison: Comparison, size: int) -> list[IntArray]:
    """What scales may be taken from at first: as labelled, or by stories of the whole cable.

    Where "as labelled" is no good, those by which pairs scatter least, and of few fibres every
    shot by itself, too.
    """
    n = comparison.size
    everybody = np.arange(n)
    ratios = comparison.own()
    if np.count_nonzero(ratios > CLEAR) > np.isfinite(ratios).sum() / 2:
        return [everybody]
    sample = np.zeros(n, dtype=bool)
    sample[:: max(n // _SAMPLE, 1)] = True
    scattered = [(n * comparison.spread(np.where(sample, everybody, -1)), 0, everybody)]
    for slip in _of_all(comparison, size):
        partner = everybody.copy()
        partner[slip.rows] = slip.source
        cost = n * comparison.spread(np.where(sample, partner, -1)) + slip.cost
        scattered.append((cost, len(scattered), partner))
    scattered.sort(key=lambda one: one[:2])
    if n > _FEW:
        return [scattered[0][2]]
    comparison.guess()
    for _ in range(_ROUNDS):
        partner = _assigned(comparison, everybody, everybody)
        if np.count_nonzero(partner >= 0) < n / 2:
            break
        comparison.scale_by(partner)
    whole = [partner for _, number, partner in scattered if number][:_LOOKED_AT]
    if scattered[0][1]:
        return [*whole, partner, everybody]
    return [everybody, *whole, partner]


def _searched(comparison: Comparison, size: int) -> Numbering:
    """Take the best slip again and again, until none is left that both wins and fits."""
    n = comparison.size
    partner = np.arange(n)
    from_a, from_b = comparison.is_shot
    ratios = comparison.of_pairs(partner, partner)
    if np.count_nonzero(from_a & ~from_b) > np.count_nonzero(from_a) / 2:
        # Not single shots are missing: the numbers of the ends do not meet.
        ratios = np.where(from_a & ~from_b, _AT_LEAST, ratios)
    stories: list[Story] = []
    costs = 0.0
    while (suspects := _suspects(ratios)).size >= 2:
        slips = list(_large_slips(comparison, partner, ratios, size))
        small = partial(_small_slips, comparison, partner, ratios, size)
        if suspects.size <= _FEW:
            slips += small()
        found = _accepted(comparison, slips, partner, ratios)
        if not found and suspects.size > _FEW:
            found = _accepted(comparison, small(), partner, ratios)
        if not found:
            break
        for one, odds in found:
            rows = one.slip.rows
            partner[rows] = one.partner
            ratios[rows] = np.where(one.partner < 0, np.nan, one.ratios)
            changed = one.partner != rows
            costs += one.slip.cost
            stories.append(
                Story(one.slip.kind, one.slip.step, rows[changed], one.partner[changed], odds)
            )
    worth = float(np.maximum(np.nan_to_num(ratios), _AT_LEAST).sum()) - costs
    return Numbering(partner, tuple(stories), ratios, worth)


def _in_doubt(comparison: Comparison, told: Numbering) -> tuple[Story, ...]:
    """Fibres that may well be exchanged among each other; each is in one doubt.

    Beside a slip, told or doubted, one more is as likely as none; what is doubted widens no scales.
    """
    partner, ratios = told.partner.copy(), told.ratios
    taken = {n for one in told.stories for n in one.rows.tolist()}
    doubts: list[Story] = []
    while len(doubts) < _LOOKED_AT:
        _scale_anew(comparison, partner, ratios)
        ratios = comparison.of_pairs(np.arange(partner.size), partner)
        ratios[partner < 0] = np.nan
        suspects = _suspects(ratios)
        if suspects.size > _FEW:
            break
        slips = (
            *_crossings(comparison, partner, suspects),
            *_three_round(comparison, partner, ratios, suspects),
        )
        weighed = [_weighed(comparison, slip, partner, ratios) for slip in slips]
        weighed = [w for w in weighed if not taken.intersection(w.slip.rows.tolist())]
        one = max(weighed, key=lambda w: w.net, default=None)
        if one is None or one.net < (_BESIDE if told.stories or doubts else DOUBT):
            break
        # What is nearly as likely and speaks of some of the same fibres leaves all of them open.
        least = max(one.net - CLEAR, _BESIDE)
        near = [w for w in weighed if w.net > least and _is_another(w, one)]
        rows = np.unique(np.concatenate([w.slip.rows for w in (one, *near)]))
        taken.update(rows.tolist())
        # By the shots alone, which say more than the choice among all costs.
        odds = one.net + one.slip.cost
        doubts.append(Story(Kind.FREE, 0, rows, partner[rows], odds))
        partner[one.slip.rows] = one.partner
    return tuple(doubts)


def _suspects(ratios: FloatArray) -> IntArray:
    """Rows whose pair does not speak for itself as those do that nobody doubts."""
    sound = ratios[ratios > _SUSPECT]
    least = max(_SUSPECT, _SOUND_SHARE * float(np.median(sound))) if sound.size else _SUSPECT
    return np.flatnonzero(ratios < least)


def _accepted(
    comparison: Comparison, slips: Iterable[_Slip], partner: IntArray, ratios: FloatArray
) -> list[tuple[_Weighed, float]]:
    """Slips that beat all others that speak of the same fibres, and fit; with their odds."""
    weighed = [
        w
        for s in slips
        if _is_what_it_says(s, comparison)
        and (w := _weighed(comparison, s, partner, ratios)).net > 0
    ]
    # What a simple slip explains is not explained by an assignment of everything.
    weighed.sort(key=lambda w: (w.slip.kind is Kind.FREE, -w.net))
    taken = np.zeros(comparison.size, dtype=bool)
    accepted = []
    for one in weighed:
        if one.net < CLEAR or taken[one.slip.rows].any() or not _fits(one, ratios):
            continue
        odds = one.net - max([0.0, *(w.net for w in weighed if _is_another(w, one))])
        if odds >= CLEAR:
            taken[one.slip.rows] = True
            accepted.append((one, odds))
    return accepted


def _is_what_it_says(slip: _Slip, comparison: Comparison) -> bool:
    """Whether most shots from A have their partner by the rule, not by what comes in again."""
    if slip.loose is None or slip.kind is Kind.FREE:
        return True
    loose = slip.loose[comparison.is_shot[0][slip.rows]]
    return bool(2 * np.count_nonzero(loose) < loose.size)


def _is_another(one: _Weighed, than: _Weighed) -> bool:
    """Whether two slips speak of the same fibres and say different things of them."""
    rows = np.intersect1d(
        one.slip.rows[np.isfinite(one.ratios)], than.slip.rows[np.isfinite(than.ratios)]
    )
    if rows.size == 0:
        return False
    mine = one.partner[np.searchsorted(one.slip.rows, rows)]
    theirs = than.partner[np.searchsorted(than.slip.rows, rows)]
    return bool(np.mean(mine == theirs) <= 0.5)


def _fits(one: _Weighed, ratios: FloatArray) -> bool:
    """Whether the pairs of a slip are pairs: as good as those that nobody doubts."""
    own = one.ratios[(one.partner >= 0) & np.isfinite(one.ratios)]
    if one.slip.kind is Kind.FREE and own.size and own.mean() < CLEAR and own.size > _FEW_ROWS:
        return False  # who may choose among all finds something that fits a little
    if one.evidence < CLEAR or own.size == 0 or np.mean(own > _AT_LEAST) < _FITTING_SHARE:
        return False
    others = np.delete(ratios, one.slip.rows)
    sound = others[others > _SUSPECT]
    return bool(
        sound.size < _SOUND_PAIRS or np.median(own) >= _SOUND_SHARE * float(np.median(sound))
    )


def _weighed(
    comparison: Comparison, slip: _Slip, partner: IntArray, ratios: FloatArray
) -> _Weighed:
    """Hold a slip against what is taken to be true so far."""
    own = np.where(slip.source >= 0, partner[slip.source], -1)
    new = np.where(own >= 0, comparison.of_pairs(slip.rows, np.maximum(own, 0)), np.nan)
    if slip.loose is not None:
        own = np.where(slip.loose & ~(new >= 0), -1, own)
    # A shot whose partner is missing speaks against a story as a pair does that does not fit.
    alone = comparison.is_shot[0][slip.rows] & ((own < 0) | np.isnan(new))
    new = np.where(alone, _AT_LEAST, np.maximum(new, _AT_LEAST))
    gain = np.nan_to_num(new).sum() - np.maximum(np.nan_to_num(ratios[slip.rows]), _AT_LEAST).sum()
    evidence = float(np.nan_to_num(new).sum()) - slip.tries
    if slip.rows.size <= 3 and np.nanmin(new) > 0:
        # That none is what it is called leaves few to choose among: proved twice over.
        evidence = max(evidence, float(gain) - slip.cost - CLEAR)
    return _Weighed(slip, own, new, float(gain) - slip.cost, evidence)


def _large_slips(
    comparison: Comparison, partner: IntArray, ratios: FloatArray, size: int
) -> Iterator[_Slip]:
    """Slips of the whole cable, of stretches and of ribbons.

    Which of the whole cable's, and which steps, are worth a look a sample of what does not fit
    shows.
    """
    n = comparison.size
    suspects = _suspects(ratios)
    sample = suspects[:: -(-suspects.size // _SAMPLE)]
    scores = []
    for slip in _of_all(comparison, size):
        source = np.arange(n)
        source[slip.rows] = slip.source
        new = comparison.of_pairs(sample, np.maximum(partner[source[sample]], 0))
        scores.append((float(np.maximum(np.nan_to_num(new), _AT_LEAST).sum()), slip))
    scores.sort(key=lambda score: -score[0])
    yield from (slip for _, slip in scores[:_LOOKED_AT])
    shifts = [slip.step for _, slip in scores if slip.kind is Kind.SHIFTED]
    yield from _of_a_stretch(comparison, partner, ratios, size, shifts[:_LOOKED_AT])


def _small_slips(
    comparison: Comparison, partner: IntArray, ratios: FloatArray, size: int
) -> Iterator[_Slip]:
    """Of what does not fit: ribbons, two fibres exchanged, and every shot by itself."""
    suspects = _suspects(ratios)[:_FEW]
    yield from _of_ribbons(comparison.size, suspects, size)
    yield from _crossings(comparison, partner, suspects)
    yield from _three_round(comparison, partner, ratios, suspects)
    if suspects.size >= 3:
        rows = np.sort(_with_near(comparison, partner, suspects, _FEW))
        best = _assigned(comparison, rows, partner[rows])
        row_of = np.full(comparison.size + 1, -1)
        row_of[partner[rows]] = rows
        # A wrong pair can look right; what is left as it is has no part in it.
        part = np.isin(rows, suspects) | (best != partner[rows])
        rows, best = rows[part], best[part]
        if np.count_nonzero((best >= 0) & (best != partner[rows])) >= 3:
            source = np.where(best >= 0, row_of[best], -1)
            ways = lgamma(rows.size + 1)
            everyone = np.ones(rows.size, dtype=bool)
            yield _Slip(Kind.FREE, 0, rows, source, _SLIP + ways, ways, everyone)
            yield from _rounds(rows, source, comparison.size)


def _rounds(rows: IntArray, source: IntArray, n: int) -> Iterator[_Slip]:
    """A few fibres that go on as each other, out of a free assignment."""
    follows = {i: j for i, j in zip(rows.tolist(), source.tolist(), strict=True) if j >= 0}
    left = set(follows)
    while left:
        begin = min(left)
        ring = [begin]
        while (then := follows[ring[-1]]) in left and then != begin and then not in ring:
            ring.append(then)
        left -= set(ring)
        if then == begin and 3 <= len(ring) < rows.size:
            own = np.array(sorted(ring))
            orders = lgamma(own.size)
            places = log(n) if np.ptp(own) < own.size else _choices(n, own.size)
            yield _Slip(
                Kind.FREE,
                0,
                own,
                np.array([follows[i] for i in own.tolist()]),
                _SLIP + orders + places,
                orders + _choices(rows.size, own.size),
            )


def _choices(n: int, count: int) -> float:
    """Logarithm of the number of ways to choose some of n."""
    return lgamma(n + 1) - lgamma(count + 1) - lgamma(n - count + 1)


def _steps(size: int, n: int) -> list[int]:
    """By how many numbers a crew may be off: a few, or whole ribbons."""
    steps = {*range(1, size + 1), 2 * size, 3 * size}
    return [sign * step for step in sorted(steps) if step < n for sign in (1, -1)]


def _of_gaps(comparison: Comparison) -> Iterator[_Slip]:
    """A number that one end left out, and one more at its end: the count slipped there."""
    from_a, from_b = comparison.is_shot
    left_out, more = np.flatnonzero(from_a & ~from_b), np.flatnonzero(from_b & ~from_a)
    for gap in left_out[:_LOOKED_AT].tolist():
        for beyond in more[:_LOOKED_AT].tolist():
            low, high = min(gap, beyond), max(gap, beyond)
            if high - low >= 2:
                yield _shifted(low, high + 1, 1 if beyond > gap else -1, 0.0)


def _begins_apart(comparison: Comparison) -> set[int]:
    """By how much one end's numbers begin and end later than the other's."""
    (from_a, from_b) = (np.flatnonzero(shot) for shot in comparison.is_shot)
    if not from_a.size or not from_b.size:
        return set()
    return {int(from_b[0] - from_a[0]), int(from_b[-1] - from_a[-1])} - {0}


def _shifted(first: int, beyond: int, step: int, cost: float) -> _Slip:
    """Shift a stretch; what is pushed out at its end may come in again at its beginning."""
    rows = np.arange(first, beyond)
    source = first + (rows - first + step) % rows.size
    return _Slip(Kind.SHIFTED, step, rows, source, _SLIP + cost, cost, source != rows + step)


def _of_all(comparison: Comparison, size: int) -> Iterator[_Slip]:
    """Slips of the whole cable."""
    n = comparison.size
    everybody = np.arange(n)
    steps = sorted({*_steps(size, n), *_begins_apart(comparison)}, key=abs)
    yield from _of_gaps(comparison)
    kind = Kind.BACKWARDS if n > size else Kind.ROLLED
    yield _Slip(kind, 0, everybody, everybody[::-1], _SLIP, 0.0)
    if n > 2 * size:
        ribbon, position = np.divmod(everybody, size)
        source = np.minimum((ribbon.max() - ribbon) * size + position, n - 1)
        if np.unique(source).size == n:
            yield _Slip(Kind.RIBBONS_BACKWARDS, 0, everybody, source, _SLIP, 0.0)
    for step in steps:
        yield _shifted(0, n, step, log(len(steps)))


def _of_a_stretch(
    comparison: Comparison, partner: IntArray, ratios: FloatArray, size: int, steps: Sequence[int]
) -> Iterator[_Slip]:
    """The best stretch for some shifts: from a ribbon on, or any."""
    n = comparison.size
    suspects = _suspects(ratios)
    before = np.maximum(np.nan_to_num(ratios), _AT_LEAST)
    ways = log(len(_steps(size, n)))
    for step in steps:
        # Of pairs that nobody doubts, one with another fibre would be none.
        gain = np.where(np.isfinite(ratios), _AT_LEAST - before, 0.0)
        there = suspects + step
        rows = suspects[(there >= 0) & (there < n)]
        rows = rows[partner[rows + step] >= 0]
        new = np.nan_to_num(comparison.of_pairs(rows, partner[rows + step]))
        gain[rows] = np.maximum(new, _AT_LEAST) - before[rows]
        total = np.concatenate(([0.0], np.cumsum(gain)))
        beyond = int(np.argmax(total - np.minimum.accumulate(total)))
        first = beyond - int(np.argmin(total[beyond::-1]))
        for low, high, cost in (
            (int(np.argmin(total[:n:size])) * size, n, log(-(-n // size))),
            # The stretch begins and ends where its fibres have their partners.
            (max(first + min(step, 0), 0), min(beyond + max(step, 0), n), 2 * log(n)),
        ):
            if high - low > abs(step) + 1:
                yield _shifted(low, high, step, ways + cost)


def _of_ribbons(n: int, suspects: IntArray, size: int) -> Iterator[_Slip]:
    """Ribbons rolled, turned and exchanged, among those of which much does not fit."""
    count = n // size
    in_each = np.bincount(suspects // size, minlength=count + 1)[:count]
    bad = np.flatnonzero(in_each >= BAD_SHARE * size)
    own = np.arange(size)
    for nth, ribbon in enumerate(bad[: _SAMPLE // 6]):
        rows = ribbon * size + own
        yield _Slip(Kind.ROLLED, 0, rows, rows[::-1], _SLIP + log(count), log(bad.size))
        for step in range(1, size if count > 1 else 1):
            source = np.roll(rows, -step)
            near = step if step <= size / 2 else step - size
            tries = log(bad.size * size)
            yield _Slip(Kind.TURNED, near, rows, source, _SLIP + log(count * size), tries)
        for other in bad[nth + 1 : _SAMPLE // 6]:
            both = np.concatenate((rows, other * size + own))
            cost, tries = _SLIP + log(count * (count - 1) / 2), 2 * log(bad.size)
            yield _Slip(Kind.RIBBONS, 0, both, np.roll(both, size), cost, tries)


def _crossings(comparison: Comparison, partner: IntArray, suspects: IntArray) -> Iterator[_Slip]:
    """Two fibres exchanged, of those that do not fit; the best two for each."""
    some = suspects[partner[suspects] >= 0]
    if some.size < 2:
        return
    table = comparison.of_pairs(some[:, None], partner[some][None, :])
    own = np.maximum(np.diag(table), _AT_LEAST)
    table = np.maximum(np.nan_to_num(table, nan=_AT_LEAST), _AT_LEAST)
    gain = table + table.T - own[:, None] - own[None, :]
    np.fill_diagonal(gain, 0.0)
    best_two = gain >= np.partition(gain, -2, axis=1)[:, -2:-1]
    n = comparison.size
    tries = log(some.size * (some.size - 1) / 2)
    one, other = np.nonzero(np.triu((gain > _SLIP) & (best_two | best_two.T), 1))
    for i, j in zip(some[one], some[other], strict=True):
        ways = log(n) if abs(i - j) == 1 else log(n * (n - 1) / 2)
        pair = np.array([i, j])
        yield _Slip(Kind.CROSSED, 0, pair, pair[::-1], _SLIP + ways, tries)


def _three_round(
    comparison: Comparison, partner: IntArray, ratios: FloatArray, suspects: IntArray
) -> Iterator[_Slip]:
    """Three fibres that go on as each other, of those that fit worst; the best for each of them."""
    some = suspects[partner[suspects] >= 0]
    some = some[np.argsort(np.nan_to_num(ratios[some]), kind="stable")[:_IN_ROUNDS]]
    some = np.sort(_with_near(comparison, partner, some, _IN_ROUNDS))
    if some.size < 3:
        return
    table = comparison.of_pairs(some[:, None], partner[some][None, :])
    table = np.maximum(np.nan_to_num(table, nan=_AT_LEAST), _AT_LEAST)
    gain = table - np.diag(table)[:, None]
    rings = gain[:, :, None] + gain[None, :, :] + gain.T[:, None, :]
    one, two, three = np.indices(rings.shape)
    # Each ring once: it begins with its first fibre.
    rings = np.where((one < two) & (one < three) & (two != three), rings, -np.inf)
    n = comparison.size
    for i in range(some.size - 2):
        j, k = np.unravel_index(int(rings[i].argmax()), rings[i].shape)
        if rings[i, j, k] <= _SLIP:
            continue
        follows = {some[i]: some[j], some[j]: some[k], some[k]: some[i]}
        rows = np.array(sorted(follows))
        ways = log(2.0 * n) if np.ptp(rows) == 2 else _choices(n, 3) + log(2)
        source = np.array([follows[row] for row in rows])
        yield _Slip(Kind.FREE, 0, rows, source, _SLIP + ways, _choices(some.size, 3) + log(2))


def _with_near(comparison: Comparison, partner: IntArray, some: IntArray, most: int) -> IntArray:
    """Some fibres, and those that fit one of them, the best first: a wrong pair can look right."""
    if not 2 <= some.size < most:
        return some
    rest = np.setdiff1d(np.flatnonzero(partner >= 0), some)
    fits = np.maximum(
        comparison.of_pairs(some[:, None], partner[rest]),
        np.where(
            partner[some][:, None] >= 0, comparison.of_pairs(rest, partner[some][:, None]), np.nan
        ),
    )
    fits = np.nan_to_num(fits, nan=_AT_LEAST).max(axis=0)
    near = rest[np.argsort(-fits, kind="stable")][: np.count_nonzero(fits > _SUSPECT)]
    return np.append(some, near[: most - some.size])


def _assigned(comparison: Comparison, rows: IntArray, columns: IntArray) -> IntArray:
    """Assign shots from B to shots from A one by one; -1 where none fits."""
    from scipy.optimize import linear_sum_assignment

    table = comparison.of_pairs(rows[:, None], np.maximum(columns, 0)[None, :])
    table = np.where(columns[None, :] >= 0, np.nan_to_num(table, nan=-1e3), -1e3)
    row, column = linear_sum_assignment(np.maximum(table, 0.0), maximize=True)
    result = np.full(rows.size, -1)
    fitting = table[row, column] > 0
    result[row[fitting]] = columns[column[fitting]]
    return result

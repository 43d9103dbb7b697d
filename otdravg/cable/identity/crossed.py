"""Confirm that both shots of every pair are one fibre, and say how a numbering went wrong."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log
from statistics import NormalDist, median

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.decisions.renumber import renumbering
from otdravg.cable.identity.fingerprint import Comparison, Features, ShotOnSpan, features_of
from otdravg.cable.identity.stories import (
    BAD_SHARE,
    CLEAR,
    DOUBT,
    TUBE,
    Kind,
    Story,
    numbering_told,
)
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.jobs import Sketch
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Confidence, FibreKey, IdentityCheck
from otdravg.errors import Refusal
from otdravg.findings import Scope, Statement, defect, note, says
from otdravg.trade import numbers_text

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

__all__ = [
    "CLEAR",
    "LEAST_FIBRES",
    "NOT_ONE_FIBRE",
    "Renumbering",
    "check_identities",
    "fibres_by_closures",
    "odds_text",
    "sides_of",
]

#: Findings that say that both shots are not of one fibre: nothing measured from them is a loss.
NOT_ONE_FIBRE = frozenset(
    {"fibres-crossed", "numbering-differs", "numbering-unexplained", "other-fibre", "pair-doubtful"}
)

#: With fewer fibres the scatter between them cannot be told from the scatter of measurement.
LEAST_FIBRES = 6
#: Pairs as labelled contradict the numbering of a whole cable if their median says nothing and at
#: least this share of them makes losses below zero. Benchmark: numbering.
_NOTHING, _AGAINST = 0.2, 0.08
#: Log-odds against a fibre shot twice under two numbers, before the shots are looked at. Chosen,
#: not derived: one cable in ten; no source counts them.
_TWICE = log(10)
#: Up to so many fibres are called mixed up; more are numbered without any rule.
_FEW_FIBRES = 4
#: Chance of a false alarm about single pairs in a cable, by a normal distribution of what its pairs
#: say, which scatters at least so much. Benchmark: numbering.
_FALSE_ALARMS, _LEAST_SPREAD = 0.01, 1.5
#: What two misread features cost a pair: more must speak against it. Derived: twice log 0.03, and
#: what they would have said for it. Benchmark: numbering.
_TWO_MISREAD = 8.0
#: What a pair says that is doubtful beside a slip. Benchmark: numbering, where one sound pair in
#: fifty says less.
_BESIDE = -1.5
#: Pairs refused for these reasons are explained already and would only blur the comparison.
_EXPLAINED = (Refusal.LENGTH, Refusal.SAME_END, Refusal.NO_SIGNAL, Refusal.DAMAGED)


@dataclass(frozen=True, slots=True)
class Renumbering:
    """Numbers that shots from B of a cable would have by a story; 0 is none.

    ``wavelength_nm``: at which alone; None for all.
    """

    cable: str
    wavelength_nm: int | None
    new: Mapping[int, int]


def check_identities(
    measured: Sequence[Measured], maps: Mapping[str, CableMap], ribbon_size: int | None
) -> tuple[list[IdentityCheck], list[CableFinding], list[Renumbering]]:
    """Tell whether the shots from both ends are numbered alike.

    Parameters
    ----------
    measured : sequence of Measured
    maps : mapping
        The closures of each cable, by its name.
    ribbon_size : int or None
        None in loose tube.

    Returns
    -------
    list of IdentityCheck
        One per fibre with both shots.
    list of CableFinding
        One for each story (:mod:`.stories`), and pairs that do not look like one fibre.
    list of Renumbering
        What each story that is more than a crossing would make of the numbers.
    """
    renumberings: list[Renumbering] = []
    checks: list[IdentityCheck] = []
    findings = _from_one_end(measured)
    for keys, by_nm in fibres_by_closures(measured, maps):
        group = _Group(_all_numbers(keys, ribbon_size), by_nm, maps[keys[0].cable], ribbon_size)
        if len(keys) < LEAST_FIBRES:  # too few to learn from how they differ
            checks += [_untold(key, len(keys)) for key in keys]
            continue
        more, found = group.told()
        checks += more
        findings += found
        renumberings += group.renumberings
    return checks, findings, renumberings


def _from_one_end(measured: Sequence[Measured]) -> list[CableFinding]:
    """Pairs of a cable most of which was shot twice from one end: so were these, perhaps."""
    by_set: dict[tuple[str, int], list[Measured]] = defaultdict(list)
    for one in measured:
        if all(one.records):
            by_set[one.key.cable, one.wavelength_nm].append(one)
    findings = []
    for (_, nm), own in sorted(by_set.items()):
        rest = sorted(
            (one for one in own if one.outcome.refusal is not Refusal.SAME_END),
            key=lambda one: one.key,
        )
        if not rest or 2 * len(rest) >= len(own):
            continue
        finding = about_fibre(
            rest[0].key,
            defect(
                "pair-doubtful",
                Scope.CABLE,
                "one-end",
                pairs=len(own),
                at_nm=nm,
                twice=len(own) - len(rest),
                fibres=numbers_text(one.key.fibre for one in rest),
            ),
            wavelength_nm=nm,
            files=tuple(r.path for one in rest for r in one.records if r is not None),
        )
        findings.append(replace(finding, other_fibres=tuple(o.key.fibre for o in rest[1:])))
    return findings


#: Measurements of some fibres at one wavelength.
Members = dict[FibreKey, Measured]


def fibres_by_closures(
    measured: Sequence[Measured], maps: Mapping[str, CableMap]
) -> list[tuple[list[FibreKey], dict[int, Members]]]:
    """Fibres that pass the same closures, with their measurements by wavelength.

    A fibre without a usable pair is taken to be of its cable's most common kind: crossed
    fibres may fail to pair.
    """
    kinds: dict[tuple[str, tuple[int, ...]], dict[int, Members]] = defaultdict(
        lambda: defaultdict(dict)
    )
    for one in measured:
        own_map = maps.get(one.key.cable)
        if own_map is None:
            continue
        passes = own_map.passes.get(one.key.fibre)
        numbers = tuple(passes) if passes is not None else _common(own_map)
        kinds[one.key.cable, numbers][one.wavelength_nm][one.key] = one
    groups = []
    for (_, numbers), by_nm in sorted(kinds.items()):
        if numbers:
            keys = sorted({key for members in by_nm.values() for key in members})
            groups.append((keys, dict(by_nm)))
    return groups


def _all_numbers(keys: Sequence[FibreKey], ribbon_size: int | None) -> list[FibreKey]:
    """Numbers without gaps from the beginning of a ribbon on."""
    size = ribbon_size or 1
    first = (keys[0].fibre - 1) // size * size + 1
    return [FibreKey(keys[0].cable, n) for n in range(first, keys[-1].fibre + 1)]


def _common(own_map: CableMap) -> tuple[int, ...]:
    counts: dict[tuple[int, ...], int] = defaultdict(int)
    for passes in own_map.passes.values():
        counts[tuple(passes)] += 1
    return max(counts, key=lambda numbers: (counts[numbers], numbers))


def sides_of(
    members: Members, keys: Sequence[FibreKey], own_map: CableMap
) -> tuple[list[Features | None], list[Features | None]]:
    """Features of all shots from A and from B at one wavelength, in the order of the keys."""
    axes = [one.outcome.axis for one in members.values() if one.outcome.axis is not None]
    sketches = [(one.outcome.sketch_ab, one.outcome.sketch_ba) for one in members.values()]
    usual_a, usual_b = (
        median(starts or [s.user_offset_m for s in own if s is not None] or [0.0])
        for starts, own in zip(
            ([axis.start_a_m for axis in axes], [axis.start_b_m for axis in axes]),
            zip(*sketches, strict=True),
            strict=True,
        )
    )
    slack_m = own_map.slack_m([key.fibre for key in keys])
    from_a: list[Features | None] = []
    from_b: list[Features | None] = []
    for key in keys:
        one = members.get(key)
        if one is None:
            from_a.append(None)
            from_b.append(None)
            continue
        axis = one.outcome.axis
        if one.outcome.refusal in _EXPLAINED:
            from_a.append(None)
            from_b.append(None)
            continue
        passes = own_map.passes.get(key.fibre)
        if passes is None:
            numbers = _common(own_map)
            passes = {n: own_map.closure(n).distance_m for n in numbers}
        length_m = axis.length_m if axis else own_map.route_length_m[1]
        at_m = np.array([passes[n] for n in sorted(passes)])
        start_a = axis.start_a_m if axis else usual_a
        start_b = axis.start_b_m if axis else usual_b
        shift_m = slack_m.get(key.fibre, 0.0)
        for side, sketch, start_m, closures_m, is_from_a in (
            (from_a, one.outcome.sketch_ab, start_a, at_m, True),
            (from_b, one.outcome.sketch_ba, start_b, (length_m - at_m)[::-1], False),
        ):
            own = _features(sketch, start_m, closures_m, length_m, is_from_a)
            side.append(own and replace(own, section_m=own.section_m - shift_m))
    return from_a, from_b


def _features(
    sketch: Sketch | None,
    start_m: float,
    closures_m: np.ndarray[tuple[int], np.dtype[np.float64]],
    length_m: float,
    from_a: bool,
) -> Features | None:
    if sketch is None:
        return None
    return features_of(ShotOnSpan(sketch, start_m, closures_m, length_m), from_a=from_a)


def _untold(key: FibreKey, count: int) -> IdentityCheck:
    said = says("too-few-to-compare", fibres=count)
    return IdentityCheck(key, Confidence.NOT_TOLD, None, None, said)


@dataclass(frozen=True, slots=True, eq=False)
class _Told:
    """A story, and the wavelength at which alone it is true, if it is so."""

    story: Story
    wavelength_nm: int | None


class _Group:
    """Fibres that pass the same closures: whose shots are whose."""

    def __init__(
        self,
        keys: Sequence[FibreKey],
        by_nm: Mapping[int, Members],
        own_map: CableMap,
        ribbon_size: int | None,
    ) -> None:
        self._keys = keys
        self._by_nm = by_nm
        self._size = ribbon_size
        self.renumberings: list[Renumbering] = []
        self._sides = {nm: sides_of(own, keys, own_map) for nm, own in sorted(by_nm.items())}

    def told(self) -> tuple[list[IdentityCheck], list[CableFinding]]:
        """Tell the stories at every wavelength, and then each pair by all of them together."""
        told, doubts, comparison = self._stories()
        partner = np.arange(len(self._keys))
        for one in told:
            if one.wavelength_nm is None:
                partner[one.story.rows] = one.story.partner
        comparison.scale_by(partner)
        rows = [{int(n) for n in one.story.rows} for one in told]
        near = [
            self._unsure_beside(t.story, one, comparison) for t, one in zip(told, rows, strict=True)
        ]
        stories = [
            self._of_story(one, comparison, others) for one, others in zip(told, near, strict=True)
        ]
        twice, shown_twice = self._shot_twice(comparison, partner)
        unsure = {int(n) for one in doubts for n in one.rows}
        checks, findings = self._of_pairs(
            comparison,
            partner,
            set().union(twice, *rows, *near),
            unsure,
            is_slip=bool(told or doubts),
        )
        unproved = [self._perhaps_crossed(one) for one in doubts]
        return checks, [*stories, *shown_twice, *unproved, *findings]

    def _shot_twice(
        self, comparison: Comparison, partner: IntArray
    ) -> tuple[set[int], list[CableFinding]]:
        """Shots that are another fibre's, from the same end, under a second number.

        What is not the fibre's own shot must be likelier another one of its neighbour's than the
        partner of the shot from the other end, after what the choice among all costs.
        """
        n = comparison.size
        everybody = np.arange(n)
        apart = np.abs(everybody[:, None] - everybody)
        cost = _TWICE + np.where(apart == 1, log(2 * n), log(n * n))
        here = np.where(partner >= 0, comparison.of_pairs(everybody, np.maximum(partner, 0)), 0.0)
        numbers: set[int] = set()
        findings = []
        for end in "AB":
            own = here if end == "A" else np.zeros(n)
            if end == "B":
                own[partner[partner >= 0]] = here[partner >= 0]
            own = np.nan_to_num(own)
            gain = comparison.shot_twice(from_a=end == "A") - np.maximum(own, -CLEAR) - cost
            gain = np.where(np.isnan(gain), -np.inf, gain)
            for i, j in np.argwhere((gain >= DOUBT) & (gain >= gain.T)).tolist():
                if i in numbers or j in numbers:
                    continue
                # Where the glass does not tell which of both is the fibre's own, both are open.
                wrong = [j, i] if abs(own[i] - own[j]) < CLEAR else [j]
                numbers.update(wrong)
                findings.append(self._twice(end, i, j, wrong, float(gain[i, j])))
        return numbers, findings

    def _twice(self, end: str, i: int, j: int, wrong: list[int], odds: float) -> CableFinding:
        shot, called = self._keys[i].fibre, self._keys[j].fibre
        finding = about_fibre(
            self._keys[wrong[0]],
            defect(
                "other-fibre",
                Scope.CABLE,
                "twice-open" if len(wrong) > 1 else "twice",
                end=end,
                shot=shot,
                called=called,
                margin_nats=odds,
                odds=odds_text(odds),
            ),
            files=self._files(sorted((i, j))),
        )
        return replace(finding, other_fibres=tuple(self._keys[n].fibre for n in wrong[1:]))

    def _perhaps_crossed(self, doubt: Story) -> CableFinding:
        rows = sorted(doubt.rows.tolist())
        fibres = [self._keys[n].fibre for n in rows]
        finding = about_fibre(
            self._keys[rows[0]],
            defect(
                "pair-doubtful",
                Scope.CABLE,
                "exchanged",
                fibres=", ".join(map(str, fibres)),
                margin_nats=doubt.odds,
                odds=odds_text(doubt.odds),
            ),
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

    def _unsure_beside(self, story: Story, rows: set[int], comparison: Comparison) -> set[int]:
        """Pairs that say too little for themselves where most of their ribbon is wrong.

        Beside a shift only those that fit better if it is theirs, too.
        """
        size = self._size or TUBE
        own = comparison.own()
        least = np.full(own.size, CLEAR if story.kind is Kind.FREE else 0.0)
        if story.kind is Kind.SHIFTED:
            there = np.arange(own.size) + story.step
            new = comparison.of_pairs(np.arange(own.size), np.clip(there, 0, own.size - 1))
            within = (there >= 0) & (there < own.size)
            least = np.fmin(0.0, np.where(within, np.nan_to_num(new, nan=-np.inf), -np.inf))
        ribbons: dict[int, set[int]] = defaultdict(set)
        for n in np.flatnonzero(np.isfinite(own)).tolist():
            ribbons[(self._keys[n].fibre - 1) // size].add(n)
        return {
            n
            for members in ribbons.values()
            if 2 * len(members & rows) > len(members)
            for n in members - rows
            if own[n] < least[n]
        }

    def _stories(self) -> tuple[list[_Told], tuple[Story, ...], Comparison]:
        """Stories of all wavelengths together, and before them those of one wavelength alone.

        All shots of a fibre are of the same two ends, whatever their wavelength: what is told at
        one of them only must be false at all others, where the labels themselves are proved.
        """
        told: list[_Told] = []
        tables = {nm: Comparison([a], [b]) for nm, (a, b) in self._sides.items()}
        for nm, table in tables.items() if len(tables) > 1 else ():
            others = [other for own, other in tables.items() if own != nm]
            told += [
                _Told(story, nm)
                for story in numbering_told(table, self._size).stories
                if all(_as_labelled(other, story) for other in others)
            ]
        without = {
            (one.wavelength_nm, int(n))
            for one in told
            for n in (*one.story.rows, *one.story.partner)
        }
        from_a, from_b = (
            [
                [None if (nm, n) in without else f for n, f in enumerate(both[side])]
                for nm, both in self._sides.items()
            ]
            for side in (0, 1)
        )
        together = Comparison(from_a, from_b)
        numbering = numbering_told(together, self._size)
        told += [_Told(story, None) for story in numbering.stories]
        return sorted(told, key=lambda one: -one.story.odds), numbering.doubts, together

    def _of_pairs(
        self,
        comparison: Comparison,
        partner: IntArray,
        in_story: set[int],
        unsure: set[int],
        *,
        is_slip: bool,
    ) -> tuple[list[IdentityCheck], list[CableFinding]]:
        """What each pair says of itself, as it is labelled, and what all of them say together."""
        own = comparison.own()
        margin, best = comparison.margins()
        pairs = [n for n in np.flatnonzero(np.isfinite(margin)).tolist() if n not in in_story]
        count = int(np.isfinite(own).sum())
        # With the stories told: does this glass tell fibres apart at all?
        fits = comparison.of_pairs(np.arange(comparison.size), np.maximum(partner, 0))
        fits = fits[(partner >= 0) & np.isfinite(fits)]
        is_told = fits.size > 0 and float(np.median(fits)) >= CLEAR
        wrong = self._wrong(own, pairs, is_slip=is_slip)
        astray = self._astray(own, pairs, wrong) if is_told else set()
        against = np.count_nonzero(comparison.impossible()[pairs])
        findings: list[CableFinding] = []
        if against and np.median(own[pairs]) < _NOTHING and against >= _AGAINST * len(pairs):
            astray = set(pairs)
        elif not is_told and count:
            findings.append(self._by_labels(fits))
        if astray:
            findings.append(self._unexplained(sorted(astray)))
        in_doubt = in_story | unsure | astray
        checks: list[IdentityCheck] = []
        for n in np.flatnonzero(np.isfinite(margin)).tolist():
            key, other = self._keys[n], self._keys[int(best[n])].fibre
            value = float(margin[n])
            said = says("identity", own_nats=float(own[n]), margin_nats=value, fibre=other)
            # Among all shots from both ends, one that fits by chance must not count.
            better = own[n] < CLEAR and value < -(2 * log(count) + CLEAR)
            if n in in_doubt:
                confidence = Confidence.DOUBTFUL
                said = says("identity-in-doubt", identity=said)
            elif better or n in wrong:
                confidence = Confidence.DOUBTFUL
                findings.append(
                    self._doubtful(comparison, n, int(best[n]), value if better else None)
                )
            elif value >= CLEAR and own[n] > 0:
                confidence = Confidence.CONFIRMED
            else:
                confidence = Confidence.LIKELY if own[n] > 0 else Confidence.NOT_TOLD
            checks.append(IdentityCheck(key, confidence, value, other, said))
        return checks, findings

    def _wrong(self, own: FloatArray, pairs: Sequence[int], *, is_slip: bool) -> set[int]:
        """Pairs that are likelier of two fibres than of one, unlike others of their cable.

        Where one slip is there, another is likelier than elsewhere.
        """
        if not pairs:
            return set()
        middle = float(np.median(own[pairs]))
        spread = max(float(np.median(np.abs(own[pairs] - middle))) / 0.6745, _LEAST_SPREAD)
        reach = NormalDist().inv_cdf(1 - _FALSE_ALARMS / len(pairs)) * spread
        least = min(0.0, middle - max(reach, _TWO_MISREAD))
        return {n for n in pairs if own[n] < (max(least, _BESIDE) if is_slip else least)}

    def _astray(self, own: FloatArray, pairs: Sequence[int], wrong: set[int]) -> set[int]:
        """Pairs of ribbons of which so many are likelier wrong that none is believed unproved."""
        by_ribbon: dict[int, list[int]] = defaultdict(list)
        for n in pairs:
            by_ribbon[(self._keys[n].fibre - 1) // (self._size or TUBE)].append(n)
        return {
            n
            for members in by_ribbon.values()
            if len(wrong.intersection(members)) >= max(3, BAD_SHARE * len(members))
            for n in members
            if own[n] < CLEAR
        }

    def _unexplained(self, rows: Sequence[int]) -> CableFinding:
        fibres = [self._keys[n].fibre for n in rows]
        finding = about_fibre(
            self._keys[rows[0]],
            defect("numbering-unexplained", Scope.CABLE, fibres=numbers_text(fibres)),
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

    def _by_labels(self, fits: FloatArray) -> CableFinding:
        return CableFinding(
            note(
                "numbering-by-labels",
                Scope.CABLE,
                fibres=int(fits.size),
                median_nats=float(np.median(fits)),
                asked_nats=CLEAR,
            ),
            cable=self._keys[0].cable,
        )

    def _doubtful(
        self, comparison: Comparison, n: int, best: int, margin: float | None
    ) -> CableFinding:
        """A pair that another shot fits better by some margin, or that is likelier two fibres."""
        key, other = self._keys[n], self._keys[best]
        pair = np.array([n, best])
        own, gap = float(comparison.own()[n]), -(margin or 0.0)
        is_other = margin is not None and np.nanmax(comparison.of_pairs(pair, pair[::-1])) > 0
        said = (
            defect(
                "other-fibre", Scope.CABLE, other=other.fibre, fibre=key.fibre, margin_nats=gap,
                odds=odds_text(gap),
            )
            if is_other
            else defect("pair-doubtful", Scope.CABLE, own_nats=own)
        )  # fmt: skip
        files = self._files([n, best] if is_other else [n])
        finding = about_fibre(key, said, files=files)
        # Whose shot fits elsewhere may be wrong where it is, too.
        is_sure = not is_other or comparison.own()[best] >= CLEAR
        return finding if is_sure else replace(finding, other_fibres=(other.fibre,))

    def _of_story(self, told: _Told, comparison: Comparison, others: set[int]) -> CableFinding:
        """Word one story, with the renumbering that would mend it."""
        story, nm = told.story, told.wavelength_nm
        numbers = sorted(self._numbers(story.rows) | self._numbers(story.partner))
        is_shot = comparison.is_shot[0][story.rows]
        lone = self._numbers(story.rows[(story.partner < 0) & is_shot])
        margin = says("margin", margin_nats=story.odds, odds=odds_text(story.odds))
        words = self._words(story, is_shot)
        if lone and len(lone) <= 12:
            words = says("none-from-b", what=words, fibres=numbers_text(lone))
        new = {
            self._keys[int(j)].fibre: self._keys[int(i)].fibre
            for i, j in zip(story.rows, story.partner, strict=True)
            if j >= 0
        } | self._left_over(story, comparison, nm)
        files = self._files(
            sorted({*story.rows.tolist(), *story.partner[story.partner >= 0].tolist()}), nm
        )
        if story.kind is Kind.CROSSED:
            a, b = numbers
            finding = about_fibre(
                FibreKey(self._keys[0].cable, numbers[0]),
                defect(
                    "fibres-crossed",
                    Scope.CABLE,
                    "" if nm is None else "one-wavelength",
                    fibre=a,
                    other=b,
                    at_nm=nm,
                    margin=margin,
                ),
                wavelength_nm=nm,
                files=files,
            )
        else:
            self.renumberings.append(Renumbering(self._keys[0].cable, nm, new))
            finding = about_fibre(
                FibreKey(self._keys[0].cable, numbers[0]),
                defect(
                    "numbering-differs",
                    Scope.CABLE,
                    "" if nm is None else "one-wavelength",
                    what=words,
                    at_nm=nm,
                    margin=margin,
                    renumbering=renumbering(new),
                ),
                wavelength_nm=nm,
                files=files,
            )
        beside = sorted(self._numbers(others) - set(numbers))
        return replace(finding, other_fibres=(*numbers[1:], *beside))

    def _numbers(self, rows: Iterable[int]) -> set[int]:
        return {self._keys[n].fibre for n in rows if n >= 0}

    def _words(self, story: Story, is_shot: npt.NDArray[np.bool_]) -> Statement:
        """Say what went wrong."""
        told = (story.partner >= 0) & is_shot
        rows, partner = story.rows[told], story.partner[told]
        at_a = [self._keys[n].fibre for n in rows]
        at_b = [self._keys[n].fibre for n in partner]
        size = self._size or 1
        ribbons = sorted({(n - 1) // size + 1 for n in at_a})
        if story.kind is Kind.SHIFTED:
            steps = partner - rows == story.step
            return says(
                "numbers-higher" if story.step > 0 else "numbers-lower", step=abs(story.step),
                from_a=numbers_text(np.array(at_a)[steps].tolist()),
                from_b=numbers_text(np.array(at_b)[steps].tolist()),
            )  # fmt: skip
        if story.kind in _ROUND:
            return says(
                _ROUND[story.kind], ribbon=ribbons[0], last_ribbon=ribbons[-1],
                step=abs(story.step), first_a=at_a[0], last_a=at_a[-1],
                first_b=at_b[0], last_b=at_b[-1],
            )  # fmt: skip
        few = len(at_a) <= _FEW_FIBRES
        pairs = ", ".join(f"{a} = {b}" for a, b in zip(at_a[:12], at_b[:12], strict=True))
        pairs += ", …" if len(at_a) > 12 else ""
        code = "numbers-mixed" if few else "numbers-unexplained"
        return says(code, fibres=numbers_text(at_a), pairs=pairs)

    def _left_over(self, story: Story, comparison: Comparison, nm: int | None) -> dict[int, int]:
        """Shots from B that a story leaves without a partner: a fibre shot twice, or none."""
        everybody = np.arange(len(self._keys))
        result = {}
        for n in sorted({*story.rows.tolist()} - {*story.partner.tolist()}):
            fits = np.nan_to_num(
                comparison.of_pairs(everybody, np.full(everybody.size, n)), nan=-np.inf
            )
            best = int(fits.argmax())
            if np.isfinite(fits).any():
                clear = fits[best] >= CLEAR + log(everybody.size)
                result[self._keys[n].fibre] = self._keys[best].fibre if clear else 0
        return result

    def _files(self, rows: Iterable[int], nm: int | None = None) -> tuple[str, ...]:
        members = self._by_nm.values() if nm is None else [self._by_nm[nm]]
        rows = list(rows)
        return tuple(
            record.path
            for own in members
            for n in rows
            if (one := own.get(self._keys[n])) is not None
            for record in one.records
            if record is not None
        )


def _as_labelled(table: Comparison, story: Story) -> bool:
    """Whether a wavelength's shots prove that the fibres of a story are as they are labelled."""
    rows, partner = story.rows[story.partner >= 0], story.partner[story.partner >= 0]
    new, own = (
        float(np.maximum(np.nan_to_num(table.of_pairs(rows, other)), -CLEAR).sum())
        for other in (partner, rows)
    )
    return own >= CLEAR and own - new >= CLEAR


def odds_text(margin: float) -> str:
    """Write the odds of a log-likelihood margin: ``350`` to one, or ``10^7``."""
    return f"{exp(margin):.0f}" if margin < log(1e4) else f"10^{margin / log(10):.0f}"


#: Slips of a whole ribbon or of all of them, by how they are said.
_ROUND = {
    Kind.ROLLED: "ribbon-rolled",
    Kind.TURNED: "ribbon-turned",
    Kind.RIBBONS: "ribbons-exchanged",
    Kind.BACKWARDS: "numbers-backwards",
    Kind.RIBBONS_BACKWARDS: "ribbons-numbered-backwards",
}

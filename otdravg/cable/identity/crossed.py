"""Confirm that both shots of every pair are one fibre, and say how a numbering went wrong."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import log, sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.said import Renumbering, Sayings
from otdravg.cable.identity.sides import (
    LEAST_FIBRES,
    Members,
    all_numbers,
    fibres_by_closures,
    sides_of,
)
from otdravg.cable.identity.stories import BAD_SHARE, CLEAR, TUBE, Kind, Story, numbering_told
from otdravg.cable.measure.closures import CableMap
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import CableFinding, Confidence, FibreKey, IdentityCheck
from otdravg.errors import Refusal
from otdravg.findings import Scope, defect, note, says
from otdravg.grouping import grouped
from otdravg.trade import numbers_text

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: Pairs that belong together stand out among all pairs of their shots by so many standard
#: deviations at least, and of n pairs by so many times √(n − 1). Benchmark: cable_scenarios, where
#: all of 120 clean cables do (5.1 of 12 fibres, 2.7 of 6 at least), and of numbers drawn at random
#: that no story explains none does of twelve fibres, one in five of six.
_STAND_OUT, _STAND_OUT_OF_FEW = 3.0, 0.9
#: Log-odds against a fibre shot twice under two numbers, before the shots are looked at. Chosen,
#: not derived: one cable in ten; no source counts them; and the odds after that from which it is
#: said. Benchmark: numbering.
_TWICE, _TWICE_TOLD = log(10), log(4)
#: Chance of a false alarm about single pairs in a cable, by a normal distribution of what its pairs
#: say, which scatters at least so much. Benchmark: numbering.
_FALSE_ALARMS, _LEAST_SPREAD = 0.01, 1.5
#: What two misread features cost a pair: more must speak against it. Derived: twice log 0.03, and
#: what they would have said for it. Benchmark: numbering.
_TWO_MISREAD = 8.0
#: What a pair says that is doubtful beside a slip. Benchmark: cable_scenarios, where of the pairs
#: of clean cables one in 150 says less; at −2 one in fifty does, and no more slips were found.
_BESIDE = -3.0
#: Metres by which fibres of two ribbons differ so that their shots cannot belong together. Chosen,
#: not derived: the ends of a shot are placed to one or two.
_OTHER_SLACK_M = 5.0


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
        if len(keys) < LEAST_FIBRES:  # too few to learn from how they differ
            said = says("too-few-to-compare", fibres=len(keys))
            checks += [IdentityCheck(key, Confidence.NOT_TOLD, None, None, said) for key in keys]
            few = note("numbering-by-labels", Scope.CABLE, "few", fibres=len(keys))
            findings.append(CableFinding(few, cable=keys[0].cable))
            continue
        group = _Group(all_numbers(keys, ribbon_size), by_nm, maps[keys[0].cable], ribbon_size)
        more, found = group.told()
        checks += more
        findings += found
        renumberings += group.renumberings
    return checks, findings, renumberings


def _from_one_end(measured: Sequence[Measured]) -> list[CableFinding]:
    """Pairs of a cable most of which was shot twice from one end: so were these, perhaps."""
    both_ends = (one for one in measured if all(one.records))
    by_set = grouped(both_ends, lambda one: (one.key.cable, one.wavelength_nm))
    findings = []
    for (_, nm), own in sorted(by_set.items()):
        rest = sorted(
            (one for one in own if one.outcome.refusal is not Refusal.SAME_END),
            key=lambda one: one.key,
        )
        if not rest or 2 * len(rest) >= len(own):
            continue
        said = defect(
            "pair-doubtful", Scope.CABLE, "one-end", pairs=len(own), at_nm=nm,
            twice=len(own) - len(rest), fibres=numbers_text(one.key.fibre for one in rest),
        )  # fmt: skip
        findings.append(
            about_fibre(
                rest[0].key,
                said,
                wavelength_nm=nm,
                files=tuple(path for one in rest for path in one.paths),
                other_fibres=tuple(one.key.fibre for one in rest[1:]),
            )
        )
    return findings


def told_over(
    sides: Mapping[int, tuple[FloatArray, FloatArray]], ribbon_size: int | None
) -> tuple[list[Story], tuple[Story, ...], Comparison]:
    """Tell stories of all wavelengths together, and before them those of one wavelength alone.

    All shots of a fibre are of the same two ends, whatever their wavelength: what is told at
    one of them only must be false at all others, where the labels themselves are proved.

    Parameters
    ----------
    sides : mapping
        By wavelength in nm the features of all shots from A and from B, in the order of numbers
        (:func:`~otdravg.cable.identity.sides.sides_of`).
    ribbon_size : int or None
        None in loose tube.

    Returns
    -------
    list of Story
        The surest first.
    tuple of Story
        What may be a slip and is not proved.
    Comparison
        Of all wavelengths together, without what is wrong at one of them only.
    """
    told: list[Story] = []
    tables = {nm: Comparison([a], [b]) for nm, (a, b) in sides.items()}
    for nm, table in tables.items() if len(tables) > 1 else ():
        others = [other for own, other in tables.items() if own != nm]
        told += [
            replace(story, wavelength_nm=nm)
            for story in numbering_told(table, ribbon_size).stories
            if all(_as_labelled(other, story) for other in others)
        ]
    left = {nm: (a.copy(), b.copy()) for nm, (a, b) in sides.items()}
    for one in told:
        for side in left[one.wavelength_nm or 0]:
            side[one.rows] = np.nan
            side[one.partner[one.partner >= 0]] = np.nan
    from_a, from_b = zip(*left.values(), strict=True)
    together = Comparison(from_a, from_b)
    numbering = numbering_told(together, ribbon_size)
    return sorted([*told, *numbering.stories], key=lambda s: -s.odds), numbering.doubts, together


def _as_labelled(table: Comparison, story: Story) -> bool:
    """Whether a wavelength's shots prove that the fibres of a story are as they are labelled."""
    rows, partner = story.rows[story.partner >= 0], story.partner[story.partner >= 0]
    new, own = (
        float(np.maximum(np.nan_to_num(table.of_pairs(rows, other)), -CLEAR).sum())
        for other in (partner, rows)
    )
    return own >= CLEAR and own - new >= CLEAR


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
        self._size = ribbon_size
        self._say = Sayings(keys, by_nm, ribbon_size)
        self.renumberings: list[Renumbering] = []
        slack_m = own_map.slack_m([key.fibre for key in keys])
        self._slack_m = [float(np.sum(slack_m.get(key.fibre, 0.0))) for key in keys]
        self._sides = {nm: sides_of(own, keys, own_map) for nm, own in sorted(by_nm.items())}

    def told(self) -> tuple[list[IdentityCheck], list[CableFinding]]:
        """Tell the stories at every wavelength, and then each pair by all of them together."""
        told, doubts, comparison = told_over(self._sides, self._size)
        partner = np.arange(len(self._keys))
        for one in told:
            if one.wavelength_nm is None:
                partner[one.rows] = one.partner
        comparison.scale_by(partner)
        rows = [set(one.rows.tolist()) for one in told]
        unsure = {int(n) for one in doubts for n in one.rows}
        muddled = unsure.union(
            *(own for one, own in zip(told, rows, strict=True) if one.kind is Kind.FREE)
        )
        near = [
            self._unsure_beside(one, muddled if one.kind is Kind.FREE else own, comparison)
            for one, own in zip(told, rows, strict=True)
        ]
        said = [
            self._say.of_story(one, comparison, others)
            for one, others in zip(told, near, strict=True)
        ]
        self.renumberings += [new for _, new in said if new is not None]
        stories = [finding for finding, _ in said]
        twice, shown_twice = self._shot_twice(comparison, partner)
        checks, findings = self._of_pairs(
            comparison,
            partner,
            set().union(twice, *rows, *near),
            unsure,
            is_slip=bool(told or doubts),
        )
        unproved = [self._say.perhaps_crossed(one) for one in doubts]
        return checks, [*stories, *shown_twice, *unproved, *findings]

    def _shot_twice(
        self, comparison: Comparison, partner: IntArray
    ) -> tuple[set[int], list[CableFinding]]:
        """Shots that are another fibre's, from the same end, under a second number.

        What is not the fibre's own shot must be likelier another one of its neighbour's than the
        partner of the shot from the other end, after what the choice among all costs.
        """
        if comparison.is_alike:  # so are shots of two fibres
            return set(), []
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
            for i, j in np.argwhere((gain >= _TWICE_TOLD) & (gain >= gain.T)).tolist():
                if i in numbers or j in numbers:
                    continue
                # Where the glass does not tell which of both is the fibre's own, both are open.
                wrong = [j, i] if abs(own[i] - own[j]) < CLEAR else [j]
                numbers.update(wrong)
                findings.append(self._say.twice(end, i, j, wrong, float(gain[i, j])))
        return numbers, findings

    def _unsure_beside(self, story: Story, rows: set[int], comparison: Comparison) -> set[int]:
        """Pairs that say too little for themselves where most of their ribbon is wrong.

        Beside a shift only those that fit better if it is theirs, too. Anywhere those that fit a
        shot better that the story leaves without a partner.
        """
        own = comparison.own()
        least = np.full(own.size, CLEAR if story.kind is Kind.FREE else 0.0)
        if story.kind is Kind.SHIFTED:
            there = np.arange(own.size) + story.step
            new = comparison.of_pairs(np.arange(own.size), np.clip(there, 0, own.size - 1))
            within = (there >= 0) & (there < own.size)
            least = np.fmin(0.0, np.where(within, np.nan_to_num(new, nan=-np.inf), -np.inf))
        alone_a, alone_b = story.rows[story.partner < 0], np.setdiff1d(story.rows, story.partner)
        rivals = np.concatenate((comparison.ratios(alone_a), comparison.ratios(None, alone_b).T))
        beaten = own < np.fmax.reduce(rivals, axis=0, initial=-np.inf)
        return {
            n
            for members in self._ribbons(np.flatnonzero(np.isfinite(own)).tolist())
            for n in set(members) - rows
            if beaten[n]
            or (2 * len(rows.intersection(members)) > len(members) and own[n] < least[n])
        }

    def _ribbons(self, rows: Iterable[int]) -> Iterable[list[int]]:
        size = self._size or TUBE
        return grouped(rows, lambda n: (self._keys[n].fibre - 1) // size).values()

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
        findings: list[CableFinding] = []
        if not (is_told or comparison.is_alike or self._belong(comparison, pairs)):
            astray = set(pairs)
        else:
            proved = comparison.proof(best) >= CLEAR if is_told else np.zeros(own.size, dtype=bool)
            unproved = [n for n in pairs if not proved[n] and n not in astray | unsure]
            findings += self._say.by_labels(unproved, fits)
        if astray:
            findings.append(self._say.unexplained(sorted(astray)))
        in_doubt = in_story | unsure | astray
        checks: list[IdentityCheck] = []
        for n in np.flatnonzero(np.isfinite(margin)).tolist():
            key, other = self._keys[n], self._keys[int(best[n])].fibre
            value = float(margin[n])
            said = says("identity", own_nats=float(own[n]), margin_nats=value, fibre=other)
            # Among all shots from both ends, one that fits by chance must not count.
            better = own[n] < CLEAR and value < -(2 * log(count) + CLEAR)
            # Slack is left out of what is compared, so that ribbons are alike; both shots of this
            # pair end where one fibre does, and another ribbon's fibre ends elsewhere.
            better &= abs(self._slack_m[n] - self._slack_m[best[n]]) < _OTHER_SLACK_M
            if n in in_doubt:
                confidence = Confidence.DOUBTFUL
                said = says("identity-in-doubt", identity=said)
            elif better or n in wrong:
                confidence = Confidence.DOUBTFUL
                findings.append(
                    self._say.doubtful(comparison, n, int(best[n]), value if better else None)
                )
            elif value >= CLEAR and own[n] > 0:
                confidence = Confidence.CONFIRMED
            else:
                confidence = Confidence.LIKELY if own[n] > 0 else Confidence.NOT_TOLD
            checks.append(IdentityCheck(key, confidence, value, other, said))
        return checks, findings

    def _belong(self, comparison: Comparison, pairs: Sequence[int]) -> bool:
        """Whether pairs as labelled are better than any others of their shots; few tell nothing."""
        least = min(_STAND_OUT, _STAND_OUT_OF_FEW * sqrt(max(len(pairs) - 1, 0)))
        return len(pairs) < LEAST_FIBRES or comparison.standing_out(np.array(pairs)) >= least

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
        return {
            n
            for members in self._ribbons(pairs)
            if len(wrong.intersection(members)) >= max(3, BAD_SHARE * len(members))
            for n in members
            if own[n] < CLEAR
        }

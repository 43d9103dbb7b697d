"""What is said of a numbering that is wrong, doubtful or not proved, and what that explains."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.decisions.model import renumbering
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.sides import Members
from otdravg.cable.identity.stories import CLEAR, Kind, Story
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import (
    CableFinding,
    Confidence,
    FibreKey,
    IdentityCheck,
    ShotRecord,
    ShotUse,
)
from otdravg.findings import Finding, Scope, Statement, defect, note, says
from otdravg.shot.settings import Direction
from otdravg.trade import numbers_text

FloatArray = npt.NDArray[np.float64]

#: Findings that say that both shots are not of one fibre: nothing measured from them is a loss.
NOT_ONE_FIBRE = frozenset(
    {"fibres-crossed", "numbering-differs", "numbering-unexplained", "other-fibre", "pair-doubtful"}
)
#: Up to so many fibres are called mixed up; more are numbered without any rule.
_FEW_FIBRES = 4
#: Slips of a whole ribbon or of all of them, by how they are said.
_ROUND = {
    Kind.ROLLED: "ribbon-rolled",
    Kind.TURNED: "ribbon-turned",
    Kind.RIBBONS: "ribbons-exchanged",
    Kind.BACKWARDS: "numbers-backwards",
    Kind.RIBBONS_BACKWARDS: "ribbons-numbered-backwards",
}


@dataclass(frozen=True, slots=True)
class Renumbering:
    """Numbers that shots from B of a cable would have by a story; 0 is none.

    ``wavelength_nm``: at which alone; None for all.
    """

    cable: str
    wavelength_nm: int | None
    new: Mapping[int, int]


class Sayings:
    """Findings about fibres that pass the same closures, by their indices.

    Parameters
    ----------
    keys : sequence of FibreKey
        Of all indices.
    by_nm : mapping
        Their measurements, by wavelength in nm.
    ribbon_size : int or None
        None in loose tube.
    """

    def __init__(
        self, keys: Sequence[FibreKey], by_nm: Mapping[int, Members], ribbon_size: int | None
    ) -> None:
        self._keys = keys
        self._by_nm = by_nm
        self._size = ribbon_size

    def _about(
        self, fibres: Sequence[int], said: Finding, rows: Iterable[int], nm: int | None = None
    ) -> CableFinding:
        """A finding about some fibres, the first of which it stands under, and shots of rows."""
        key = FibreKey(self._keys[0].cable, fibres[0])
        files = self._files(sorted(rows), nm)
        others = tuple(fibres[1:])
        return about_fibre(key, said, wavelength_nm=nm, files=files, other_fibres=others)

    def twice(self, end: str, i: int, j: int, wrong: list[int], odds: float) -> CableFinding:
        """Say that one fibre was shot twice from an end, under two numbers."""
        said = defect(
            "other-fibre", Scope.CABLE, "twice-open" if len(wrong) > 1 else "twice",
            end=end, shot=self._keys[i].fibre, called=self._keys[j].fibre,
            margin_nats=odds, odds=_odds_text(odds),
        )  # fmt: skip
        return self._about([self._keys[n].fibre for n in wrong], said, (i, j))

    def perhaps_crossed(self, doubt: Story) -> CableFinding:
        """Say that fibres may be exchanged among each other."""
        fibres = sorted(self._numbers(doubt.rows))
        said = defect(
            "pair-doubtful", Scope.CABLE, "exchanged", fibres=", ".join(map(str, fibres)),
            margin_nats=doubt.odds, odds=_odds_text(doubt.odds),
        )  # fmt: skip
        return self._about(fibres, said, doubt.rows.tolist())

    def unexplained(self, rows: Sequence[int]) -> CableFinding:
        """Say that no simple story explains how these fibres are numbered."""
        fibres = [self._keys[n].fibre for n in rows]
        said = defect("numbering-unexplained", Scope.CABLE, fibres=numbers_text(fibres))
        return self._about(fibres, said, rows)

    def by_labels(self, unproved: Sequence[int], fits: FloatArray) -> list[CableFinding]:
        """Note which fibres the glass does not tell apart from others."""
        if not unproved:
            return []
        said = note(
            "numbering-by-labels",
            Scope.CABLE,
            fibres=numbers_text(self._keys[n].fibre for n in unproved),
            times=round(exp(CLEAR)),
            median_nats=float(np.median(fits)) if fits.size else 0.0,
        )
        return [CableFinding(said, cable=self._keys[0].cable)]

    def doubtful(
        self, comparison: Comparison, n: int, best: int, margin: float | None
    ) -> CableFinding:
        """A pair that another shot fits better by some margin, or that is likelier two fibres."""
        fibre, other = self._keys[n].fibre, self._keys[best].fibre
        pair, own = np.array([n, best]), comparison.own()
        if margin is None or np.nanmax(comparison.of_pairs(pair, pair[::-1])) <= 0:
            said = defect("pair-doubtful", Scope.CABLE, own_nats=float(own[n]))
            return self._about([fibre], said, [n])
        said = defect(
            "other-fibre", Scope.CABLE, other=other, fibre=fibre, margin_nats=-margin,
            odds=_odds_text(-margin),
        )  # fmt: skip
        # Whose shot fits elsewhere may be wrong where it is, too.
        concerned = [fibre] if own[best] >= CLEAR else [fibre, other]
        return self._about(concerned, said, [n, best])

    def of_story(
        self, story: Story, comparison: Comparison, others: set[int]
    ) -> tuple[CableFinding, Renumbering | None]:
        """Word one story, with the renumbering that would mend it if it is more than a crossing."""
        nm, case = story.wavelength_nm, "" if story.wavelength_nm is None else "one-wavelength"
        rows = {*story.rows.tolist(), *story.partner[story.partner >= 0].tolist()}
        numbers = sorted(self._numbers(rows))
        fibres = [*numbers, *sorted(self._numbers(others - rows))]
        margin = says("margin", margin_nats=story.odds, odds=_odds_text(story.odds))
        if story.kind is Kind.CROSSED:
            said = defect(
                "fibres-crossed", Scope.CABLE, case, fibre=numbers[0], other=numbers[1], at_nm=nm,
                margin=margin,
            )  # fmt: skip
            return self._about(fibres, said, rows, nm), None
        is_shot = comparison.is_shot[0][story.rows]
        lone = self._numbers(story.rows[(story.partner < 0) & is_shot])
        words = self._words(story, is_shot)
        if lone and len(lone) <= 12:
            words = says("none-from-b", what=words, fibres=numbers_text(lone))
        new = {
            self._keys[j].fibre: self._keys[i].fibre
            for i, j in zip(story.rows.tolist(), story.partner.tolist(), strict=True)
            if j >= 0
        } | self._left_over(story, comparison)
        said = defect(
            "numbering-differs", Scope.CABLE, case, what=words, at_nm=nm, margin=margin,
            renumbering=renumbering(new),
        )  # fmt: skip
        renumbered = Renumbering(self._keys[0].cable, nm, new)
        return self._about(fibres, said, rows, nm), renumbered

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

    def _left_over(self, story: Story, comparison: Comparison) -> dict[int, int]:
        """Shots from B that a story leaves without a partner: a fibre shot twice, or none."""
        result = {}
        for n in np.setdiff1d(story.rows, story.partner).tolist():
            fits = comparison.ratios(None, np.array([n]))[:, 0]
            if np.isfinite(fits).any():
                best = int(np.nanargmax(fits))
                clear = fits[best] >= CLEAR + log(fits.size)
                result[self._keys[n].fibre] = self._keys[best].fibre if clear else 0
        return result

    def _files(self, rows: Sequence[int], nm: int | None) -> tuple[str, ...]:
        members = self._by_nm.values() if nm is None else [self._by_nm[nm]]
        return tuple(
            path
            for own in members
            for n in rows
            if (one := own.get(self._keys[n])) is not None
            for path in one.paths
        )


def _odds_text(margin: float) -> str:
    """Write the odds of a log-likelihood margin: ``350`` to one, ``0.5``, or ``10^7``."""
    if margin < 0:
        return f"{exp(margin):.1g}"
    return f"{exp(margin):.0f}" if margin < log(1e4) else f"10^{margin / log(10):.0f}"


#: What two shots of different fibres may say of themselves.
_OF_A_PAIR = frozenset(
    {"attenuation-unequal", "attenuation-uneven", "length-differs", "pattern-differs",
     "pattern-unconfirmed", "steps-one-sided", "two-fibres-likely", "fibre-crooked",
     "span-start-doubtful", "one-end-possible"}
)  # fmt: skip
#: What a fibre may show, or lack, that is half of another one.
_OF_A_FIBRE = _OF_A_PAIR | {
    "bend-suspected",
    "direction-missing",
    "event-between-closures",
    "lengths-differ",
    "other-length",
}  # fmt: skip


class Explained:
    """What a review's stories of numbering explain.

    Parameters
    ----------
    stories : sequence of CableFinding
        As :func:`~otdravg.cable.identity.crossed.check_identities` made them.
    renumberings : sequence of Renumbering
        What these would make of the numbers.
    identities : sequence of IdentityCheck
        What each pair says of itself.
    """

    def __init__(
        self,
        stories: Sequence[CableFinding],
        renumberings: Sequence[Renumbering],
        identities: Sequence[IdentityCheck],
    ) -> None:
        self._itself = {
            one.key
            for one in identities
            if one.confidence in (Confidence.CONFIRMED, Confidence.LIKELY) and (one.margin or 0) > 0
        }
        self._wavelengths: dict[FibreKey, set[int | None]] = defaultdict(set)
        self._renumberings = tuple(renumberings)
        for finding in stories:
            if finding.code in NOT_ONE_FIBRE and finding.fibre is not None:
                for fibre in (finding.fibre, *finding.other_fibres):
                    self._wavelengths[FibreKey(finding.cable, fibre)].add(finding.wavelength_nm)

    def _is_of(self, key: FibreKey, wavelength_nm: int | None) -> bool:
        own = self._wavelengths.get(key, set())
        return None in own or wavelength_nm in own

    def left_of(self, findings: Iterable[CableFinding]) -> list[CableFinding]:
        """Leave out what is explained."""
        return [
            f
            for f in findings
            if f.code not in _OF_A_FIBRE
            or f.fibre is None
            or not all(
                self._is_of(FibreKey(f.cable, fibre), f.wavelength_nm)
                for fibre in (f.fibre, *f.other_fibres)
            )
        ]

    def renumbered(self, records: Sequence[ShotRecord]) -> list[ShotRecord]:
        """Give shots the numbers that the stories tell, to see what is missing then.

        A shot that merely bears another number is there; one of no fibre fills no place.
        """
        return [self._as_told(record) for record in records]

    def _as_told(self, record: ShotRecord) -> ShotRecord:
        taken = record.taken_for
        for one in self._renumberings:
            if (
                taken.direction is Direction.B_TO_A
                and taken.cable == one.cable
                and (number := one.new.get(taken.fibre or 0)) is not None
                and one.wavelength_nm in (None, taken.wavelength_nm)
            ):
                if not number:
                    return replace(record, use=ShotUse.EXCLUDED)
                return replace(record, taken_for=replace(taken, fibre=number))
        return record

    def left_in(self, measured: Sequence[Measured]) -> list[Measured]:
        """Return measurements without what is explained."""
        return [
            one.with_outcome(
                replace(
                    one.outcome,
                    findings=tuple(f for f in one.outcome.findings if not self._explains(one, f)),
                )
            )
            for one in measured
        ]

    def _explains(self, one: Measured, finding: Finding) -> bool:
        if self._is_of(one.key, one.wavelength_nm):
            return finding.code in _OF_A_PAIR
        # Splices of a fibre may all happen to show from one end only: its glass says which it is.
        return one.key in self._itself and (finding.code, finding.case) == ("steps-one-sided", "")

"""What is said of a numbering that is wrong, doubtful or not proved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre, numbers_text
from otdravg.cable.decisions.renumber import renumbering
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.sides import Members
from otdravg.cable.identity.stories import CLEAR, Kind, Story
from otdravg.cable.identity.wavelengths import Told
from otdravg.cable.model import CableFinding, FibreKey
from otdravg.findings import Severity

__all__ = ["Renumbering", "Sayings"]

FloatArray = npt.NDArray[np.float64]

#: Up to so many fibres are called mixed up; more are numbered without any rule.
_FEW_FIBRES = 4


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

    def twice(self, end: str, i: int, j: int, wrong: list[int], odds: float) -> CableFinding:
        """Say that one fibre was shot twice from an end, under two numbers."""
        shot, called = self._keys[i].fibre, self._keys[j].fibre
        finding = about_fibre(
            self._keys[wrong[0]],
            Severity.DEFECT,
            "other-fibre",
            f"one fibre was shot twice from {end} and called {shot} and {called}: both shots read "
            f"alike at every closure, as two fibres do not: log-likelihood margin {odds:.1f} "
            f"(about {_odds_text(odds)})",
            f"shoot fibre {called} again from {end}"
            + (f", and fibre {shot}: which of both was shot is open" if len(wrong) > 1 else ""),
            files=self._files(sorted((i, j))),
        )
        return replace(finding, other_fibres=tuple(self._keys[n].fibre for n in wrong[1:]))

    def perhaps_crossed(self, doubt: Story) -> CableFinding:
        """Say that fibres may be exchanged among each other."""
        rows = sorted(doubt.rows.tolist())
        fibres = [self._keys[n].fibre for n in rows]
        listed = f"{', '.join(map(str, fibres[:-1]))} and {fibres[-1]}"
        finding = about_fibre(
            self._keys[rows[0]],
            Severity.DEFECT,
            "pair-doubtful",
            f"the shots of fibres {listed} fit better exchanged than as they are numbered: "
            f"log-likelihood margin {doubt.odds:.1f} (about {_odds_text(doubt.odds)}), which "
            "is no proof",
            "prove these fibres with light from end to end, or shoot both ends again",
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

    def unexplained(self, rows: Sequence[int]) -> CableFinding:
        """Say that no simple story explains how these fibres are numbered."""
        fibres = [self._keys[n].fibre for n in rows]
        finding = about_fibre(
            self._keys[rows[0]],
            Severity.DEFECT,
            "numbering-unexplained",
            f"as numbered, the shots from A and from B of fibres {numbers_text(fibres)} do not "
            "belong together, and no simple renumbering explains it",
            "nothing of these fibres is graded: find out how each end was numbered, prove fibres "
            "with light from end to end, and give the numbers in a mapping table; else shoot again",
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

    def by_labels(self, unproved: Sequence[int], fits: FloatArray) -> list[CableFinding]:
        """Note which fibres the glass does not tell apart from others."""
        if not unproved:
            return []
        fibres = [self._keys[n].fibre for n in unproved]
        return [
            CableFinding(
                Severity.NOTE,
                "numbering-by-labels",
                f"numbering rests on the labels here: the glass is too alike to tell "
                f"fibres {numbers_text(fibres)} apart: exchanged with another, each would be less "
                f"than {exp(CLEAR):.0f} times less likely (median log-likelihood of all pairs "
                f"{np.median(fits) if fits.size else 0.0:+.1f})",
                "a continuity test with light from end to end would prove it",
                cable=self._keys[0].cable,
            )
        ]

    def doubtful(
        self, comparison: Comparison, n: int, best: int, margin: float | None
    ) -> CableFinding:
        """A pair that another shot fits better by some margin, or that is likelier two fibres."""
        key, other = self._keys[n], self._keys[best]
        pair = np.array([n, best])
        own, gap = float(comparison.own()[n]), -(margin or 0.0)
        is_other = margin is not None and np.nanmax(comparison.of_pairs(pair, pair[::-1])) > 0
        finding = about_fibre(
            key,
            Severity.DEFECT,
            "other-fibre" if is_other else "pair-doubtful",
            f"a shot of fibre {other.fibre} fits fibre {key.fibre} better than its own partner: "
            f"log-likelihood margin {gap:.1f} (about {_odds_text(gap)})"
            if is_other
            else "the shots from A and B look like two fibres rather than one: log-likelihood "
            f"{own:.1f}, and no other fibre's shot fits clearly",
            f"perhaps fibre {other.fibre} was shot twice under two numbers; shoot fibre "
            f"{key.fibre} again from both ends"
            if is_other
            else "one of them may be of another fibre or cable: prove the fibre with light from "
            "end to end, or shoot both ends again",
            files=self._files([n, best] if is_other else [n]),
        )
        # Whose shot fits elsewhere may be wrong where it is, too.
        is_sure = not is_other or comparison.own()[best] >= CLEAR
        return finding if is_sure else replace(finding, other_fibres=(other.fibre,))

    def of_story(
        self, told: Told, comparison: Comparison, others: set[int]
    ) -> tuple[CableFinding, Renumbering | None]:
        """Word one story, with the renumbering that would mend it if it is more than a crossing."""
        story, nm = told.story, told.wavelength_nm
        renumbered: Renumbering | None = None
        numbers = sorted(self._numbers(story.rows) | self._numbers(story.partner))
        is_shot = comparison.is_shot[0][story.rows]
        lone = self._numbers(story.rows[(story.partner < 0) & is_shot])
        where = "" if nm is None else f" at {nm} nm only"
        odds = f"log-likelihood margin {story.odds:.1f} (about {_odds_text(story.odds)})"
        missing = (
            f"; no shot from B is of fibre {numbers_text(lone)}" if lone and len(lone) <= 12 else ""
        )
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
                Severity.DEFECT,
                "fibres-crossed",
                f"the shots of fibres {a} and {b} from A fit each other's shots from B{where}: "
                f"{odds}",
                "nothing was exchanged: trace both fibres, then exchange the numbers of their "
                "shots from B in a mapping table, or confirm the crossing as a reviewer's decision"
                if nm is None
                else "nothing was exchanged: at the other wavelengths both fibres are themselves, "
                "so the files were named wrongly; exchange the numbers of one end's shots in a "
                "mapping table",
                wavelength_nm=nm,
                files=files,
            )
        else:
            renumbered = Renumbering(self._keys[0].cable, nm, new)
            finding = about_fibre(
                FibreKey(self._keys[0].cable, numbers[0]),
                Severity.DEFECT,
                "numbering-differs",
                f"{self._words(story, is_shot)}{where}{missing}: {odds} against the next "
                "explanation",
                "nothing was renumbered and nothing of these fibres is graded: prove one fibre "
                "with light from end to end; if B's numbers are wrong, decide renumber with "
                f'"B {renumbering(new)}"' + ("" if nm is None else f" at {nm} nm"),
                wavelength_nm=nm,
                files=files,
            )
        beside = sorted(self._numbers(others) - set(numbers))
        return replace(finding, other_fibres=(*numbers[1:], *beside)), renumbered

    def _numbers(self, rows: Iterable[int]) -> set[int]:
        return {self._keys[n].fibre for n in rows if n >= 0}

    def _words(self, story: Story, is_shot: npt.NDArray[np.bool_]) -> str:
        """Say what went wrong."""
        told = (story.partner >= 0) & is_shot
        rows, partner = story.rows[told], story.partner[told]
        at_a = [self._keys[n].fibre for n in rows]
        at_b = [self._keys[n].fibre for n in partner]
        size = self._size or 1
        ribbons = sorted({(n - 1) // size + 1 for n in at_a})
        if story.kind is Kind.SHIFTED:
            steps = partner - rows == story.step
            from_a = numbers_text(np.array(at_a)[steps].tolist())
            from_b = numbers_text(np.array(at_b)[steps].tolist())
            way = "higher" if story.step > 0 else "lower"
            return (
                f"the numbers are shifted by {abs(story.step)}: the shots from A of {from_a} are "
                f"of the fibres that B calls {from_b}, {abs(story.step)} {way}"
            )
        if story.kind is Kind.ROLLED:
            return (
                f"ribbon {ribbons[0]} is turned over (rolled): its fibres {at_a[0]} to "
                f"{at_a[-1]} from A are {at_b[0]} to {at_b[-1]} from B, in reverse order"
            )
        if story.kind is Kind.TURNED:
            return (
                f"the numbers of ribbon {ribbons[0]} are shifted by {abs(story.step)} within it: "
                f"fibre {at_a[0]} from A is {at_b[0]} from B, and so on round"
            )
        if story.kind is Kind.RIBBONS:
            return f"ribbons {ribbons[0]} and {ribbons[-1]} are exchanged between A and B"
        if story.kind is Kind.BACKWARDS:
            return (
                f"the ends are numbered in reverse: fibres {at_a[0]} to {at_a[-1]} from A are "
                f"{at_b[0]} to {at_b[-1]} from B"
            )
        if story.kind is Kind.RIBBONS_BACKWARDS:
            return (
                f"the ribbons are numbered in reverse: {ribbons[0]} to {ribbons[-1]} from A are "
                f"{ribbons[-1]} to {ribbons[0]} from B"
            )
        pairs = ", ".join(f"{a} is {b}" for a, b in zip(at_a[:12], at_b[:12], strict=True))
        if len(at_a) <= _FEW_FIBRES:
            return f"fibres {numbers_text(at_a)} are mixed up; from A and from B: {pairs}"
        more = ", …" if len(at_a) > 12 else ""
        return (
            "as numbered these shots do not belong together, and no simple renumbering explains "
            f"it; each by its glass, most likely, from A and from B: {pairs}{more}"
        )

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


def _odds_text(margin: float) -> str:
    """Write the odds of a log-likelihood margin: ``350 to 1``, ``1 to 2``, or ``10^7 to 1``."""
    if margin < 0:
        return f"1 to {exp(-margin):.0f}"
    return f"{exp(margin):.0f} to 1" if margin < log(1e4) else f"10^{margin / log(10):.0f} to 1"

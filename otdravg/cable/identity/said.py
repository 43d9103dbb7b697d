"""What is said of a numbering that is wrong, doubtful or not proved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
import numpy.typing as npt

from otdravg.cable.checks.notes import about_fibre
from otdravg.cable.decisions.renumber import renumbering
from otdravg.cable.identity.fingerprint import Comparison
from otdravg.cable.identity.sides import Members
from otdravg.cable.identity.stories import CLEAR, Kind, Story
from otdravg.cable.model import CableFinding, FibreKey
from otdravg.findings import Scope, Statement, defect, note, says
from otdravg.trade import numbers_text

__all__ = ["Renumbering", "Sayings"]

FloatArray = npt.NDArray[np.float64]

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

    def twice(self, end: str, i: int, j: int, wrong: list[int], odds: float) -> CableFinding:
        """Say that one fibre was shot twice from an end, under two numbers."""
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
                odds=_odds_text(odds),
            ),
            files=self._files(sorted((i, j))),
        )
        return replace(finding, other_fibres=tuple(self._keys[n].fibre for n in wrong[1:]))

    def perhaps_crossed(self, doubt: Story) -> CableFinding:
        """Say that fibres may be exchanged among each other."""
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
                odds=_odds_text(doubt.odds),
            ),
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

    def unexplained(self, rows: Sequence[int]) -> CableFinding:
        """Say that no simple story explains how these fibres are numbered."""
        fibres = [self._keys[n].fibre for n in rows]
        finding = about_fibre(
            self._keys[rows[0]],
            defect("numbering-unexplained", Scope.CABLE, fibres=numbers_text(fibres)),
            files=self._files(rows),
        )
        return replace(finding, other_fibres=tuple(fibres[1:]))

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
        key, other = self._keys[n], self._keys[best]
        pair = np.array([n, best])
        own, gap = float(comparison.own()[n]), -(margin or 0.0)
        is_other = margin is not None and np.nanmax(comparison.of_pairs(pair, pair[::-1])) > 0
        said = (
            defect(
                "other-fibre", Scope.CABLE, other=other.fibre, fibre=key.fibre, margin_nats=gap,
                odds=_odds_text(gap),
            )
            if is_other
            else defect("pair-doubtful", Scope.CABLE, own_nats=own)
        )  # fmt: skip
        files = self._files([n, best] if is_other else [n])
        finding = about_fibre(key, said, files=files)
        # Whose shot fits elsewhere may be wrong where it is, too.
        is_sure = not is_other or comparison.own()[best] >= CLEAR
        return finding if is_sure else replace(finding, other_fibres=(other.fibre,))

    def of_story(
        self, story: Story, comparison: Comparison, others: set[int]
    ) -> tuple[CableFinding, Renumbering | None]:
        """Word one story, with the renumbering that would mend it if it is more than a crossing."""
        nm = story.wavelength_nm
        renumbered: Renumbering | None = None
        numbers = sorted(self._numbers(story.rows) | self._numbers(story.partner))
        is_shot = comparison.is_shot[0][story.rows]
        lone = self._numbers(story.rows[(story.partner < 0) & is_shot])
        margin = says("margin", margin_nats=story.odds, odds=_odds_text(story.odds))
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
            renumbered = Renumbering(self._keys[0].cable, nm, new)
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
        return replace(finding, other_fibres=(*numbers[1:], *beside)), renumbered

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


def _odds_text(margin: float) -> str:
    """Write the odds of a log-likelihood margin: ``350`` to one, ``0.5``, or ``10^7``."""
    if margin < 0:
        return f"{exp(margin):.1g}"
    return f"{exp(margin):.0f}" if margin < log(1e4) else f"10^{margin / log(10):.0f}"

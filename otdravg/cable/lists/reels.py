"""Reels as they lie in the ground, beside the record that they were delivered with."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from otdravg.cable.lists.facts import Reel
from otdravg.cable.lists.route import HIGHEST_FACTOR, Survey
from otdravg.cable.measure.standing import Measured
from otdravg.cable.model import Closure
from otdravg.fit.reading import mean_attenuation

#: Marks on a sheath and the length of a record agree to this share. Standard: 1 % (from memory).
_MARKS_SHARE = 0.01
#: And to so many metres: the ends that are cut off and the marks at them. Chosen, not derived.
_MARKS_M = 5.0


@dataclass(frozen=True, slots=True)
class LaidReel:
    """A reel between two splices; ``sheath_m`` as its marks have it, None without."""

    reel: Reel
    start_m: float  # in the shots, from A
    end_m: float
    sheath_m: float | None = None


@dataclass(frozen=True, slots=True)
class ReelCheck:
    """Attenuation of one reel's fibres at one wavelength, beside its record, dB/km."""

    reel: Reel
    wavelength_nm: int
    record_db_per_km: float
    fibres: tuple[tuple[int, float, float | None], ...]  # fibre, attenuation, standard uncertainty

    @property
    def median_db_per_km(self) -> float:
        """Of its fibres."""
        return median(one for _, one, _ in self.fibres)

    def percent(self, attenuation_db_per_km: float) -> float:
        """Return how far an attenuation is from the record, in percent of it, with the sign."""
        return 100 * (attenuation_db_per_km / self.record_db_per_km - 1)


def laid(
    reels: Sequence[Reel], survey: Survey | None, closures: Sequence[Closure], length_m: float
) -> tuple[LaidReel, ...]:
    """Tell where each reel lies.

    The route says it where it names reels. Else reels stand in the list in order from A, if there
    are as many as sections between the closures that the shots show. Empty if neither is so.
    """
    by_name = {reel.name.casefold(): reel for reel in reels}
    if survey is not None and any(section.reel for section in survey.sections):
        return tuple(
            LaidReel(own, s.at_m, s.shot_m(s.length_m)[0], s.length_m)
            for s in survey.sections
            if (own := by_name.get(s.reel.casefold())) is not None
        )
    ends = [0.0, *sorted(closure.distance_m for closure in closures), length_m]
    if len(ends) != len(reels) + 1:
        return ()
    return tuple(LaidReel(reel, *run) for reel, run in zip(reels, pairwise(ends), strict=True))


def longer_than_record(reels: Sequence[LaidReel]) -> Iterator[tuple[LaidReel, float]]:
    """Name reels of which more lies there than was delivered, with the least that does, m."""
    for own in reels:
        least_m = own.sheath_m or (own.end_m - own.start_m) / HIGHEST_FACTOR
        delivered_m = own.reel.length_m
        if delivered_m is not None and least_m > delivered_m * (1 + _MARKS_SHARE) + _MARKS_M:
            yield own, least_m


def checked(
    reels: Sequence[LaidReel], measured: Sequence[Measured], cable: str
) -> tuple[ReelCheck, ...]:
    """Hold every fibre's attenuation on each reel against the reel's record."""
    found: dict[tuple[int, int], list[tuple[int, float, float | None]]] = defaultdict(list)
    for one in measured:
        if one.key.cable != cable or one.outcome.axis is None:
            continue
        for n, own in enumerate(reels):
            figure = mean_attenuation(
                s for s in one.outcome.sections
                if own.start_m <= (s.start_m + s.end_m) / 2 <= own.end_m
            )  # fmt: skip
            if one.wavelength_nm in dict(own.reel.attenuation_db_per_km) and figure is not None:
                found[n, one.wavelength_nm].append((one.key.fibre, *figure))
    return tuple(
        ReelCheck(reel, nm, dict(reel.attenuation_db_per_km)[nm], tuple(own))
        for (n, nm), own in sorted(found.items())
        for reel in (reels[n].reel,)
    )

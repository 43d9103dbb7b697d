"""How long a cable takes to shoot, and how long its shots may be averaged within a shift."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

#: From one shot to the next beside averaging: plug, clean, look, name, store. Common practice, no
#: source: three shots a minute without averaging.
USUAL_BETWEEN_S = 20.0


@dataclass(frozen=True, slots=True)
class Hours:
    """What is to be shot from each end, and how long what is not averaging takes."""

    fibres: int
    wavelengths_nm: tuple[int, ...]
    between_s: float = USUAL_BETWEEN_S  # from one shot to the next, beside averaging
    share_again: float = 0.0  # of the shots that have to be taken once more
    is_by_files: bool = False  # both of these are what the files of the job show
    shift_h: float = 8.0

    @property
    def shots(self) -> int:
        """Shots from one end."""
        return self.fibres * len(self.wavelengths_nm)

    def of_one(self, averaging_s: float) -> float:
        """Hours for all fibres from one end at one wavelength."""
        return self.fibres * (1 + self.share_again) * (averaging_s + self.between_s) / 3600

    def of_an_end(self, averaging_s: float) -> float:
        """Hours for all fibres from one end at all wavelengths."""
        return self.of_one(averaging_s) * len(self.wavelengths_nm)

    @property
    def most_averaging_s(self) -> float:
        """Longest averaging with which one end is done within a shift; 0 or less if none is."""
        return 3600 * self.shift_h / (self.shots * (1 + self.share_again)) - self.between_s

    def fitting(self, averaging_s: Iterable[float]) -> float | None:
        """Return the longest of some averaging times that fits a shift; None if none does."""
        return max((t for t in averaging_s if t <= self.most_averaging_s), default=None)

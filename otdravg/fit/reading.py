"""What was measured at one position of a span, and on the fibre between two."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from math import sqrt

from otdravg.findings import Statement


class Kind(Enum):
    """What stands at a position on the span."""

    SPLICE = "splice"  # no reflection
    CONNECTOR = "connector"  # reflects
    GROUP = "group"  # several events closer than the pulse can part; the loss is their sum
    ASKED = "asked position"  # nothing was detected; measured because the user named it


class Coverage(Enum):
    """From which ends a position could be measured."""

    BOTH = "both ways"
    ONLY_AB = "A→B only"
    ONLY_BA = "B→A only"
    NONE = "not measured"


@dataclass(frozen=True, slots=True)
class Reading:
    """The measurement at one position of the span.

    Losses in dB, a loss positive, an apparent gain negative; ``None`` where not
    measured, with the causes in ``missing``. ``u_…`` are standard uncertainties (k = 1).
    ``backscatter_step_db`` is half the difference of the readings: positive where light
    going from A to B enters glass that scatters less (reads as extra loss from A).
    """

    number: int
    kind: Kind
    coverage: Coverage
    distance_m: float  # from the span's A end
    distance_from_b_m: float
    loss_ab_db: float | None
    loss_ba_db: float | None
    loss_db: float | None
    u_ab_db: float | None
    u_ba_db: float | None
    u_loss_db: float | None
    backscatter_step_db: float | None
    u_step_db: float | None
    mode_field_ratio: float | None  # w after / w before going A to B; an estimate, never a reading
    reflectance_db: float | None
    detected_ab: bool
    detected_ba: bool
    missing: tuple[Statement, ...]  # why a direction was not measured

    @property
    def expanded_uncertainty_db(self) -> float | None:
        """Expanded uncertainty of the true loss, k = 2."""
        return None if self.u_loss_db is None else 2 * self.u_loss_db


@dataclass(frozen=True, slots=True)
class SectionReading:
    """Fibre between two positions: attenuation in dB/km, without splices."""

    start_m: float
    end_m: float
    attenuation_db_per_km: float | None
    u_attenuation_db_per_km: float | None


def mean_attenuation(sections: Iterable[SectionReading]) -> tuple[float, float | None] | None:
    """Return the mean attenuation of sections by their lengths, and its standard uncertainty."""
    known = [
        (s.attenuation_db_per_km, s.u_attenuation_db_per_km, s.end_m - s.start_m)
        for s in sections
        if s.attenuation_db_per_km is not None and s.end_m > s.start_m
    ]
    if not known:
        return None
    total_m = sum(m for _, _, m in known)
    u = [(u * m) ** 2 for _, u, m in known if u is not None]
    mean = sum(a * m for a, _, m in known) / total_m
    return mean, sqrt(sum(u)) / total_m if len(u) == len(known) else None


def mode_field_ratio(backscatter_step_db: float) -> float:
    """Estimate w_after/w_before for light going A to B from the backscatter step.

    With equal scattering the captured fraction goes as 1/w², so the step is
    10·log10(w₂/w₁) dB. The scattering coefficients of two glasses differ too: an estimate.
    """
    return float(10 ** (backscatter_step_db / 10))

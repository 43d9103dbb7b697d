"""The instrument of a simulated shot: pulse, sampling, receiver, noise and display.

Powers are relative to the peak power of the launched pulse; levels are one-way dB
(5·log10 of power), as a trace shows them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from otdravg.errors import BadSetting
from otdravg.findings import plain
from otdravg.simulate.fibre import SPEED_OF_LIGHT_M_PER_S

#: Longest record that the receiver model is asked for; far above any real instrument.
_MOST_POINTS = 1_000_000


class FloorMode(Enum):
    """What the instrument writes where noise makes the received power negative."""

    CLIPPED = "clipped"  # the lowest level it can write
    RECTIFIED = "rectified"  # the level of the absolute value


@dataclass(frozen=True, slots=True)
class Instrument:
    """Settings and imperfections of one acquisition.

    Parameters
    ----------
    pulse_ns : float
        Full width of the rectangular light pulse.
    spacing_counts : int
        One-way time between points in units of 10⁻¹⁴ s, as the file stores it.
    point_count : int
        Points of the record.
    group_index : float
        What the operator has set; used for the file's distances only.
    wavelength_nm : float
        Wavelength of the source.
    backscatter_coefficient_db : float
        10·log10 of backscattered over launched power for a 1 ns pulse.
    dynamic_range_db : float
        One-way dB from the launch backscatter level down to where the receiver's noise
        (RMS, as recorded) equals the signal; ``inf`` = no noise.
    ripple_db : float
        Standard deviation of the coherence ripple in one-way dB.
    smoothing_points : int
        Width of the maker's moving average, odd; 1 = none.
    rise_fraction : float
        Rise time (10–90 %) of the receiver as a fraction of the pulse.
    tail_fraction : float
        Share of the received power that comes out late, through the slow tail.
    tail_ns : float
        Time constant of that tail.
    headroom_db : float
        One-way dB between the launch backscatter level and saturation.
    scale_1000 : int
        The file's scale factor; 1000 gives steps of 0.001 dB.
    floor_raw : int
        Largest raw value the instrument writes.
    floor_mode : FloorMode
        What is written where the noisy power is negative.
    acquisition_offset_100ps : int
        One-way time of the first point; may be negative.
    internal_fibre_m : float
        Length of fibre between the source and the front panel (position 0).
    front_panel_reflectance_db : float or None
        Reflectance of the front panel connector.
    ghosts : bool
        Whether light reflected three times is added.
    """

    pulse_ns: float = 100.0
    spacing_counts: int = 250_000
    point_count: int = 20_000
    group_index: float = 1.4682
    wavelength_nm: float = 1550.0
    backscatter_coefficient_db: float = -81.5
    dynamic_range_db: float = math.inf
    ripple_db: float = 0.0
    smoothing_points: int = 1
    rise_fraction: float = 0.15
    tail_fraction: float = 0.001
    tail_ns: float = 100.0
    headroom_db: float = 12.0
    scale_1000: int = 1000
    floor_raw: int = 65_535
    floor_mode: FloorMode = FloorMode.CLIPPED
    acquisition_offset_100ps: int = 0
    internal_fibre_m: float = 0.0
    front_panel_reflectance_db: float | None = -45.0
    ghosts: bool = False

    def __post_init__(self) -> None:
        checks: tuple[tuple[str, float, bool, str], ...] = (
            ("pulse_ns", self.pulse_ns, self.pulse_ns > 0, "more than zero"),
            ("spacing_counts", self.spacing_counts, self.spacing_counts > 0, "more than zero"),
            (
                "point_count",
                self.point_count,
                1 < self.point_count <= _MOST_POINTS,
                f"2 to {_MOST_POINTS}",
            ),
            ("group_index", self.group_index, 1 <= self.group_index < 3, "1 to 3"),
            ("ripple_db", self.ripple_db, 0 <= self.ripple_db <= 1, "0 to 1 dB"),
            (
                "smoothing_points",
                self.smoothing_points,
                self.smoothing_points > 0 and self.smoothing_points % 2 == 1,
                "an odd number",
            ),
            ("tail_fraction", self.tail_fraction, 0 <= self.tail_fraction < 1, "0 to below 1"),
            ("floor_raw", self.floor_raw, 0 < self.floor_raw <= 65_535, "1 to 65535"),
        )
        for name, value, usable, allowed in checks:
            if not usable:
                raise BadSetting(name, value, plain(allowed))

    @property
    def spacing_s(self) -> float:
        """One-way time between points in seconds."""
        return self.spacing_counts * 1e-14

    @property
    def launch_power(self) -> float:
        """Power scattered back at the launch by a section at backscatter level 0."""
        return 10 ** (self.backscatter_coefficient_db / 10) * self.pulse_ns

    @property
    def noise_power(self) -> float:
        """Standard deviation of the receiver's noise as recorded, in power."""
        return self.launch_power * 10 ** (-self.dynamic_range_db / 5)

    @property
    def saturation_power(self) -> float:
        """Power at which the receiver saturates."""
        return self.launch_power * 10 ** (self.headroom_db / 5)


def spacing_counts_for(spacing_m: float, group_index: float) -> int:
    """Give the file's spacing counts nearest to a distance between points in metres."""
    return max(1, round(spacing_m * group_index / SPEED_OF_LIGHT_M_PER_S * 1e14))


def point_count_for(record_m: float, spacing_counts: int, group_index: float) -> int:
    """Give the points needed to record a length in metres from the front panel on."""
    spacing_m = spacing_counts * 1e-14 * SPEED_OF_LIGHT_M_PER_S / group_index
    return max(2, math.ceil(record_m / spacing_m) + 1)

"""What a shot says of itself beside its points: identity, settings, the instrument's table."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from enum import Enum

#: Speed of light in vacuum. Standard: definition of the metre, SI, 9th edition 2019, exact.
SPEED_OF_LIGHT_M_PER_S = 299_792_458.0


class Direction(Enum):
    """From which end a shot was taken."""

    A_TO_B = "A→B"
    B_TO_A = "B→A"
    UNKNOWN = "unknown"


class ResponseSource(Enum):
    """Where the response of an instrument comes from."""

    LEARNT = "learnt"  # from this shot
    POOLED = "pooled"  # from other shots of this instrument with these settings
    STATED = "stated"
    NONE = "none"  # nothing clean was there to learn it from: taken as immediate


@dataclass(frozen=True, slots=True)
class Identity:
    """What a shot says of itself; texts are as the operator typed them."""

    path: str
    sha256: str = ""
    cable: str = ""
    fibre: str = ""
    location_a: str = ""
    location_b: str = ""
    direction: Direction = Direction.UNKNOWN
    wavelength_nm: float = math.nan
    nominal_wavelength_nm: int = 0  # not stated
    taken: datetime | None = None
    operator: str = ""
    comment: str = ""
    instrument: str = ""
    serial: str = ""  # of mainframe and module, with the module's name
    software: str = ""  # of the instrument, as it names its revision
    fibre_type: str = ""  # such as "G.652"; empty where the file names none


@dataclass(frozen=True, slots=True)
class Settings:
    """How a shot was taken; all times are one way."""

    pulse_ns: float
    spacing_s: float
    acquisition_offset_s: float
    user_offset_s: float
    group_index: float
    backscatter_coefficient_db: float  # for a 1 ns pulse
    averages: int
    averaging_time_s: float
    range_s: float
    quantum_db: float
    distance_unit: str
    revision: int


@dataclass(frozen=True, slots=True)
class TableEvent:
    """An entry of the instrument's own event table: shown and compared, never measured with."""

    number: int
    time_s: float
    loss_db: float
    reflectance_db: float | None
    slope_db_per_km: float
    code: str
    is_end: bool
    comment: str

    def distance_m(self, group_index: float) -> float:
        """Distance from the front panel in metres at the given group index."""
        return self.time_s * SPEED_OF_LIGHT_M_PER_S / group_index

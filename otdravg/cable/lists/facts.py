"""What the crew's lists say beside the shots, as plain facts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from otdravg.findings import Statement, says

#: Places where one piece of cable ends, and others that it passes.
SPLICED = ("end", "closure")
PLACE_KINDS = (*SPLICED, "manhole", "handhole", "pole", "building", "crossing", "other")


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument of the job; ``name`` is a part of its name or serial number in headers."""

    name: str
    due: date | None = None  # last day of its calibration
    linearity: float | None = None  # dB/dB: largest error of a loss of 1 dB


@dataclass(frozen=True, slots=True)
class Loop:
    """Two fibres that are joined at B: a shot from A into one comes back in the other."""

    fibre: int
    other: int
    length_m: float = 0.0  # of the cord between them


@dataclass(frozen=True, slots=True)
class Reel:
    """What the record of a reel says, as it was delivered."""

    name: str
    fibre_type: str  # such as "G.652"
    length_m: float | None = None
    attenuation_db_per_km: tuple[tuple[int, float], ...] = ()  # by wavelength in nm


@dataclass(frozen=True, slots=True)
class Mark:
    """A length mark as it is printed on the sheath; ``unit`` is "m", "ft", or empty."""

    number: float
    unit: str = ""

    @property
    def text(self) -> str:
        """As it was read: ``3310 m``."""
        return f"{self.number:g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class RoutePlace:
    """A place on the route: closure, end, or something the cable passes.

    ``mark_in`` is the mark where the cable from A comes in, ``mark_out`` where that to B leaves;
    between both lies what is coiled up there, if it is one cable.
    """

    name: str
    kind: str
    mark_in: Mark | None = None
    mark_out: Mark | None = None
    slack_m: float | None = None  # coiled up there, of each cable
    reel: str = ""  # from which the cable towards B came

    @property
    def label(self) -> str | Statement:
        """Its name, with what it is where that is a closure."""
        return says("closure-named", name=self.name) if self.kind == "closure" else self.name


@dataclass(frozen=True, slots=True)
class PowerReading:
    """One line of the crew's list.

    ``arrives`` is the fibre at whose far end the light came out: 0 if at none, ``None`` if nobody
    looked. ``expanded_db`` is the expanded uncertainty of the reading, as its tester's papers say.
    """

    fibre: int
    end: str  # where the source was: "A" or "B"
    wavelength_nm: int | None = None
    loss_db: float | None = None
    arrives: int | None = None
    tester: str = ""
    expanded_db: float | None = None

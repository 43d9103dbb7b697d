"""The content of an SR-4731 trace file as plain values.

Every class mirrors one block of the format; field names carry the unit in which
the *file* holds the value, so nothing here is rounded or converted. Properties
give SI-like values. See ``docs/file-format.md`` for the layout.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding

__all__ = [
    "Block",
    "DataPoints",
    "FixedParameters",
    "GeneralParameters",
    "KeyEvent",
    "KeyEvents",
    "PointRun",
    "SorFile",
    "SupplierParameters",
    "Text",
]

#: One file time unit (100 ps) in seconds.
TIME_UNIT_S = 1e-10


@dataclass(frozen=True, slots=True)
class Text:
    """A text of the file: its raw bytes, and the text they most likely mean."""

    raw: bytes = b""

    @classmethod
    def of(cls, text: str) -> Text:
        """Encode ``text`` as UTF-8, the one encoding the writer produces."""
        return cls(text.encode("utf-8"))

    @property
    def text(self) -> str:
        """The text decoded as UTF-8, else Latin-1, without padding blanks."""
        try:
            decoded = self.raw.decode("utf-8")
        except UnicodeDecodeError:
            decoded = self.raw.decode("latin-1")
        return decoded.strip()

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class GeneralParameters:
    """Block GenParams: what was measured, by whom, between which ends."""

    language: Text = Text(b"EN")
    cable_id: Text = Text()
    fibre_id: Text = Text()
    fibre_type: int = 652  # revision 2 only; ITU-T G number
    nominal_wavelength_nm: int = 1550
    location_a: Text = Text()
    location_b: Text = Text()
    cable_code: Text = Text()
    build_condition: Text = Text(b"BC")
    user_offset_100ps: int = 0
    user_offset_distance: int = 0  # revision 2 only; informative
    operator: Text = Text()
    comment: Text = Text()


@dataclass(frozen=True, slots=True)
class SupplierParameters:
    """Block SupParams: the instrument."""

    supplier: Text = Text()
    mainframe_id: Text = Text()
    mainframe_serial: Text = Text()
    module_id: Text = Text()
    module_serial: Text = Text()
    software_revision: Text = Text()
    other: Text = Text()


@dataclass(frozen=True, slots=True)
class FixedParameters:
    """Block FxdParams: the settings of the acquisition."""

    timestamp_s: int = 0
    distance_unit: Text = Text(b"km")
    wavelength_0p1nm: int = 15500
    acquisition_offset_100ps: int = 0
    acquisition_offset_distance: int = 0  # revision 2 only
    pulse_widths_ns: tuple[int, ...] = (100,)
    data_spacings: tuple[int, ...] = (0,)  # 1e-14 s one way per point (100 ps per 10 000)
    point_counts: tuple[int, ...] = (0,)
    group_index_1e5: int = 146820
    backscatter_0p1db: int = 815  # minus dB x 10 for a 1 ns pulse
    averages: int = 0
    averaging_time_0p1s: int = 0  # revision 2 only
    range_100ps: int = 0
    range_distance: int = 0  # revision 2 only
    front_panel_offset_100ps: int = 0
    noise_floor_mdb: int = 0
    noise_floor_scale: int = 1000
    power_offset_mdb: int = 0
    loss_threshold_mdb: int = 0
    reflectance_threshold_mdb: int = 0
    end_threshold_mdb: int = 0
    trace_type: Text = Text(b"ST")  # revision 2 only
    window: tuple[int, int, int, int] = (0, 0, 0, 0)  # revision 2 only


@dataclass(frozen=True, slots=True)
class KeyEvent:
    """One entry of the instrument's own event table."""

    number: int
    time_100ps: int  # one way, from the front panel
    slope_mdb_per_km: int
    loss_mdb: int  # negative: apparent gain
    reflectance_mdb: int  # negative; 0 = none
    code: Text  # eight characters
    markers_100ps: tuple[int, int, int, int, int] = (0, 0, 0, 0, 0)  # revision 2 only
    comment: Text = Text()


@dataclass(frozen=True, slots=True)
class KeyEvents:
    """Block KeyEvents: the instrument's own event table and link totals."""

    events: tuple[KeyEvent, ...] = ()
    total_loss_mdb: int = 0
    total_loss_start_100ps: int = 0
    total_loss_finish_100ps: int = 0
    return_loss_mdb: int = 0
    return_loss_start_100ps: int = 0
    return_loss_finish_100ps: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class PointRun:
    """A run of data points under one scale factor.

    ``raw`` is a read-only view of unsigned 16-bit values in the file's own bytes.
    """

    scale_1000: int
    raw: npt.NDArray[np.uint16]

    @property
    def level_db(self) -> npt.NDArray[np.float64]:
        """Level in dB (one way), shape (n,): 0 is the highest, all values <= 0."""
        return self.raw * (-self.scale_1000 * 1e-6)


@dataclass(frozen=True, slots=True, eq=False)
class DataPoints:
    """Block DataPts: the waveform, one run per scale factor."""

    runs: tuple[PointRun, ...]


@dataclass(frozen=True, slots=True)
class Block:
    """A block as it stands in the file: nothing of it is ever lost.

    ``content`` holds all its bytes, in revision 2 with the block's own name in
    front, just as the Map's size counts them.
    """

    name: Text
    revision: int
    content: bytes = field(repr=False)


@dataclass(frozen=True, slots=True, eq=False)
class SorFile:
    """A trace file: the blocks as bytes, and what was decoded from them.

    ``blocks`` (in file order, the Map excluded), ``revision`` and ``trailing`` are
    the file; writing puts exactly these back. The decoded blocks are views of the
    same bytes. ``checksum`` is the value stored in the file, ``None`` if absent.
    """

    path: str
    sha256: str
    revision: int
    blocks: tuple[Block, ...]
    trailing: bytes
    general: GeneralParameters
    supplier: SupplierParameters
    fixed: FixedParameters
    events: KeyEvents | None
    data: DataPoints
    checksum: int | None
    findings: tuple[Finding, ...]

    @property
    def is_revision_2(self) -> bool:
        """Whether blocks carry their own names and the longer field lists."""
        return self.revision >= 200

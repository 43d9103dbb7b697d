"""The content of an SR-4731 trace file as plain values.

Every class mirrors one block of the format; field names carry the unit in which
the *file* holds the value, so nothing here is rounded or converted. Properties
give SI-like values. A field that a file does not hold (a revision-2 field in a
revision-1 file, the end of a truncated block) is 0 or an empty text after reading.
See ``docs/file-format.md`` for the layout.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from otdravg.findings import Finding

#: One file time unit (100 ps) in seconds.
TIME_UNIT_S = 1e-10

#: One count of the data spacing (100 ps per 10 000 points) in seconds per point.
SPACING_UNIT_S = 1e-14

#: Group index used where the file states none that a fibre can have: that of common
#: single-mode fibre near 1550 nm (common practice, no source).
DEFAULT_GROUP_INDEX = 1.46820

#: What a glass fibre's group index can be; outside, the file's value is not usable.
GROUP_INDEX_RANGE = (1.2, 2.0)

#: Wavelengths a fibre is shot at, in nm. A value of the 0.1 nm field inside this range
#: can only be whole nanometres, since it would otherwise mean 50 to 250 nm.
WAVELENGTH_RANGE_NM = (500, 2500)


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
        """The text decoded as UTF-8, else Latin-1, without padding blanks and zero bytes."""
        decoded = self.raw.decode("utf-8" if self.is_utf8 else "latin-1")
        return decoded.replace("\0", " ").strip()

    @property
    def is_utf8(self) -> bool:
        """Whether the bytes are valid UTF-8, which includes ASCII."""
        try:
            self.raw.decode("utf-8")
        except UnicodeDecodeError:
            return False
        return True

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

    @property
    def user_offset_s(self) -> float:
        """Where the operator says the span starts, in seconds one way; 0 = not set."""
        return self.user_offset_100ps * TIME_UNIT_S


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
    window: tuple[int, int, int, int] = (0, 0, 0, 0)  # revision 2 only; x1, y1, x2, y2

    @property
    def pulse_entries(self) -> int:
        """Number of pulse widths, each of which has its own trace."""
        return len(self.pulse_widths_ns)

    @property
    def wavelength_in_whole_nm(self) -> bool:
        """Whether the file holds whole nanometres where tenths belong, as some do."""
        low, high = WAVELENGTH_RANGE_NM
        return low <= self.wavelength_0p1nm < high

    @property
    def wavelength_nm(self) -> float:
        """Actual wavelength in nm; 0 = not stated."""
        return self.wavelength_0p1nm / (1 if self.wavelength_in_whole_nm else 10)

    @property
    def has_group_index(self) -> bool:
        """Whether the file states a group index that a fibre can have."""
        low, high = GROUP_INDEX_RANGE
        return low <= self.group_index_1e5 * 1e-5 <= high

    @property
    def group_index(self) -> float:
        """Group index as stated, else :data:`DEFAULT_GROUP_INDEX`."""
        return self.group_index_1e5 / 100_000 if self.has_group_index else DEFAULT_GROUP_INDEX

    @property
    def acquisition_offset_s(self) -> float:
        """Time of the first data point in seconds one way; negative inside the instrument."""
        return self.acquisition_offset_100ps * TIME_UNIT_S

    @property
    def backscatter_db(self) -> float:
        """Backscatter coefficient for a 1 ns pulse in dB, negative; 0 = not stated."""
        return -self.backscatter_0p1db / 10


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

    @property
    def event_count(self) -> int:
        """Number of events in the table."""
        return len(self.events)


@dataclass(frozen=True, slots=True, eq=False)
class PointRun:
    """A run of data points under one scale factor.

    ``raw`` is a read-only view of unsigned 16-bit values in the file's own bytes.
    """

    scale_1000: int
    raw: npt.NDArray[np.uint16] = field(repr=False)

    @property
    def level_db(self) -> npt.NDArray[np.float64]:
        """Level in dB (one way), shape (n,): 0 is the highest, all values <= 0."""
        return np.multiply(self.raw, -self.scale_1000 / 1e6, dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class DataPoints:
    """Block DataPts: the data points, one run per scale factor."""

    runs: tuple[PointRun, ...]

    @property
    def size(self) -> int:
        """Number of data points in all runs."""
        return sum(run.raw.size for run in self.runs)


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """The data points that belong to one pulse width: one trace."""

    pulse_ns: int
    data_spacing: int  # 1e-14 s one way per point
    runs: tuple[PointRun, ...]

    @property
    def spacing_s(self) -> float:
        """One-way time from point to point in seconds."""
        return self.data_spacing * SPACING_UNIT_S

    @property
    def raw(self) -> npt.NDArray[np.uint16]:
        """Data points as the file holds them, shape (n,)."""
        return _joined([run.raw for run in self.runs])

    @property
    def level_db(self) -> npt.NDArray[np.float64]:
        """Level in dB (one way), shape (n,): 0 is the highest, all values <= 0."""
        return _joined([run.level_db for run in self.runs])

    @property
    def quantum_db(self) -> float:
        """Coarsest step between two levels that the file can tell apart, in dB."""
        return max(run.scale_1000 for run in self.runs) / 1e6


@dataclass(frozen=True, slots=True)
class Block:
    """A block as it stands in the file: nothing of it is ever lost.

    ``content`` holds all its bytes, in revision 2 with the block's own name in
    front, just as the Map's size counts them.
    """

    name: Text
    revision: int
    content: bytes = field(repr=False)

    @classmethod
    def of(cls, name: str, body: bytes, revision: int = 200) -> Block:
        """Make a block of ``body``, named in front where the revision asks for it."""
        text = Text.of(name)
        front = text.raw + b"\0" if revision >= 200 else b""
        return cls(text, revision, front + body)

    @property
    def name_size(self) -> int:
        """Bytes that the block's own name takes at its beginning; 0 where it has none."""
        own_name = self.name.raw + b"\0"
        return len(own_name) if self.name.raw and self.content.startswith(own_name) else 0

    @property
    def body(self) -> bytes:
        """The bytes after the block's own name."""
        return self.content[self.name_size :]


@dataclass(frozen=True, slots=True, eq=False)
class SorFile:
    """A trace file: the blocks as bytes, and what was decoded from them.

    ``map_bytes``, ``blocks`` (in file order, the Map excluded) and ``trailing`` are the
    file; writing puts exactly these back. The decoded blocks are views of the same
    bytes. ``waveforms`` holds one trace per pulse width. ``checksum`` is the value
    stored in the file, ``None`` if absent; ``sha256`` is the hash of the whole file.
    """

    path: str
    sha256: str
    revision: int
    map_bytes: bytes = field(repr=False)
    blocks: tuple[Block, ...]
    trailing: bytes = field(repr=False)
    general: GeneralParameters
    supplier: SupplierParameters
    fixed: FixedParameters
    events: KeyEvents | None
    data: DataPoints
    waveforms: tuple[Waveform, ...]
    checksum: int | None
    findings: tuple[Finding, ...]

    @property
    def is_revision_2(self) -> bool:
        """Whether blocks carry their own names and the longer field lists."""
        return self.revision >= 200

    @property
    def wavelength_nm(self) -> float:
        """Actual wavelength in nm, else the nominal one; 0 = neither is stated."""
        return self.fixed.wavelength_nm or float(self.general.nominal_wavelength_nm)


Number = TypeVar("Number", np.uint16, np.float64)


def _joined(parts: list[npt.NDArray[Number]]) -> npt.NDArray[Number]:
    """Join runs end to end; a single run stays the view that it is."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)

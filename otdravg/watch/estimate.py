"""What a reading from one end lets expect of a splice: a provisional estimate, never a verdict.

From one end a splice reads l + b, from the other l - b: its loss, and half the difference of the
backscatter of both glasses. What is known of b at this very joint gives an estimate of l. What
other joints of the cable teach is only how widely b is spread about zero.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot, sqrt

from otdravg.cable.model import CableReview, FibreKey, History, SpliceRow
from otdravg.fit.reading import Coverage, Kind

#: A splice at one wavelength: fibre, closure number, nm.
Joint = tuple[FibreKey, int, int]

#: Joints from which a spread is learnt; fewer say too little. Chosen, not derived: the spread of a
#: dozen is known to a fifth.
LEAST_JOINTS = 12
#: Spread of b between two wavelengths where the cable has not shown it yet, dB. Chosen, not
#: derived: b is mostly the step of the mode field, alike at 1310 and 1550 nm.
BETWEEN_WAVELENGTHS_DB = 0.02
#: Spread of b between two splices of the same two glasses, dB. Chosen, not derived: some metres of
#: fibre are cut off, and glass is nearly the same along them.
BETWEEN_SPLICES_DB = 0.005


class Basis(Enum):
    """What is known of b at a joint."""

    EARLIER = "the same joint before it was spliced again"
    WAVELENGTH = "the same joint at another wavelength"
    SPREAD = "the spread of the cable's other joints alone"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A provisional loss of a splice that was read from one end."""

    loss_db: float
    u_db: float
    basis: Basis
    end: str  # "A" or "B", from which it was read
    limit_db: float | None

    @property
    def expanded_db(self) -> float:
        """Expanded uncertainty, k = 2."""
        return 2 * self.u_db

    @property
    def is_likely_over(self) -> bool:
        """Whether the whole interval lies above the limit: reason to ask for the other shot."""
        return self.limit_db is not None and self.loss_db - self.expanded_db > self.limit_db


@dataclass(frozen=True, slots=True)
class _Reading:
    """A reading from one end: ``sign`` is that of b in it, 1 from A and -1 from B."""

    value_db: float
    u_db: float
    sign: int


def estimates(review: CableReview) -> dict[Joint, Estimate]:
    """Estimate every splice that was read from one end only, or anew from one end only.

    Returns
    -------
    dict
        By joint; where nothing is known of b there is no estimate.
    """
    half_new = {
        (FibreKey(f.cable, fibre), f.closure, nm): "B" if f.direction.startswith("A") else "A"
        for f in review.findings
        if f.code == "pair-of-two-states" and f.fibre is not None and " " not in f.direction
        for fibre in (f.fibre, *f.other_fibres)
        for nm in ([f.wavelength_nm] if f.wavelength_nm else _wavelengths(review))
    }
    both: dict[Joint, SpliceRow] = {}
    single: dict[Joint, tuple[SpliceRow, _Reading]] = {}
    for row in review.rows:
        if row.closure_number is None or row.kind is not Kind.SPLICE:
            continue
        joint = row.key, row.closure_number, row.wavelength_nm
        place = row.key, row.closure, row.wavelength_nm
        if place in half_new and row.coverage is Coverage.BOTH:
            reading = _from_end(row, half_new[place])
        elif row.coverage is Coverage.BOTH:
            both[joint] = row
            continue
        else:
            reading = _from_end(row, "A" if row.coverage is Coverage.ONLY_AB else "B")
        if reading is not None:
            single[joint] = row, reading
    before = {(h.key, h.closure, h.wavelength_nm): h for h in review.history}
    at: dict[tuple[FibreKey, int], list[SpliceRow]] = defaultdict(list)
    for (key, number, _), row in both.items():
        at[key, number].append(row)
    spreads = _spreads(both)
    apart = _between_wavelengths(both)
    found = {}
    for joint, (row, reading) in single.items():
        place = row.key, row.closure, row.wavelength_nm
        known = (
            _of_earlier(row, reading, before.get(place) if place in half_new else None)
            or _of_wavelength(joint, at, apart)
            or _of_spread(spreads.get((row.cable, row.wavelength_nm)))
        )
        if known is None:
            continue
        b_db, u_b_db, basis = known
        limit_db = row.verdict.limit_db
        found[joint] = Estimate(
            reading.value_db - reading.sign * b_db,
            hypot(reading.u_db, u_b_db),
            basis,
            "A" if reading.sign > 0 else "B",
            None if limit_db is None else float(limit_db),
        )
    return found


Known = tuple[float, float, Basis]


def _wavelengths(review: CableReview) -> set[int]:
    return {row.wavelength_nm for row in review.rows}


def _from_end(row: SpliceRow, end: str) -> _Reading | None:
    value_db = row.loss_ab_db if end == "A" else row.loss_ba_db
    if row.reading is None or value_db is None:
        return None
    u_db = row.reading.u_ab_db if end == "A" else row.reading.u_ba_db
    return None if u_db is None else _Reading(value_db, u_db, 1 if end == "A" else -1)


def _of_earlier(row: SpliceRow, new: _Reading, history: History | None) -> Known | None:
    """b as the earlier pair had it: the older shot is in this row, the earlier loss in history."""
    old = _from_end(row, "B" if new.sign > 0 else "A")
    if history is None or len(history.attempts) < 2 or old is None:
        return None
    earlier = history.attempts[-2]
    if earlier.loss_db is None or earlier.u_loss_db is None:
        return None
    b_db = old.sign * (old.value_db - earlier.loss_db)
    return b_db, hypot(earlier.u_loss_db, BETWEEN_SPLICES_DB), Basis.EARLIER


def _of_wavelength(
    joint: Joint, at: Mapping[tuple[FibreKey, int], Sequence[SpliceRow]], apart: Mapping[str, float]
) -> Known | None:
    for row in at.get(joint[:2], ()):
        if row.backscatter_step_db is not None and row.u_step_db is not None:
            u_db = hypot(row.u_step_db, apart.get(row.cable, BETWEEN_WAVELENGTHS_DB))
            return row.backscatter_step_db, u_db, Basis.WAVELENGTH
    return None


def _of_spread(spread_db: float | None) -> Known | None:
    return None if spread_db is None else (0.0, spread_db, Basis.SPREAD)


def _steps(both: Mapping[Joint, SpliceRow]) -> dict[Joint, float]:
    return {
        joint: row.backscatter_step_db
        for joint, row in both.items()
        if row.backscatter_step_db is not None
    }


def _spreads(both: Mapping[Joint, SpliceRow]) -> dict[tuple[str, int], float]:
    """Spread of b over the joints of each cable and wavelength, dB."""
    steps: dict[tuple[str, int], list[float]] = defaultdict(list)
    for (key, _, nm), step_db in _steps(both).items():
        steps[key.cable, nm].append(step_db)
    return {place: s for place, own in steps.items() if (s := _rms(own)) is not None}


def _between_wavelengths(both: Mapping[Joint, SpliceRow]) -> dict[str, float]:
    """Spread of the difference of b between two wavelengths at one joint, by cable, dB."""
    at: dict[tuple[FibreKey, int], list[float]] = defaultdict(list)
    for (key, closure, _), step_db in sorted(_steps(both).items()):
        at[key, closure].append(step_db)
    apart: dict[str, list[float]] = defaultdict(list)
    for (key, _), own in at.items():
        apart[key.cable] += [step_db - own[0] for step_db in own[1:]]
    return {cable: s for cable, own in apart.items() if (s := _rms(own)) is not None}


def _rms(values: Sequence[float]) -> float | None:
    """Root mean square about zero, a little wider as few values leave it less well known."""
    count = len(values)
    if count < LEAST_JOINTS:
        return None
    return sqrt(sum(v * v for v in values) / count) * (1 + 1 / sqrt(2 * count))

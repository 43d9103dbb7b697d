"""Changes that leave a trace file valid and make it mean something else.

Each takes a simulated pair of known truth and returns both files, one of them (sometimes
both) changed, every checksum right. They are what a wrong setting, a wrong label, a faulty
memory or a careless conversion of files does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from corpus import SimulatedPair
from simulated import Fibre, Joint

from otdravg import sor
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.physics import shoot

__all__ = ["CHANGES", "Draw", "Files"]

Files = tuple[sor.SorFile, sor.SorFile]
Points = npt.NDArray[np.int64]

_RAW_MAX = 65_535
_OTHER_LABEL = {1310: (1550, 1625), 1490: (1310,), 1550: (1310, 1625), 1625: (1310, 1550)}


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """One pair, the side to change (0 from A, 1 from B) and the source of what is random."""

    pair: SimulatedPair
    side: int
    rng: np.random.Generator

    @property
    def files(self) -> Files:
        """Both files as they are right."""
        return self.pair.a, self.pair.b

    @property
    def own(self) -> sor.SorFile:
        """The file to change."""
        return self.files[self.side]

    @property
    def shot(self) -> tuple[int, int]:
        """Points of the changed shot from the front panel to the end of the fibre."""
        shot = (self.pair.shot_a, self.pair.shot_b)[self.side]
        inside = np.flatnonzero((shot.distance_m >= 0) & (shot.distance_m <= shot.fibre.length_m))
        return int(inside[0]), int(inside[-1])

    def with_own(self, changed: sor.SorFile) -> Files:
        """Both files, the one of this side changed."""
        return (changed, self.pair.b) if self.side == 0 else (self.pair.a, changed)

    def choice(self, *values: float) -> float:
        """One of several values."""
        return float(self.rng.choice(values))

    def inside(self, low: float = 0.05, high: float = 0.95) -> int:
        """Number of a point between two shares of the fibre."""
        first, last = self.shot
        return int(first + (last - first) * self.rng.uniform(low, high))

    def count(self, most_share: float = 0.2) -> int:
        """Number of points from five to a share of the fibre, even on a logarithmic scale."""
        first, last = self.shot
        most = max((last - first) * most_share, 10)
        return int(np.exp(self.rng.uniform(np.log(5), np.log(most))))


def _with_points(file: sor.SorFile, points: npt.NDArray[np.integer]) -> sor.SorFile:
    """The same file with other points; everything else as it was."""
    raw = np.clip(points, 0, _RAW_MAX).astype(np.uint16)
    return sor.build(
        revision=file.revision,
        general=file.general,
        supplier=file.supplier,
        fixed=file.fixed,
        points=raw,
        scale_1000=round(file.waveforms[0].quantum_db * 1e6),
        events=file.events,
        path=file.path,
    )


def _raw(file: sor.SorFile) -> Points:
    return file.waveforms[0].raw.astype(np.int64)


def _fixed(file: sor.SorFile, **fields: object) -> sor.SorFile:
    return sor.replace(file, fixed=replace(file.fixed, **fields))  # type: ignore[arg-type]


def _general(file: sor.SorFile, **fields: object) -> sor.SorFile:
    return sor.replace(file, general=replace(file.general, **fields))  # type: ignore[arg-type]


def _in_both(files: Files, change: Callable[[sor.SorFile], sor.SorFile]) -> Files:
    return change(files[0]), change(files[1])


def _on_points(change: Callable[[Draw, Points], Points]) -> Callable[[Draw], Files]:
    """A change of one shot's points."""

    def apply(draw: Draw) -> Files:
        return draw.with_own(_with_points(draw.own, change(draw, _raw(draw.own))))

    return apply


# Settings


def _spaced(file: sor.SorFile, factor: float) -> sor.SorFile:
    spacings = tuple(round(s * factor) for s in file.fixed.data_spacings)
    return _fixed(file, data_spacings=spacings)


def _spacing_far_off(draw: Draw) -> Files:
    return draw.with_own(_spaced(draw.own, draw.choice(0.1, 0.5, 2, 10)))


def _spacing_a_little_off(draw: Draw) -> Files:
    factor = 1 + draw.choice(-1, 1) * draw.rng.uniform(0.01, 0.1)
    return draw.with_own(_spaced(draw.own, factor))


def _spacing_of_both(draw: Draw) -> Files:
    factor = draw.choice(0.5, 1.01, 1.05, 1.1, 2)
    return _in_both(draw.files, lambda file: _spaced(file, factor))


def _index_off(draw: Draw) -> Files:
    off = draw.choice(-1, 1) * np.exp(draw.rng.uniform(np.log(0.001), np.log(0.1)))
    index = round((draw.own.fixed.group_index + off) * 1e5)
    return draw.with_own(_fixed(draw.own, group_index_1e5=index))


def _acquisition_offset(draw: Draw) -> Files:
    shift = round(draw.choice(-1, 1) * np.exp(draw.rng.uniform(np.log(250), np.log(50_000))))
    was = draw.own.fixed.acquisition_offset_100ps
    return draw.with_own(_fixed(draw.own, acquisition_offset_100ps=was + shift))


def _user_offset(draw: Draw) -> Files:
    shift = round(draw.choice(-1, 1) * np.exp(draw.rng.uniform(np.log(250), np.log(100_000))))
    was = draw.own.general.user_offset_100ps
    return draw.with_own(_general(draw.own, user_offset_100ps=was + shift))


def _relabelled(file: sor.SorFile, nm: int) -> sor.SorFile:
    return _general(_fixed(file, wavelength_0p1nm=nm * 10), nominal_wavelength_nm=nm)


def _wavelength(draw: Draw) -> Files:
    nm = int(draw.rng.choice(_OTHER_LABEL[draw.own.general.nominal_wavelength_nm]))
    return draw.with_own(_relabelled(draw.own, nm))


def _wavelength_of_both(draw: Draw) -> Files:
    nm = int(draw.rng.choice(_OTHER_LABEL[draw.own.general.nominal_wavelength_nm]))
    return _in_both(draw.files, lambda file: _relabelled(file, nm))


def _pulsed(file: sor.SorFile, factor: float) -> sor.SorFile:
    pulse = max(round(file.waveforms[0].pulse_ns * factor), 1)
    return _fixed(file, pulse_widths_ns=(min(pulse, _RAW_MAX),))


def _pulse(factor: float) -> Callable[[Draw], Files]:
    return lambda draw: draw.with_own(_pulsed(draw.own, factor))


def _pulse_of_both(draw: Draw) -> Files:
    factor = draw.choice(0.1, 2, 10)
    return _in_both(draw.files, lambda file: _pulsed(file, factor))


def _rescaled(file: sor.SorFile, factor: float) -> sor.SorFile:
    return sor.build(
        revision=file.revision,
        general=file.general,
        supplier=file.supplier,
        fixed=file.fixed,
        points=file.waveforms[0].raw,
        scale_1000=round(1000 * factor),
        events=file.events,
        path=file.path,
    )


def _scale(*factors: float) -> Callable[[Draw], Files]:
    return lambda draw: draw.with_own(_rescaled(draw.own, draw.choice(*factors)))


def _scale_of_both(*factors: float) -> Callable[[Draw], Files]:
    def apply(draw: Draw) -> Files:
        factor = draw.choice(*factors)
        return _in_both(draw.files, lambda file: _rescaled(file, factor))

    return apply


# Points


def _halves_swapped(draw: Draw, raw: Points) -> Points:
    return np.concatenate((raw[raw.size // 2 :], raw[: raw.size // 2]))


def _rolled(draw: Draw, raw: Points) -> Points:
    return np.roll(raw, int(draw.choice(-1, 1)) * draw.count())


def _ten_log(draw: Draw, raw: Points) -> Points:
    return 2 * raw


def _duplicated(draw: Draw, raw: Points) -> Points:
    share = draw.choice(0.01, 0.05, 0.2, 1.0)
    return np.repeat(raw, 1 + (draw.rng.random(raw.size) < share))


def _dropped(draw: Draw, raw: Points) -> Points:
    return raw[draw.rng.random(raw.size) >= draw.choice(0.01, 0.05, 0.2, 0.5)]


def _block_dropped(draw: Draw, raw: Points) -> Points:
    at = draw.inside()
    return np.delete(raw, np.s_[at : at + draw.count()])


def _flat(draw: Draw, raw: Points) -> Points:
    at = draw.inside()
    raw[at : at + draw.count()] = raw[at]
    return raw


def _copied(draw: Draw, raw: Points) -> Points:
    count = draw.count()
    source, target = draw.inside(), draw.inside()
    stretch = raw[source : source + count].copy()
    raw[target : target + count] = stretch[: raw[target : target + count].size]
    return raw


def _reversed(draw: Draw, raw: Points) -> Points:
    return raw[::-1]


def _sign_flipped(draw: Draw, raw: Points) -> Points:
    return raw.max() - raw


def _smoothed(draw: Draw, raw: Points) -> Points:
    shot = (draw.pair.shot_a, draw.pair.shot_b)[draw.side]
    pulse = shot.instrument.pulse_ns * 1e-9 / 2 / shot.instrument.spacing_s
    width = 2 * round(max(pulse, 1) * draw.choice(0.3, 1, 3)) + 1
    padded = np.pad(raw, width // 2, mode="edge")
    return np.rint(np.convolve(padded, np.full(width, 1 / width), "valid")).astype(np.int64)


def _clipped(draw: Draw, raw: Points) -> Points:
    return np.minimum(raw, raw[draw.inside(0.3, 1.0)])


def _clipped_at_the_top(draw: Draw, raw: Points) -> Points:
    return np.maximum(raw, raw[draw.inside(0.0, 0.4)])


def _bit_stuck(draw: Draw, raw: Points) -> Points:
    bit = 1 << int(draw.rng.integers(0, 15))
    return raw | bit if draw.rng.random() < 0.5 else raw & ~bit


def _head_missing(draw: Draw, raw: Points) -> Points:
    return raw[draw.count() :]


def _inserted(draw: Draw, raw: Points) -> Points:
    at, count = draw.inside(), draw.count()
    filler = np.linspace(raw[at - 1], raw[at], count).astype(np.int64)
    noise = draw.rng.normal(0, np.std(np.diff(raw[at - 3 : at + 4])) / 2**0.5, count)
    return np.insert(raw, at, filler + noise.astype(np.int64))


# What a shot is of


def _direction_typed(draw: Draw) -> Files:
    general = draw.own.general
    return draw.with_own(
        _general(draw.own, location_a=general.location_b, location_b=general.location_a)
    )


def _ends_exchanged(draw: Draw) -> Files:
    return draw.pair.b, draw.pair.a


def _sibling(link: Fibre, draw: Draw) -> Fibre:
    """Another fibre of the same cable: the same lengths, other glass and other splices."""
    usual = tuple(
        replace(
            section,
            attenuation_db_per_km=section.attenuation_db_per_km + draw.rng.normal(0, 0.003),
            backscatter_db=draw.rng.uniform(-0.125, 0.125),
            length_m=max(section.length_m + draw.rng.normal(0, 0.3), 1.0),
        )
        for section in link.sections
    )
    joints = tuple(
        joint
        if joint.reflectance_db is not None
        else Joint(draw.rng.uniform(0.01, 0.15) if draw.rng.random() > 0.12 else 0.3)
        for joint in link.joints
    )
    return replace(link, sections=usual, joints=joints)


def _other_fibre(draw: Draw) -> Files:
    """A sibling's file under its own number, or its shot under this fibre's number."""
    shot = (draw.pair.shot_a, draw.pair.shot_b)[draw.side]
    other = shoot(_sibling(shot.fibre, draw), shot.instrument, draw.rng)
    general, own = draw.own.general, draw.own
    label = Label(
        cable=general.cable_id.text,
        fibre=general.fibre_id.text if draw.rng.random() < 0.5 else "002",
        location_a=general.location_a.text,
        location_b=general.location_b.text,
        revision=own.revision,
        event_table=own.events is not None,
    )
    made = sor_file(other, label, own.path)
    return draw.with_own(_general(made, user_offset_100ps=general.user_offset_100ps))


def _same_shot_twice(draw: Draw) -> Files:
    raw = _raw(draw.own)
    again = _with_points(draw.own, raw[: raw.size - 1 - draw.count(0.05)])
    again = replace(again, path=draw.files[1 - draw.side].path)
    return (draw.own, again) if draw.side == 0 else (again, draw.own)


#: Every change by its name, in the order in which they are reported.
CHANGES: dict[str, Callable[[Draw], Files]] = {
    "spacing x 0.1, 0.5, 2, 10": _spacing_far_off,
    "spacing 1 to 10 % off": _spacing_a_little_off,
    "spacing off in both": _spacing_of_both,
    "group index off": _index_off,
    "acquisition offset shifted": _acquisition_offset,
    "user offset shifted": _user_offset,
    "wavelength label": _wavelength,
    "wavelength label of both": _wavelength_of_both,
    "pulse label x 2": _pulse(2),
    "pulse label x 10": _pulse(10),
    "pulse label / 10": _pulse(0.1),
    "pulse label of both": _pulse_of_both,
    "halves swapped": _on_points(_halves_swapped),
    "points shifted round": _on_points(_rolled),
    "scale x 2, x 0.5": _scale(2, 0.5),
    "scale x 2, x 0.5 of both": _scale_of_both(2, 0.5),
    "scale x 1.1": _scale(1.1),
    "scale x 1.1 of both": _scale_of_both(1.1),
    "10 log for 5 log": _on_points(_ten_log),
    "points duplicated": _on_points(_duplicated),
    "points dropped": _on_points(_dropped),
    "block dropped": _on_points(_block_dropped),
    "flat stretch": _on_points(_flat),
    "stretch copied": _on_points(_copied),
    "trace reversed": _on_points(_reversed),
    "sign flipped": _on_points(_sign_flipped),
    "direction typed wrong": _direction_typed,
    "ends exchanged": _ends_exchanged,
    "another fibre's shot": _other_fibre,
    "same shot twice": _same_shot_twice,
    "smoothed": _on_points(_smoothed),
    "clipped below": _on_points(_clipped),
    "clipped above": _on_points(_clipped_at_the_top),
    "bit stuck": _on_points(_bit_stuck),
    "first points missing": _on_points(_head_missing),
    "points inserted": _on_points(_inserted),
}

"""Shots of one fibre that are odd in ways no instrument should write, but a file can hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from random import Random
from typing import Any

import numpy as np
import numpy.typing as npt
from simulated import Fibre, Joint, Label, Section
from specimens import SPAN, shot_bytes

from otdravg import sor
from otdravg.errors import UnwritableTrace

__all__ = ["odd", "pairs"]

Raw = npt.NDArray[np.uint16]
TOP, FLOOR = 0, 65_535


@dataclass
class OddShot:
    """A shot and the parts of it that are changed."""

    file: sor.SorFile
    raw: Raw
    scale_1000: int
    general: dict[str, Any]
    fixed: dict[str, Any]

    def built(self) -> sor.SorFile:
        """The file that holds the changed shot."""
        return sor.build(
            revision=self.file.revision,
            general=replace(self.file.general, **self.general),
            supplier=self.file.supplier,
            fixed=replace(self.file.fixed, **self.fixed),
            points=self.raw,
            scale_1000=self.scale_1000,
            events=self.file.events,
            path="case.sor",
        )


@lru_cache(maxsize=1)
def pairs() -> tuple[tuple[bytes, bytes], ...]:
    """Valid pairs of shots of 100 to 2,000 points: both directions of invented spans."""
    long = Fibre(
        (Section(2300.0, 0.2), Section(2100.0, 0.19, 0.1), Section(1900.0, 0.21)),
        (Joint(0.03), Joint(0.18)),
        end_b_reflectance_db=-14.7,
    )
    bare = Fibre((Section(900.0, 0.3),), ())
    wanted = (
        (SPAN, 2.0, 30.0),
        (SPAN, 8.0, 100.0),
        (long, 4.0, 100.0),
        (long, 20.0, 500.0),
        (bare, 2.0, 30.0),
        (bare, 20.0, 30.0),
    )
    label = Label(cable="SIM", fibre="3", location_a="Left hut", location_b="Right hut")
    shots = [
        shot_bytes(way, label, seed=seed, spacing_m=spacing_m, pulse_ns=pulse_ns)
        for seed, (way, spacing_m, pulse_ns) in enumerate(
            (own, *settings) for span, *settings in wanted for own in (span, span.reversed())
        )
    ]
    return tuple(zip(shots[::2], shots[1::2], strict=True))


def odd(rng: Random, data: bytes) -> bytes:
    """Take a shot apart and change it in one to three ways that a file can hold."""
    file = sor.decode(data)
    for _ in range(5):
        shot = OddShot(file, file.waveforms[0].raw.copy(), file.data.runs[0].scale_1000, {}, {})
        for _ in range(rng.choice((1, 1, 2, 3))):
            rng.choice(_CHANGES)(rng, shot)
        try:
            return sor.encode(shot.built())
        except UnwritableTrace:  # beyond the reach of any shot
            continue
    return data


# --- the waveform ----------------------------------------------------------------------


def _constant(rng: Random, shot: OddShot) -> None:
    shot.raw[:] = rng.choice((TOP, FLOOR, 1, 12_345))


def _few_points(rng: Random, shot: OddShot) -> None:
    shot.raw = shot.raw[: rng.choice((1, 1, 2, 2, 3, 4, 5, 8, 12, 20, 50))]


def _few_from_the_middle(rng: Random, shot: OddShot) -> None:
    at = rng.randrange(shot.raw.size)
    shot.raw = shot.raw[at : at + rng.choice((1, 2, 5, 30, 100))]


def _cut(rng: Random, shot: OddShot) -> None:
    shot.raw = shot.raw[: rng.randint(1, shot.raw.size)]


def _beheaded(rng: Random, shot: OddShot) -> None:
    shot.raw = shot.raw[rng.randrange(shot.raw.size) :]


def _spikes(rng: Random, shot: OddShot) -> None:
    for _ in range(rng.choice((1, 3, 30, 300))):
        shot.raw[rng.randrange(shot.raw.size)] = rng.choice((TOP, FLOOR, rng.randrange(65_536)))


def _reversed(rng: Random, shot: OddShot) -> None:
    shot.raw = shot.raw[::-1].copy()


def _upside_down(rng: Random, shot: OddShot) -> None:
    shot.raw = (FLOOR - shot.raw).astype(np.uint16)


def _noise_only(rng: Random, shot: OddShot) -> None:
    noise = np.random.default_rng(rng.randrange(2**32))
    high = rng.choice((2, 50, 3000, 65_536))
    shot.raw = noise.integers(0, high, shot.raw.size).astype(np.uint16)


def _more_noise(rng: Random, shot: OddShot) -> None:
    noise = np.random.default_rng(rng.randrange(2**32))
    size = rng.choice((1, 30, 1000))
    changed = shot.raw.astype(int) + noise.integers(-size, size + 1, shot.raw.size)
    shot.raw = changed.clip(TOP, FLOOR).astype(np.uint16)


def _two_valued(rng: Random, shot: OddShot) -> None:
    """Top and floor in turn, in stretches of some length."""
    length = rng.choice((1, 2, 7, 50))
    turns = np.arange(shot.raw.size) // length % 2
    shot.raw = (turns * rng.choice((1, 300, FLOOR))).astype(np.uint16)


def _staircase(rng: Random, shot: OddShot) -> None:
    steps = np.arange(shot.raw.size) // rng.choice((1, 3, 20, 100))
    shot.raw = (steps * rng.choice((1, 100, 2000)) % 65_536).astype(np.uint16)


def _ramp(rng: Random, shot: OddShot) -> None:
    """A noiseless line, falling or rising."""
    line = np.linspace(*rng.choice(((0, 3000), (3000, 0), (0, FLOOR), (20, 21))), shot.raw.size)
    shot.raw = line.astype(np.uint16)


def _flat_stretch(rng: Random, shot: OddShot) -> None:
    at = rng.randrange(shot.raw.size)
    stretch = shot.raw[at : at + rng.choice((3, 30, 300))]
    stretch[:] = stretch[0] if rng.random() < 0.5 else rng.choice((TOP, FLOOR))


def _repeated_points(rng: Random, shot: OddShot) -> None:
    shot.raw = np.repeat(shot.raw, rng.choice((2, 3)))


def _halves_swapped(rng: Random, shot: OddShot) -> None:
    half = shot.raw.size // 2
    shot.raw = np.concatenate((shot.raw[half:], shot.raw[:half]))


def _coarse(rng: Random, shot: OddShot) -> None:
    step = rng.choice((10, 1000, 20_000))
    shot.raw = (shot.raw // step * step).astype(np.uint16)


# --- the settings ----------------------------------------------------------------------


def _scale(rng: Random, shot: OddShot) -> None:
    shot.scale_1000 = rng.choice((1, 10, 500, 2000, 65_535))


def _spacing(rng: Random, shot: OddShot) -> None:
    old = shot.file.fixed.data_spacings[0]
    wanted = rng.choice((1, 2, 100, 2**31, 2**32 - 1, old // 1000, old // 10, old * 10, old * 1000))
    shot.fixed["data_spacings"] = (min(max(wanted, 1), 2**32 - 1),)


def _pulse(rng: Random, shot: OddShot) -> None:
    shot.fixed["pulse_widths_ns"] = (rng.choice((0, 1, 3, 1000, 20_000, 65_535)),)


def _index(rng: Random, shot: OddShot) -> None:
    shot.fixed["group_index_1e5"] = rng.choice((0, 1, 120_000, 150_000, 200_000, 2**32 - 1))


def _offset(rng: Random, shot: OddShot) -> None:
    wanted = rng.choice((-1, -1000, -100_000, 1000, 100_000, 4 * 10**7, -4 * 10**7))
    shot.fixed["acquisition_offset_100ps"] = wanted


def _user_offset(rng: Random, shot: OddShot) -> None:
    wanted = rng.choice((-1, -5000, 1, 5000, 20_000, 200_000, -(2**31), 2**31 - 1))
    shot.general["user_offset_100ps"] = wanted


def _wavelength(rng: Random, shot: OddShot) -> None:
    shot.fixed["wavelength_0p1nm"] = rng.choice((0, 1, 500, 1550, 13_100, 16_250, 65_535))
    shot.general["nominal_wavelength_nm"] = rng.choice((0, 1, 850, 1310, 1550, 65_535))


def _other_numbers(rng: Random, shot: OddShot) -> None:
    shot.fixed["backscatter_0p1db"] = rng.choice((0, 1, 815, 65_535))
    shot.fixed["averages"] = rng.choice((0, 1, 2**32 - 1))
    shot.fixed["averaging_time_0p1s"] = rng.choice((0, 1, 65_535))
    shot.fixed["range_100ps"] = rng.choice((0, 1, 2**32 - 1))
    shot.fixed["timestamp_s"] = rng.choice((0, 1, 2**31, 2**32 - 1))


Change = Callable[[Random, OddShot], None]
_CHANGES: tuple[Change, ...] = (
    *(_constant, _few_points, _few_from_the_middle, _cut, _beheaded, _spikes, _reversed),
    *(_upside_down, _noise_only, _more_noise, _two_valued, _staircase, _ramp, _flat_stretch),
    *(_repeated_points, _halves_swapped, _coarse, _scale, _spacing, _pulse, _index, _offset),
    *(_user_offset, _wavelength, _other_numbers),
)

"""Small cables of known truth, shot and labelled as each test wants it.

Everything is invented. A fibre has a reel of its own length between its closures; shots come from
the package's simulator, which knows nothing of the code that is tested here.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from simulated import (
    Fibre,
    Instrument,
    Joint,
    JointKind,
    Label,
    Section,
    point_count_for,
    shoot,
    sor_file,
    spacing_counts_for,
    with_far_end_noise,
)

from otdravg import sor
from otdravg.cli import main

MORNING = datetime(2024, 5, 14, 8, 0, tzinfo=timezone.utc)
DAY = timedelta(days=1)
#: A connector as crews mate it (common practice, no source): 0.3 dB, -50 dB.
CONNECTOR = Joint(0.3, -50.0, JointKind.CONNECTOR)
#: dB/km and backscatter coefficient of ordinary cable (common practice, no source).
ATTENUATION_DB_PER_KM = {1310: 0.34, 1550: 0.19}
BACKSCATTER_DB = {1310: -79.0, 1550: -81.5}
ENDS = ("Alder hut", "Birch hut")


@dataclass(frozen=True)
class Cable:
    """A route of reels; fibres are drawn one by one from the seed."""

    name: str = "SIM-1"
    lengths_m: tuple[float, ...] = (1310.0, 1720.0, 1150.0)
    seed: int = 1
    step_db: float = 0.06  # spread of the glass's backscatter level from reel to reel
    loss_db: tuple[float, float] = (0.02, 0.09)

    def fibre(self, number: int, nm: int = 1550) -> Fibre:
        """The glass of one fibre, from A to B."""
        rng = np.random.default_rng((self.seed, number))
        count = len(self.lengths_m)
        lengths_m = np.array(self.lengths_m) * (1.003 + rng.normal(0, 2e-4, count))
        levels_db = rng.normal(0, self.step_db, count)
        losses_db = rng.uniform(*self.loss_db, count - 1).round(3)
        return Fibre(
            tuple(
                Section(float(length_m), ATTENUATION_DB_PER_KM[nm], float(level_db))
                for length_m, level_db in zip(lengths_m, levels_db, strict=True)
            ),
            tuple(Joint(float(loss_db)) for loss_db in losses_db),
        )


@dataclass(frozen=True)
class Crew:
    """How a crew shoots and labels; every shot has a noise of its own."""

    cable: Cable
    folder: Path
    cord_m: float = 0.0  # launch and receive fibre
    states_cord: bool = False  # as the user offset of the file
    connector: Joint = CONNECTOR

    def shot(
        self,
        span: Fibre,
        end: str,
        name: str,
        *,
        taken: datetime = MORNING,
        nm: int = 1550,
        connector_db: float = 0.3,
        **label: object,
    ) -> Path:
        """Shoot a span from A or from B and write the file."""
        way = span if end == "A" else span.reversed()
        cord = Section(self.cord_m, ATTENUATION_DB_PER_KM[nm], 0.02) if self.cord_m else None
        near = replace(self.connector, loss_db=connector_db)
        link = way.with_cords(cord, cord, near) if cord else way
        counts = spacing_counts_for(1.0, link.group_index)
        reach_m = max(link.length_m, sum(self.cable.lengths_m) + 2 * self.cord_m) + 800.0
        instrument = Instrument(
            pulse_ns=100.0,
            spacing_counts=counts,
            point_count=point_count_for(reach_m, counts, link.group_index),
            wavelength_nm=nm,
            backscatter_coefficient_db=BACKSCATTER_DB[nm],
            ripple_db=0.001,
        )
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        shown = path.relative_to(self.folder.parent).as_posix()
        noise = np.random.default_rng([self.cable.seed, *shown.encode()])
        near_end, far_end = ENDS if end == "A" else ENDS[::-1]
        typed = Label(
            cable=self.cable.name,
            fibre="1",
            location_a=near_end,
            location_b=far_end,
            comment="invented cable, not a measurement",
            user_offset_m=self.cord_m if self.states_cord else 0.0,
            taken=taken,
        )
        typed = replace(typed, **label)  # type: ignore[arg-type]
        seen = shoot(link, with_far_end_noise(instrument, link, 0.006), noise)
        path.write_bytes(sor.encode(sor_file(seen, typed, path.name)))
        return path

    def both(
        self,
        number: int,
        span: Fibre | None = None,
        *,
        tag: str = "",
        taken: datetime = MORNING,
        nm: int = 1550,
        **label: object,
    ) -> None:
        """Shoot a fibre from both ends as usual: from A at the time given, a day later from B."""
        for end, later in (("A", timedelta(0)), ("B", DAY)):
            self.one(number, end, span, tag=tag, taken=taken + later, nm=nm, **label)

    def one(
        self,
        number: int,
        end: str,
        span: Fibre | None = None,
        *,
        tag: str = "",
        taken: datetime = MORNING,
        nm: int = 1550,
        **label: object,
    ) -> None:
        """Shoot a fibre from one end, named in header and file name; the first fibre first."""
        self.shot(
            self.cable.fibre(number, nm) if span is None else span,
            end,
            f"{tag}F{number:03d}_{nm}_{end}.sor",
            taken=taken + timedelta(minutes=number),
            nm=nm,
            **{"fibre": str(number), **label},
        )

    def all_of(self, numbers: Iterable[int], **how: object) -> None:
        """Shoot some fibres from both ends."""
        for number in numbers:
            self.both(number, **how)  # type: ignore[arg-type]


def with_loss(span: Fibre, closure: int, loss_db: float) -> Fibre:
    """A span with another loss at one of its closures, from 1."""
    joints = list(span.joints)
    joints[closure - 1] = replace(joints[closure - 1], loss_db=loss_db)
    return replace(span, joints=tuple(joints))


def with_slack(span: Fibre, section: int, metres: float) -> Fibre:
    """A span with more fibre in one of its reels, from 1."""
    sections = list(span.sections)
    own = sections[section - 1]
    sections[section - 1] = replace(own, length_m=own.length_m + metres)
    return replace(span, sections=tuple(sections))


def with_event(span: Fibre, at_m: float, loss_db: float, level_db: float = 0.0) -> Fibre:
    """A span with another splice at a place; what lies behind it in that reel differs in level."""
    number = max(k for k, start in enumerate(span.boundaries_m[:-1]) if start < at_m)
    own = span.sections[number]
    first_m = at_m - span.boundaries_m[number]
    parts = (
        replace(own, length_m=first_m),
        replace(own, length_m=own.length_m - first_m, backscatter_db=own.backscatter_db + level_db),
    )
    return replace(
        span,
        sections=(*span.sections[:number], *parts, *span.sections[number + 1 :]),
        joints=(*span.joints[:number], Joint(loss_db), *span.joints[number:]),
    )


def table(out: Path, name: str) -> list[dict[str, str]]:
    """Rows of a table that a review wrote."""
    with open(out / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def orders(out: Path) -> list[tuple[str, str]]:
    """Closure and failing fibres of every splice that a review wants remade."""
    return [(row["closure"], row["failing_fibres"]) for row in table(out, "resplice.csv")]


def evidence(out: Path) -> str:
    """What a review's findings rest on."""
    return " ".join(row["evidence"] for row in table(out, "findings.csv"))


def cable_says(*folders: Path, out: Path, options: Iterable[str] = ()) -> tuple[int, str]:
    """Exit code and output of a review, white space made alike."""
    told = CliRunner().invoke(main, ["cable", *map(str, folders), "--out", str(out), *options])
    return told.exit_code, " ".join(told.output.split())

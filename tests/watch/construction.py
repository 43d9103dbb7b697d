"""A simulated construction week: five closures that stay open until the watch says otherwise.

Route, people and measurements are invented and simulated. The crew does what it is told and no
more: it cuts a ribbon when told to cut, dresses a bend when told so, shoots what is named, and
shuts a closure when told that it may be shut. The truth is kept here and never shown to the watch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import numpy as np

from otdravg import sor
from otdravg.cable import Options
from otdravg.simulate.cable_run import CABLE_RUN
from otdravg.simulate.fibre import Fibre
from otdravg.simulate.takes import FIRST_SHOT, Site, Take, file_name, made
from otdravg.verdict import Profile, default
from otdravg.watch import Answer, Expected, Follower, Kind, Watch
from otdravg.watch.estimate import Basis, Estimate, estimates
from otdravg.watch.status import ENDS

#: Estimates, each with the true loss.
Found = dict[Basis, list[tuple[Estimate, float]]]

WAVELENGTHS = (1310, 1550)
LIMIT_DB = 0.20  # of the profile that is used where nobody states one
RUN = replace(
    CABLE_RUN,
    closures=tuple(f"C{n} Simulated" for n in range(1, 6)),
    lengths_m=(700.0, 620.0, 810.0, 660.0, 740.0, 690.0),
    cord_m=400.0,
    record_m=6500.0,
    spacing_m=2.0,
    planted=(),
    bends=(),
)
#: What a bend adds at each wavelength, dB (invented; rising with wavelength as macrobends do).
BEND_DB = {1310: 0.01, 1550: 0.14}


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@dataclass
class Site5:
    """The truth: losses of all splices, and the folder in which the shots arrive."""

    folder: Path
    fibres: int = 24
    seed: int = 1
    bad_share: float = 0.04
    apart_db: float = 0.0  # how far the glass's backscatter differs between wavelengths
    losses_db: dict[tuple[int, int], float] = field(default_factory=dict)  # (closure, fibre)
    bent: set[tuple[int, int]] = field(default_factory=set)
    taken: datetime = FIRST_SHOT
    shots: int = 0
    clock_off: timedelta = timedelta()

    def __post_init__(self) -> None:
        self.folder.mkdir(exist_ok=True)
        self.rng = np.random.default_rng((self.seed, 77))
        self.site = Site(RUN, self.seed, bend=False)
        for closure in range(1, 6):
            for ribbon in range(1, self.fibres // 12 + 1):
                self.splice(closure, ribbon)

    def splice(self, closure: int, ribbon: int, bad_share: float | None = None) -> None:
        """Mass-fuse a ribbon: usual losses, now and then dust or a poor cleave."""
        share = self.bad_share if bad_share is None else bad_share
        self.taken += timedelta(minutes=30)
        for fibre in self.members(ribbon):
            usual = min(0.115, 0.05 * float(np.exp(self.rng.normal(0, 0.4))))
            bad = self.rng.random() < share
            drawn = float(self.rng.uniform(0.26, 0.45)) if bad else usual
            self.losses_db[closure, fibre] = round(drawn, 4)
            self.bent.discard((closure, fibre))

    def members(self, ribbon: int) -> range:
        return range(12 * ribbon - 11, 12 * ribbon + 1)

    def glass(self, fibre: int, nm: int) -> Fibre:
        span = self.site.glass(fibre, nm)
        joints = [
            replace(
                joint,
                loss_db=self.losses_db[n, fibre] + BEND_DB[nm] * ((n, fibre) in self.bent),
            )
            for n, joint in enumerate(span.joints, start=1)
        ]
        apart = np.random.default_rng((self.seed, 9, fibre)).normal(0, self.apart_db, 6)
        sections = [
            replace(section, backscatter_db=section.backscatter_db + float(more) * (nm == 1310))
            for section, more in zip(span.sections, apart, strict=True)
        ]
        return replace(span, sections=tuple(sections), joints=tuple(joints))

    def content(self, fibre: int, nm: int, end: str) -> bytes:
        """Shoot; every shot is another one, with its own noise."""
        self.shots += 1
        self.taken += timedelta(seconds=40)
        take = Take(
            fibre, nm, "AB" if end == "A" else "BA",
            span=self.glass(fibre, nm), again=self.shots, taken=self.taken + self.clock_off,
        )  # fmt: skip
        return sor.encode(made(take, self.site))

    def shoot(self, fibre: int, nm: int, end: str) -> Path:
        """Save a shot as an instrument does: under a free name, the number first."""
        content = self.content(fibre, nm, end)
        name = file_name(RUN, fibre, nm, "AB" if end == "A" else "BA")
        path = self.folder / name
        number = 2
        while path.exists():
            path = self.folder / name.replace(".sor", f" ({number}).sor")
            number += 1
        path.write_bytes(content)
        return path

    def worst_db(self, closure: int, fibres: Iterable[int]) -> float:
        return max(
            self.losses_db[closure, f] + max(BEND_DB.values()) * ((closure, f) in self.bent)
            for f in fibres
        )


def watching(
    site: Site5,
    clock: Clock,
    place: Path | None = None,
    *,
    expected: Expected | None = None,
    profile: Profile | None = None,
    **follower: object,
) -> Watch:
    """A watch of the week's folder, with a clock that the test moves."""
    expected = expected or Expected(site.fibres, 5, WAVELENGTHS)
    return Watch(
        Follower([site.folder], 3.0, clock, **follower),  # type: ignore[arg-type]
        profile or default(),
        Options(fibre_count=expected.fibres),
        expected,
        place,
    )


def look(watch: Watch, clock: Clock) -> Answer | None:
    """Look, let the files settle, and look again: what a crew sees some seconds after a shot."""
    last = None
    for seconds in (0, 5):
        clock.now += seconds
        answer = watch.look()
        if answer is not None:
            assert watch.note_said(answer) == ""
            last = answer
    return last


@dataclass
class Crew:
    """Does what it is told; notes what it did and whether that was right."""

    site: Site5
    shut: list[int] = field(default_factory=list)
    cut: list[tuple[int, int]] = field(default_factory=list)
    wrong_cuts: list[str] = field(default_factory=list)
    wrong_shuts: list[str] = field(default_factory=list)
    called_bad: set[tuple[int, int]] = field(default_factory=set)
    ever_bad: set[tuple[int, int]] = field(default_factory=set)
    texts: list[str] = field(default_factory=list)

    def hear(self, answer: Answer) -> None:
        """Shut what may be shut now; remember what is to be cut."""
        for event in answer.news:
            self.texts.append(event.text)
            if event.kind is Kind.SHUT:
                closure = event.values["closure"]
                worst_db = self.site.worst_db(closure, range(1, self.site.fibres + 1))
                if worst_db > LIMIT_DB:
                    self.wrong_shuts.append(f"{event.text}: {worst_db} dB")
                self.shut.append(closure)

    def work(self, answer: Answer) -> set[int]:
        """Cut and dress what was ordered by the end of a round; ribbons to shoot again."""
        again: set[int] = set()
        for event in answer.events:
            if event.kind not in (Kind.CUT, Kind.OPEN):
                continue
            closure, ribbon = event.values["closure"], event.values["ribbon"]
            members = self.site.members(ribbon)
            if event.kind is Kind.CUT:
                if self.site.worst_db(closure, members) <= LIMIT_DB:
                    self.wrong_cuts.append(event.text)
                self.called_bad |= {(closure, f) for f in event.values["fibres"]}
                self.cut.append((closure, ribbon))
                self.site.splice(closure, ribbon, 0.01)
                again.add(ribbon)
            elif event.values["bend"]:
                self.site.bent -= {(closure, f) for f in members}
                again.add(ribbon)
        return again


def run_week(
    site: Site5,
    *,
    rounds: int = 8,
    burst: int = 12,
    restart: Callable[[int], bool] = lambda look: False,
    place: Path | None = None,
    by_chance: Random | None = None,
) -> Crew:
    """Shoot, hear, work, and shoot again until all closures are shut.

    ``by_chance`` ends each burst of files at some size up to ``burst``.
    """
    clock, crew = Clock(), Crew(site)
    watch = watching(site, clock, place)
    due: Sequence[tuple[int, int, str]] = [
        (fibre, nm, end)
        for end in "AB"
        for fibre in range(1, site.fibres + 1)
        for nm in WAVELENGTHS
    ]
    looks = 0
    answer: Answer | None = None
    for _ in range(rounds):
        crew.ever_bad |= {
            (c, f) for (c, f), db in site.losses_db.items() if db > LIMIT_DB and c not in crew.shut
        }
        start = 0
        while start < len(due):
            size = burst if by_chance is None else by_chance.randint(2, burst)
            for fibre, nm, end in due[start : start + size]:
                site.shoot(fibre, nm, end)
            start += size
            looks += 1
            if restart(looks):
                watch = watching(site, clock, place)
            new = look(watch, clock)
            if new is not None:
                answer = new
                crew.hear(new)
        assert answer is not None
        ribbons = sorted(crew.work(answer))
        ordered = [
            (key.fibre, nm, ENDS[end]) for cable in answer.status for key, nm, end in cable.to_shoot
        ]
        due = ordered or [
            (fibre, nm, end)
            for end in "AB"
            for ribbon in ribbons
            for fibre in site.members(ribbon)
            for nm in WAVELENGTHS
        ]
        if not due:
            break
    return crew


def estimated(site: Site5, found: Found) -> None:
    """Shoot a site of 24 fibres in steps, and gather what each look estimates from one end."""
    clock = Clock()
    watch = watching(site, clock)

    def shoot(fibres: range, wavelengths: Sequence[int], end: str) -> None:
        for fibre in fibres:
            for nm in wavelengths:
                site.shoot(fibre, nm, end)

    def note() -> None:
        answer = look(watch, clock)
        assert answer is not None
        assert answer.review is not None
        for (key, closure, _), own in estimates(answer.review).items():
            found[own.basis].append((own, site.losses_db[closure, key.fibre]))

    shoot(range(1, 25), WAVELENGTHS, "A")
    shoot(range(1, 13), WAVELENGTHS, "B")
    note()
    shoot(range(13, 25), (1550,), "B")
    note()
    for closure in (2, 4):
        site.splice(closure, 1)
    shoot(range(1, 13), WAVELENGTHS, "A")
    note()

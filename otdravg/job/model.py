"""A job as it was stated, and what follows from it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

from otdravg.cable.checks.missing import in_shooting_order, shots_in
from otdravg.cable.files.claims import Naming
from otdravg.cable.files.names import same_text
from otdravg.cable.lists.facts import Instrument, Loop, PowerReading, Reel, RoutePlace
from otdravg.cable.lists.loops import with_far_sides
from otdravg.cable.log.model import LogLine
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.model import Expected, ShotRecord, ShotToTake
from otdravg.cable.planned import PlanRow, SplicePlan
from otdravg.cable.run import Options
from otdravg.verdict import Profile, default, load_named
from otdravg.verdict.rules import at_stage
from otdravg.verdict.shots import ShotNeed, missing_shots


@dataclass(frozen=True, slots=True)
class Job:
    """What a job's file says; ``None`` and empty where it says nothing."""

    cable: str
    fibres: int
    wavelengths_nm: tuple[int, ...]
    ribbon: int | None = None  # 0: loose tube; None: as the profile says
    ends: tuple[str, str] = ("", "")
    profile: str | None = None
    stage: str | None = None
    colours: tuple[str, ...] = ()  # () is TIA-598
    launch_m: float | None = None
    receive_m: float | None = None
    shots: tuple[str, ...] = ()
    closures: tuple[KnownClosure, ...] = ()
    reels: tuple[Reel, ...] = ()
    splice_plan: tuple[PlanRow, ...] = ()
    instruments: tuple[Instrument, ...] = ()
    route: tuple[RoutePlace, ...] = ()
    power: tuple[PowerReading, ...] = ()
    splice_log: tuple[LogLine, ...] = ()
    loops: tuple[Loop, ...] = ()
    folder: Path = Path()  # where its file lies: names of files in it begin there

    @property
    def fibre_type(self) -> str:
        """Type of the fibre by the reels: "mixed" where they differ, empty without reels."""
        types = {reel.fibre_type for reel in self.reels}
        return "mixed" if len(types) > 1 else "".join(types)

    @property
    def expected(self) -> Expected:
        """What a review holds the shots against: facts that have the same names here."""
        return Expected(**{own.name: getattr(self, own.name) for own in fields(Expected)})

    def options(self) -> Options:
        """Return what a review takes beside the rules.

        Raises
        ------
        BadSetting
            If the splice plan cannot be followed.
        """
        return Options(
            naming=Naming(end_a=self.ends[0] or None),
            closures=self.closures,
            launch_m=self.launch_m,
            receive_m=self.receive_m,
            fibre_count=self.fibres or None,
            expected=self.expected,
            splice_plan=self._followed_plan(),
            splice_log=self.splice_log,
            loops=self.loops,
        )

    def _followed_plan(self) -> SplicePlan:
        """Follow the fibres through the splice plan, in the order of the closures from A."""
        if not self.splice_plan:
            return SplicePlan(self.cable)
        names = [closure.name for closure in self.closures]
        size = self.ribbon if self.ribbon is not None else self.own_profile().ribbon_size
        return SplicePlan.of(self.splice_plan, names, self.cable, size or None)

    @property
    def folders(self) -> tuple[Path, ...]:
        """Where the shots lie."""
        return tuple(self.folder / name for name in self.shots)

    def rules(self, profile: Profile | None = None) -> Profile:
        """Return the profile as this job applies it: its ribbon, its stage, its wavelengths.

        Parameters
        ----------
        profile : Profile, optional
            In place of the one that the job names.

        Raises
        ------
        BadSetting
            If the profile cannot be used, or has no such stage.
        """
        chosen = self.own_profile() if profile is None else profile
        if self.ribbon is not None:
            chosen = replace(chosen, ribbon=replace(chosen.ribbon, size=self.ribbon))
        if self.stage is not None and self.stage != chosen.stage.name:
            chosen = at_stage(chosen, self.stage)
        asked = chosen.wavelengths
        return replace(
            chosen,
            wavelengths=replace(
                asked,
                required=self._with_own(asked.required),
                cases=tuple(
                    replace(case, required=self._with_own(case.required)) for case in asked.cases
                ),
            ),
            completeness=replace(chosen.completeness, every_fibre=True),
        )

    def own_profile(self) -> Profile:
        """Return the profile that the job names; the default where it names none.

        Raises
        ------
        BadSetting
            If it cannot be used.
        """
        if self.profile is None:
            return default()
        is_file = bool({".", "/", "\\"} & set(self.profile))
        return load_named(self.folder / self.profile if is_file else self.profile)

    def _with_own(self, wavelengths_nm: Iterable[int]) -> tuple[int, ...]:
        return tuple(sorted({*wavelengths_nm, *self.wavelengths_nm}))

    def missing(
        self, records: Sequence[ShotRecord], profile: Profile | None = None
    ) -> tuple[ShotToTake, ...]:
        """List what is not there yet, in shooting order: end A fibre by fibre, then end B.

        Parameters
        ----------
        records : sequence of ShotRecord
            What is in, as :func:`otdravg.cable.list_shots` or a review tells it.
        profile : Profile, optional
            What :meth:`rules` returned, if it is at hand.
        """
        there: set[ShotNeed] = set()
        for key, own in shots_in(with_far_sides(records, self.loops, self.cable)).items():
            if not key.cable or same_text(key.cable) == same_text(self.cable):
                there |= own
        needs = missing_shots(profile or self.rules(), range(1, self.fibres + 1), there)
        shots = (ShotToTake(self.cable, n.fibre, n.direction, n.wavelength_nm) for n in needs)
        return tuple(sorted(shots, key=in_shooting_order))

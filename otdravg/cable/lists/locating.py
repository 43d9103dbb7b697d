"""Where on the cable a distance lies that somebody read off an instrument."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from statistics import median

from otdravg.cable.files.names import same_text
from otdravg.cable.lists.placing import U_PLACE_M, surveyed
from otdravg.cable.lists.route import Section, Spot, Survey, survey
from otdravg.cable.measure.closures import KnownClosure
from otdravg.cable.model import CableReview, Expected
from otdravg.errors import BadSetting
from otdravg.findings import says

#: Standard uncertainty of distances that a job states, m. Chosen, not derived: typed to 10 m.
_U_STATED_M = 3.0
#: An instrument's distance is off by up to a metre, and by this share of it. Standard: data sheets,
#: from memory.
_OFF_M, _OFF_SHARE = 1.0, 5e-5


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of where a cable runs."""

    cable: str
    ends: tuple[str, str]
    closures: tuple[tuple[str, float], ...]  # name, metres from A in the shots
    length: tuple[float, float] | None  # from A to B, and its standard uncertainty, m
    group_index: float | None  # with which the distances count; None where nothing says it
    survey: Survey | None

    def locate(
        self, distance_m: float, *, from_b: bool = False, group_index: float | None = None
    ) -> Located:
        """Tell where a distance lies.

        Parameters
        ----------
        distance_m : float
            As the instrument shows it from the panel, without launch fibre.
        from_b : bool
            Counted from end B.
        group_index : float, optional
            To which the instrument was set.

        Raises
        ------
        BadSetting
            If it lies beyond the cable, or is counted from an end that nobody knows the way to.
        """
        if group_index is not None:
            if self.group_index is None:
                raise BadSetting("index", group_index, says("no-index"))  # fmt: skip
            distance_m *= group_index / self.group_index
        u_m = (_OFF_M + _OFF_SHARE * distance_m) / sqrt(3)
        if self.length is not None and distance_m > self.length[0] + 3 * hypot(u_m, self.length[1]):
            raise BadSetting("distance", f"{distance_m:.0f} m",
                             says("fibre-long", length_m=self.length[0]))  # fmt: skip
        if from_b:
            if self.length is None:
                raise BadSetting("from", "B", says("no-length"))  # fmt: skip
            distance_m, u_m = self.length[0] - distance_m, hypot(u_m, self.length[1])
        if self.survey is None:
            return Located(self, distance_m, u_m, None, None)
        spot = self.survey.at(distance_m, u_m)
        return Located(self, distance_m, u_m, spot, self.survey.section(distance_m))


@dataclass(frozen=True, slots=True)
class Located:
    """Where a distance lies on a course."""

    course: Course
    from_a_m: float
    u_m: float
    spot: Spot | None  # on the sheath; None where no marks reach, or without a route
    section: Section | None

    @property
    def between(self) -> tuple[tuple[str, float], tuple[str, float] | None]:
        """The nearest closure or end on either side, with metres of fibre to it."""
        stops = [("A", 0.0), *self.course.closures]
        if self.course.length is not None:
            stops.append(("B", self.course.length[0]))
        before = [(name, self.from_a_m - m) for name, m in stops if m <= self.from_a_m]
        after = [(name, m - self.from_a_m) for name, m in stops if m > self.from_a_m]
        return (before or [("A", 0.0)])[-1], after[0] if after else None


def course_of_job(expected: Expected, closures: Sequence[KnownClosure]) -> Course:
    """Return what a job says of where its cable runs."""
    found = sorted(((c.name, c.distance_m) for c in closures), key=lambda one: one[1])
    held = None
    if expected.route:
        held = survey(expected.route, [(name, m, _U_STATED_M) for name, m in found])
    return Course(
        expected.cable, expected.ends, tuple(found), None if held is None else held.end, None, held
    )


def course_of_review(review: CableReview) -> Course:
    """Return what a review of one cable says of where it runs.

    Raises
    ------
    BadSetting
        If it is of several cables, and no job names one of them.
    """
    own = [c for c in review.cables if same_text(c) == same_text(review.expected.cable)]
    cables = own or list(review.cables)
    if len(cables) != 1:
        raise BadSetting("cable", ", ".join(cables) or "none", says("one-cable-needed"))
    (cable,) = cables
    closures = [c for c in review.closures if c.cable == cable]
    fibres = [fibre for fibre in review.fibres if fibre.key.cable == cable]
    length_m = median(fibre.length_m for fibre in fibres) if fibres else None
    return Course(
        cable,
        review.end_names(cable),
        tuple((c.name, c.distance_m) for c in closures),
        None if length_m is None else (length_m, U_PLACE_M),
        median(fibre.index_used for fibre in fibres) if fibres else None,
        surveyed(review.expected, cable, closures, fibres),
    )

"""The glass of a simulated link: sections, what joins them, its two ends, and the truth of it.

Everything here belongs to the fibre and not to a shot, so the two directions of
one link are consistent by construction: :meth:`Fibre.reversed` is the same glass
seen from the other end. Distances are true metres; losses are one-way dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import Enum
from itertools import accumulate

from otdravg.errors import BadSetting
from otdravg.findings import plain

#: Speed of light in vacuum, exact by the definition of the metre (SI, 9th edition 2019).
SPEED_OF_LIGHT_M_PER_S = 299_792_458.0

#: A clean flat cleave in air at a refractive index of 1.4682 (Fresnel equation).
FRESNEL_REFLECTANCE_DB = 10 * math.log10(((1.4682 - 1) / (1.4682 + 1)) ** 2)

#: No power comes back from negative or absurd lengths; below this a section is a typing error.
_SHORTEST_SECTION_M = 1e-3


def mode_field_level_db(mode_field_um: float, reference_um: float = 9.2) -> float:
    """Give the backscatter level of a fibre relative to one with another mode field.

    Parameters
    ----------
    mode_field_um, reference_um : float
        Mode field diameters in micrometres.

    Returns
    -------
    float
        Level in dB (5·log10, as a trace shows it); negative for a larger field.

    Notes
    -----
    The captured fraction of the scattered light goes as 1/w² and scattering is taken
    as equal, so the level is 5·log10(w_ref²/w²) = −10·log10(w/w_ref).
    """
    return -10 * math.log10(mode_field_um / reference_um)


class JointKind(Enum):
    """What joins two sections."""

    SPLICE = "splice"
    CONNECTOR = "connector"
    BEND = "bend"


@dataclass(frozen=True, slots=True)
class Section:
    """A homogeneous piece of fibre.

    Parameters
    ----------
    length_m : float
        True length in metres.
    attenuation_db_per_km : float
        One-way attenuation, not negative.
    backscatter_db : float
        Local backscatter level (5·log10) relative to the instrument's backscatter
        coefficient.
    """

    length_m: float
    attenuation_db_per_km: float = 0.19
    backscatter_db: float = 0.0

    def __post_init__(self) -> None:
        if not self.length_m >= _SHORTEST_SECTION_M:
            raise BadSetting("length_m", self.length_m, plain("a section is at least 1 mm long"))
        if not self.attenuation_db_per_km >= 0:
            raise BadSetting(
                "attenuation_db_per_km", self.attenuation_db_per_km, plain("give zero or more")
            )


@dataclass(frozen=True, slots=True)
class Joint:
    """A point between two sections: a splice, a connector or a bend.

    Parameters
    ----------
    loss_db : float
        True one-way loss in dB, the same from both sides.
    reflectance_db : float or None
        10·log10 of reflected over arriving power, negative; ``None`` = no reflection.
    kind : JointKind
        What it is; the light does not care.
    """

    loss_db: float
    reflectance_db: float | None = None
    kind: JointKind = JointKind.SPLICE


@dataclass(frozen=True, slots=True)
class Fibre:
    """A link from end A to end B, launch and receive cords included.

    Parameters
    ----------
    sections : tuple of Section
        From A to B, at least one.
    joints : tuple of Joint
        ``joints[k]`` lies between ``sections[k]`` and ``sections[k + 1]``.
    end_a_reflectance_db, end_b_reflectance_db : float or None
        Reflectance of either end when it is the far one; ``None`` = an angled or
        crushed end that sends nothing back.
    group_index : float
        The true group index of the glass (an instrument may be set to another).
    """

    sections: tuple[Section, ...]
    joints: tuple[Joint, ...] = ()
    end_a_reflectance_db: float | None = FRESNEL_REFLECTANCE_DB
    end_b_reflectance_db: float | None = FRESNEL_REFLECTANCE_DB
    group_index: float = 1.4682

    def __post_init__(self) -> None:
        if len(self.joints) != len(self.sections) - 1:
            raise BadSetting(
                "joints",
                len(self.joints),
                plain(f"{len(self.sections)} sections need one fewer joints"),
            )

    @property
    def boundaries_m(self) -> tuple[float, ...]:
        """Both ends and all joints in order, metres from end A."""
        return tuple(accumulate((s.length_m for s in self.sections), initial=0.0))

    @property
    def length_m(self) -> float:
        """Length from end A to end B in metres."""
        return self.boundaries_m[-1]

    @property
    def joint_positions_m(self) -> tuple[float, ...]:
        """Position of every joint, metres from end A."""
        return self.boundaries_m[1:-1]

    @property
    def backscatter_steps_db(self) -> tuple[float, ...]:
        """B before − B after at every joint for light from A to B, in dB.

        Light from A reads ``loss + step``, light from B reads ``loss − step``.
        """
        return tuple(
            before.backscatter_db - after.backscatter_db
            for before, after in zip(self.sections, self.sections[1:], strict=False)
        )

    @property
    def losses_before_db(self) -> tuple[float, ...]:
        """True one-way loss from end A to the start of every section, joints included."""
        losses = [0.0]
        for section, joint in zip(self.sections, self.joints, strict=False):
            glass_db = section.length_m * 1e-3 * section.attenuation_db_per_km
            losses.append(losses[-1] + glass_db + joint.loss_db)
        return tuple(losses)

    @property
    def loss_db(self) -> float:
        """True one-way loss from end A to end B in dB."""
        last = self.sections[-1]
        return self.losses_before_db[-1] + last.length_m * 1e-3 * last.attenuation_db_per_km

    def reversed(self) -> Fibre:
        """Return the same glass as seen from end B."""
        return replace(
            self,
            sections=self.sections[::-1],
            joints=self.joints[::-1],
            end_a_reflectance_db=self.end_b_reflectance_db,
            end_b_reflectance_db=self.end_a_reflectance_db,
        )

    def with_cords(
        self, launch: Section | None, receive: Section | None, connector: Joint
    ) -> Fibre:
        """Return the link with a launch cord before end A and a receive cord after end B."""
        before = () if launch is None else (launch,)
        after = () if receive is None else (receive,)
        return replace(
            self,
            sections=before + self.sections + after,
            joints=(connector,) * len(before) + self.joints + (connector,) * len(after),
        )

    def broken_at(self, distance_m: float, reflectance_db: float | None = None) -> Fibre:
        """Return what light from end A sees of the link when it is cut at a distance.

        Parameters
        ----------
        distance_m : float
            Position of the break in metres from end A, inside the link.
        reflectance_db : float or None
            What the broken end sends back.

        Raises
        ------
        BadSetting
            When the break does not lie inside the link.
        """
        if not 0 < distance_m < self.length_m:
            raise BadSetting(
                "distance_m", distance_m, plain(f"0 to {self.length_m:g} m, ends excluded")
            )
        starts = self.boundaries_m[:-1]
        last = max(k for k, start in enumerate(starts) if start < distance_m)
        stub = replace(self.sections[last], length_m=distance_m - starts[last])
        return replace(
            self,
            sections=(*self.sections[:last], stub),
            joints=self.joints[:last],
            end_b_reflectance_db=reflectance_db,
        )


@dataclass(frozen=True, slots=True)
class TrueJoint:
    """What is really at one place of a span, in the terms in which a result is reported.

    Parameters
    ----------
    position_m : float
        True metres from the span's A end, cords not counted.
    loss_db : float
        True one-way loss.
    step_db : float
        Backscatter level before less after, for light from A.
    kind : JointKind
        Splice, connector or bend.
    reflectance_db : float or None
        ``None`` = no reflection.
    """

    position_m: float
    loss_db: float
    step_db: float
    kind: JointKind
    reflectance_db: float | None = None

    @property
    def loss_ab_db(self) -> float:
        """What a perfect shot from A reads."""
        return self.loss_db + self.step_db

    @property
    def loss_ba_db(self) -> float:
        """What a perfect shot from B reads."""
        return self.loss_db - self.step_db


def true_joints(span: Fibre) -> tuple[TrueJoint, ...]:
    """List the joints of a span (without its cords) in order from A."""
    return tuple(
        TrueJoint(at_m, joint.loss_db, step_db, joint.kind, joint.reflectance_db)
        for at_m, joint, step_db in zip(
            span.joint_positions_m, span.joints, span.backscatter_steps_db, strict=True
        )
    )

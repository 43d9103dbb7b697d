"""The planted truth of a simulated link, in the terms in which a result is reported."""

from __future__ import annotations

from dataclasses import dataclass

from otdravg.simulate.fibre import Fibre, JointKind

__all__ = ["TrueJoint", "true_joints"]


@dataclass(frozen=True, slots=True)
class TrueJoint:
    """What is really at one place of a span.

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

"""The simulator, as tests and benchmarks use it."""

from __future__ import annotations

from otdravg.simulate.fibre import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Joint,
    JointKind,
    Section,
    TrueJoint,
    mode_field_level_db,
    true_joints,
)
from otdravg.simulate.files import Label, sor_file
from otdravg.simulate.instrument import (
    FloorMode,
    Instrument,
    point_count_for,
    spacing_counts_for,
)
from otdravg.simulate.physics import (
    Shot,
    backscatter_power,
    point_distances_m,
    pulse_length_m,
    reflected_power,
    return_loss_db,
    shoot,
    with_far_end_noise,
)

__all__ = [
    "FRESNEL_REFLECTANCE_DB",
    "Fibre",
    "FloorMode",
    "Instrument",
    "Joint",
    "JointKind",
    "Label",
    "Section",
    "Shot",
    "TrueJoint",
    "backscatter_power",
    "mode_field_level_db",
    "point_count_for",
    "point_distances_m",
    "pulse_length_m",
    "reflected_power",
    "return_loss_db",
    "shoot",
    "sor_file",
    "spacing_counts_for",
    "true_joints",
    "with_far_end_noise",
]

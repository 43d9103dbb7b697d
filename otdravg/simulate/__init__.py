"""Simulated OTDR shots of known truth, for the demo, the sample traces and the tests.

Works from physics (linear power, pulse, receiver, noise, quantisation) and shares no
code with the part of the package that measures.
"""

from otdravg.simulate.fibre import (
    FRESNEL_REFLECTANCE_DB,
    Fibre,
    Joint,
    JointKind,
    Section,
    mode_field_level_db,
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
from otdravg.simulate.truth import TrueJoint, true_joints

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

"""Small valid trace files of every kind, simulated or made up, to start mutations from."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
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

__all__ = ["SPAN", "shot_bytes", "specimens"]

#: An invented span with a gain, a loss and a connector.
SPAN = Fibre(
    (
        Section(400.0, 0.33, 0.0),
        Section(500.0, 0.33, 0.12),
        Section(350.0, 0.33, 0.05),
        Section(450.0, 0.33, 0.05),
    ),
    (Joint(0.04), Joint(0.25), Joint(0.3, -48.0, JointKind.CONNECTOR)),
    end_b_reflectance_db=-14.7,
)


def shot_bytes(
    way: Fibre, label: Label, *, seed: int, spacing_m: float = 4.0, pulse_ns: float = 50.0
) -> bytes:
    """Shoot a fibre coarsely, with a record a little longer than the fibre."""
    counts = spacing_counts_for(spacing_m, way.group_index)
    instrument = with_far_end_noise(
        Instrument(
            pulse_ns=pulse_ns,
            spacing_counts=counts,
            point_count=point_count_for(1.3 * way.length_m + 100, counts, way.group_index),
            group_index=way.group_index,
        ),
        way,
        0.01,
    )
    return sor.encode(sor_file(shoot(way, instrument, np.random.default_rng(seed)), label))


@lru_cache(maxsize=1)
def specimens() -> tuple[bytes, ...]:
    """Files that keep to the standard, 0.2 to 3 kB each."""
    label = Label(cable="SIM", fibre="7", location_a="Left hut", location_b="Right hut")
    first = [
        shot_bytes(SPAN, label, seed=1),
        shot_bytes(SPAN.reversed(), Label(fibre="7", revision=110), seed=2),
        shot_bytes(SPAN, Label(event_table=False), seed=3, spacing_m=20.0),
    ]
    rng = np.random.default_rng(4)
    made = [
        _made(revision, pulses, rng, extra)
        for revision in (100, 200, 202)
        for pulses in (1, 3)
        for extra in (False, True)
    ]
    return tuple(first + made)


def _made(revision: int, pulses: int, rng: np.random.Generator, extra: bool) -> bytes:
    """A file of invented values with several pulse widths, and makers' own blocks."""
    points = [rng.integers(0, 2**16, 5 + 7 * pulse) for pulse in range(1, pulses + 1)]
    event = sor.KeyEvent(1, 12_345, 190, -55, -41_000, sor.Text(b"1F9999LS"), comment=sor.Text())
    file = sor.build(
        revision=revision,
        general=sor.GeneralParameters(
            cable_id=sor.Text.of("SIM-Ž"),
            fibre_id=sor.Text(b"12 BL/OR"),
            comment=sor.Text(b"simulated, caf\xe9"),
        ),
        supplier=sor.SupplierParameters(supplier=sor.Text(b"simulated")),
        fixed=sor.FixedParameters(
            timestamp_s=1_700_000_000,
            pulse_widths_ns=tuple(30 * 4**n for n in range(pulses)),
            data_spacings=(50_000,) * pulses,
            noise_floor_scale=-1,
        ),
        points=points,
        scale_1000=[1000, 500, 2000][:pulses],
        events=sor.KeyEvents(events=(event,) * pulses, total_loss_mdb=-5),
        extra_blocks=[
            sor.Block.of("LnkParams", b"\1\2\3", revision),
            sor.Block.of("OwnBlock", rng.bytes(30), revision),
        ]
        if extra
        else (),
        checksum=not (extra and pulses == 3),
    )
    return sor.encode(file)

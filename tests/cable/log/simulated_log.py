"""A simulated splice log of known truth: a crew that splices closure after closure.

Machines, people and losses are invented. Loss of a ribbon rises with the fibres that its blade has
cleaved since it was turned, and with those fused since the electrodes were changed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from otdravg.cable.log.model import LogLine

SIZE = 12


@dataclass
class SimulatedLog:
    """Lines, and the true level of each ribbon (median of its fibres) and its highest loss, dB."""

    lines: list[LogLine] = field(default_factory=list)
    levels_db: dict[int, float] = field(default_factory=dict)
    highest_db: dict[int, float] = field(default_factory=dict)
    at: dict[int, int] = field(default_factory=dict)


def crew_at_work(
    seed: int,
    *,
    closures: int = 5,
    ribbons: int = 24,
    turn_after: int = 40,
    change_after: int = 70,
    blade_db: float = 0.0,
    electrodes_db: float = 0.0,
    used_before: int = 20,
    bias_db: float = -0.02,
) -> SimulatedLog:
    """Splice a cable; slopes are in dB for 1,000 fibres, turns and changes in splices.

    The tools have worked ``used_before`` splices before the log begins.
    """
    rng = np.random.default_rng(seed)
    log = SimulatedLog()
    position, on_blade, on_electrodes, number = 3, used_before, used_before, 0
    when = datetime(2024, 5, 13, 7, 0)
    for closure in range(1, closures + 1):
        when = when.replace(hour=7) + timedelta(days=1)
        crew_db = float(rng.normal(0.05, 0.01))
        for ribbon in rng.permutation(ribbons) + 1:
            number += 1
            changed = on_electrodes >= change_after
            if on_blade >= turn_after:
                position, on_blade = position + 1, 0
            on_electrodes = 0 if changed else on_electrodes
            tries = 1 + int(rng.random() < 0.1)
            wear_db = (
                blade_db * (on_blade + tries - 1) * 2 * SIZE / 1000
                + electrodes_db * (on_electrodes + tries - 1) * SIZE / 1000
            )
            shared_db = crew_db * float(np.exp(rng.normal(0, 0.15)))
            losses = shared_db * np.exp(rng.normal(0, 0.4, SIZE)) + wear_db
            log.levels_db[number] = float(np.median(losses))
            log.highest_db[number] = float(losses.max())
            log.at[number] = closure
            log.lines.append(
                LogLine(
                    number, when, f"K{closure}", int(ribbon), "SM-2", "CL-1", str(position),
                    changed, round(float(losses.max() + bias_db + rng.normal(0, 0.015)), 2), tries,
                )
            )  # fmt: skip
            on_blade += tries
            on_electrodes += tries
            when += timedelta(minutes=12)
    return log

"""From a file name to the shot that is meant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from otdravg import sor
from otdravg.errors import BadSetting
from otdravg.findings import note, values
from otdravg.shot.trace import Trace, traces_from
from otdravg.sor import SizeLimits

__all__ = ["load_shot", "load_shots"]


def load_shots(path: Path, size_limits: SizeLimits) -> tuple[Trace, ...]:
    """Read every trace of a file."""
    return traces_from(sor.read(path, size_limits))


def load_shot(path: Path, number: int | None, size_limits: SizeLimits) -> Trace:
    """Read one trace of a file: the numbered one, else the first, and then say so.

    Raises
    ------
    BadSetting
        If the file has no trace of that number.
    """
    shots = load_shots(path, size_limits)
    if number is not None and number > len(shots):
        raise BadSetting("trace", number, f"{path} holds {len(shots)}")
    shot = shots[(number or 1) - 1]
    if number is not None or len(shots) == 1:
        return shot
    pulses = tuple(values(pulse_ns=s.settings.pulse_ns) for s in shots)
    found = note("several-traces", "FxdParams", traces=len(shots), pulses=pulses)
    return replace(shot, findings=(*shot.findings, found))

"""From a file name to the shot that is meant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from otdravg import sor
from otdravg.errors import BadSetting
from otdravg.findings import Severity, said
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
    pulses = ", ".join(f"{s.settings.pulse_ns:.0f}" for s in shots)
    note = said(
        Severity.NOTE,
        "several-traces",
        "FxdParams",
        f"The file holds {len(shots)} traces with pulses of {pulses} ns.",
        "The first was used; choose another with --trace.",
    )
    return replace(shot, findings=(*shot.findings, note))

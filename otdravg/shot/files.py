"""From the name of a trace file to the shots in it."""

from __future__ import annotations

from dataclasses import replace
from os import PathLike

from otdravg.errors import BadSetting
from otdravg.findings import note, says, values
from otdravg.shot.trace import Trace, traces_from
from otdravg.sor import reader
from otdravg.sor.sizes import SizeLimits


def read(
    path: str | PathLike[str], trace: int | None = None, *, size_limits: SizeLimits | None = None
) -> Trace:
    """Read one shot from a trace file (SR-4731).

    Parameters
    ----------
    path : str or path
        The file, of any name.
    trace : int, optional
        Which trace of a file that holds several, from 1. By default the first, and if there
        are more a finding (``several-traces``) says so.
    size_limits : SizeLimits, optional
        How large the file may be; the usual limits by default.

    Returns
    -------
    Trace

    Raises
    ------
    UnreadableTrace
        If there is no such file, or no usable trace in it.
    BadSetting
        If the file has no trace of that number.
    """
    shots = read_all(path, size_limits=size_limits)
    if trace not in (None, *range(1, len(shots) + 1)):
        raise BadSetting(
            "trace", trace, says("file-holds", file=shots[0].identity.path, count=len(shots))
        )
    shot = shots[(trace or 1) - 1]
    if trace is not None or len(shots) == 1:
        return shot
    pulses = tuple(values(pulse_ns=s.settings.pulse_ns) for s in shots)
    found = note("several-traces", "FxdParams", traces=len(shots), pulses=pulses)
    return replace(shot, findings=(*shot.findings, found))


def read_all(
    path: str | PathLike[str], *, size_limits: SizeLimits | None = None
) -> tuple[Trace, ...]:
    """Read every shot of a trace file: one for each pulse width; see :func:`read`."""
    return traces_from(reader.read(path, size_limits or SizeLimits()))

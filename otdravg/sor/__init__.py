"""Trace files (SR-4731): read liberally, write strictly, lose nothing.

This package knows bytes only. :func:`read` and :func:`decode` give a :class:`SorFile`
with everything odd about it as findings; :func:`encode` gives exactly the bytes back;
:func:`build` and :func:`replace` make new ones.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.sor.model import (
        Block,
        DataPoints,
        FixedParameters,
        GeneralParameters,
        KeyEvent,
        KeyEvents,
        PointRun,
        SorFile,
        SupplierParameters,
        Text,
        Waveform,
    )
    from otdravg.sor.reader import decode, read
    from otdravg.sor.sizes import ANY_SIZE, SizeLimits
    from otdravg.sor.writer import build, encode, replace, write

__all__ = [
    "ANY_SIZE",
    "Block",
    "DataPoints",
    "FixedParameters",
    "GeneralParameters",
    "KeyEvent",
    "KeyEvents",
    "PointRun",
    "SizeLimits",
    "SorFile",
    "SupplierParameters",
    "Text",
    "Waveform",
    "build",
    "decode",
    "encode",
    "read",
    "replace",
    "write",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(__name__, "sizes model reader writer")

"""What people type: lengths, wavelengths, indices, as every command and list reads them."""

from __future__ import annotations

import re

from otdravg.errors import Unusable
from otdravg.findings import says

_METRES = {"": 1.0, "m": 1.0, "km": 1000.0, "ft": 0.3048, "kft": 304.8}
_LENGTH = re.compile(r"(\d+(?:\.\d*)?|\.\d+)\s*(m|km|ft|kft|)", re.ASCII | re.IGNORECASE)
#: A bare number below this may be kilometres as well as metres. Chosen, not derived: spans are
#: shorter in kilometres, launch fibres and spans longer in metres.
_SURELY_METRES = 100.0
_LONGEST_M = 1e6  # no single shot reaches 1000 km


def metres_of(text: str) -> float:
    """Read a length as a person types it: ``1km``, ``500m``, ``1000`` (metres), ``3280ft``.

    Raises
    ------
    Unusable
        Saying what to write.
    """
    match = _LENGTH.fullmatch(text.strip())
    if match is None:
        raise Unusable(says("write-length"))
    metres = float(match[1]) * _METRES[match[2].lower()]
    if not match[2] and 0 < metres < _SURELY_METRES:
        raise Unusable(says("metres-or-kilometres", text=text.strip()))
    if metres > _LONGEST_M:
        raise Unusable(says("too-long-for-a-shot"))
    return metres

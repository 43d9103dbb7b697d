"""Shots packed for the page: small, exact to the thousandth of a dB that the file holds."""

from __future__ import annotations

import base64
import zlib
from typing import Any

import numpy as np
import numpy.typing as npt

from otdravg.cable.model import CableReview
from otdravg.closeout.sketches import PairSketch, Sketches, TraceSketch
from otdravg.system.printable import printable

_LARGEST = 0xFFFF


def trace_data(review: CableReview, sketches: Sketches) -> dict[str, dict[str, Any]]:
    """Return every pair of shots by ``cable/fibre/wavelength``, the finest there is."""
    attenuation = {
        (fibre.key, fibre.wavelength_nm): fibre.attenuation_db_per_km for fibre in review.fibres
    }
    return {
        f"{printable(pair.key.cable)}/{pair.key.fibre}/{pair.wavelength_nm}": packed_pair(
            pair, attenuation.get((pair.key, pair.wavelength_nm))
        )
        for pair in sketches.pairs
    }


def packed_pair(pair: PairSketch, attenuation_db_per_km: float | None) -> dict[str, Any]:
    """Pack both shots of a fibre, the finest there are."""
    ab, ba = pair.finest
    return {
        "length_m": round(pair.length_m, 3),
        "attenuation_db_per_km": (
            None if attenuation_db_per_km is None else round(attenuation_db_per_km, 6)
        ),
        "ab": packed_shot(ab),
        "ba": packed_shot(ba),
    }


def packed_shot(shot: TraceSketch) -> dict[str, Any]:
    """Pack one shot.

    Notes
    -----
    Three series of whole thousandths of a dB: how far the lowest level of each bin lies
    below the highest of all (as zigzag of differences modulo 65536), and how far the highest
    and the mean of the bin lie above its lowest. Where every bin is one point the first
    is enough. Low bytes stand before high bytes, which deflate packs far better than pairs.
    """
    top = int(shot.high_mdb.max())
    below = np.clip(top - shot.low_mdb, 0, _LARGEST).astype(np.uint16)
    series = [_zigzag(below)]
    if not shot.is_full:
        series += [
            np.clip(upper - shot.low_mdb, 0, _LARGEST).astype(np.uint16)
            for upper in (shot.high_mdb, shot.mean_mdb)
        ]
    planes = b"".join(
        (part & 0xFF).astype(np.uint8).tobytes() + (part >> 8).astype(np.uint8).tobytes()
        for part in series
    )
    return {
        "file": printable(shot.file),
        "first_m": round(shot.first_m, 6),
        "step_m": round(shot.step_m, 9),
        "count": int(shot.low_mdb.size),
        "full": shot.is_full,
        "top_mdb": top,
        "data": base64.b64encode(zlib.compress(planes, 9)).decode("ascii"),
    }


def _zigzag(values: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
    """Differences of neighbours, small ones of either sign as small numbers."""
    signed = np.diff(values, prepend=np.uint16(0)).astype(np.int16).astype(np.int32)
    return np.where(signed < 0, -2 * signed - 1, 2 * signed).astype(np.uint16)

"""Where a fibre sits in a ribbon cable, and its colour.

References
----------
.. [1] TIA-598-D, *Optical Fiber Cable Color Coding*: the order of the first twelve fibres,
   repeated for every further twelve (order quoted from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from otdravg.errors import BadSetting
from otdravg.findings import says

TIA_598_COLOURS = (
    "blue",
    "orange",
    "green",
    "brown",
    "slate",
    "white",
    "red",
    "black",
    "yellow",
    "violet",
    "rose",
    "aqua",
)

#: Ribbons that are made (common practice, no source).
RIBBON_SIZES = (4, 6, 8, 12, 16, 24)


def ribbon_position(fibre: int, ribbon_size: int | None) -> tuple[int | None, int | None]:
    """Return ribbon and position in it, both from 1; two ``None`` for loose tube.

    Raises
    ------
    BadSetting
        For a ribbon size that no cable has, or a fibre number below 1.
    """
    if fibre < 1:
        raise BadSetting("fibre", fibre, says("fibres-from-1"))
    if ribbon_size is None:
        return None, None
    if ribbon_size not in RIBBON_SIZES:
        sizes = ", ".join(str(size) for size in RIBBON_SIZES)
        raise BadSetting("ribbon size", ribbon_size, says("write-one-of", known=sizes))
    return (fibre - 1) // ribbon_size + 1, (fibre - 1) % ribbon_size + 1


def fibre_colour(fibre: int, ribbon_size: int | None = None, order: Sequence[str] = ()) -> str:
    """Name the colour of a fibre.

    Counting begins anew in every ribbon, in loose tube behind the last colour. Behind the last
    colour of a larger ribbon the order repeats and the name carries a ``/2``, as the second
    twelve are marked.

    Parameters
    ----------
    order : sequence of str
        Colours of the cable's own; by default the twelve of the standard [1]_.
    """
    own = order or TIA_598_COLOURS
    _, position = ribbon_position(fibre, ribbon_size)
    index = (position or (fibre - 1) % len(own) + 1) - 1
    name = own[index % len(own)]
    return name if index < len(own) else f"{name}/{index // len(own) + 1}"


def numbers_text(numbers: Iterable[int]) -> str:
    """Write numbers of fibres with runs shortened: ``1–4, 7``."""
    ordered = sorted(set(numbers))
    starts = [n for n in ordered if n - 1 not in ordered]
    ends = [n for n in ordered if n + 1 not in ordered]
    runs = zip(starts, ends, strict=True)
    return ", ".join(str(first) if first == last else f"{first}–{last}" for first, last in runs)

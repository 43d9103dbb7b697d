"""Which end is which, and what says so: places are given from both ends by their names."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from pathlib import PurePath

from otdravg.findings import Statement, says
from otdravg.shot.settings import Identity


class EndsBasis(Enum):
    """What tells from which end a shot was taken."""

    HEADERS = "headers"  # each header names its own end first, and they name different ends
    ORDER = "order"  # nothing but the order in which the files were named


@dataclass(frozen=True, slots=True)
class Ends:
    """The two ends of a span.

    Parameters
    ----------
    a, b : Statement
        Each end, by the name typed in the headers; where headers do not tell, by the file that
        was shot from it.
    basis : EndsBasis
        What says that the first shot is from A.
    """

    a: Statement
    b: Statement
    basis: EndsBasis


def ends_of(ab: Identity, ba: Identity) -> Ends:
    """Name the ends of a pair.

    Parameters
    ----------
    ab, ba : Identity
        Of the shot taken as from A, and of the other one.

    Returns
    -------
    Ends
        By header where the near ends typed in both differ, or where one header alone names two
        ends; a name typed at both ends says nothing.
    """
    near_a, far_a, near_b, far_b = (
        " ".join(name.split())
        for name in (ab.location_a, ab.location_b, ba.location_a, ba.location_b)
    )
    name_a, name_b = near_a or far_b, near_b or far_a
    if name_a and name_b and name_a.casefold() != name_b.casefold():
        return Ends(says("span-end", name=name_a), says("span-end", name=name_b), EndsBasis.HEADERS)
    a, b = (says("span-end-of-file", file=PurePath(one.path).name) for one in (ab, ba))
    return Ends(a, b, EndsBasis.ORDER)

"""Where a distance lies: the answer to an emergency call, on one screen."""

from __future__ import annotations

from math import ceil

from otdravg.cable.lists.locating import Located
from otdravg.quantities import distance_text
from otdravg.report.page import COLUMNS, Page
from otdravg.words.catalogue import told

__all__ = ["located_text"]


def located_text(found: Located, *, ascii_only: bool = False, columns: int = COLUMNS) -> str:
    """Write where a distance lies, how sure that is, and what cannot be known.

    Distances in the fibre carry their expanded uncertainty, k = 2, as marks do.
    """
    page = Page(ascii_only=ascii_only, colour=False, columns=columns)
    course, spot = found.course, found.spot
    (before, before_m), after = found.between
    names = [_stop(course.ends, before), "?" if after is None else _stop(course.ends, after[0])]
    page.entry("At", told(spot.said) if spot else f"between {names[0]} and {names[1]}")
    page.entry("Fibre", _in_the_fibre(found))
    page.entry("Closures", f"{names[0]} {_m(before_m)} towards A"
               + ("" if after is None else f", {names[1]} {_m(after[1])} towards B")
               + " (in the fibre)")  # fmt: skip
    if spot and spot.before != spot.after:
        page.entry("Places", f"{spot.before} {_m(spot.before_m)} towards A, "
                   f"{spot.after} {_m(spot.after_m)} towards B (on the sheath)")  # fmt: skip
    if (own := found.section) is not None:
        reel = f"reel {own.reel}, " if own.reel else ""
        how = (
            "fitted to the splices at both ends"
            if own.is_fitted
            else "not fitted: the splices at its ends are not both known"
        )
        page.entry(
            "Cable",
            f"{reel}{own.first} to {own.last}, marks {'rise' if own.sign > 0 else 'fall'} towards "
            f"B; fibre {own.factor:.4f} ± {2 * own.u_factor:.4f} times the sheath, {how}",
        )
    page.line()
    page.paragraph("Not known:")
    for text in _unknown(found):
        page.bullet(text)
    page.paragraph(
        "Before the cable is opened or cut: which fibres carry light or traffic? Invisible laser "
        "light hurts eyes; prove each one dark."
    )
    return page.text()


def _m(distance_m: float) -> str:
    return f"{distance_m:.0f} m"


def _stop(ends: tuple[str, str], name: str) -> str:
    if name in ("A", "B"):
        typed = ends[name == "B"]
        return f"end {name}" + (f" ({typed})" if typed else "")
    return f"closure {name}"


def _in_the_fibre(found: Located) -> str:
    text = f"{distance_text(found.from_a_m, km=True)} from A"
    if found.course.length is not None:
        text += f", {distance_text(found.course.length[0] - found.from_a_m, km=True)} from B"
    return f"{text}, ± {ceil(2 * found.u_m)} m as instruments count"


def _unknown(found: Located) -> list[str]:
    """What the answer takes for granted."""
    course = found.course
    per_mille_m = ceil(found.from_a_m / 1468)  # a step of 0.001 of an index about 1.468
    index = "" if course.group_index is None else f" ({course.group_index:.4f} is used here)"
    said = [
        "whether it was counted from the panel: take off a launch fibre",
        f"the index that the instrument was set to{index}: 0.001 moves it by {per_mille_m} m",
    ]
    if course.survey is None:
        said.append("where that is on the sheath: the job has no route (otdravg job forms)")
    elif found.spot is None:
        odd = "; ".join(f"{what.value}: {told(where)}" for what, where in course.survey.odd)
        said.append(f"where that is on the sheath: {odd or 'no marks reach there'}")
    else:
        said.append(
            "what was laid otherwise since the marks were read: coils moved, a cable cut in"
        )
    if course.length is None:
        said.append("how long the fibre is: the route has no marks up to end B")
    return said

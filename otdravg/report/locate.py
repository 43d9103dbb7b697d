"""Where a distance lies: the answer to an emergency call, on one screen."""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

from otdravg.cable.lists.locating import Located
from otdravg.cable.lists.route import Section
from otdravg.findings import Value
from otdravg.quantities import distance
from otdravg.report.page import COLUMNS, Page
from otdravg.words.catalogue import Language
from otdravg.words.headings import Words


def located_text(
    found: Located,
    *,
    ascii_only: bool = False,
    columns: int = COLUMNS,
    language: Language = Language.ENGLISH,
) -> str:
    """Write where a distance lies, how sure that is, and what cannot be known.

    Distances in the fibre carry their expanded uncertainty, k = 2, as marks do.
    """
    page = Page(ascii_only=ascii_only, colour=False, columns=columns)
    words = Words(language)

    def word(key: str, **named: Value) -> str:
        return words.say("locate", key, **named)

    spot, (before, after) = found.spot, found.between
    names = [_stop(found, before[0], words), _stop(found, after[0], words) if after else "?"]
    at = words.told(spot.said) if spot else words.say("cable", "between", a=names[0], b=names[1])
    page.entry(word("label-at"), at)
    page.entry(word("label-fibre"), _in_the_fibre(found, words))
    ways = [word("towards", place=names[0], metres=round(before[1]), end="A")]
    if after:
        ways.append(word("towards", place=names[1], metres=round(after[1]), end="B"))
    page.entry(word("label-closures"), word("in-fibre", ways=", ".join(ways)))
    if spot and spot.before != spot.after:
        ways = [
            word("towards", place=spot.before, metres=round(spot.before_m), end="A"),
            word("towards", place=spot.after, metres=round(spot.after_m), end="B"),
        ]
        page.entry(word("label-places"), word("on-sheath", ways=", ".join(ways)))
    if found.section is not None:
        page.entry(word("label-cable"), _cable(found.section, words))
    page.line()
    page.paragraph(word("not-known"))
    for text in _unknown(found, words):
        page.bullet(text)
    page.paragraph(word("caution"))
    return page.text()


def _stop(found: Located, name: str, words: Words) -> str:
    """Name a closure, or an end with the name that it has."""
    if name not in ("A", "B"):
        return words.say("say", "closure-named", name=name)
    typed = found.course.ends[name == "B"]
    return words.say("locate", "end-named" if typed else "end", end=name, name=typed)


def _in_the_fibre(found: Located, words: Words) -> str:
    ends = [("A", found.from_a_m)]
    if found.course.length is not None:
        ends.append(("B", found.course.length[0] - found.from_a_m))
    ways = [words.say("cable", "from", end=e, distance=distance(m, km=True)) for e, m in ends]
    return words.say("locate", "sure", ways=", ".join(ways), metres=ceil(2 * found.u_m))


def _cable(own: Section, words: Words) -> str:
    """The piece of cable that it lies in, and the factor between glass and sheath."""
    factor, expanded = (words.decimal(f"{v:.4f}") for v in (own.factor, 2 * own.u_factor))
    parts = [
        words.say("cable", "to", first=own.first, last=own.last),
        words.say("locate", "marks-rise" if own.sign > 0 else "marks-fall"),
        words.say("locate", "factor", factor=factor, expanded=expanded),
        words.say("locate", "fitted" if own.is_fitted else "not-fitted"),
    ]
    if own.reel:
        parts.insert(0, words.say("locate", "reel", name=own.reel))
    return ", ".join(parts)


def _unknown(found: Located, words: Words) -> Iterator[str]:
    """What the answer takes for granted."""
    course = found.course
    yield words.say("locate", "unknown-panel")
    moved_m = ceil(found.from_a_m / 1468)  # by a step of 0.001 of an index about 1.468
    if course.group_index is None:
        yield words.say("locate", "unknown-index", metres=moved_m)
    else:
        used = words.decimal(f"{course.group_index:.4f}")
        yield words.say("locate", "unknown-index-used", metres=moved_m, used=used)
    if course.survey is None:
        yield words.say("locate", "unknown-route")
    elif found.spot is None:
        odd = [f"{words.value(what.value)}: {words.told(at)}" for what, at in course.survey.odd]
        why = "; ".join(odd) or words.say("locate", "no-marks")
        yield words.say("locate", "unknown-sheath", why=why)
    else:
        yield words.say("locate", "unknown-change")
    if course.length is None:
        yield words.say("locate", "unknown-length")

"""Where a ribbon lies in its closure, as columns of every table that names ribbons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from otdravg.cable.planned import TrayPlace
from otdravg.tables.csv_file import Column, named
from otdravg.words.headings import Words

#: Columns of what has a place, by the splice plan.
PLACE_COLUMNS: tuple[Column[Any], ...] = (
    *named("place.tube"),
    ("ribbon_mark", lambda one: one.place.mark),
    *named("place.tray", "place.slot"),
)


def with_places_where_planned(
    columns: Sequence[Column[Any]], is_planned: bool
) -> tuple[Column[Any], ...]:
    """Put the columns of places behind the closure, if there is a splice plan."""
    if not is_planned:
        return tuple(columns)
    behind = [name for name, _ in columns].index("closure") + 1
    return (*columns[:behind], *PLACE_COLUMNS, *columns[behind:])


def place_text(place: TrayPlace, words: Words) -> str:
    """Say a place in the language of a closeout; empty where the plan says nothing."""
    headings = {"mark": "ribbon_mark"}
    return ", ".join(f"{words[headings.get(name, name)]} {mark}" for name, mark in place.parts)

"""All kinds of case: one function each, by the chapter of trouble that they belong to."""

from __future__ import annotations

import inspect
import zlib
from collections.abc import Callable
from dataclasses import replace
from types import ModuleType

import numpy as np

from scenarios.cable.case import Case
from scenarios.cable.families import (
    bad,
    clean,
    current,
    ends,
    launch,
    missing,
    much,
    names,
    numbering,
    papers,
    places,
    rules,
    settings,
    stick,
    two_cables,
    wavelengths,
)

__all__ = ["CHAPTERS", "KINDS", "acted", "story_of"]

Kind = Callable[[np.random.Generator], Case]

_CHAPTERS: tuple[ModuleType, ...] = (
    clean,
    numbering,
    current,
    two_cables,
    ends,
    names,
    launch,
    places,
    bad,
    wavelengths,
    missing,
    settings,
    rules,
    much,
    stick,
    papers,
)


def _kinds_in(chapter: ModuleType) -> dict[str, Kind]:
    """Give the chapter's own public functions, in the order in which they are written."""
    return {
        name: kind
        for name, kind in vars(chapter).items()
        if inspect.isfunction(kind)
        and kind.__module__ == chapter.__name__
        and not name.startswith("_")
    }


#: Chapter → names of its kinds.
CHAPTERS: dict[str, tuple[str, ...]] = {
    chapter.__name__.rpartition(".")[2]: tuple(_kinds_in(chapter)) for chapter in _CHAPTERS
}
#: Name → function that acts one version of it.
KINDS: dict[str, Kind] = {
    name: kind for chapter in _CHAPTERS for name, kind in _kinds_in(chapter).items()
}


def acted(kind: str, seed: int) -> Case:
    """Act one version of a kind; the same kind and seed give the same bytes."""
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    return replace(KINDS[kind](rng), kind=kind, seed=seed)


def story_of(kind: str) -> str:
    """Give the story of a kind in the trade's words."""
    return " ".join((KINDS[kind].__doc__ or "").split())

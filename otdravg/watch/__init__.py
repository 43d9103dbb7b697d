"""At the closure, while it is open: a folder is followed while shots come in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.watch.events import Event, Kind
    from otdravg.watch.folder import Follower
    from otdravg.watch.status import CableStatus, Expected, Stage
    from otdravg.watch.watch import Answer, Watch

__all__ = [
    "Answer",
    "CableStatus",
    "Event",
    "Expected",
    "Follower",
    "Kind",
    "Stage",
    "Watch",
]

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(__name__, "events folder status watch")

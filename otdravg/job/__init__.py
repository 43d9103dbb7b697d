"""A job: what a cable is, so that a review knows what is missing before everything is in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from otdravg.system.door import door

if TYPE_CHECKING:
    from otdravg.job.beside import NOTHING_STATED, agreed
    from otdravg.job.model import Job
    from otdravg.job.reading import load, parse

__all__ = ["NOTHING_STATED", "Job", "agreed", "load", "parse"]

if not TYPE_CHECKING:
    __getattr__, __dir__ = door(__name__, "beside model reading")

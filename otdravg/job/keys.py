"""The one table of what a job can say.

:data:`KEYS` says of every key how it is written and who applies it, and the catalogues
(``[job-key]``) what it is; the reader (:mod:`.reading`), the empty form and the questions
(:mod:`.form`), the options of ``otdravg job new`` and the table in docs/job.md are made of it.
Lists of things stand in :mod:`.lists`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from otdravg.trade import RIBBON_SIZES
from otdravg.words.catalogue import Language, say

#: What a job writes for the colours of the standard.
TIA_598 = "TIA-598"
#: Fibres that a job may state. Chosen, not derived: many times what any cable has.
_FIBRES = (1, 100_000)


@dataclass(frozen=True, slots=True)
class JobKey:
    """One key of a job.

    ``kind`` names the method of :class:`.reading.JobTable` that reads it, ``allowed`` what that
    takes besides. ``example`` is TOML, as an empty form shows it.
    """

    path: str
    kind: str
    applied_by: str  # module:function
    example: str
    allowed: tuple[Any, ...] = ()
    is_required: bool = False
    option: str = ""  # of `otdravg cable`, which states the same

    @property
    def own_option(self) -> str:
        """The option of ``otdravg job new`` that states it: ``--end-a`` for ``ends.a``."""
        table, _, name = self.path.rpartition(".")
        return f"--{table[:-1]}-{name}" if table else f"--{name}"

    def sentence(self, language: Language = Language.ENGLISH) -> str:
        """Say what it is."""
        return say("job-key", self.path, language)


_EXPECTED = "otdravg.cable.checks.missing:beyond_expected"
_PROFILE = "otdravg.job.model:Job.rules"

KEYS = (
    JobKey("cable", "text", _EXPECTED, '"RIDGE-7"', is_required=True),
    JobKey("fibres", "whole",
           "otdravg.cable.checks.missing:missing_fibres", "48", _FIBRES, True, "--fibres"),
    JobKey("wavelengths", "wavelengths",
           "otdravg.cable.checks.missing:missing_shots", "[1310, 1550]", (), True),
    JobKey("ribbon", "one_of", _PROFILE, "12", ((0, *RIBBON_SIZES),), False, "--ribbon"),
    JobKey("ends.a", "text",
           "otdravg.cable.files.ends:ends_of", '"Quillhaven hut"', (), False, "--end-a"),
    JobKey("ends.b", "text", _EXPECTED, '"Gorsemoor hut"'),
    JobKey("profile", "text", _PROFILE, '"contract.toml"', (), False, "--profile"),
    JobKey("stage", "text", _PROFILE, '"final"'),
    JobKey("colours", "colours", "otdravg.trade:fibre_colour", f'"{TIA_598}"'),
    JobKey("launch", "length",
           "otdravg.cable.measure.standing:measure_stands", '"1km"', (), False, "--launch"),
    JobKey("receive", "length",
           "otdravg.cable.measure.standing:measure_stands", '"1km"', (), False, "--receive"),
    JobKey("shots", "texts", "otdravg.cable.run:read_folders", '["shots"]'),
)  # fmt: skip

"""The one table of what a job can say.

:data:`KEYS` says of every key how it is written, what it is, and who applies it; the reader
(:mod:`.reading`), the empty form and the questions (:mod:`.form`), the options of ``otdravg job
new`` and the table in docs/job.md are made of it. Lists of things stand in :mod:`.lists`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from otdravg.trade import RIBBON_SIZES

__all__ = ["KEYS", "TIA_598", "JobKey"]

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
    sentence: str
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


_EXPECTED = "otdravg.cable.checks.missing:beyond_expected"
_PROFILE = "otdravg.job.model:Job.rules"

KEYS = (
    JobKey("cable", "text", "Name of the cable, as it is typed in the headers", _EXPECTED,
           '"RIDGE-7"', is_required=True),
    JobKey("fibres", "whole", "How many fibres the cable has",
           "otdravg.cable.checks.missing:missing_fibres", "48", _FIBRES, True, "--fibres"),
    JobKey("wavelengths", "wavelengths", "Wavelengths in nm that every fibre is shot at",
           "otdravg.cable.checks.missing:missing_shots", "[1310, 1550]", (), True),
    JobKey("ribbon", "one_of", "Fibres of a ribbon; 0 for loose tube", _PROFILE, "12",
           ((0, *RIBBON_SIZES),), False, "--ribbon"),
    JobKey("ends.a", "text", "Name of end A, as it is typed in the headers",
           "otdravg.cable.files.ends:ends_of", '"Quillhaven hut"', (), False, "--end-a"),
    JobKey("ends.b", "text", "Name of end B", _EXPECTED, '"Gorsemoor hut"'),
    JobKey("profile", "text", "Acceptance profile: the name of a shipped one, or a TOML file",
           _PROFILE, '"contract.toml"', (), False, "--profile"),
    JobKey("stage", "text", "Stage of the work: construction, or one of the profile's stages",
           _PROFILE, '"final"'),
    JobKey("colours", "colours", "Colours of a ribbon's fibres from position 1: TIA-598, or the "
           "cable's own, in order (16 of them for a ribbon of 16)",
           "otdravg.trade:fibre_colour", f'"{TIA_598}"'),
    JobKey("launch", "length", "Length of the launch fibre at A",
           "otdravg.cable.measure.standing:measure_stands", '"1km"', (), False, "--launch"),
    JobKey("receive", "length", "Length of the receive fibre at B",
           "otdravg.cable.measure.standing:measure_stands", '"1km"', (), False, "--receive"),
    JobKey("shots", "texts", "Folders or archives with the shots, beside this file; later ones "
           "hold shots after a repair", "otdravg.cable.run:read_folders", '["shots"]'),
)  # fmt: skip

"""What header, name, folder and table say of a file, each by itself."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import Any

from otdravg.cable.files.folder import RawShot
from otdravg.cable.files.names import (
    Claim,
    Mapping,
    NamePattern,
    claim_of_folder,
    claim_of_name,
    usual_wavelength,
)
from otdravg.cable.model import Source
from otdravg.shot.settings import Identity

#: A folder may have been mailed as an archive of its name.
_NOT_AN_ARCHIVE = re.compile(r"\.zip$", re.IGNORECASE)
_LAST_NUMBER = re.compile(r"(\d{1,5})(?!.*\d)")
#: Signs that people put between the parts of a name, or leave out.
_BETWEEN = re.compile(r"[\s_\-\u2010-\u2014]+")


@dataclass(frozen=True, slots=True)
class Naming:
    """What the user says about names: a pattern, a table, and which typed end is A."""

    pattern: NamePattern | None = None
    mapping: Mapping | None = None
    end_a: str | None = None


@dataclass(frozen=True, slots=True)
class Claims:
    """All claims about one file, by source in order of precedence."""

    raw: RawShot
    by_source: tuple[tuple[Source, Claim], ...]

    def settled(self, field: str) -> tuple[Any, Source]:
        """What the first source says that says anything of a field, and which source it is."""
        for source, claim in self.by_source:
            value = getattr(claim, field)
            if value is not None:
                return value, source
        return None, Source.NOTHING

    def said(self, source: Source) -> Claim:
        """What one source says; an empty claim if it says nothing."""
        return next((claim for given, claim in self.by_source if given is source), Claim())

    def saying(self, source: Source, **claim: Any) -> Claims:
        """Return them with fields of the claim by one of the sources changed."""
        changed = ((s, replace(c, **claim) if s is source else c) for s, c in self.by_source)
        return replace(self, by_source=tuple(changed))

    @property
    def path(self) -> str:
        """The file, as it is shown."""
        return self.raw.file.path

    @property
    def name(self) -> str:
        """The file's name without its folders."""
        return PurePosixPath(self.path).name

    def slot(self, **other: object) -> tuple[object, ...]:
        """Cable, fibre, direction and wavelength, as settled but for what is given."""
        fields = ("fibre", "direction", "wavelength_nm")
        settled = {field: self.settled(field)[0] for field in fields}
        return cable_key(self), *(settled | other).values()


def claims_of(raw: RawShot, naming: Naming) -> Claims:
    """Collect what every source says of a file."""
    path = PurePosixPath(raw.file.path)
    by_source: list[tuple[Source, Claim]] = []
    if naming.mapping and (mapped := naming.mapping.claim(raw.file.path)):
        by_source.append((Source.MAPPING, mapped))
    if naming.pattern and (matched := naming.pattern.claim(raw.file.path)):
        by_source.append((Source.PATTERN, matched))
    if raw.identity is not None:
        by_source.append((Source.HEADER, _claim_of_header(raw.identity)))
    top = _NOT_AN_ARCHIVE.sub("", path.parts[0]) if len(path.parts) > 1 else None
    folder = claim_of_folder(reversed(path.parts[:-1]))
    by_source.append((Source.NAME, claim_of_name(path.name)))
    by_source.append((Source.FOLDER, replace(folder, cable=top)))
    return Claims(raw, tuple(by_source))


def _claim_of_header(identity: Identity) -> Claim:
    """Read what a header claims but the direction: what its ends mean the other files tell."""
    number = _LAST_NUMBER.search(identity.fibre)
    return Claim(
        " ".join(identity.cable.split()) or None,
        int(number[1]) or None if number else None,
        None,
        usual_wavelength(identity.nominal_wavelength_nm) or None,
    )


def by_cable(claims: Sequence[Claims]) -> dict[str, list[int]]:
    """Numbers of the readable files of each cable."""
    groups: dict[str, list[int]] = defaultdict(list)
    for number, claim in enumerate(claims):
        if claim.raw.identity is not None:
            groups[cable_key(claim)].append(number)
    return dict(sorted(groups.items()))


def cable_of(members: Sequence[Claims]) -> str:
    """Name of the cable of files that are of one, as most of them spell it."""
    spellings = Counter(str(member.settled("cable")[0] or "") for member in members)
    return min(spellings, key=lambda name: (-spellings[name], name))


def cable_key(claims: Claims) -> str:
    """Name of a file's cable, made alike however it was typed.

    Case, spaces, hyphens and underscores do not tell two cables apart; a point does: 1.2 is not 12.
    """
    return _BETWEEN.sub("", str(claims.settled("cable")[0] or "").casefold())


def time_of(member: Claims) -> float:
    """Time of a shot in seconds; infinite if not known."""
    identity = member.raw.identity
    return identity.taken.timestamp() if identity and identity.taken else float("inf")

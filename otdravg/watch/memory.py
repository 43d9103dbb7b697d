"""What was said already, and which file came when: one small file, always whole.

Everything else is derived from the folder. The file may be lost: then what stands is said once
more, and the order in which files came is known by their clocks alone.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from otdravg.system.atomic import write_atomic
from otdravg.system.ordinary import open_ordinary

_FORMAT = "otdravg.watch/1"
#: A larger file is none of ours: room for 100,000 files with long names. Chosen, not derived.
_MOST_BYTES = 64_000_000


def usual_place(folders: Sequence[Path]) -> Path:
    """Where the memory of a watch lies: among the user's own files, never beside the shots."""
    if os.name == "nt":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    else:
        base = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    names = "\n".join(os.path.realpath(folder) for folder in folders)
    return base / "otdravg" / f"watch-{hashlib.sha256(names.encode()).hexdigest()[:16]}.json"


@dataclass(frozen=True, slots=True)
class Memory:
    """What a watch knows from before."""

    said: Mapping[str, str] = field(default_factory=dict)  # by the key of the event
    arrived: Mapping[str, int] = field(default_factory=dict)  # look at which it came, by its hash
    looks: int = 0

    @classmethod
    def read(cls, place: Path) -> Memory:
        """Read it; an empty one if there is none, or what is there is damaged."""
        try:
            with open_ordinary(os.fspath(place)) as stream:
                found = json.loads(stream.read(_MOST_BYTES))
            if found["format"] != _FORMAT:
                return cls()
            said = {str(key): str(text) for key, text in found["said"].items()}
            arrived = {str(path): int(look) for path, look in found["arrived"].items()}
            return cls(said, arrived, int(found["looks"]))
        except FileNotFoundError:
            return cls()
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return cls()  # torn or foreign: what stands is said once more

    def write(self, place: Path) -> None:
        """Write it, complete or not at all.

        Raises
        ------
        OSError, OutputRefused
            If it cannot be written, as on a full disk.
        """
        place.parent.mkdir(parents=True, exist_ok=True)
        content = {
            "format": _FORMAT,
            "looks": self.looks,
            "said": self.said,
            "arrived": self.arrived,
        }
        text = json.dumps(content, ensure_ascii=True, indent=0)
        write_atomic(place, text.encode("ascii"), overwrite=True)

    def after_look(self, hashes: Sequence[str]) -> Memory:
        """Return it with one more look, and the contents that came with it.

        What was seen once is never forgotten: a file that is copied back, or renamed, is as old
        as it was.
        """
        looks = self.looks + 1
        new = {short(sha256): looks for sha256 in hashes if sha256}
        return Memory(self.said, {**new, **self.arrived}, looks)

    def looks_of(self, files: Mapping[str, str]) -> dict[str, int]:
        """Return the look at which each file came, by path; given are the hashes."""
        return {path: self.arrived[short(own)] for path, own in files.items() if own}


def short(sha256: str) -> str:
    """Shorten a hash: 64 bits tell the files of a cable apart."""
    return sha256[:16]

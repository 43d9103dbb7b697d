"""Tiny cable runs, invented and simulated, and what can go wrong with a crew's folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, timezone
from functools import lru_cache
from pathlib import Path
from random import Random

from mutations import TEXTS, damaged
from odd_shots import odd
from simulated import Fibre, Joint, JointKind, Label, Section
from specimens import shot_bytes

from otdravg import sor
from otdravg.errors import OtdravgError

__all__ = ["Folder", "drawn"]

END_A, END_B = "Quillhaven hut", "Brackenfold hut"
FIRST = datetime(2024, 5, 14, 7, 30, tzinfo=timezone.utc)

#: Names that a file can have where the system allows them.
ODD_NAMES = (
    *("=HYPERLINK(1).sor", "<script>.sor", "a\nb.sor", "‮ros.txt.sor", "x\x1b[31m.sor", "'\".sor"),
    *("CON.sor", " .sor", ".sor", ".hidden.sor", "..sor", "n" * 200 + ".sor", "SIMQ_F001.SOR"),
    *("F00002.sor", "99999999999999999999.sor", "1-2-3-4.sor", "٣.sor", "Žižkov 2 AB.sor"),
    *("SIMQ_F002_1550_AB (2).sor", "SIMQ_F001_1310_BA.sor", "nan.sor", "SIMQ_F000_1550_AB.sor"),
)
ODD_FOLDERS = ("A", "B", "a to b", "1310", "fibre 3", "x.sor", "\n", "deep/deeper/deepest", "…")


@dataclass
class Folder:
    """Files by their paths below the folder; ``late`` are those of the after-repair folder."""

    files: dict[str, bytes]
    late: dict[str, bytes] = field(default_factory=dict)
    links: dict[str, str] = field(default_factory=dict)  # symbolic links and what they point to

    def write(self, place: Path) -> list[Path]:
        """Write everything below a place, and return the folders to review."""
        folders = [place / "shots"]
        _write(folders[0], self.files)
        for path, target in self.links.items():
            where = folders[0] / path
            where.parent.mkdir(parents=True, exist_ok=True)
            if not os.path.lexists(where):
                where.symlink_to(target)
        if self.late:
            folders.append(place / "repaired")
            _write(folders[1], self.late)
        return folders


def _write(folder: Path, files: dict[str, bytes]) -> None:
    folder.mkdir()
    for path, data in files.items():
        with contextlib.suppress(OSError):  # a folder has that name, or the system has no such
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(data)


def drawn(rng: Random) -> Folder:
    """A run of two to four fibres, changed in none to five ways."""
    cords = rng.random() < 0.5
    wavelengths = rng.choice(((1550,), (1550,), (1550,), (1310, 1550)))
    in_folders = rng.random() < 0.3
    files = {
        f"{direction}/" * in_folders + f"SIMQ_F{fibre:03}_{nm}_{direction}.sor": _shot(
            fibre, nm, direction, cords
        )
        for fibre in range(1, rng.choice((2, 2, 2, 3, 4)) + 1)
        for nm in wavelengths
        for direction in ("AB", "BA")
    }
    folder = Folder(files)
    for _ in range(rng.choice((0, 1, 1, 2, 3, 5))):
        rng.choice(_CHANGES)(rng, folder)
    return folder


@lru_cache(maxsize=64)
def _shot(fibre: int, nm: int, direction: str, cords: bool) -> bytes:
    """One shot of one fibre of the run; the glass depends on the fibre's number alone."""
    own = Random(f"glass {fibre}")
    alpha = {1310: 0.33, 1550: 0.19}[nm]
    levels = [own.uniform(-0.06, 0.06) for _ in range(3)]
    way = Fibre(
        tuple(
            Section(length_m * own.uniform(0.999, 1.001), alpha, level)
            for length_m, level in zip((700.0, 900.0, 600.0), levels, strict=True)
        ),
        tuple(Joint(round(own.uniform(0.02, 0.25), 3)) for _ in range(2)),
        end_b_reflectance_db=-14.7,
    )
    from_b = direction == "BA"
    way = way.reversed() if from_b else way
    if cords:
        cord = Section(300.0, alpha)
        way = way.with_cords(cord, cord, Joint(0.2, -50.0, JointKind.CONNECTOR))
    label = Label(
        cable="SIMQ",
        fibre=f"{fibre:03}",
        location_a=END_B if from_b else END_A,
        location_b=END_A if from_b else END_B,
        nominal_wavelength_nm=nm,
        taken=FIRST + timedelta(minutes=fibre, days=from_b),
        user_offset_m=300.0 if cords else 0.0,
    )
    data = shot_bytes(way, label, seed=own.randrange(1000) + 2 * nm + from_b, spacing_m=6.0)
    file = sor.decode(data)
    return sor.encode(sor.replace(file, fixed=replace(file.fixed, wavelength_0p1nm=10 * nm)))


# --- what can go wrong -----------------------------------------------------------------


def _one(rng: Random, folder: Folder) -> str:
    return rng.choice(sorted(folder.files) or [""])


def _broken(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    if is_shot(folder.files.get(path)):
        folder.files[path] = damaged(rng, folder.files[path])


def _oddly_shot(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    if is_shot(folder.files.get(path)):
        folder.files[path] = odd(rng, folder.files[path])


def is_shot(data: bytes | None) -> bool:
    """Whether these bytes can be taken apart: a trace file without damage."""
    try:
        return data is not None and not {"block-truncated", "block-repeated"} & {
            f.code for f in sor.decode(data).findings
        }
    except OtdravgError:
        return False


def _relabelled(rng: Random, folder: Folder) -> None:
    """Another text in a header field of one file, or of all."""
    field_name = rng.choice(("cable_id", "fibre_id", "location_a", "location_b", "comment"))
    text = sor.Text(rng.choice((*TEXTS, b"", b"1", b"002", b"F3", b"0", b"-1", b"99999999999")))
    paths = sorted(folder.files) if rng.random() < 0.2 else [_one(rng, folder)]
    for path in paths:
        data = folder.files.get(path, b"")
        try:
            file = sor.decode(data)
            general = replace(file.general, **{field_name: text})
            folder.files[path] = sor.encode(sor.replace(file, general=general))
        except OtdravgError:
            continue


def _redated(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    try:
        file = sor.decode(folder.files.get(path, b""))
        fixed = replace(file.fixed, timestamp_s=rng.choice((0, 1, 2**31, 2**32 - 1)))
        folder.files[path] = sor.encode(sor.replace(file, fixed=fixed))
    except OtdravgError:
        return


def _renamed(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    name = rng.choice(ODD_NAMES)
    if os.name == "posix" and rng.random() < 0.1:
        name = os.fsdecode(b"F\xff\xfe1.sor")
    if path:
        folder.files[name] = folder.files.pop(path)


def _moved(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    if path:
        folder.files[f"{rng.choice(ODD_FOLDERS)}/{Path(path).name}"] = folder.files.pop(path)


def _lost(rng: Random, folder: Folder) -> None:
    folder.files.pop(_one(rng, folder), None)


def _one_way(rng: Random, folder: Folder) -> None:
    """Everything from one end is missing."""
    end = rng.choice(("AB", "BA"))
    folder.files = {path: data for path, data in folder.files.items() if end not in path}


def _copied(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    if path:
        name = rng.choice((f"copy of {Path(path).name}", *ODD_NAMES))
        folder.files[name] = folder.files[path]


def _swapped(rng: Random, folder: Folder) -> None:
    """Two files under each other's name: crossed fibres, or both ends mixed up."""
    one, other = _one(rng, folder), _one(rng, folder)
    if one:
        files = folder.files
        files[one], files[other] = files[other], files[one]


def _all_the_same(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    folder.files = dict.fromkeys(folder.files, folder.files.get(path, b""))


def _other_files(rng: Random, folder: Folder) -> None:
    name = rng.choice(("notes.txt", "Thumbs.db", "empty.sor", "letter.sor", "sub/.DS_Store"))
    folder.files[name] = rng.choice((b"", b"Dear colleague", bytes(3000), rng.randbytes(500)))


def _linked(rng: Random, folder: Folder) -> None:
    path = _one(rng, folder)
    name = rng.choice(("link.sor", "SIMQ_F002_1550_AB.sor", "sub/link.sor", "link.txt"))
    folder.links[name] = rng.choice((path or "x", "nowhere.sor", ".", "link.sor", "/dev/null"))


def _repaired(rng: Random, folder: Folder) -> None:
    """Some files again in a second folder, as shot after a repair."""
    for path in sorted(folder.files)[: rng.randint(1, 4)]:
        folder.late[path] = folder.files[path]
        try:
            file = sor.decode(folder.files[path])
            fixed = replace(file.fixed, timestamp_s=min(file.fixed.timestamp_s + 9000, 2**32 - 1))
            folder.late[path] = sor.encode(sor.replace(file, fixed=fixed))
        except OtdravgError:
            continue


Change = Callable[[Random, Folder], None]
_CHANGES: tuple[Change, ...] = (
    *(_broken, _broken, _oddly_shot, _oddly_shot, _oddly_shot, _relabelled, _relabelled, _redated),
    *(_renamed, _moved, _lost, _one_way, _copied, _swapped, _all_the_same, _other_files, _linked),
    _repaired,
)

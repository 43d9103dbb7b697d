"""A cable run of a stranger: every hostile text in its files, folders and tables.

The glass is the simulated demo's; only texts are exchanged.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from hostile_text import FILE_NAMES, HOSTILE

from otdravg import sor
from otdravg.simulate.demo import write_demo

FIBRES = 12
#: How the files of this run are named: what tells them apart, then the hostile part.
NAME_PATTERN = "F{fibre}_{wavelength}_{direction}~{any}.sor"
#: The cable's name, which stands nearly everywhere.
CABLE = '=1+1<b onclick="x">{{7*7}}\x1b[31m\u202e\n../"'

#: Texts that the table of closures gives as names.
CLOSURES = (
    "formula", "script end", "newline", "clear screen", "right-to-left override", "parent",
    "handler", "template", "combining flood",
)  # fmt: skip

_HEADER_FIELDS = ("fibre_id", "location_a", "location_b", "operator", "comment")
#: Texts that a strict UTF-8 file, a TOML text or an argument of a command can hold.
_TEXTS = [text for text in HOSTILE.values() if text.strip()]


@dataclass(frozen=True, slots=True)
class HostileRun:
    """Where the run lies."""

    folder: Path
    shots: Path
    closures: Path
    decisions: Path
    template: Path

    @property
    def options(self) -> tuple[str, ...]:
        """Arguments of ``otdravg cable`` behind its folder."""
        return (
            "--name-pattern", NAME_PATTERN, "--closures", str(self.closures),
            "--decisions", str(self.decisions), "--template", str(self.template),
            "--workers", "1",
        )  # fmt: skip


def with_texts(sor_file: sor.SorFile, texts: dict[str, str | bytes]) -> sor.SorFile:
    """A trace file with other texts in its header, its waveform unchanged."""
    changed = {
        field: sor.Text(text if isinstance(text, bytes) else text.encode())
        for field, text in texts.items()
    }
    return sor.build(
        general=replace(sor_file.general, **changed),
        supplier=replace(sor_file.supplier, supplier=changed.get("operator", sor.Text(b"x"))),
        fixed=sor_file.fixed,
        points=[run.raw for run in sor_file.data.runs],
        scale_1000=[run.scale_1000 for run in sor_file.data.runs],
        events=sor_file.events,
    )


def write_hostile_run(folder: Path) -> HostileRun:
    """Write shots of 16 fibres, a table of closures, decisions and a template."""
    write_demo(folder / "plain", fibres=FIBRES, wavelengths=(1550,))
    shots = folder / "shots"
    names = list(FILE_NAMES.values())
    for number, plain in enumerate(sorted((folder / "plain").rglob("*.sor"))):
        fibre, from_a = number // 2 + 1, number % 2 == 0
        texts = {
            field: _TEXTS[(5 * number + k) % len(_TEXTS)] for k, field in enumerate(_HEADER_FIELDS)
        }
        file = with_texts(sor.read(plain), {**texts, "cable_id": CABLE})
        directory = os.fsencode(shots) + b"/" + names[(2 * number + 1) % len(names)]
        os.makedirs(directory, exist_ok=True)
        start = f"F{fibre:03d}_1550_{'AB' if from_a else 'BA'}~".encode()
        place = directory + b"/" + start + names[2 * number % len(names)] + b".sor"
        with open(place, "wb") as stream:
            stream.write(sor.encode(file))
    for name in names:  # what is no trace file at all is listed too
        with open(os.fsencode(shots) + b"/stray " + name, "wb") as stream:
            stream.write(b"not a shot")
    return HostileRun(folder, shots, *_papers(folder))


def _papers(folder: Path) -> tuple[Path, Path, Path]:
    closures, decisions = folder / "closures.csv", folder / "decisions.csv"
    template = folder / "template.toml"
    names = [HOSTILE[what].strip() for what in CLOSURES]
    _write_csv(closures, ("name", "distance"), [(text, 900 * n) for n, text in enumerate(names, 1)])
    when, cells = "2024-05-14T09:30", _distinct_cells()
    _write_csv(
        decisions,
        ("what", "who", "when", "why", "fibre", "closure", "value"),
        [
            *(("name-closure", text, when, text, "", n % 4 + 1, text) for n, text in
              enumerate(cells)),
            *(("accept", text, when, text, n % FIBRES + 1, "1", "") for n, text in
              enumerate(cells)),
        ],
    )  # fmt: skip
    lines = [
        f"{key} = {_toml(text)}"
        for key, text in (
            ("company", HOSTILE["formula"]),
            ("owner", HOSTILE["script"]),
            ("project", HOSTILE["clear screen"]),
            ("title", HOSTILE["handler"] + HOSTILE["right-to-left override"]),
        )
    ]
    template.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return closures, decisions, template


def _distinct_cells() -> list[str]:
    """Texts that differ after a table has taken the blanks around them off."""
    return sorted({text.strip() for text in _TEXTS} - {""})


def _write_csv(path: Path, names: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    with open(path, "w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(names)
        writer.writerows(rows)


def _toml(text: str) -> str:
    """A TOML basic string; what TOML 1.0 does not allow in one is written ``\\uXXXX``."""
    return '"' + "".join(c if c.isalnum() else f"\\U{ord(c):08x}" for c in text) + '"'

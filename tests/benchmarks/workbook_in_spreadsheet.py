"""Convert a closeout's workbook with LibreOffice and compare every splice with the CSV table.

Usage: ``python tests/benchmarks/workbook_in_spreadsheet.py CLOSEOUT_DIR``. Needs ``soffice``
(Debian: ``libreoffice-calc-nogui``). Not part of the tests: installing it takes minutes.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
from decimal import Decimal, InvalidOperation
from pathlib import Path

#: Token 12 of the CSV export filter: which sheet, -1 for every sheet in a file of its own.
_FILTER = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"
_MOST_SHOWN = 20
_COLUMNS = {
    "Fibre": "fibre",
    "Wavelength, nm": "wavelength_nm",
    "Distance from A, m": "distance_m",
    "Reading A→B, dB": "loss_ab_db",
    "Reading B→A, dB": "loss_ba_db",
    "True loss, dB": "loss_db",
    "U (k = 2), dB": "expanded_uncertainty_db",
    "Verdict": "verdict",
}


def _same(here: str, there: str) -> bool:
    """Whether two cells hold the same figure or text; 0.1 and 0.100 are the same figure."""
    try:
        return Decimal(here) == Decimal(there)
    except InvalidOperation:
        return here == there


def main(folder: Path) -> int:
    """Return the number of cells that differ."""
    with tempfile.TemporaryDirectory() as place:
        subprocess.run(
            [
                "soffice",
                "--headless",
                f"-env:UserInstallation=file://{place}/profile",
                "--convert-to",
                _FILTER,
                "--outdir",
                place,
                str(folder / "closeout.xlsx"),
            ],
            check=True,
            capture_output=True,
        )
        with open(Path(place) / "closeout-All values.csv", encoding="utf-8", newline="") as stream:
            converted = list(csv.DictReader(stream))
    with open(folder / "splices.csv", encoding="utf-8", newline="") as stream:
        written = list(csv.DictReader(stream))
    if len(converted) != len(written):
        print(f"{len(converted)} rows converted, {len(written)} written")
        return 1
    differences = 0
    for here, there in zip(converted, written, strict=True):
        for heading, name in _COLUMNS.items():
            if _same(here[heading], there[name]):
                continue
            differences += 1
            if differences <= _MOST_SHOWN:
                print(f"fibre {there['fibre']}: {heading}: {here[heading]!r} {there[name]!r}")
    print(f"{len(written)} splices, {differences} cells differ")
    return differences


if __name__ == "__main__":
    sys.exit(min(main(Path(sys.argv[1])), 1))

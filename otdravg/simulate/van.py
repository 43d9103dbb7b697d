"""The lists of the crew of a demo: as somebody typed them, mistakes and all, and as they are meant.

Everything is invented and follows from the simulated glass: splices were made before the shots,
readings are what light source and power meter would show, marks run along the reels.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import accumulate

import numpy as np

from otdravg.simulate.takes import FIRST_SHOT, Site, Take

#: The ribbon that is turned over by plan, in the second closure.
ROLLED_RIBBON, _ROLLED_AT = 2, 2
#: Fibre in a cable is longer than the cable by this factor, as the simulated glass is.
_FIBRE_PER_CABLE = 1.003
#: Two end connectors and the error of the reference, dB, and how readings scatter (invented).
_CONNECTORS_DB, _SCATTER_DB = 0.45, 0.04
#: Ribbons to a tray and to a tube (invented), and minutes from ribbon to ribbon.
_TO_A_TRAY, _TO_A_TUBE, _MINUTES = 6, 6, 12
#: Attenuation that a reel's record has, dB/km (invented), by wavelength in nm.
_RECORDED = {1310: "0.33", 1550: "0.19", 1625: "0.20"}

_Table = list[list[str]]


def as_rolled(take: Take, size: int) -> Take:
    """Return a shot from B whose number is counted at B, where a ribbon was turned over."""
    first, last = (ROLLED_RIBBON - 1) * size + 1, ROLLED_RIBBON * size
    if take.direction != "BA" or not first <= take.fibre <= last:
        return take
    return Take(take.fibre, take.nm, take.direction, of_fibre=first + last - take.fibre)


def van_papers(
    site: Site, fibres: int, wavelengths_nm: Sequence[int], shots: str, *, rolled: bool
) -> dict[str, bytes]:
    """Write a job and its lists twice, by path below the van's folder.

    Parameters
    ----------
    shots : str
        Where the shots lie, from either of the two folders.
    rolled : bool
        Whether a ribbon was turned over (:func:`as_rolled`).
    """
    meant = {
        "closures": _closures(site),
        "reels": _reels(site),
        "instruments": [["instrument", "calibration_due", "linearity"],
                        ["otdravg.simulate", "2025-03-31", "0.02"]],
        "route": _route(site),
        "power": _power(site, fibres, wavelengths_nm, rolled=rolled),
        "splice-plan": _plan(site, fibres, rolled=rolled),
        "splice-log": _log(site, fibres, wavelengths_nm[-1]),
    }  # fmt: skip
    job = _job(site, fibres, wavelengths_nm, shots)
    papers = {f"{folder}/job.toml": job for folder in ("as-typed", "mended")}
    for name, table in meant.items():
        papers[f"mended/{name}.csv"] = _csv(table, ",")
        papers[f"as-typed/{name}.csv"] = _csv(_mistyped(table, _MISTAKES[name]), ";")
    return papers


#: What was mistyped in each list: line (from 1 behind the header), column, and what stands there.
_MISTAKES: Mapping[str, Sequence[tuple[int, str, str]]] = {
    "closures": ((2, "distance", "4.294"),),  # metres or kilometres?
    "reels": ((1, "fibre_type", "G652"), (2, "length", "2,410 m")),
    "instruments": ((1, "calibration_due", "31/03/2025"),),  # day or month first?
    "route": ((2, "kind", "manhol"),),
    "power": ((3, "loss", "2,o4"), (5, "source_at", "hut")),
    "splice-plan": ((1, "reversed", "maybe"), (2, "closure", "J2 Oterstone")),
    "splice-log": ((1, "date_time", "06/05/24 8:00"), (2, "tries", "two")),
}


def _mistyped(table: _Table, mistakes: Sequence[tuple[int, str, str]]) -> _Table:
    """Return a table as it was typed, in a spreadsheet with a comma for decimals."""
    typed = [table[0], *([cell.replace(".", ",") if _is_figure(cell) else cell for cell in row]
                         for row in table[1:])]  # fmt: skip
    for line, column, text in mistakes:
        if line < len(typed):
            typed[line] = [*typed[line]]
            typed[line][table[0].index(column)] = text
    return typed


def _is_figure(cell: str) -> bool:
    return cell.count(".") == 1 and cell.replace(".", "").isdigit()


def _csv(table: _Table, separator: str) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=separator, lineterminator="\r\n").writerows(table)
    return b"\xef\xbb\xbf" + text.getvalue().encode("utf-8")


def _job(site: Site, fibres: int, wavelengths_nm: Sequence[int], shots: str) -> bytes:
    run = site.run
    return f"""# A simulated job: cable, places and crew are invented. The lists lie beside it.
format = 1
cable = "{run.cable}"
fibres = {fibres}
wavelengths = [{", ".join(map(str, wavelengths_nm))}]
ribbon = {site.ribbon_size}
shots = ["{shots}"]

[ends]
a = "{run.end_a}"
b = "{run.end_b}"
""".encode()


def _closures(site: Site) -> _Table:
    at_m = accumulate(site.run.lengths_m)
    rows = [
        [name, f"{metres * _FIBRE_PER_CABLE:.0f}m"]
        for name, metres in zip(site.run.closures, at_m, strict=False)
    ]
    return [["name", "distance"], *rows]


def _reels(site: Site) -> _Table:
    names = [f"attenuation_{nm}" for nm in _RECORDED]
    return [
        ["reel", "fibre_type", "length", *names],
        *([f"R-{101 + n}", "G.652", f"{metres:.0f}m", *_RECORDED.values()]
          for n, metres in enumerate(site.run.lengths_m)),
    ]  # fmt: skip


def _route(site: Site) -> _Table:
    """Ends and closures, and a manhole in the middle of each reel; every reel has its own marks."""
    run = site.run
    rows = [["place", "kind", "mark_in", "mark_out", "slack_m", "reel"]]
    places = [run.end_a, *run.closures, run.end_b]
    for n, name in enumerate(places):
        begins, ends = 1000 * n + 120, 1000 * (n - 1) + 120
        is_last = n == len(places) - 1
        kind = "closure" if 0 < n < len(places) - 1 else "end"
        mark_in = "" if n == 0 else str(round(ends + run.lengths_m[n - 1]))
        reel = "" if is_last else f"R-{101 + n}"
        rows.append([name, kind, mark_in, "" if is_last else str(begins), "", reel])
        if not is_last:
            middle = str(round(begins + run.lengths_m[n] / 2))
            rows.append([f"MH {2 * n + 1}", "manhole", middle, middle, "", ""])
    return rows


def _power(site: Site, fibres: int, wavelengths_nm: Sequence[int], *, rolled: bool) -> _Table:
    rng = np.random.default_rng((site.seed, 8))
    rows = [["fibre", "source_at", "wavelength", "loss", "arrives", "tester", "uncertainty"]]
    for fibre in range(1, fibres + 1):
        arrives = as_rolled(Take(fibre, 0, "BA"), site.ribbon_size).of_fibre if rolled else None
        for nm in wavelengths_nm:
            glass = site.glass(fibre, nm)
            sections = sum(s.length_m * s.attenuation_db_per_km for s in glass.sections) / 1000
            loss_db = sections + sum(joint.loss_db for joint in glass.joints)
            read_db = loss_db + _CONNECTORS_DB + rng.normal(0, _SCATTER_DB)
            rows.append([str(fibre), "A", str(nm), f"{read_db:.2f}", str(arrives or fibre),
                         "LSPM 3", "0.2"])  # fmt: skip
    return rows


def _plan(site: Site, fibres: int, *, rolled: bool) -> _Table:
    rows = [["closure", "tube_in", "ribbon_in", "tube_out", "ribbon_out", "reversed", "express",
             "tray", "slot"]]  # fmt: skip
    for number, closure in enumerate(site.run.closures, start=1):
        for ribbon in range(1, -(-fibres // site.ribbon_size) + 1):
            turned = rolled and (ribbon, number) == (ROLLED_RIBBON, _ROLLED_AT)
            tube, tray = str((ribbon - 1) // _TO_A_TUBE + 1), (ribbon - 1) // _TO_A_TRAY + 1
            rows.append([closure, tube, str(ribbon), tube, str(ribbon), "yes" if turned else "no",
                         "no", str(tray), str((ribbon - 1) % _TO_A_TRAY + 1)])  # fmt: skip
    return rows


def _log(site: Site, fibres: int, nm: int) -> _Table:
    """Closure after closure, ribbon after ribbon, finished before the first shot."""
    size = site.ribbon_size
    ribbons = range(1, -(-fibres // size) + 1)
    count = len(ribbons) * len(site.run.closures)
    when = (FIRST_SHOT - timedelta(minutes=_MINUTES * count, days=1)).replace(tzinfo=None)
    when = datetime(when.year, when.month, when.day, 8)
    rng = np.random.default_rng((site.seed, 9))
    largest = {ribbon: _largest_db(site, ribbon, fibres, nm) for ribbon in ribbons}
    rows = [["date_time", "closure", "ribbon", "splicer", "cleaver", "blade_position",
             "electrodes_changed", "estimated_highest_db", "tries", "person",
             "remark"]]  # fmt: skip
    for number, closure in enumerate(site.run.closures):
        for ribbon in ribbons:
            guess_db = max(0.5 * largest[ribbon][number] + rng.normal(0, 0.01), 0.01)
            rows.append([f"{when:%Y-%m-%d %H:%M}", closure, str(ribbon), "SM-2", "CL-1",
                         str(1 + len(rows) // 40), "", f"{guess_db:.2f}", "1",
                         ("KL", "RV")[number % 2], "simulated"])  # fmt: skip
            when += timedelta(minutes=_MINUTES)
    return rows


def _largest_db(site: Site, ribbon: int, fibres: int, nm: int) -> list[float]:
    """Largest true loss of a ribbon in each closure."""
    size = site.ribbon_size
    members = range((ribbon - 1) * size + 1, min(ribbon * size, fibres) + 1)
    closures = len(site.run.closures)
    losses = [[joint.loss_db for joint in site.glass(f, nm).joints[:closures]] for f in members]
    return [max(own) for own in zip(*losses, strict=True)]

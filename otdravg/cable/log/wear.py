"""Wear of blades and electrodes: loss against the fibres that were cleaved since the last turn.

A ribbon is cleaved whole: a 12-fibre ribbon wears a blade as 12 fibres do, and each try cleaves
both sides of the splice (common practice, no source). Electrodes are counted in fibres as well.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from otdravg.cable.log.model import LogLine, Tool, Wear, in_order, stretches
from otdravg.cable.patterns.robust import robust_fit

FloatArray = npt.NDArray[np.float64]
#: Fibres since the last turn or change, by line, and the number of that stretch of its tool.
Since = Mapping[int, tuple[int, int]]

#: Both sides of a splice are cleaved.
_SIDES = 2
#: Fewer degrees of freedom tell no slope.
_LEAST_FREEDOM = 6
#: A slope is in the span of the design if it is reproduced to this.
_TOLD = 1e-6


def fibres_since(lines: Sequence[LogLine], size: int) -> tuple[Since, Since]:
    """Count what wore a tool before the splice that stands was cleaved.

    Parameters
    ----------
    lines : sequence of LogLine
    size : int
        Fibres of a ribbon; 1 in loose tube.

    Returns
    -------
    blade, electrodes : mapping
        By the line's number: fibres since the last turn of its blade, or since the last change of
        the electrodes, and which stretch it is of its tool, from 0.
    """
    own: dict[str, list[list[LogLine]]] = defaultdict(list)
    for cleaver, _, stretch in stretches(lines):
        own[cleaver].append(stretch)
    blade = _counted(own, _SIDES * size)
    own = defaultdict(list)
    for line in in_order(lines):
        if line.electrodes_changed or line.splicer not in own:
            own[line.splicer].append([])
        own[line.splicer][-1].append(line)
    return blade, _counted(own, size)


def _counted(own: Mapping[str, Sequence[Sequence[LogLine]]], fibres_each: int) -> Since:
    since = {}
    for tool_stretches in own.values():
        for number, stretch in enumerate(tool_stretches):
            count = 0
            for line in stretch:
                count += fibres_each * line.tries
                since[line.line] = count - fibres_each, number
    return since


def wear_of(
    lines: Sequence[LogLine], levels_db: Mapping[int, float], size: int, at: Mapping[int, int]
) -> tuple[Wear, ...]:
    """Fit how loss rises with use, tool by tool.

    Parameters
    ----------
    lines : sequence of LogLine
        The whole log: what was not measured has worn the tools too.
    levels_db : mapping
        Median true loss of the fibres of a ribbon, dB, by the number of its line.
    size : int
        Fibres of a ribbon; 1 in loose tube.
    at : mapping
        Number of the closure, by the number of the line.

    Returns
    -------
    tuple of Wear
        With its uncertainty, whether or not it is told from nothing.

    Notes
    -----
    One robust fit (:func:`.robust.robust_fit`) of all levels: a level for each closure, a slope for
    each cleaver and each splicer, and a level for the first stretch of each, whose tool was not new
    when the log began. What the log cannot tell apart is told together.
    """
    blade, electrodes = fibres_since(lines, size)
    used = [line for line in in_order(lines) if line.line in levels_db]
    if not used:
        return ()
    levels = np.array([levels_db[line.line] for line in used])
    places = [at[line.line] for line in used]
    offsets = [[float(place == one) for place in places] for one in sorted(set(places))]
    slopes: list[tuple[Tool, str, list[float]]] = []
    for tool, since in ((Tool.BLADE, blade), (Tool.ELECTRODES, electrodes)):
        names = [line.cleaver if tool is Tool.BLADE else line.splicer for line in used]
        counted = [since[line.line] for line in used]
        for name in sorted(set(names)):
            own = [one == name for one in names]
            fibres = [x / 1000 * ok for (x, _), ok in zip(counted, own, strict=True)]
            slopes.append((tool, name, fibres))
            offsets.append([float(ok and n == 0) for (_, n), ok in zip(counted, own, strict=True)])
    slopes = [one for one in slopes if np.ptp(one[2]) > 0]
    told = _told(slopes, offsets)
    design = np.array([own for _, _, own in told] + offsets).T
    if not told:
        return ()
    fit = robust_fit(design, levels)
    if fit.freedom < _LEAST_FREEDOM:
        return ()
    u = np.sqrt(np.diag(fit.covariance))
    return tuple(
        _wear(
            tool, name, lines, size, (blade, electrodes),
            (float(fit.values[n]), float(u[n]), fit.freedom), len(told),
        )
        for n, (tool, name, _) in enumerate(told)
    )  # fmt: skip


def _told(
    slopes: Sequence[tuple[Tool, str, list[float]]], offsets: Sequence[list[float]]
) -> list[tuple[Tool, str, list[float]]]:
    """Slopes that a log tells; a blade's stands for the electrodes' too where both rise alike."""
    every = [*slopes]
    if all(_is_told(n, every, offsets) for n in range(len(every))):
        return every
    blades = [one for one in slopes if one[0] is Tool.BLADE]
    return [
        (Tool.EITHER, name, own)
        for n, (_, name, own) in enumerate(blades)
        if _is_told(n, blades, offsets)
    ]


def _is_told(
    n: int, slopes: Sequence[tuple[Tool, str, list[float]]], offsets: Sequence[list[float]]
) -> bool:
    design = np.array([own for _, _, own in slopes] + list(offsets)).T
    design = design / np.maximum(np.abs(design).max(axis=0), 1e-300)
    shown = np.linalg.pinv(design) @ design
    unit = np.eye(design.shape[1])[n]
    return bool(np.abs(shown[n] - unit).max() < _TOLD)


def _wear(
    tool: Tool,
    name: str,
    lines: Sequence[LogLine],
    size: int,
    since: tuple[Since, Since],
    slope: tuple[float, float, int],
    tested: int,
) -> Wear:
    """Tell the wear of one tool, of which so many were tested at once."""
    from scipy.special import stdtr  # half a second: not every command asks for wear

    is_blade = tool is not Tool.ELECTRODES
    own = [x for x in in_order(lines) if name == (x.cleaver if is_blade else x.splicer)]
    before, _ = since[not is_blade][own[-1].line]
    blade = next((x.blade for x in reversed(own) if x.blade), "") if is_blade else ""
    rise_db, u_db, freedom = slope
    chance = tested * float(stdtr(freedom, -rise_db / u_db)) if u_db > 0 else 1.0
    # The last splice has used its tool as well.
    fibres_now = before + (_SIDES if is_blade else 1) * size
    return Wear(tool, name, blade, fibres_now, rise_db, u_db, freedom, min(1.0, chance))

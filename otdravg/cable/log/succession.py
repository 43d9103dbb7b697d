"""Bad ribbons that follow each other closely, told from luck; never why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from otdravg.cable.log.model import LogLine, Succession, stretches

#: Chance that luck calls for a turn, as it is reckoned; one that holds in simulated logs of ever so
#: many ribbons is twice as high. Chosen, not derived: a turn takes a minute.
_LEVEL = 0.02
#: Bad ribbons come closely if so few, with those between them, hold them. Chosen, not derived.
_CLOSELY = 8
#: Share of bad ribbons before any is known, and how many ribbons that knowledge is worth. Chosen,
#: not derived: 1 % of single fibres over the limit make 11 % of 12-fibre ribbons.
_USUAL_SHARE, _USUAL_WORTH = 0.1, 10.0


def successions(lines: Sequence[LogLine], is_bad: Mapping[int, bool]) -> tuple[Succession, ...]:
    """Find stretches of a blade's position in which bad ribbons come too close together.

    Parameters
    ----------
    lines : sequence of LogLine
    is_bad : mapping
        Whether a ribbon is over its limit, by the number of its line; of what nobody has measured
        nothing is said.

    Returns
    -------
    tuple of Succession
        The most unlikely one of each stretch, if luck hardly brings one in any stretch of the log.

    Notes
    -----
    From each bad ribbon to each later one of a stretch: the binomial chance of at least so many in
    so few, at the share that all other ribbons of the log show; times the number of ribbons, as a
    succession may end at each.
    """
    every = [bad for line in lines if (bad := is_bad.get(line.line)) is not None]
    last = {cleaver: stretch[-1].line for cleaver, _, stretch in stretches(lines)}
    found = []
    for cleaver, blade, stretch in stretches(lines):
        known = [line for line in stretch if line.line in is_bad]
        at = [n for n, line in enumerate(known) if is_bad[line.line]]
        windows = [
            (_chance(last_n - first_n + 1, j - i + 1, every) * len(every), -j, i)
            for i, first_n in enumerate(at)
            for j, last_n in enumerate(at[i + 1 :], start=i + 1)
            if last_n - first_n < _CLOSELY
        ]
        chance, j, i = min(windows, default=(1.0, 0, 0))
        if chance < _LEVEL:
            window = tuple(known[at[i] : at[-j] + 1])
            worst = tuple(line for line in window if is_bad[line.line])
            elsewhere = sum(every) - len(worst), len(every) - len(window)
            is_in = last[cleaver] == stretch[-1].line
            found.append(Succession(cleaver, blade, window, worst, elsewhere, chance, is_in))
    return tuple(found)


def _chance(count: int, bad: int, every: Sequence[bool]) -> float:
    """Chance of so many bad ribbons or more among some, at the share of all the others."""
    from scipy.special import bdtrc  # half a second: not every command asks

    rest = len(every) - count, sum(every) - bad
    share = (rest[1] + _USUAL_SHARE * _USUAL_WORTH) / (rest[0] + _USUAL_WORTH)
    return float(bdtrc(bad - 1, count, share))

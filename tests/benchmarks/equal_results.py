"""Whether two measurements of the same files are equal: rows, verdicts and losses.

A measurement is what ``one_tree.py`` gives for a pair: ``{"rows": [...]}`` or ``{"refused": ...}``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

#: Losses may differ by so many standard uncertainties.
SAME_LOSS_U = 0.1


def matched(before: Any, now: Any, tolerance_m: float) -> Iterator[tuple[Any | None, Any | None]]:
    """Rows of both trees side by side, nearest first; ``None`` where one has no such row."""
    olds, news = before.get("rows", []), now.get("rows", [])
    gaps = sorted(
        (abs(old["distance_m"] - new["distance_m"]), k, j)
        for k, old in enumerate(olds)
        for j, new in enumerate(news)
    )
    partner: dict[int, int] = {}
    for gap_m, k, j in gaps:
        if gap_m <= tolerance_m and k not in partner and j not in partner.values():
            partner[k] = j
    for k, old in enumerate(olds):
        yield old, news[partner[k]] if k in partner else None
    for j, new in enumerate(news):
        if j not in partner.values():
            yield None, new


def differences(before: Any, now: Any, tolerance_m: float) -> list[tuple[str, str]]:
    """What differs between both trees for one pair: kind of difference, and the row."""
    if "refused" in before or "refused" in now:
        told = [each.get("refused", "measured") for each in (before, now)]
        return [] if told[0] == told[1] else [("refusal", f"{told[0]} → {told[1]}")]
    found = []
    for old, new in matched(before, now, tolerance_m):
        if old is None or new is None:
            row = old or new
            where = "only earlier" if new is None else "only now"
            found.append((f"row {where}", f"{row['distance_m']:.1f} m, {row['kind']}"))
            continue
        at = f"{old['distance_m']:.1f} m"
        found += [
            (key, f"{at}: {old[key]} → {new[key]}")
            for key in ("kind", "coverage", "verdict")
            if old[key] != new[key]
        ]
        losses = old["loss_db"], new["loss_db"]
        if (losses[0] is None) != (losses[1] is None):
            found.append(("loss there or not", f"{at}: {losses[0]} → {losses[1]}"))
        elif losses[0] is not None and abs(losses[1] - losses[0]) > SAME_LOSS_U * old["u_loss_db"]:
            off = abs(losses[1] - losses[0]) / old["u_loss_db"]
            found.append(
                ("loss", f"{at}: {losses[0]:.5f} → {losses[1]:.5f} dB, {off:.2f} u"),
            )
    return found

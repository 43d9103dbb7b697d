"""A job's file written: empty, from answers, or from what a first review shows."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from otdravg.cable.model import CableReview
from otdravg.errors import BadSetting
from otdravg.findings import says
from otdravg.job.keys import KEYS, JobKey
from otdravg.job.lists import LISTS, JobList
from otdravg.job.reading import FORMAT

#: What a job says, as TOML holds it: by the path of each key, and rows by the name of each list.
Values = Mapping[str, Any]


def typed(key: JobKey, text: str) -> Any:
    """Turn what somebody typed for a key into what its file would hold.

    A list is typed with commas. What is no number stays text, for the reader to refuse.
    """
    if key.kind in ("texts", "wavelengths", "colours"):
        parts = [part.strip() for part in text.split(",") if part.strip()]
        if key.kind == "wavelengths":
            return [_whole(part) for part in parts]
        return parts[0] if key.kind == "colours" and len(parts) == 1 else parts
    return _whole(text) if key.kind in ("whole", "one_of") else text.strip()


def _whole(text: str) -> int | str:
    return int(text) if text.strip().isascii() and text.strip().isdigit() else text.strip()


def typed_row(own: JobList, text: str) -> dict[str, str]:
    """Turn ``Otterstone=4.29km`` into a row of a list, the needed columns in order.

    Raises
    ------
    BadSetting
        If it has not one part for each of them.
    """
    parts = [part.strip() for part in text.rsplit("=", len(own.needed) - 1)]
    if len(parts) != len(own.needed) or not all(parts):
        names = "=".join(own.needed).upper()
        raise BadSetting(
            own.name, text, says("write-as-in", names=names, example=own.typed_example())
        )
    return dict(zip(own.needed, parts, strict=True))


def job_text(values: Values, origins: Mapping[str, str] | None = None) -> str:
    """Write a job: what is known as it is, all else as a comment to fill in.

    Parameters
    ----------
    values : mapping
        By path of a key; lists by their name, with a row of texts each.
    origins : mapping, optional
        A remark for some of them: where it comes from.
    """
    lines = [
        "# A job for otdravg. Lines behind # say nothing; docs/job.md explains every key.",
        f"format = {FORMAT}",
    ]
    tables: dict[str, list[str]] = {"": []}
    for key in KEYS:
        table, _, name = key.path.rpartition(".")
        own = tables.setdefault(table, [])
        remark = (origins or {}).get(key.path)
        own += ["", f"# {key.sentence()}." + (f" {remark}." if remark else "")]
        value = values.get(key.path)
        own.append(f"# {name} = {key.example}" if value is None else f"{name} = {_toml(value)}")
    lines += tables.pop("")
    for name, own in tables.items():
        used = any(not line.startswith("#") for line in own if line)
        lines += ["", f"[{name}]" if used else f"# [{name}]", *own[1:]]
    for listed in LISTS:
        lines += ["", *_list_lines(listed, values.get(listed.name, ()))]
    return "\n".join(lines) + "\n"


def _list_lines(own: JobList, rows: Iterable[Mapping[str, str]]) -> Iterator[str]:
    yield f"# {own.sentence()}; or {own.file} beside this file."
    for row in rows:
        yield f"[[{own.name}]]"
        yield from (f"{name} = {_toml(value)}" for name, value in row.items())
    if not rows:
        yield f"# [[{own.name}]]"
        yield from (f"# {name} = {_toml(value)}" for name, value in own.example_row().items())


def _toml(value: Any) -> str:
    """Write a value as TOML; the text of JSON is one of TOML but for one control character."""
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def from_review(review: CableReview) -> tuple[dict[str, Any], dict[str, str]]:
    """Return what the files of a first review show, and where each comes from.

    Raises
    ------
    BadSetting
        If they are of more than one cable, or of none.
    """
    cables = {r.taken_for.cable for r in review.shots if r.taken_for.fibre is not None}
    if len(cables) != 1:
        names = ", ".join(sorted(filter(None, cables))) or "no fibre"
        raise BadSetting("from", names, says("job-of-one"))
    shots = [r for r in review.shots if r.identity is not None]
    nm = Counter(r.taken_for.wavelength_nm for r in shots if r.taken_for.wavelength_nm)
    highest = max(r.taken_for.fibre or 0 for r in review.shots)
    size = review.ribbon_size
    fibres = highest if size is None else -(-highest // size) * size
    ends = review.end_names(next(iter(cables)))
    instruments = sorted({r.identity.serial or r.identity.instrument for r in shots if r.identity})
    values = {
        "cable": next(iter(cables)) or None,
        "fibres": fibres,
        "wavelengths": sorted(n for n, count in nm.items() if 2 * count >= max(nm.values()))
        or None,
        "ribbon": size or 0,
        "ends.a": ends[0] or None,
        "ends.b": ends[1] or None,
        "instruments": [{"instrument": one} for one in instruments if one],
        "closures": [
            {"name": closure.name, "distance": f"{closure.distance_m:.0f}m"}
            for closure in review.closures
        ],
    }
    origins = {
        "fibres": f"The highest number among the files is {highest}",
        "ribbon": "No file shows it: check it",
        "ends.a": "As most files have it: check which end is A",
    }
    return values, origins

"""What a screen says, as values: the one place that knows how the program words its answer.

From the exit status, the human text and the JSON object (``otdravg.pair/2``) of one job to a
:class:`Reading`. When the program's wording changes, this file changes and the catalogue does not.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Loss", "Reading", "Run", "read_screen"]

#: Verdicts by which a place is neither cleared nor called over the limit.
_LOOKS = {
    "too close to call",
    "negative average, check the pair",
    "one direction only",
    "not measured",
}
_OVER = {"over limit"}
_CUTS = {"re-splice", "cut"}
_LOOK_ACTIONS = {"look at it", "shoot again", "check"}
#: A line that sends somebody with a saw to a place. "A splice is cut and remade with its whole
#: ribbon" is advice and names no place.
_ORDER = re.compile(r"^\W*(?:re-splice|cut|remake)\b.*?\d\s*k?m\b", re.IGNORECASE)
_DISTANCE = re.compile(r"(?<![\d.])(\d+(?:\.\d+)?)\s*(km|m)\b")


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the command: exit status, both streams, what broke out of it."""

    exit_code: int
    stdout: str
    stderr: str
    broke: str | None = None
    warned: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Loss:
    """What is said of one place."""

    distance_m: float
    kind: str
    loss_db: float | None
    expanded_u_db: float | None
    verdict: str
    action: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What a screen says.

    Parameters
    ----------
    exit_code : int
        Of the job.
    crashed : str or None
        A fault of the program itself: traceback, object that is not JSON, other exit status.
    all_clear : bool
        Exit status 0: the technician packs up.
    refused : bool
        Exit status 2: nothing was measured.
    orders_m : tuple of float
        Distances from A at which somebody is told to cut or re-splice, from the object.
    order_lines : tuple of str
        The lines of the text that tell so, lines that belong together joined.
    over_m : tuple of float
        Distances of the places called over the limit.
    looks_m : tuple of float
        Distances of the places that need a look or another shot.
    doubts : tuple of str
        Codes (else sentences) of what is doubted about the files, the shots, the pair.
    losses : tuple of Loss
        Every place in the object.
    length_m : float or None
        Of the span.
    text : str
        Everything the technician sees, both streams.
    disagreements : tuple of str
        Where text and object say different things.
    """

    exit_code: int
    crashed: str | None
    all_clear: bool
    refused: bool
    orders_m: tuple[float, ...]
    order_lines: tuple[str, ...]
    over_m: tuple[float, ...]
    looks_m: tuple[float, ...]
    doubts: tuple[str, ...]
    losses: tuple[Loss, ...]
    length_m: float | None
    text: str
    disagreements: tuple[str, ...]

    @property
    def doubted(self) -> bool:
        """Whether anything is doubted, asked for again, or refused."""
        return self.refused or bool(self.doubts or self.looks_m)


def read_screen(human: Run, machine: Run) -> Reading:
    """Read one job, run once for the eye and once with ``--json``."""
    text = human.stdout + human.stderr
    crashed = _fault(human) or _fault(machine)
    data: Mapping[str, Any] = {}
    if crashed is None and (machine.exit_code != 2 or machine.stdout.strip()):
        try:
            data = json.loads(machine.stdout)
        except ValueError:
            crashed = "standard output of --json is not JSON"
    losses = tuple(_losses(data))
    order_lines = tuple(line for line in _joined(human.stdout) if _ORDER.search(line))
    orders = {loss.distance_m for loss in losses if loss.action in _CUTS}
    for line in data.get("next_steps", ()):
        orders.update(_distances(line) if _ORDER.search(line) else ())
    disagreements = []
    if human.exit_code != machine.exit_code:
        disagreements.append(f"exit {human.exit_code} as text, {machine.exit_code} as JSON")
    verdict = str(data.get("verdict", ""))
    if crashed is None and not human.stdout.startswith(verdict.upper()):
        disagreements.append(f"{verdict} as JSON, first line {human.stdout.splitlines()[:1]}")
    if crashed is None and bool(order_lines) != bool(orders):
        disagreements.append(f"orders as text {order_lines}, as JSON {sorted(orders)}")
    return Reading(
        exit_code=human.exit_code,
        crashed=crashed,
        all_clear=human.exit_code == 0 or machine.exit_code == 0,
        refused=human.exit_code == 2,
        orders_m=tuple(_distinct(orders)),
        order_lines=order_lines,
        over_m=tuple(p.distance_m for p in losses if p.verdict in _OVER),
        looks_m=tuple(
            p.distance_m for p in losses if p.verdict in _LOOKS or p.action in _LOOK_ACTIONS
        ),
        doubts=tuple(_doubts(data)),
        losses=losses,
        length_m=data.get("axis", {}).get("length_m"),
        text=text,
        disagreements=tuple(disagreements),
    )


def _fault(run: Run) -> str | None:
    if run.broke is not None:
        return run.broke
    if "Traceback (most recent call last)" in run.stdout + run.stderr:
        return "a traceback on the screen"
    if run.exit_code not in (0, 1, 2):
        return f"exit status {run.exit_code}"
    if run.warned:
        return f"a warning of the inside: {run.warned[0]}"
    if not (run.stdout + run.stderr).strip():
        return "not a word"
    return None


def _losses(data: Mapping[str, Any]) -> Iterator[Loss]:
    for place in data.get("splices", ()):
        yield Loss(
            place["distance_m"],
            place.get("kind", ""),
            place.get("loss_db"),
            place.get("expanded_uncertainty_db"),
            str(place.get("verdict", "")).lower(),
            str(place.get("action", "")).lower(),
        )


def _doubts(data: Mapping[str, Any]) -> Iterator[str]:
    for doubt in data.get("doubts", ()):
        yield doubt["code"] if isinstance(doubt, Mapping) else str(doubt)


def _joined(text: str) -> Iterator[str]:
    """Lines of the screen, folded ones joined: a line that starts with a blank goes on."""
    held = ""
    for line in text.splitlines():
        if line.startswith(" ") and held:
            held += " " + line.strip()
            continue
        if held:
            yield held
        held = line
    if held:
        yield held


def _distinct(places_m: set[float]) -> Iterator[float]:
    """Give places in order, those once that differ only by how they are rounded."""
    last = float("-inf")
    for at in sorted(places_m):
        if at - last > 2.0:
            yield at
            last = at


def _distances(line: str) -> list[float]:
    """Give the first distance of a line, the one from A, in metres."""
    found = _DISTANCE.search(line)
    return [] if found is None else [float(found[1]) * (1000 if found[2] == "km" else 1)]

"""Many numbered cases across processes: each can be run again alone by its number.

A case is a function of its number that returns the name of its outcome. Whatever it raises
is a fault. Work goes out in batches; with a state file a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random

# Cases are spread over processes; numerical libraries, imported later, need no threads beside.
for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

__all__ = ["Broken", "Case", "Tally", "parser", "random_for", "run", "run_cases"]

#: Takes the number of a case, returns the name of its outcome.
Case = Callable[[int], str]

#: Processor time after which a case hangs: far above the bounds of the cases.
_HANGING_S = 60

#: Address space of a process: a case that wants more fails instead of taking the machine down.
_MOST_MEMORY = 6 * 2**30

_SHOWN_FAULTS = 20


class Broken(AssertionError):
    """A property that did not hold."""


@dataclass
class Tally:
    """Outcomes of many cases; a fault is named by what was raised and where."""

    done: int = 0
    seconds: float = 0.0
    outcomes: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)
    numbers: dict[str, list[int]] = field(default_factory=dict)  # the first cases of each fault

    def add(self, other: Tally) -> None:
        """Add the outcomes of another batch."""
        self.done += other.done
        self.outcomes += other.outcomes
        self.faults += other.faults
        for fault, numbers in other.numbers.items():
            self.numbers[fault] = [*self.numbers.get(fault, []), *numbers][:5]


def random_for(seed: int, number: int) -> Random:
    """The generator of one case, the same on every machine and at every hash seed."""
    return Random(f"{seed} {number}")


def run_cases(case: Case, numbers: Sequence[int]) -> Tally:
    """Run some cases here, one after the other."""
    tally = Tally()
    with _no_hanging(tally):
        for number in numbers:
            tally.done += 1
            try:
                tally.outcomes[case(number)] += 1
            except Exception as error:  # noqa: BLE001 - whatever it is, it is looked for
                fault = _named(error)
                tally.faults[fault] += 1
                tally.numbers.setdefault(fault, []).append(number)
    return tally


def parser(doc: str | None, count: int) -> argparse.ArgumentParser:
    """Options that every such script has."""
    made = argparse.ArgumentParser(
        description=doc, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    made.add_argument("--count", type=int, default=count, help="cases to run (%(default)s)")
    made.add_argument("--start", type=int, default=0, help="number of the first case")
    made.add_argument("--seed", type=int, default=1, help="names the series of cases")
    made.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    made.add_argument("--state", type=Path, help="file that keeps the counts of a stopped run")
    made.add_argument("--case", type=int, help="run only this case, here, and show its traceback")
    return made


def run(title: str, case: Case, options: argparse.Namespace, batch: int) -> int:
    """Run what the options ask for and print the counts; 1 if there was a fault."""
    if options.case is not None:
        print(f"{title}, case {options.case}: {case(options.case)}")
        return 0
    tally = _resumed(options)
    stop = options.start + options.count
    numbers = range(options.start + tally.done, stop)
    batches = [numbers[at : at + batch] for at in range(0, len(numbers), batch)]
    before, began = tally.seconds, time.monotonic()
    with ProcessPoolExecutor(options.processes, initializer=_bound_memory) as executor:
        for part in executor.map(partial(run_cases, case), batches):
            tally.add(part)
            tally.seconds = before + time.monotonic() - began
            _keep(options, tally)
            _progress(title, tally, options.count)
    print(_table(title, tally, options))
    return int(bool(tally.faults))


def _named(error: Exception) -> str:
    """What was raised and the innermost line of the package, or of the script, that did."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if "otdravg" in Path(f.filename).parts] or frames
    if isinstance(error, Broken):
        return f"property broken: {error}"
    place = f"{Path(own[-1].filename).name}:{own[-1].lineno} in {own[-1].name}"
    return f"{type(error).__name__} at {place}: {str(error)[:120]}"


@contextmanager
def _no_hanging(tally: Tally) -> Iterator[None]:
    """Raise in a case that computes without end (where the system has such alarms)."""
    if not hasattr(signal, "setitimer"):
        yield
        return
    seen = -1

    def look(*_: object) -> None:
        nonlocal seen
        if seen == tally.done:
            raise Broken(f"took more than {_HANGING_S} s of processor time")
        seen = tally.done

    old = signal.signal(signal.SIGPROF, look)
    # Looks in at times, since an alarm for every case would take longer than the case.
    signal.setitimer(signal.ITIMER_PROF, _HANGING_S, _HANGING_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, old)


def _bound_memory() -> None:
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, resource.RLIM_INFINITY))


def _resumed(options: argparse.Namespace) -> Tally:
    if options.state is None or not options.state.exists():
        return Tally()
    kept = json.loads(options.state.read_text(encoding="utf-8"))
    if (kept["seed"], kept["start"]) != (options.seed, options.start):
        series = f"--seed {kept['seed']} --start {kept['start']}"
        raise SystemExit(f"{options.state} belongs to {series}")
    return Tally(
        kept["done"],
        kept["seconds"],
        Counter(kept["outcomes"]),
        Counter(kept["faults"]),
        kept["numbers"],
    )


def _keep(options: argparse.Namespace, tally: Tally) -> None:
    if options.state is None:
        return
    kept = {"seed": options.seed, "start": options.start, **vars(tally)}
    temporary = options.state.with_suffix(".new")
    temporary.write_text(json.dumps(kept, indent=1), encoding="utf-8")
    temporary.replace(options.state)


def _progress(title: str, tally: Tally, count: int) -> None:
    if sys.stderr.isatty():
        rate = tally.done / max(tally.seconds, 1e-9)
        print(f"\r{title}: {tally.done:,} of {count:,}, {rate:,.0f}/s ", end="", file=sys.stderr)


def _table(title: str, tally: Tally, options: argparse.Namespace) -> str:
    rate = tally.done / max(tally.seconds, 1e-9)
    last = options.start + tally.done - 1
    lines = [
        f"{title}: {tally.done:,} cases ({options.start} to {last} of seed {options.seed}), "
        f"{tally.seconds:,.0f} s in {options.processes} processes, {rate:,.0f}/s",
        *(f"{count:>12,}  {name}" for name, count in sorted(tally.outcomes.items())),
        f"{sum(tally.faults.values()):>12,}  FAULTS" + (":" if tally.faults else ""),
    ]
    for fault, count in tally.faults.most_common(_SHOWN_FAULTS):
        first = ", ".join(map(str, tally.numbers[fault]))
        lines.append(f"{count:>12,}    {fault} (cases {first})")
    return "\n".join(lines)

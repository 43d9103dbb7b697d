"""Mutation runs: put small faults into modules one by one, and count which the tests notice.

    python tests/mutation/run.py --list
    python tests/mutation/run.py decision budget          # targets of targets.toml
    python tests/mutation/run.py core --sample 100 --seed 2
    python tests/mutation/run.py --module otdravg/shot/noise.py --tests tests/shot/test_noise.py

Every mutant runs in a forked process of its own, in which the module is imported from the changed
source; no file of the project is touched. Tests stop at the first failure. A mutant that runs for
much longer than the sound module counts as killed.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import gc
import hashlib
import importlib
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import CodeType
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
# Plugins that the tests have no use for are half of what a mutant takes.
os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
sys.path.append(str(Path(__file__).resolve().parents[1] / "benchmarks"))

import pytest  # noqa: E402  # after the number of threads
import scipy.stats  # noqa: E402
from mutants import Mutant, mutants_of  # noqa: E402
from stored import Figure  # noqa: E402

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
RESULTS = HERE.parent / "benchmarks" / "results" / "mutation.json"
#: Loaded once, before the first fork: what tests import and no mutant changes.
PRELOADED = ("hypothesis", "matplotlib.pyplot", "openpyxl", "scipy.ndimage", "scipy.optimize",
             "scipy.special", "statsmodels.api")  # fmt: skip
#: A mutant may take so many times as long as the sound module, and so much more, seconds.
SLOWER, GRACE_S = 4.0, 20.0
#: A mutant may hold so much memory, bytes: a wrong power asks for more than there is.
MOST_MEMORY = 6 << 30


@dataclass(frozen=True, slots=True)
class Target:
    """Modules, or definitions in them, and the tests that belong to them."""

    name: str
    modules: dict[str, list[str]]  # path: definitions, none for all of it
    tests: dict[str, list[str]]  # tests by path of the module, "" for the others
    sample: int = 0  # 0: all mutants
    seed: int = 1

    def tests_of(self, module: str) -> list[str]:
        """Return the tests of one module."""
        return self.tests.get(module) or self.tests[""]


@dataclass(slots=True)
class Tally:
    """What became of the mutants of a target."""

    killed: int = 0
    timed_out: int = 0  # counted in ``killed``, too
    survived: list[dict[str, object]] = field(default_factory=list)
    explained: list[dict[str, object]] = field(default_factory=list)


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from changed source."""

    def __init__(self, module: str, code: CodeType) -> None:
        self.name = module.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        self.path = ROOT / module
        self.code = code

    def find_spec(self, name: str, path: object, target: object = None) -> object:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(name, self.path, loader=self)

    def exec_module(self, module: object) -> None:
        exec(self.code, module.__dict__)


class _QuickFirst:
    """Runs the files and tests first that take least time, and notes what they take."""

    def __init__(self, seconds: dict[str, float]) -> None:
        self.seconds = seconds
        self.taken: dict[str, float] = {}
        self.failed: set[str] = set()

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        of_file: dict[object, float] = {}
        for item in items:
            of_file[item.path] = of_file.get(item.path, 0) + self.seconds.get(item.nodeid, 0)
        items.sort(key=lambda item: (of_file[item.path], str(item.path)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.taken[report.nodeid] = self.taken.get(report.nodeid, 0) + report.duration
        if report.failed:
            self.failed.add(report.nodeid)


def _in_child(work: Callable[[], int], limit_s: float) -> tuple[int | None, float]:
    """Run work in a forked process; return its exit status, or None if it took too long."""
    begun = time.monotonic()
    child = os.fork()
    if child == 0:
        os.setsid()
        status = 70
        with contextlib.suppress(BaseException):
            resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
            silent = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(silent, stream)
            status = int(work())
        os._exit(status)
    while time.monotonic() - begun < limit_s:
        done, how = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(how), time.monotonic() - begun
        time.sleep(0.02)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None, time.monotonic() - begun


def _tests(arguments: Sequence[str], quick: _QuickFirst) -> int:
    fixed = ["-o", "addopts=--strict-markers", "-p", "no:cacheprovider", "-q"]
    fixed += ["-p", "no:unraisableexception"]  # it collects garbage for a quarter of a second
    fixed += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*fixed, *arguments], plugins=[quick]))


@dataclass(frozen=True, slots=True)
class _Sound:
    """What tests do on the module as it is."""

    arguments: tuple[str, ...]  # for pytest; without the tests that fail: they notice nothing
    seconds: dict[str, float]  # by test
    whole_s: float

    @classmethod
    def of(cls, tests: Sequence[str], say: Callable[[str], None]) -> _Sound:
        """Run tests once."""
        with tempfile.TemporaryDirectory() as folder:
            notes = Path(folder) / "notes.json"

            def work() -> int:
                quick = _QuickFirst({})
                status = _tests(tests, quick)
                notes.write_text(json.dumps([quick.taken, sorted(quick.failed)]))
                return status

            status, whole_s = _in_child(work, 3600)
            taken, failed = json.loads(notes.read_text())
        if status not in (0, 1):
            raise SystemExit(f"these tests do not run: {' '.join(tests)}")
        for test in failed:
            say(f"  left out, as it fails without any mutation: {test}")
        left_out = [f"--deselect={test}" for test in failed]
        return cls((*tests, *left_out), taken, whole_s)


def _fate(mutant: Mutant, sound: _Sound) -> str:
    """Return ``killed``, ``timed out``, ``survived``, or ``void`` for what is no Python."""
    try:
        code = compile(mutant.code(ROOT), str(ROOT / mutant.module), "exec", dont_inherit=True)
    except (SyntaxError, ValueError):
        return "void"

    def work() -> int:
        sys.dont_write_bytecode = True
        sys.meta_path.insert(0, _Changed(mutant.module, code))
        return _tests(("-x", *sound.arguments), _QuickFirst(sound.seconds))

    status, _ = _in_child(work, SLOWER * sound.whole_s + GRACE_S)
    if status is None:
        return "timed out"
    return "survived" if status == 0 else "killed"


class _State:
    """What became of mutants in a run that was stopped: one line each, by the module's content."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self.fates: dict[str, str] = {}
        if path is not None and path.exists():
            lines = path.read_text("utf-8").splitlines()
            self.fates = dict(line.split("\t") for line in lines if line.count("\t") == 1)

    @staticmethod
    def key(mutant: Mutant) -> str:
        content = hashlib.sha256((ROOT / mutant.module).read_bytes()).hexdigest()[:12]
        return f"{mutant.module} {content} {mutant.operator} {mutant.occurrence}"

    def add(self, mutant: Mutant, fate: str) -> None:
        if self.path is not None:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(f"{self.key(mutant)}\t{fate}\n")


def run(target: Target, say: Callable[[str], None], state_file: Path | None = None) -> Tally:
    """Run a target's mutants and return what became of them.

    With a state file a run that was stopped goes on where it was; survivors are run again, as
    tests may be better now.
    """
    mutants: list[Mutant] = []
    for module, only in target.modules.items():
        mutants += mutants_of(ROOT, module, only)
    available = len(mutants)
    if 0 < target.sample < available:
        mutants = random.Random(target.seed).sample(mutants, target.sample)
    say(f"{target.name}: {len(mutants)} of {available} mutants")
    sound: dict[tuple[str, ...], _Sound] = {}
    reasons = _reasons()
    tally = Tally()
    state = _State(state_file)
    for number, mutant in enumerate(mutants, 1):
        fate = state.fates.get(state.key(mutant), "survived")
        if fate == "survived":
            tests = tuple(target.tests_of(mutant.module))
            if tests not in sound:
                sound[tests] = _Sound.of(tests, say)
            fate = _fate(mutant, sound[tests])
            state.add(mutant, fate)
        if fate in ("killed", "timed out"):
            tally.killed += 1
            tally.timed_out += fate == "timed out"
        elif fate == "survived":
            before, after = mutant.difference(ROOT)
            what = {"module": mutant.module, "line": before, "mutant": after}
            reason = reasons.get((mutant.module, before, after))
            (tally.explained if reason else tally.survived).append(what)
            if not reason:
                say(f"  survived: {mutant.module}:{mutant.line}\n    - {before}\n    + {after}")
        if number % 100 == 0:
            say(f"  {number} done, {tally.killed} killed")
    return tally


def _reasons() -> dict[tuple[str, str, str], str]:
    """Return the reasons of survivors.toml by module, line and mutant."""
    found: dict[tuple[str, str, str], str] = {}
    for entry in tomllib.loads((HERE / "survivors.toml").read_text("utf-8")).get("survivor", []):
        for mutant in entry["mutants"]:
            found[entry["module"], entry["line"], mutant] = entry["reason"]
    return found


def _record(target: Target, tally: Tally) -> dict[str, object]:
    survived = len(tally.survived)
    counted = tally.killed + survived
    interval = scipy.stats.binomtest(tally.killed, counted).proportion_ci(0.95, method="exact")
    return {
        "name": target.name,
        "mutants": f"{target.sample} by seed {target.seed}" if target.sample else "all",
        "killed": tally.killed,
        "of_these_timed_out": tally.timed_out,
        "survived": survived,
        "explained": len(tally.explained),
        "score": round(tally.killed / counted, 4),
        "interval": [round(float(interval.low), 4), round(float(interval.high), 4)],
        "date": datetime.date.today().isoformat(),
    }


def _write(path: Path, target: Target, record: dict[str, object], tally: Tally) -> None:
    """Put a target's record and its survivors in place of its last ones."""
    content = json.loads(path.read_text("utf-8")) if path.exists() else {}
    runs = [r for r in content.get("runs", []) if r["name"] != target.name] + [record]
    holes = [s for s in content.get("survivors", []) if s["target"] != target.name]
    holes += [{"target": target.name, **what} for what in tally.survived]
    runs.sort(key=lambda run: str(run["name"]))
    content = {
        "name": "mutation",
        "what": "Small faults put into the code one by one, and how many of them the tests that "
        "belong to the code notice (tests/mutation). Explained ones cannot be told from sound code "
        "and do not count. Tests are written for the survivors of a sample and the same sample is "
        "run again: its score then holds for the sample, and for all mutants it is too high.",
        "date": record["date"],
        "figures": [_figure(run) for run in runs],
        "runs": runs,
        "survivors": sorted(holes, key=lambda hole: str(sorted(hole.items()))),
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", "utf-8")


def _figure(run: dict[str, Any]) -> dict[str, Any]:
    """A record as a figure of the benchmarks; where every mutant was run, all are to be killed."""
    return Figure(
        f"share of the mutants of {run['name']} that the tests notice",
        run["score"],
        low=run["interval"][0],
        high=run["interval"][1],
        at_least=1.0 if run["mutants"] == "all" else None,
        note=f"{run['killed']} killed, {run['survived']} not, {run['explained']} explained",
    ).as_json()


def _targets() -> dict[str, Target]:
    text = (HERE / "targets.toml").read_text("utf-8")
    return {name: _target(name, table) for name, table in tomllib.loads(text).items()}


def _target(name: str, table: dict[str, object]) -> Target:
    modules: dict[str, list[str]] = {}
    for pattern, only in table["modules"].items():  # type: ignore[attr-defined]
        for path in sorted(ROOT.glob(pattern)):
            modules[path.relative_to(ROOT).as_posix()] = list(only)
    own = table.get("tests_of", {})
    tests = {"": list(table["tests"]), **own}  # type: ignore[call-overload, dict-item]
    return Target(name, modules, tests, int(table.get("sample", 0)), int(table.get("seed", 1)))  # type: ignore[call-overload]


def main(arguments: Iterable[str] | None = None) -> None:
    """Run the targets named on the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("targets", nargs="*", help="names of targets.toml")
    parser.add_argument("--list", action="store_true", help="list the targets and stop")
    parser.add_argument(
        "--module", action="append", default=[], help="a module in place of a target"
    )
    parser.add_argument("--only", action="append", default=[], help="definitions in that module")
    parser.add_argument("--tests", nargs="+", default=[], help="the tests of that module")
    parser.add_argument("--sample", type=int, help="so many mutants, drawn by the seed; 0 for all")
    parser.add_argument("--seed", type=int)
    parser.add_argument("--state", type=Path, help="file by which a stopped run goes on")
    parser.add_argument("--results", type=Path, help="JSON file; the benchmarks' for a target")
    chosen = parser.parse_args(list(arguments) if arguments is not None else None)
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    os.nice(max(0, 19 - os.nice(0)))
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    gc.freeze()  # or every child looks through all that is loaded here
    targets = _targets()
    if chosen.list:
        for target in targets.values():
            print(f"{target.name}: {', '.join(target.modules)}")
        return
    work = [targets[name] for name in chosen.targets]
    if chosen.module:
        modules = dict.fromkeys(chosen.module, chosen.only)
        work.append(Target("by hand", modules, {"": chosen.tests}))
    for target in work:
        if chosen.sample is not None:
            target = replace(target, sample=chosen.sample)
        if chosen.seed is not None:
            target = replace(target, seed=chosen.seed)
        tally = run(target, lambda line: print(line, flush=True), chosen.state)
        record = _record(target, tally)
        print(json.dumps(record, indent=1))
        path = chosen.results or (RESULTS if target.name in targets else None)
        if path is not None:
            _write(path, target, record, tally)


if __name__ == "__main__":
    main()

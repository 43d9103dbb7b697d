"""Mutation runs: put small faults into modules one by one, and count which the tests notice.

    python tests/mutation/run.py --list
    python tests/mutation/run.py decision budget          # targets of targets.toml
    python tests/mutation/run.py core --sample 100 --seed 2
    python tests/mutation/run.py --module otdravg/shot/noise.py --tests tests/shot/test_noise.py

Every mutant runs in a forked process of its own, in which the module is imported from the changed
source; no file of the project is touched. The tests are run once on the sound modules to learn
which lines each comes to: a mutant meets those alone that come to its statement, first those that
noticed most mutants in the least time, and none after the first that fails. A mutant that runs for
much longer than the sound module counts as killed.
"""

from __future__ import annotations

import argparse
import ast
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
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, lru_cache, partial
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
from coverage import Coverage  # noqa: E402
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
#: Exit status of a process whose mutant is no Python.
VOID = 71

Say = Callable[[str], None]


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

    def tests_by_file(self) -> dict[str, list[str]]:
        """Return all tests by their files, each with what is left out of them all."""
        every = dict.fromkeys(t for m in self.modules for t in self.tests_of(m))
        left_out = [t for t in every if t.startswith("-")]
        files: dict[str, list[str]] = {}
        for test in every:
            if test not in left_out:
                for each in _files_of(test):
                    files.setdefault(_file(each), [*left_out]).append(each)
        return files


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


class _Chosen:
    """Runs the chosen tests of a process, those first that noticed most in the least time."""

    def __init__(
        self, order: dict[str, int] | None = None, coverage: Coverage | None = None
    ) -> None:
        self.order = order
        self.coverage = coverage
        self.taken: dict[str, float] = {}
        self.failed: list[str] = []

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        order = self.order
        if order is not None:
            items[:] = [item for item in items if item.nodeid in order]
            items.sort(key=lambda item: order[item.nodeid])

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        """Note for the whole file what fixtures run: other tests may have the use of them."""
        if self.coverage is not None:
            for cached in _caches():
                cached.cache_clear()
            self.coverage.switch_context(_file(item.nodeid))

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_call(self, item: pytest.Item) -> None:
        if self.coverage is not None:
            self.coverage.switch_context(item.nodeid)

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_teardown(self, item: pytest.Item) -> None:
        if self.coverage is not None:
            self.coverage.switch_context("")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.taken[report.nodeid] = self.taken.get(report.nodeid, 0) + report.duration
        if report.failed:
            self.failed.append(report.nodeid)


def _files_of(test: str) -> list[str]:
    """The files of a folder of tests, or the file or test itself."""
    folder = ROOT / test
    if not folder.is_dir():
        return [test]
    return [path.relative_to(ROOT).as_posix() for path in sorted(folder.glob("test_*.py"))]


def _file(test: str) -> str:
    return test.partition("::")[0]


@lru_cache(maxsize=1)
def _caches() -> list[Any]:
    """Everything that is computed once in a process: the first test would have it all."""
    cached = type(lru_cache(len))
    return [each for each in gc.get_objects() if type(each) is cached and each is not _caches]


class _Child:
    """Work in a forked process, which may say something in the end."""

    def __init__(self, work: Callable[[Path], int], limit_s: float) -> None:
        self.begun = time.monotonic()
        self.limit_s = limit_s
        self._folder = tempfile.TemporaryDirectory()
        self.said = Path(self._folder.name) / "said"
        self.pid = os.fork()
        if self.pid == 0:
            os.setsid()
            status = 70
            with contextlib.suppress(BaseException):
                resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
                silent = os.open(os.devnull, os.O_RDWR)
                for stream in (0, 1, 2):
                    os.dup2(silent, stream)
                status = int(work(self.said))
            os._exit(status)

    def ended(self) -> tuple[int | None, str] | None:
        """Return its exit status (``None``: it took too long) and what it said, once it ended."""
        done, how = os.waitpid(self.pid, os.WNOHANG)
        if not done and time.monotonic() - self.begun < self.limit_s:
            return None
        if not done:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.pid, signal.SIGKILL)
            os.waitpid(self.pid, 0)
        said = self.said.read_text("utf-8") if self.said.exists() else ""
        self._folder.cleanup()
        return (os.waitstatus_to_exitcode(how) if done else None), said


def _tests(arguments: Sequence[str], chosen: _Chosen) -> int:
    fixed = ["-o", "addopts=--strict-markers", "-p", "no:cacheprovider", "-q"]
    fixed += ["-p", "no:unraisableexception"]  # it collects garbage for a quarter of a second
    fixed += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*fixed, *arguments], plugins=[chosen]))


class _Sound:
    """What tests do on modules as they are: how long they take, and which lines they come to.

    Told file by file; what one told is kept beside the state, until it or a module changes.
    """

    def __init__(self, target: Target, kept: Path | None, workers: int, say: Say) -> None:
        self.seconds: dict[str, float] = {}
        self.comes_to: dict[tuple[str, int], set[str]] = {}
        self.target = target
        if kept is not None:
            kept.mkdir(parents=True, exist_ok=True)
        content = hashlib.sha256()
        for path in [*target.modules, *sorted(HERE.parent.glob("*.py"))]:
            content.update((ROOT / path).read_bytes())
        waiting, running = target.tests_by_file(), {}
        while waiting or running:
            while waiting and len(running) < workers:
                file, tests = waiting.popitem()
                own = hashlib.sha256((ROOT / file).read_bytes() + repr(tests).encode())
                name = f"{content.hexdigest()[:12]}-{own.hexdigest()[:12]}.json"
                place = None if kept is None else kept / name
                if place is not None and place.exists():
                    self._take(place.read_text("utf-8"), say)
                else:
                    running[_Child(partial(_told_by, tests, list(target.modules)), 3600)] = place
            for child, place in list(running.items()):
                if (ended := child.ended()) is not None:
                    del running[child]
                    if ended[0] not in (0, 1):
                        raise SystemExit(f"tests that do not run: {place}")
                    if place is not None:
                        place.write_text(ended[1], "utf-8")
                    self._take(ended[1], say)
            time.sleep(0.02)
        self.noticed = dict.fromkeys(self.seconds, 0)  # mutants by test
        say(f"  {len(self.seconds)} tests, {sum(self.seconds.values()):.0f} s")

    def _take(self, told: str, say: Say) -> None:
        seconds, failed, lines = json.loads(told)
        for test in failed:
            say(f"  left out, as it fails without any mutation: {test}")
            seconds.pop(test, None)
        self.seconds |= seconds
        for module, of_module in lines.items():
            for line, contexts in of_module.items():
                self.comes_to.setdefault((module, int(line)), set()).update(contexts)

    def order(self, mutant: Mutant) -> dict[str, int]:
        """Return the tests that come to a mutant's line, with their places in the order."""
        lines = _statement_of(mutant)
        own = [each for test in self.target.tests_of(mutant.module) for each in _files_of(test)]
        tests = [t for t in self.seconds if not {t, t.partition("[")[0], _file(t)}.isdisjoint(own)]
        if lines is not None:  # otherwise run with the import: whoever uses the module may notice
            come = set().union(*(self.comes_to.get((mutant.module, n), set()) for n in lines))
            tests = [test for test in tests if test in come or _file(test) in come]
        worth: dict[str, list[float]] = {}  # of a file: seconds, mutants noticed
        for test in tests:
            of_file = worth.setdefault(_file(test), [0.0, 1.0])
            of_file[0] += self.seconds[test]
            of_file[1] += self.noticed[test]
        tests.sort(key=lambda test: (
            worth[_file(test)][0] / worth[_file(test)][1], _file(test),
            self.seconds[test] / (1 + self.noticed[test]),
        ))  # fmt: skip
        return {test: place for place, test in enumerate(tests)}

    def start(self, mutant: Mutant) -> _Child | None:
        """Begin to run what may notice a mutant; ``None`` where no test comes to it."""
        order = self.order(mutant)
        if not order:
            return None

        def work(said: Path) -> int:
            try:
                code = compile(
                    mutant.code(ROOT), str(ROOT / mutant.module), "exec", dont_inherit=True
                )
            except (SyntaxError, ValueError):
                return VOID
            sys.dont_write_bytecode = True
            sys.meta_path.insert(0, _Changed(mutant.module, code))
            chosen = _Chosen(order)
            status = _tests(("-x", *dict.fromkeys(map(_file, order))), chosen)
            said.write_text("\n".join(chosen.failed), "utf-8")
            return status

        return _Child(work, SLOWER * sum(self.seconds[test] for test in order) + GRACE_S)

    def fate(self, ended: tuple[int | None, str]) -> str:
        """Return ``killed``, ``timed out``, ``survived``, or ``void`` for what is no Python."""
        status, said = ended
        for test in said.splitlines():
            self.noticed[test] = self.noticed.get(test, 0) + 1
        fates = {None: "timed out", 0: "survived", VOID: "void"}
        return fates.get(status, "killed")


def _told_by(tests: Sequence[str], modules: Sequence[str], said: Path) -> int:
    """Run tests and say as JSON: the seconds of each, what failed, who comes to which line."""
    coverage = Coverage(data_file=None, include=[str(ROOT / m) for m in modules], config_file=False)
    coverage.start()
    chosen = _Chosen(coverage=coverage)
    status = _tests(tests, chosen)
    coverage.stop()
    lines = {
        Path(path).relative_to(ROOT).as_posix(): coverage.get_data().contexts_by_lineno(path)
        for path in coverage.get_data().measured_files()
    }
    said.write_text(json.dumps([chosen.taken, chosen.failed, lines]), "utf-8")
    return status


@cache
def _statements(module: str) -> dict[int, tuple[int, int] | None]:
    """Give for each line the lines of its statement; ``None`` where it runs with the import."""
    found: dict[int, tuple[int, int] | None] = {}

    def look(statements: Iterable[Any], *, inside: bool) -> None:
        for node in statements:
            first = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", []))])
            body = getattr(node, "body", [])
            last = body[0].lineno - 1 if body else node.end_lineno
            last = max(last or first, node.lineno)
            for line in range(first, last + 1):
                found[line] = (first, last) if inside else None
            within = inside or isinstance(node, ast.FunctionDef)
            for part in ("body", "orelse", "finalbody", "handlers", "cases"):
                look(getattr(node, part, []), inside=within)

    look(ast.parse((ROOT / module).read_text("utf-8")).body, inside=False)
    return found


def _statement_of(mutant: Mutant) -> range | None:
    lines = _statements(mutant.module).get(mutant.line)
    return None if lines is None else range(lines[0], lines[1] + 1)


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


def run(target: Target, say: Say, state_file: Path | None = None, workers: int = 1) -> Tally:
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
    kept = None if state_file is None else state_file.with_suffix(".sound")
    sound = _Sound(target, kept, workers, say)
    reasons = _reasons()
    state = _State(state_file)
    fates = {mutant: state.fates.get(state.key(mutant), "survived") for mutant in mutants}
    waiting = [mutant for mutant in mutants if fates[mutant] == "survived"]
    random.Random(0).shuffle(waiting)  # what a stopped run did is a sample, too
    for number, (mutant, fate) in enumerate(_fates(sound, waiting, workers), 1):
        fates[mutant] = fate
        state.add(mutant, fate)
        if fate == "survived" and _what(mutant) not in reasons:
            _, before, after = _what(mutant)
            say(f"  survived: {mutant.module}:{mutant.line}\n    - {before}\n    + {after}")
        if number % 50 == 0:
            say(f"  {number} of {len(waiting)} done")
    tally = Tally()
    for mutant, fate in fates.items():
        if fate in ("killed", "timed out"):
            tally.killed += 1
            tally.timed_out += fate == "timed out"
        elif fate == "survived":
            module, before, after = _what(mutant)
            what: dict[str, object] = {"module": module, "line": before, "mutant": after}
            (tally.explained if _what(mutant) in reasons else tally.survived).append(what)
    return tally


def _fates(sound: _Sound, mutants: Sequence[Mutant], workers: int) -> Iterator[tuple[Mutant, str]]:
    """Run mutants, several at a time, and give what became of each."""
    running: dict[_Child, Mutant] = {}
    waiting = list(reversed(mutants))
    while waiting or running:
        while waiting and len(running) < workers:
            mutant = waiting.pop()
            if (child := sound.start(mutant)) is None:
                yield mutant, "survived"
            else:
                running[child] = mutant
        for child, mutant in list(running.items()):
            if (ended := child.ended()) is not None:
                del running[child]
                yield mutant, sound.fate(ended)
        time.sleep(0.02)


def _what(mutant: Mutant) -> tuple[str, str, str]:
    return (mutant.module, *mutant.difference(ROOT))


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
    parser.add_argument("--workers", type=int, default=1, help="mutants run at a time")
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
        tally = run(target, lambda line: print(line, flush=True), chosen.state, chosen.workers)
        record = _record(target, tally)
        print(json.dumps(record, indent=1))
        path = chosen.results or (RESULTS if target.name in targets else None)
        if path is not None:
            _write(path, target, record, tally)


if __name__ == "__main__":
    main()

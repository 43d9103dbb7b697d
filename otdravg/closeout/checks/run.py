"""All checks of a closeout, one after the other."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from otdravg.cable.run import Progress
from otdravg.closeout.attachments import attachments_against_list
from otdravg.closeout.checks.again import json_itself, papers_again, tables_again
from otdravg.closeout.checks.measured import measured_again
from otdravg.closeout.checks.model import Check, checked
from otdravg.closeout.checks.package import raw_shots, strangers, traces_against_rows
from otdravg.closeout.checks.tables import tables_alone
from otdravg.closeout.checks.truth import true_in_itself
from otdravg.closeout.checks.wholes import wholes_against_rows
from otdravg.closeout.closeout import PAPERS
from otdravg.closeout.json_file import closeout_from, json_document
from otdravg.closeout.package import index_checks, is_package
from otdravg.system.manifest import (
    EVIDENCE,
    MANIFEST,
    ManifestCheck,
    check_evidence,
    check_manifest,
)

__all__ = ["checks_of"]

_OUTPUTS = "outputs against closeout.json"


def checks_of(
    folder: Path,
    *,
    evidence: str = "",
    measure: bool = False,
    executor: Executor | None = None,
    progress: Progress = lambda stage, done, total: None,
) -> Iterator[Check]:
    """Check a closeout, or a package of several and every one in it.

    Parameters
    ----------
    folder : Path
    evidence : str
        Hash of ``evidence.sha256`` as it stands on the paper that was signed; the first half of
        it will do.
    measure : bool
        Whether the traces are reviewed again.
    executor : concurrent.futures.Executor, optional
        Where.
    progress : callable
        Called with stage, done and total while they are.

    Raises
    ------
    BadCloseout
        If there is no manifest, or an output cannot be read.
    """
    yield _listed(MANIFEST, check_manifest(folder))
    if not (folder / EVIDENCE).is_file():
        yield checked(f"files against {EVIDENCE}", 0, [f"{EVIDENCE}: is missing"])
        found = ""
    else:
        listed, found = check_evidence(folder)
        yield _listed(EVIDENCE, listed)
    if evidence:
        same = len(evidence) >= 32 and found.startswith(evidence.casefold())
        text = f"{EVIDENCE}: its hash is {found or 'not there'}, not the one that was given"
        yield checked("hash of the evidence against the one given", 1, [] if same else [text])
    if is_package(folder):
        yield from index_checks(folder)
        for own in sorted(path.parent for path in folder.glob(f"*/{MANIFEST}")):
            checks = [*checks_of(own, measure=measure, executor=executor, progress=progress)]
            done = [check for check in checks if not check.not_done]
            problems = [f"{own.name}/{problem}" for check in done for problem in check.problems]
            count = sum(check.count for check in done)
            yield checked(f"{own.name}: {len(done)} checks of a closeout", count, problems)
            yield from (replace(c, what=f"{own.name}: {c.what}") for c in checks if c.not_done)
        return
    yield strangers(folder)
    path = folder / "closeout.json"
    if not path.is_file():
        papers = [name for name in PAPERS if (folder / name).is_file()]
        text = "nothing says what it should hold without closeout.json"
        yield from tables_alone(folder)
        if papers:
            yield checked(_OUTPUTS, 0, [f"{name}: {text}" for name in papers])
        else:
            yield Check(_OUTPUTS, 0, not_done="closeout.json is not there (--only json makes it)")
        return
    document = json_document(path)
    closeout = closeout_from(document, path)
    yield json_itself(document, closeout, path.read_bytes())
    yield from tables_again(folder, closeout)
    yield from attachments_against_list(folder, closeout.template.csv, closeout.review.closures)
    yield from papers_again(folder, closeout, document["made_with"], found)
    yield from true_in_itself(closeout)
    yield from wholes_against_rows(closeout.review)
    if not any((folder / name).exists() for name in ("traces", "traces.zip")):
        reason = "the traces are not in this closeout"
        yield Check("traces against rows", 0, not_done=reason)
        yield Check("losses, verdicts and findings against the traces", 0, not_done=reason)
        return
    shots = raw_shots(folder, closeout)
    yield traces_against_rows(folder, closeout, shots)
    if measure:
        yield from measured_again(
            closeout, document["made_with"], shots.values(), executor, progress
        )
    else:
        what = "losses, verdicts and findings against the traces"
        yield Check(what, 0, not_done="left out; --measure does it")


def _listed(name: str, found: ManifestCheck) -> Check:
    return checked(
        f"files against {name}",
        found.listed,
        [
            *(f"{file}: is missing" for file in found.missing),
            *(f"{file}: has changed since the closeout was made" for file in found.changed),
            *(f"{file}: is not in {name}" for file in found.extra),
        ],
    )

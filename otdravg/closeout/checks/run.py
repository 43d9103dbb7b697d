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
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.checks.package import raw_shots, strangers, traces_against_rows
from otdravg.closeout.checks.tables import tables_alone
from otdravg.closeout.checks.truth import true_in_itself
from otdravg.closeout.checks.wholes import wholes_against_rows
from otdravg.closeout.closeout import PAPERS
from otdravg.closeout.json_file import closeout_from, json_document
from otdravg.closeout.package import index_checks, is_package
from otdravg.findings import says
from otdravg.system.manifest import (
    EVIDENCE,
    MANIFEST,
    ManifestCheck,
    check_evidence,
    check_manifest,
)


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
        yield checked(says("check-listed", file=EVIDENCE), 0, [at(EVIDENCE, says("wrong-missing"))])
        found = ""
    else:
        listed, found = check_evidence(folder)
        yield _listed(EVIDENCE, listed)
    if evidence:
        same = len(evidence) >= 32 and found.startswith(evidence.casefold())
        wrong = says("wrong-evidence", found=found or says("not-there"))
        yield checked(says("check-evidence"), 1, [] if same else [at(EVIDENCE, wrong)])
    if is_package(folder):
        yield from index_checks(folder)
        for own in sorted(path.parent for path in folder.glob(f"*/{MANIFEST}")):
            checks = [*checks_of(own, measure=measure, executor=executor, progress=progress)]
            done = [check for check in checks if check.not_done is None]
            problems = [
                says("in-closeout", folder=own.name, what=problem)
                for check in done
                for problem in check.problems
            ]
            count = sum(check.count for check in done)
            all_of = says("check-closeout", checks=len(done))
            yield checked(at(own.name, all_of), count, problems)
            yield from (replace(c, what=at(own.name, c.what)) for c in checks if c.not_done)
        return
    yield strangers(folder)
    path = folder / "closeout.json"
    if not path.is_file():
        papers = [name for name in PAPERS if (folder / name).is_file()]
        outputs = says("check-outputs")
        yield from tables_alone(folder)
        if papers:
            yield checked(outputs, 0, [at(name, says("wrong-no-results")) for name in papers])
        else:
            yield Check(outputs, 0, not_done=says("undone-no-results"))
        return
    document = json_document(path)
    closeout = closeout_from(document, path)
    yield json_itself(document, closeout, path.read_bytes())
    yield from tables_again(folder, closeout)
    yield from attachments_against_list(
        folder, closeout.attachments, closeout.template.csv, closeout.review.closures
    )
    yield from papers_again(folder, closeout, document["made_with"], found)
    yield from true_in_itself(closeout)
    yield from wholes_against_rows(closeout.review)
    if not any((folder / name).exists() for name in ("traces", "traces.zip")):
        reason = says("undone-no-traces")
        yield Check(says("check-rows-of-traces"), 0, not_done=reason)
        yield Check(says("check-measured"), 0, not_done=reason)
        return
    shots = raw_shots(folder, closeout)
    yield traces_against_rows(folder, closeout, shots)
    if measure:
        yield from measured_again(
            closeout, document["made_with"], shots.values(), executor, progress
        )
    else:
        yield Check(says("check-measured"), 0, not_done=says("undone-unasked"))


def _listed(name: str, found: ManifestCheck) -> Check:
    return checked(
        says("check-listed", file=name),
        found.listed,
        [
            *(at(file, says("wrong-missing")) for file in found.missing),
            *(at(file, says("wrong-changed")) for file in found.changed),
            *(at(file, says("wrong-extra", file=name)) for file in found.extra),
        ],
    )

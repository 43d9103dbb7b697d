"""Closeouts of several cables in one package: a folder each, one verdict line each, one hash."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from otdravg import __version__
from otdravg.cable.checks.earlier import read_splices
from otdravg.cable.decisions.record import Decisions
from otdravg.cable.files.folder import RawShot
from otdravg.cable.files.names import same_text
from otdravg.cable.model import CableReview
from otdravg.cable.planned import SplicePlan
from otdravg.cable.run import Options, list_shots
from otdravg.closeout.checks.model import Check, at, checked
from otdravg.closeout.json_file import read_closeout
from otdravg.closeout.template import Template
from otdravg.closeout.traces import safe_name
from otdravg.errors import BadSetting, OutputRefused
from otdravg.findings import says
from otdravg.system.manifest import (
    EVIDENCE,
    MANIFEST,
    check_evidence,
    files_below,
    write_evidence,
    write_manifest,
)
from otdravg.system.printable import printable
from otdravg.tables.csv_file import CellTable, csv_bytes, worded
from otdravg.tables.figures import figures_by_name
from otdravg.verdict.rules import Profile
from otdravg.words.headings import Words

#: What a package holds beside its folders: for programs, and for people.
INDEX, PAGE = "index.csv", "index.html"
_FILES = (INDEX, PAGE, MANIFEST, EVIDENCE)
#: What people open first in a folder, as far as it has it.
_OPENED = ("closeout.html", "closeout.pdf", "closeout.xlsx", "splices.csv")
#: Figures of each cable, in order.
_FIGURES = (
    "cables", "standing", "fibres", "fibres_expected", "splices_expected", "splices_both_ends",
    "splices_within", "splices_over", "splices_open", "splices_one_way", "splices_not_measured",
    "splices_not_shot", "largest_db", "findings_to_do",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Terms:
    """What is stated of a cable, by its job or on the command line."""

    cable: str  # empty: of every cable
    options: Options
    rules: Profile


@dataclass(frozen=True, slots=True)
class Part:
    """What the closeout of one cable in a package is made of."""

    folder: str
    shots: list[RawShot]
    options: Options
    rules: Profile
    attached: Path | None


def by_cable(
    shots: Sequence[RawShot],
    stated: Sequence[Terms],
    against: Path | None = None,
    attached: Path | None = None,
) -> list[Part]:
    """Part shots by the cable that they are taken for, each judged by what its job states.

    What tells no cable goes with the cable of most files beside it, so that nothing is left out;
    what options say of another cable here is left out.

    Parameters
    ----------
    shots : sequence of RawShot
    stated : sequence of Terms
        Of each job; or one of an empty name, which holds for every cable.
    against : Path, optional
        A package delivered earlier; the folder of the same name in it is compared with.
    attached : Path, optional
        A folder with a folder for each cable, named as the cable.

    Raises
    ------
    BadSetting
        If no file tells its cable, or a decision does not; if a cable has no job, or a job no
        shot, where there are jobs; if there was a cable in the earlier package of which nothing
        is here.
    OutputRefused
        If something in ``attached`` is of no cable here.
    """
    bare = replace(stated[0].options, decisions=Decisions(), splice_plan=SplicePlan())
    records, _ = list_shots(shots, bare)
    cables = {
        (r.batch, r.path): r.taken_for.cable
        for r in records
        if r.identity is not None and r.taken_for.cable
    }
    if not cables:
        raise BadSetting("each-cable", "", says("no-cable-told"))
    own: dict[str, list[RawShot]] = {cable: [] for cable in sorted(set(cables.values()))}
    for shot, cable in zip(shots, _cables(shots, cables), strict=True):
        own[cable].append(shot)
    by_job = _by_job(stated, own)
    folders = dict(zip(own, _folders(own), strict=True))
    if against is not None:
        _check_earlier(against, folders.values())
    beside = {} if attached is None else _attached(attached, folders)
    parts = []
    for cable, members in own.items():
        folder, said = folders[cable], by_job[cable]
        earlier, others = against and against / folder, own.keys() - {cable}
        taken = _of_own(said.options, shots, members, others, earlier)
        parts.append(Part(folder, members, taken, said.rules, beside.get(cable)))
    return parts


def _by_job(stated: Sequence[Terms], cables: Collection[str]) -> dict[str, Terms]:
    """Find what is stated of each cable; every job has to be of one here, and every cable of one.

    A cable that was judged by the default beside others that have their contract's limit would
    pass for one of theirs.
    """
    if not stated[0].cable:
        return dict.fromkeys(cables, stated[0])
    jobs: dict[str, Terms] = {}
    here = {same_text(cable) for cable in cables}
    for own in stated:
        if jobs.setdefault(same_text(own.cable), own) is not own:
            raise BadSetting("--job", own.cable, says("two-jobs"))
        if same_text(own.cable) not in here:
            others = says("no-shot-of-cable", cables=", ".join(cables))
            raise BadSetting("--job", own.cable, others)
    for cable in cables:
        if same_text(cable) not in jobs:
            raise BadSetting("--job", cable, says("no-job-of-cable"))
    return {cable: jobs[same_text(cable)] for cable in cables}


def _attached(source: Path, folders: Mapping[str, str]) -> dict[str, Path]:
    """Find the folder of each cable among attachments; what is of none would go unsaid."""
    own = {same_text(name): cable for cable, folder in folders.items() for name in (cable, folder)}
    found = {}
    for place in sorted(source.iterdir()) if source.is_dir() else [source]:
        cable = own.get(same_text(place.name))
        if cable is None or not place.is_dir():
            advice = says("attach-a-folder-each", folders=", ".join(folders))
            raise OutputRefused(place, says("no-cables-folder"), advice)
        found[cable] = place
    return found


def _check_earlier(against: Path, folders: Collection[str]) -> None:
    """Refuse what is no package, or one with a cable that is not here: it would go unsaid."""
    earlier = sorted(path.parent.name for path in against.glob("*/splices.csv"))
    if not earlier:
        raise BadSetting("--against", str(against), says("name-package"))
    for folder in earlier:
        if folder not in folders:
            raise BadSetting("--against", folder, says("delivered-not-here"))


def _cables(shots: Iterable[RawShot], cables: Mapping[tuple[int, str], str]) -> Iterator[str]:
    """Tell the cable of each shot: its own, or that of most files in the nearest folder."""
    beside: dict[tuple[int, PurePosixPath], Counter[str]] = defaultdict(Counter)
    for (batch, path), cable in cables.items():
        for folder in PurePosixPath(path).parents:
            beside[batch, folder][cable] += 1
    for shot in shots:
        batch, path = shot.file.batch, shot.file.path
        near = (beside.get((batch, folder)) for folder in PurePosixPath(path).parents)
        most = next(filter(None, near), Counter(cables.values())).most_common(1)[0][0]
        yield cables.get((batch, path), most)


def _of_own(
    options: Options,
    shots: Iterable[RawShot],
    own: Iterable[RawShot],
    others: Collection[str],
    against: Path | None,
) -> Options:
    """Leave out what options say of the other cables here, and of files that are of them."""
    known = {same_text(name) for name in others}
    for decision in options.decisions.items:
        if not (decision.cable or decision.file):
            raise BadSetting("--decisions", decision.what.value, says("name-cable-of"))
    items = tuple(d for d in options.decisions.items if same_text(d.cable) not in known)
    naming = options.naming
    if (mapping := naming.mapping) is not None:
        of_others = {*mapping.unused(s.file.path for s in own)}
        of_others -= {*mapping.unused(s.file.path for s in shots)}
        kept = {name: claim for name, claim in mapping.claims.items() if name not in of_others}
        naming = replace(naming, mapping=replace(mapping, claims=kept))
    return replace(
        options,
        naming=naming,
        decisions=replace(options.decisions, items=items),
        before=read_splices(against) if against is not None and against.is_dir() else None,
    )


def _folders(cables: Iterable[str]) -> list[str]:
    """Name a folder after each cable, no two alike on any system."""
    names: list[str] = []
    for cable in cables:
        stem, number = safe_name(cable), 1
        while (name := stem if number == 1 else f"{stem}_{number}").casefold() in map(
            str.casefold, names
        ):
            number += 1
        names.append(name)
    return names


def write_index(draft: Path, closeouts: Mapping[str, CableReview], template: Template) -> None:
    """Write the index of closeouts that lie in folders of a draft, and the hashes over all."""
    table = _index(draft, closeouts, template, "")[INDEX]
    (draft / INDEX).write_bytes(table)
    evidence = write_evidence(draft)
    for name, content in _index(draft, closeouts, template, evidence).items():
        (draft / name).write_bytes(content)
    write_manifest(draft)


def _index(
    folder: Path, closeouts: Mapping[str, CableReview], template: Template, evidence: str
) -> dict[str, bytes]:
    """The index as files by name: the table has no hash in it, which is over the table too."""
    from markupsafe import Markup  # pages are made last, and a list of shots needs none

    from otdravg.closeout.html import content_hash, packaged, templates

    words, names = template.words, ("folder", *_FIGURES)
    table, lines = [], []
    for own, review in closeouts.items():
        table.append((own, *map(figures_by_name(review, Words()).get, _FIGURES)))
        figures = figures_by_name(review, words)
        cells = [printable(str(words.decimal(worded(n, figures[n], words)))) for n in _FIGURES]
        first = next((name for name in _OPENED if (folder / own / name).is_file()), "")
        lines.append((f"{own}/{first}", cells))
    page = templates().get_template("package.html.j2")
    style = packaged("style.css")
    shown = page.render(
        language=template.language.value, title=printable(template.title or words["closeout"]),
        program=f"{words['program']} otdravg {__version__}", style=Markup(style),
        style_hash=content_hash(style), headings=[words.heading(name) for name in _FIGURES],
        lines=lines, labels=[
            (label, printable(text))
            for label, text in (*template.labels, (words["made_at"], template.made_on),
                                (words["evidence_hash"], evidence)) if text
        ],
    )  # fmt: skip
    return {INDEX: csv_bytes(CellTable(names, tuple(table)), template.csv),
            PAGE: shown.encode("utf-8")}  # fmt: skip


def is_package(folder: Path) -> bool:
    """Whether a folder holds closeouts of several cables."""
    return (folder / INDEX).is_file() and not (folder / "splices.csv").is_file()


def index_checks(folder: Path) -> Iterator[Check]:
    """Hold the index of a package, and what lies beside its folders, against the closeouts."""
    owns = sorted(path.parent.name for path in folder.glob(f"*/{MANIFEST}"))
    top = {name.partition("/")[0] for name in files_below(folder)}
    yield checked(
        says("check-folders"), len(owns),
        [at(name, says("wrong-in-package")) for name in sorted(top - {*owns, *_FILES})],
    )  # fmt: skip
    lacking = [own for own in owns if not (folder / own / "closeout.json").is_file()]
    if lacking or not owns:
        why = says("undone-index", folders=", ".join(lacking))
        yield Check(says("check-index"), 0, not_done=why)
        return
    found = {own: read_closeout(folder / own / "closeout.json") for own in owns}
    template = next(iter(found.values())).template
    reviews = {own: closeout.review for own, closeout in found.items()}
    _, evidence = check_evidence(folder)
    wanted = _index(folder, reviews, template, evidence)
    yield checked(
        says("check-index"), len(owns) * len(_FIGURES),
        [
            at(name, says("wrong-index"))
            for name, content in wanted.items()
            if not (folder / name).is_file() or (folder / name).read_bytes() != content
        ],
    )  # fmt: skip

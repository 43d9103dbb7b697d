"""What ``verify`` finds of a package that somebody changed, and wrote its hashes anew.

Each change is made as one would who knows the package: with ``evidence.sha256`` and
``manifest.sha256`` written again, and, where the results themselves are changed, with every
output made again from them. The list stands in docs/how-to-packager.md.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner, Result

from otdravg.cable import CableReview
from otdravg.cable.model import FibreKey, ShotUse, SpliceRow
from otdravg.cli import main
from otdravg.closeout.checks.measured import _last_digit
from otdravg.closeout.closeout import fill_closeout, papers, write_closeout
from otdravg.closeout.json_file import read_closeout
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.closeout.traces import names_table, renamed, trace_pattern
from otdravg.findings import Severity, says
from otdravg.quantities import Quantity, reported
from otdravg.system.manifest import EVIDENCE, write_evidence, write_manifest
from otdravg.verdict.decision import Action, Verdict

DOCS = Path(__file__).parents[2] / "docs" / "how-to-packager.md"
#: A template that leaves out all that it may, so that no output shows what is changed.
COLUMNS = ("fibre", "wavelength_nm", "distance_m", "loss_db", "verdict")


@pytest.fixture(scope="module")
def package(
    good_review: CableReview, sketches: Sketches, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("package") / "closeout"
    template = Template(company="Example Splicing (simulated)", columns=COLUMNS)
    write_closeout(good_review, path, template=template, sketches=sketches)
    return path


@pytest.fixture
def copy(package: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(package, tmp_path / "closeout"))


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def told(done: Result) -> str:
    """What was printed, without the breaks that the width of the terminal put in."""
    return " ".join(done.output.split())


def hash_again(folder: Path) -> None:
    write_evidence(folder)
    write_manifest(folder)


def cell(path: Path, column: str, text: str, line: int = 3) -> None:
    with open(path, encoding="utf-8", newline="") as stream:
        rows = list(csv.reader(stream))
    rows[line][rows[0].index(column)] = text
    with open(path, "w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)


def without_line(path: Path, number: int) -> None:
    lines = path.read_bytes().split(b"\r\n")
    del lines[number]
    path.write_bytes(b"\r\n".join(lines))


def in_workbook(folder: Path, change: Callable[[openpyxl.Workbook], None]) -> None:
    book = openpyxl.load_workbook(folder / "closeout.xlsx")
    change(book)
    book.save(folder / "closeout.xlsx")


def cover_says_less(book: openpyxl.Workbook) -> None:
    sheet = book.worksheets[0]
    place = next(row[1] for row in sheet.iter_rows() if isinstance(row[1].value, int))
    place.value -= 1


def sign_gone(book: openpyxl.Workbook) -> None:
    sheet = book["Loss 1550 nm"]
    place = next(c for row in sheet.iter_rows() for c in row if '"' in str(c.number_format))
    place.number_format = "0.000"


def value_changed(book: openpyxl.Workbook) -> None:
    book["All values"]["D4"].value += 0.001


def loss_changed(book: openpyxl.Workbook) -> None:
    book["Loss 1310 nm"]["F9"].value += 0.001


def in_text(path: Path, pattern: str, text: str) -> None:
    old = path.read_text("utf-8")
    new = re.sub(pattern, text, old, count=1)
    assert new != old
    path.write_text(new, "utf-8")


def json_table(folder: Path) -> None:
    path = folder / "closeout.json"
    document = json.loads(path.read_bytes())
    table = document["tables"]["splices"]
    table["rows"][5][table["names"].index("expanded_uncertainty_db")] += 0.001
    path.write_text(json.dumps(document), "utf-8")


def traces_of(folder: Path) -> list[Path]:
    traces = sorted((folder / "traces").glob("*.sor"))
    assert len(traces) == 48
    return traces


def byte_changed(folder: Path) -> None:
    path = traces_of(folder)[7]
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)


def traces_exchanged(folder: Path) -> None:
    one, other = traces_of(folder)[3], traces_of(folder)[4]
    contents = one.read_bytes(), other.read_bytes()
    other.write_bytes(contents[0])
    one.write_bytes(contents[1])


def trace_and_line_removed(folder: Path) -> None:
    traces_of(folder)[3].unlink()
    without_line(folder / "traces" / "names.csv", 4)


ONE_FILE: Mapping[str, tuple[Callable[[Path], object], str]] = {
    "a loss in splices.csv": (lambda f: cell(f / "splices.csv", "loss_db", "0.001"), "loss_db"),
    "a verdict in splices.csv": (
        lambda f: cell(f / "splices.csv", "verdict", "over limit"), "verdict is over limit",
    ),
    "a reason in splices.csv": (
        lambda f: cell(f / "splices.csv", "reason", "fine"), "reason is fine",
    ),
    "a row removed from splices.csv": (
        lambda f: without_line(f / "splices.csv", 9), "splices.csv: has 95 rows",
    ),
    "a finding removed from findings.csv": (
        lambda f: without_line(f / "findings.csv", 1), "findings.csv: has",
    ),
    "a table removed": (lambda f: (f / "findings.csv").unlink(), "findings.csv: is missing"),
    "a table of another cable": (
        lambda f: (f / "extra.csv").write_text("a,b"), "extra.csv: is no table",
    ),
    "a value in the workbook": (lambda f: in_workbook(f, value_changed), "sheet All values, D4"),
    "a loss table in the workbook": (
        lambda f: in_workbook(f, loss_changed), "sheet Loss 1310 nm, F9 (fibre",
    ),
    "a sign in the workbook": (lambda f: in_workbook(f, sign_gone), "sheet Loss 1550 nm"),
    "a count on the workbook's cover": (lambda f: in_workbook(f, cover_says_less), "sheet Cover"),
    "a sentence of the page": (
        lambda f: in_text(f / "closeout.html", r"NOT ACCEPTED", "ACCEPTED"), "makes NOT ACCEPTED",
    ),
    "a loss in the page": (
        lambda f: in_text(f / "closeout.html", r'"0\.31\d"', '"0.011"'), "is 0.011, closeout.json",
    ),
    "a table in the JSON": (json_table, "table splices, line 7 (cable"),
    "a byte of a trace": (byte_changed, "is not the file that was measured"),
    "two traces exchanged": (traces_exchanged, "is not the file that was measured"),
    "a trace removed with its line": (trace_and_line_removed, "is missing"),
    "an old name in names.csv": (
        lambda f: cell(f / "traces" / "names.csv", "old_name", "other.sor"), "old_name is other",
    ),
    "a trace that no table knows": (
        lambda f: shutil.copy(traces_of(f)[0], f / "traces" / "more.sor"), "stands in no table",
    ),
    "another file beside the outputs": (
        lambda f: shutil.copy(f / "closeout.pdf", f / "closeout signed.pdf"),
        "closeout signed.pdf: is no part",
    ),
    "traces as a folder and as an archive": (
        lambda f: shutil.make_archive(str(f / "traces"), "zip", f / "traces"), "one of them is not",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", ONE_FILE)
def test_a_change_in_one_file_is_found_and_named(copy: Path, what: str) -> None:
    change, named = ONE_FILE[what]
    change(copy)
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 1, done.output
    assert named in told(done)
    assert "in the manifest" not in done.output


def test_what_is_wrong_is_said_in_german(copy: Path) -> None:
    cell(copy / "splices.csv", "loss_db", "0.001")
    byte_changed(copy)
    hash_again(copy)
    done = run("verify", copy, "--language", "de")
    assert done.exit_code == 1, done.output
    said = told(done)
    assert "splices.csv, Zeile 4 (cable" in said
    assert "loss_db ist 0.001, closeout.json hat 0." in said
    assert "ist nicht die gemessene Datei: die Prüfsumme ist nicht die der Tabellen" in said
    assert "1 falsch Messungen gegen Prüfsumme, Kopf und Messpunkte in den Tabellen" in said
    assert said.endswith(" Fehler")
    assert not re.search(r"\b(is|are|the|of|wrong|checked|against|and)\b", said)


def test_nothing_is_found_where_nothing_was_changed(copy: Path) -> None:
    hash_again(copy)
    done = run("verify", copy, "--measure")
    assert done.exit_code == 0, done.output
    assert "0 problems" in done.output


def test_the_paper_of_another_run_is_found(
    copy: Path, good_review: CableReview, sketches: Sketches, tmp_path: Path
) -> None:
    other = replace(good_review, rows=good_review.rows[:-1])
    template = read_closeout(copy / "closeout.json").template
    write_closeout(other, tmp_path / "other", only={"pdf"}, template=template, sketches=sketches)
    shutil.copy(tmp_path / "other" / "closeout.pdf", copy / "closeout.pdf")
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 1
    assert "closeout.pdf, page 1: differs" in done.output


def test_outputs_without_the_results_are_no_all_clear(copy: Path) -> None:
    (copy / "closeout.json").unlink()
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 1
    assert "closeout.pdf: nothing says what it should hold" in told(done)


def forge(folder: Path, change: Callable[[CableReview], CableReview]) -> None:
    """Change the results, and make everything again from them."""
    closeout = read_closeout(folder / "closeout.json")
    forged = change(closeout.review)
    assert forged != closeout.review
    for path in folder.iterdir():
        if path.is_file():
            path.unlink()
    names = renamed(forged.shots, trace_pattern(forged, None))
    (folder / "traces" / "names.csv").write_bytes(names_table(names, closeout.template.csv))
    fill_closeout(
        forged, folder, only={"csv", "json", "html"}, template=closeout.template,
        sketches=closeout.sketches, options=closeout.options,
    )  # fmt: skip


def with_row(
    review: CableReview, number: int, change: Callable[[SpliceRow], SpliceRow]
) -> CableReview:
    rows = list(review.rows)
    rows[number] = change(rows[number])
    return replace(review, rows=tuple(rows))


def over(review: CableReview) -> int:
    return next(n for n, r in enumerate(review.rows) if r.verdict.verdict is Verdict.OVER)


def turned(row: SpliceRow) -> SpliceRow:
    verdict = replace(
        row.verdict, verdict=Verdict.WITHIN, action=Action.NONE,
        reason=says("as-found", text="within the limit"),
    )  # fmt: skip
    return replace(row, verdict=verdict)


def not_judged(row: SpliceRow) -> SpliceRow:
    verdict = replace(row.verdict, verdict=Verdict.NOT_JUDGED, action=Action.NONE)
    return replace(row, verdict=verdict)


def half_off(row: SpliceRow) -> SpliceRow:
    assert row.loss_db is not None
    figure = Decimal("0.100")
    return replace(row, loss_db=0.1, verdict=replace(turned(row).verdict, figure=figure))


def own_limit(row: SpliceRow) -> SpliceRow:
    limited = replace(turned(row).verdict, limit_db=Decimal("0.50"), near_limit=False)
    return replace(row, verdict=limited)


def other_u(row: SpliceRow) -> SpliceRow:
    return replace(row, u_loss_db=0.02)


def fibres_exchanged(review: CableReview) -> CableReview:
    swapped = {3: 4, 4: 3}
    rows = tuple(replace(r, fibre=swapped.get(r.fibre, r.fibre)) for r in review.rows)
    return replace(review, rows=rows)


def hashes_exchanged(review: CableReview) -> CableReview:
    shots = list(review.shots)
    used = [n for n, s in enumerate(shots) if s.use is ShotUse.USED]
    one, other = used[2], used[3]
    shots[one], shots[other] = (
        replace(shots[one], sha256=shots[other].sha256),
        replace(shots[other], sha256=shots[one].sha256),
    )
    return replace(review, shots=tuple(shots))


def fibre_gone(review: CableReview) -> CableReview:
    key = FibreKey(review.rows[0].cable, 5)
    return replace(
        review,
        rows=tuple(r for r in review.rows if r.key != key),
        fibres=tuple(f for f in review.fibres if f.key != key),
        identities=tuple(i for i in review.identities if i.key != key),
    )


def unit_gone(review: CableReview) -> CableReview:
    assert review.plan is not None
    return replace(review, plan=replace(review.plan, units=review.plan.units[1:]))


def mean_changed(review: CableReview) -> CableReview:
    first = review.fibres[0]
    assert first.span_mean_db is not None
    fibre = replace(first, span_mean_db=first.span_mean_db - 0.01)
    return replace(review, fibres=(fibre, *review.fibres[1:]))


def bend_finding_gone(review: CableReview) -> CableReview:
    return replace(review, findings=tuple(f for f in review.findings if f.code != "bend-suspected"))


def closure_gone(review: CableReview) -> CableReview:
    rows = tuple(r for r in review.rows if r.closure_number != 2)
    closures = tuple(c for c in review.closures if c.number != 2)
    return replace(review, rows=rows, closures=closures)


def closure_moved(review: CableReview) -> CableReview:
    first = review.closures[0]
    moved = replace(first, distance_m=first.distance_m + 300)
    return replace(review, closures=(moved, *review.closures[1:]))


def closure_renamed(review: CableReview) -> CableReview:
    other = replace(review.closures[0], name="Other")
    return replace(review, closures=(other, *review.closures[1:]))


def sum_changed(review: CableReview) -> CableReview:
    first = review.groups[0]
    assert first.mean_db is not None
    other = replace(first, mean_db=first.mean_db - Decimal("0.01"))
    return replace(review, groups=(other, *review.groups[1:]))


def invented_leave(row: SpliceRow) -> SpliceRow:
    verdict = replace(turned(row).verdict, verdict=Verdict.ACCEPTED, rule="reviewer's decision")
    return replace(row, verdict=verdict, decided=(says("as-found", text="accepted by R. Vale"),))


def with_finding(review: CableReview, **changes: object) -> CableReview:
    first = replace(review.findings[0], **changes)
    return replace(review, findings=(first, *review.findings[1:]))


EVERYWHERE: Mapping[str, tuple[Callable[[CableReview], CableReview], str]] = {
    "a loss that is not half the sum": (
        lambda r: with_row(r, over(r), half_off), "both readings make",
    ),
    "a verdict turned": (lambda r: with_row(r, over(r), turned), "within limit, but"),
    "a verdict withdrawn": (lambda r: with_row(r, over(r), not_judged), "there is a limit"),
    "a limit of its own for one splice": (
        lambda r: with_row(r, over(r), own_limit), "judged by 0.50 dB",
    ),
    "an uncertainty": (lambda r: with_row(r, 4, other_u), "the uncertainty judged"),
    "a row removed": (
        lambda r: replace(r, rows=(*r.rows[:7], *r.rows[8:])), "has no row",
    ),
    "a row twice": (lambda r: replace(r, rows=(*r.rows, r.rows[0])), "2 rows"),
    "two fibres exchanged": (fibres_exchanged, "was taken for fibre"),
    "the hashes of two traces exchanged": (hashes_exchanged, "its hash is not the"),
    "a fibre removed": (fibre_gone, "is used, and no row names it"),
    "a closure removed": (closure_gone, "not numbered from 1"),
    "a splice taken off the work list": (unit_gone, "stands in no unit of the work list"),
    "the mean of a fibre": (mean_changed, "the mean of its splices"),
    "the finding behind a verdict removed": (bend_finding_gone, "says bend-suspected"),
    "a closure moved": (closure_moved, "its splices at"),
    "a closure renamed": (closure_renamed, "closure Other: its splices call it"),
    "the mean of a ribbon or a closure": (sum_changed, "mean_db is"),
    "a decision that nobody took": (
        lambda r: with_row(r, over(r), invented_leave), "no decision says what its row does",
    ),
    "a finding acknowledged by nobody": (
        lambda r: with_finding(r, acknowledged=(says("as-found", text="seen"),)),
        "no decision acknowledges it",
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", EVERYWHERE)
def test_a_change_in_every_output_is_found_and_named(copy: Path, what: str) -> None:
    change, named = EVERYWHERE[what]
    forge(copy, change)
    done = run("verify", copy)
    assert done.exit_code == 1, done.output
    assert named in told(done)
    assert "wrong files against" not in told(done)


def all_of_a_row(row: SpliceRow) -> SpliceRow:
    """Shift a loss with both its readings, so that it is half their sum and within."""
    assert row.loss_ab_db is not None
    assert row.loss_ba_db is not None
    ab, ba = row.loss_ab_db - 0.2, row.loss_ba_db - 0.2
    loss_db = (ab + ba) / 2
    verdict = replace(turned(row).verdict, figure=Decimal(f"{loss_db:.3f}"), near_limit=False)
    return replace(row, loss_ab_db=ab, loss_ba_db=ba, loss_db=loss_db, verdict=verdict)


def row_and_sums(review: CableReview) -> CableReview:
    """Shift a splice, and whatever is summed up of it."""
    number = over(review)
    forged = with_row(review, number, all_of_a_row)
    row = forged.rows[number]
    own = [r for r in forged.rows if (r.key, r.wavelength_nm) == (row.key, row.wavelength_nm)]
    mean = sum(Decimal(f"{r.loss_db:.3f}") for r in own) / len(own)
    fibres = tuple(
        replace(f, span_mean_db=float(f"{mean:.3f}"))
        if (f.key, f.wavelength_nm) == (row.key, row.wavelength_nm)
        else f
        for f in forged.fibres
    )
    return replace(forged, fibres=fibres)


def patterns_of_another(review: CableReview) -> CableReview:
    return replace(review, identities=tuple(
        replace(i, best_other=1) for i in review.identities
    ))  # fmt: skip


def other_fibre(review: CableReview, **changes: object) -> CableReview:
    return replace(review, fibres=(replace(review.fibres[0], **changes), *review.fibres[1:]))


def less_grave(review: CableReview) -> CableReview:
    said = review.findings[0].said
    return with_finding(review, said=replace(said, severity=Severity.NOTE))


MEASURED: Mapping[str, tuple[Callable[[CableReview], CableReview], str]] = {
    "a splice with both its readings": (row_and_sums, "loss_ab_db is"),
    "what fits second best": (patterns_of_another, "best_other_fibre is 1"),
    "the place of a splice": (
        lambda r: with_row(r, 3, lambda x: replace(x, distance_m=x.distance_m + 9)),
        "distance_m is",
    ),
    "the length of a fibre": (lambda r: other_fibre(r, length_m=8000.0), "length_m is 8000"),
    "the index of a fibre": (lambda r: other_fibre(r, index_used=1.4), "index_used is 1.4"),
    "the attempt that stands": (
        lambda r: with_row(r, 3, lambda x: replace(x, attempt=3)),
        "attempt is 3",
    ),
    "how grave a finding is": (less_grave, "comes out of the traces, and is not there"),
}


@pytest.mark.parametrize("what", MEASURED)
def test_a_consistent_lie_is_found_by_measuring(copy: Path, what: str) -> None:
    change, named = MEASURED[what]
    forge(copy, change)
    done = run("verify", copy, "--measure")
    assert done.exit_code == 1, done.output
    assert named in told(done)


def test_a_package_made_anew_is_told_by_the_hash_on_the_signed_paper(copy: Path) -> None:
    signed = re.search(
        r"evidence\.sha256\)</dt><dd>([0-9a-f]{64})<", (copy / "closeout.html").read_text("utf-8")
    )
    assert signed is not None
    assert run("verify", copy, "--evidence", signed[1]).exit_code == 0
    assert run("verify", copy, "--evidence", signed[1][:32].upper()).exit_code == 0
    assert run("verify", copy, "--evidence", signed[1][:8]).exit_code == 1
    cell(copy / "splices.csv", "colour", "invented")
    write_evidence(copy)
    done = run("verify", copy, "--evidence", signed[1])
    assert done.exit_code == 1
    assert f"{EVIDENCE}: its hash is" in told(done)


def test_another_version_is_named_and_not_called_tampering(copy: Path) -> None:
    path = copy / "closeout.json"
    document = json.loads(path.read_bytes())
    document["made_with"]["reportlab"] = "1.0"
    path.write_text(json.dumps(document), "utf-8")
    in_text(copy / "closeout.html", r"NOT ACCEPTED", "ACCEPTED")
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 1
    assert "made with reportlab 1.0 and not" in told(done)


def papers_of_another_version(folder: Path, library: str) -> None:
    """As a forger would excuse what differs: the outputs are those of another version."""
    path = folder / "closeout.json"
    document = json.loads(path.read_bytes())
    document["made_with"][library] = "1.0"
    path.write_text(json.dumps(document), "utf-8")
    closeout, evidence = read_closeout(path), write_evidence(folder)
    for name, write in papers(closeout.template).items():
        write(closeout, evidence, folder / name)


def behind_the_end(folder: Path) -> None:
    """Change a page where only a reader of object streams sees it (ISO 32000-1, 7.5.6, 7.5.7)."""
    with open(folder / "closeout.pdf", "ab") as stream:
        stream.write(b"\n9999 0 obj\n<< /Type /ObjStm >>\nendobj\nstartxref\n0\n%%EOF\n")


def row_hidden(book: openpyxl.Workbook) -> None:
    book["Loss 1310 nm"].row_dimensions[9].hidden = True


def white_on_white(book: openpyxl.Workbook) -> None:
    book["Loss 1310 nm"]["F9"].font = openpyxl.styles.Font(color="FFFFFFFF")


def noted(book: openpyxl.Workbook) -> None:
    book["Loss 1310 nm"]["F9"].comment = openpyxl.comments.Comment("accepted", "owner")


UNSEEN: Mapping[str, tuple[str, Callable[[Path], object], str]] = {
    "a page of the paper behind its end": ("reportlab", behind_the_end, "objects elsewhere"),
    "a hidden row of the workbook": (
        "XlsxWriter", lambda f: in_workbook(f, row_hidden), ": is visible; 9",
    ),
    "a white figure in the workbook": (
        "XlsxWriter", lambda f: in_workbook(f, white_on_white), ": is FFFFFFFF",
    ),
    "a note on a cell": ("XlsxWriter", lambda f: in_workbook(f, noted), ": is accepted"),
    "a hidden part of the page": (
        "jinja2",
        lambda f: in_text(f / "closeout.html", r'(<section class="later")', r"\1 hidden"),
        'class="later" hidden',
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", UNSEEN)
def test_what_is_hidden_is_found_under_another_version_too(copy: Path, what: str) -> None:
    library, change, named = UNSEEN[what]
    papers_of_another_version(copy, library)
    write_manifest(copy)
    assert run("verify", copy).exit_code == 0
    change(copy)
    write_manifest(copy)
    done = run("verify", copy)
    assert done.exit_code == 1, done.output
    assert named in told(done)


def test_a_name_twice_in_the_results_is_not_read(copy: Path) -> None:
    """Readers differ in which of both they take (RFC 8259, 4)."""
    path = copy / "closeout.json"
    text = path.read_text("utf-8")
    path.write_text(text.replace("{", '{"tables": {},', 1), "utf-8")
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 2
    assert "tables stands twice" in told(done)


@pytest.mark.parametrize(
    ("column", "text", "named"),
    [
        ("loss_db", "0.001", "both readings make"),
        ("limit_db", "0.01", "within limit, and"),
        ("file_ab", "other.sor", "other.sor is not in shots.csv"),
    ],
)
def test_tables_alone_are_held_against_themselves(
    copy: Path, column: str, text: str, named: str
) -> None:
    for path in copy.iterdir():
        if path.suffix not in (".csv", ".sha256"):
            shutil.rmtree(path) if path.is_dir() else path.unlink()
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 0, done.output
    assert "closeout.json is not there" in told(done)
    assert "Cannot be known" in told(done)
    cell(copy / "splices.csv", column, text)
    hash_again(copy)
    done = run("verify", copy)
    assert done.exit_code == 1
    assert named in told(done)


def a_thousandth(row: SpliceRow) -> SpliceRow:
    """The last digit as another machine may round it: both readings, and all that follows."""
    assert row.loss_ab_db is not None
    assert row.loss_ba_db is not None
    ab, ba = row.loss_ab_db + 0.001, row.loss_ba_db + 0.001
    figure = reported((ab + ba) / 2, Quantity.LOSS_DB)
    return replace(
        row, loss_ab_db=ab, loss_ba_db=ba, loss_db=(ab + ba) / 2,
        verdict=replace(row.verdict, figure=figure),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("one", "other", "agree"),
    [
        ("0.150", "0.151", True),
        ("0.150", "0.152", False),
        ("worst 0.310 dB of 12", "worst 0.311 dB of 12", True),
        ("worst 0.310 dB of 12", "worst 0.310 dB of 13", False),
        ("within limit", "over limit", False),
        (None, "0.150", False),
    ],
)
def test_one_in_the_last_digit(one: str | None, other: str, agree: bool) -> None:
    assert _last_digit(one, other) is agree


@pytest.mark.parametrize(("machine", "exit_code"), [("another", 0), ("", 1)])
def test_another_machine_may_round_otherwise(copy: Path, machine: str, exit_code: int) -> None:
    forge(copy, lambda review: with_row(review, 7, a_thousandth))
    (copy / "closeout.html").unlink()
    path = copy / "closeout.json"
    document = json.loads(path.read_bytes())
    document["made_with"]["machine"] += machine
    path.write_text(json.dumps(document), "utf-8")
    hash_again(copy)
    done = run("verify", copy, "--measure")
    named = [line for line in done.output.splitlines() if line.startswith("splices, line 9")]
    assert bool(named) == bool(exit_code)
    assert ("differ by one in the last digit" in told(done)) == (not exit_code)


def test_the_docs_list_every_change_that_is_tried() -> None:
    page = DOCS.read_text("utf-8")
    tried = (*ONE_FILE, *EVERYWHERE, *MEASURED, *UNSEEN)
    assert len(tried) >= 52
    assert [what for what in tried if what not in page] == []

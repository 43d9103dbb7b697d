"""A stranger's cable run through every output: each stays what it is, none obeys a text."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
import subprocess
import zipfile
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pypdf
import pytest
from click.testing import CliRunner, Result
from hostile_run import CABLE, CLOSURES, HostileRun, write_hostile_run
from hostile_text import FILE_NAMES, HOSTILE, check_name, is_obeyed

from otdravg.cable import CableReview
from otdravg.cli import main
from otdravg.closeout.html import packaged
from otdravg.closeout.json_file import read_closeout
from otdravg.report.cable import cable_text
from otdravg.system.manifest import MANIFEST, check_manifest
from otdravg.words.catalogue import told

#: What separates the lines of a text output; nothing else in it may be obeyed.
LINE_END = "\n"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def check_terminal(text: str) -> None:
    """Everything that a terminal would obey is written out, line ends apart."""
    obeyed = {c for c in text if is_obeyed(c)} - {LINE_END}
    assert not obeyed, ascii(obeyed)
    text.encode("utf-8")


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> HostileRun:
    return write_hostile_run(tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def made(hostile: HostileRun) -> tuple[Path, Result]:
    """The whole closeout, and what the command printed."""
    out = hostile.folder / "out"
    done = run("cable", hostile.shots, *hostile.options, "--all", "--out", out)
    assert done.exit_code == 1, done.output[-2000:]
    return out, done


@pytest.fixture(scope="module")
def out(made: tuple[Path, Result]) -> Path:
    return made[0]


@pytest.fixture(scope="module")
def review(out: Path) -> CableReview:
    return read_closeout(out / "closeout.json").review


def test_review_is_of_all_the_texts(review: CableReview, hostile: HostileRun) -> None:
    """Guard: the other tests would pass on a review that lost the texts on its way."""
    assert review.cables == (" ".join(CABLE.split()),)
    assert {row.fibre for row in review.rows} == set(range(1, 13))
    names = {closure.name for closure in review.closures}
    assert len(names & {text.strip() for text in HOSTILE.values()}) >= 4
    assert {HOSTILE[what].strip() for what in CLOSURES} & names
    decided = " ".join(told(said) for row in review.rows for said in row.decided)
    assert HOSTILE["script end"] in decided
    assert HOSTILE["clipboard"] in decided
    assert len(review.shots) == 2 * 12 + len(FILE_NAMES)


class TestTerminal:
    def test_cable(self, made: tuple[Path, Result], review: CableReview) -> None:
        check_terminal(made[1].output)
        assert r"\x1b[31m\u202e" in made[1].output
        plain = cable_text(review, ascii_only=True)
        assert plain.isascii()
        check_terminal(plain)

    def test_listing(self, hostile: HostileRun) -> None:
        done = run("cable", hostile.shots, *hostile.options, "--list")
        assert done.exit_code == 0, done.output
        check_terminal(done.output)

    def test_show(self, hostile: HostileRun) -> None:
        shots = sorted(hostile.shots.rglob("F*.sor"))
        assert shots
        for path in shots:
            done = run("show", path)
            assert done.exit_code == 0
            check_terminal(done.output)
            json.loads(run("show", path, "--json").stdout)

    def test_decide(self, tmp_path: Path) -> None:
        file = tmp_path / "d.csv"
        for text in HOSTILE.values():
            if text.strip():
                arguments = [f"--{name}={text}" for name in ("who", "why", "cable", "closure")]
                done = run("decide", file, "accept", "--fibre", 1, *arguments)
                check_terminal(done.output)
                assert done.exit_code in (0, 2), done.output  # written down, or refused
        checked = run("decide", file)
        check_terminal(checked.output)
        assert checked.exit_code == 0, checked.output

    @pytest.mark.parametrize(
        "name", [pytest.param(name, id=what) for what, name in FILE_NAMES.items()]
    )
    def test_error_is_one_line(self, name: bytes, tmp_path: Path) -> None:
        path = tmp_path / name.decode("utf-8", "surrogateescape")
        path.write_bytes(b"no trace")
        for arguments in (
            ("pair", path, path.with_name("none.sor")),
            ("show", path),
            ("cable", path, "--list"),
            ("cable", path.parent, "--list", "--mapping", path),
            ("cable", path.parent, "--out", path),
            ("decide", path),
            ("verify", path),
            ("profile", "check", path),
            ("report", path, "--out", tmp_path / "x"),
        ):
            done = run(*arguments)
            assert done.exit_code == 2, arguments
            check_terminal(done.output)
            assert done.stderr.count("\n") == 1
            assert "internal fault" not in done.stderr


class TestTables:
    def test_no_cell_is_a_formula_or_a_control(self, out: Path) -> None:
        tables = [*out.glob("*.csv"), out / "traces" / "names.csv"]
        assert len(tables) >= 7
        for table in tables:
            text = table.read_bytes().decode("utf-8")
            assert not [c for c in text.replace("\r\n", "") if is_obeyed(c)], table.name
            rows = list(csv.reader(io.StringIO(text, newline="")))
            assert {len(row) for row in rows} == {len(rows[0])}
            cells = [cell for row in rows for cell in row]
            assert cells
            for cell in cells:
                # OWASP, CSV Injection; a figure below zero is none.
                is_figure = re.fullmatch(r"-\d+(\.\d+)?(E[+-]\d+)?", cell)
                assert is_figure or not cell.lstrip().startswith(tuple("=+-@＝＋－＠")), cell


class TestWorkbook:
    def test_no_formula_link_or_control(self, out: Path) -> None:
        content = (out / "closeout.xlsx").read_bytes()
        book = openpyxl.load_workbook(io.BytesIO(content))
        texts = set()
        for sheet in book:
            check_terminal(sheet.title)
            for cell in (cell for row in sheet.iter_rows() for cell in row):
                assert cell.data_type != "f", cell.coordinate
                assert cell.hyperlink is None
                if isinstance(cell.value, str):
                    check_terminal(cell.value)
                    texts.add(cell.value)
        assert any(HOSTILE["formula"] in text for text in texts)
        with zipfile.ZipFile(io.BytesIO(content)) as parts:
            assert not [n for n in parts.namelist() if re.search("external|vba|macro|link", n)]
            assert "xl/workbook.xml" in parts.namelist()
            for name in parts.namelist():
                assert b"<f>" not in parts.read(name)
                # ECMA-376-1, 22.9.2.19: _xHHHH_ in a text means that character.
                assert b"_x001B_" not in parts.read(name).replace(b"_x005F_x001B_", b"")


class TestPaper:
    def test_pages_hold_text_and_nothing_that_runs(self, out: Path) -> None:
        content = (out / "closeout.pdf").read_bytes()
        reader = pypdf.PdfReader(io.BytesIO(content))
        found: list[tuple[str, float]] = []
        for page in reader.pages:
            page.extract_text(
                visitor_text=lambda text, cm, tm, *_: found.append((text, float(tm[5] + cm[5])))
            )
        together = re.sub(r"\s+", "", "".join(text for text, _ in found))
        check_terminal(together)
        assert re.sub(r"\s+", "", HOSTILE["script"]) in together
        assert r"\x1b]52;c;" in together
        # Nothing runs off the page; the stamp with the count of pages has its own origin, 0.
        assert min(height for text, height in found if text.strip()) >= 0
        for value in (reader.metadata or {}).values():
            check_terminal(str(value))
        # ISO 32000-1, 12.6.4: actions that leave the document or run something.
        for key in (b"/JavaScript", b"/JS", b"/Launch", b"/URI", b"/SubmitForm", b"/EmbeddedFile"):
            assert key not in content
        assert not [page for page in reader.pages if "/AA" in page]


class Elements(HTMLParser):
    """What a browser would make of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.scripts: list[tuple[str, str]] = []
        self.policy = ""
        self._kind: str | None = None
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        named = dict(attrs)
        if tag == "meta" and named.get("http-equiv") == "Content-Security-Policy":
            self.policy = named["content"] or ""
        self._kind = (named.get("type") or "program") if tag == "script" else None

    def handle_data(self, data: str) -> None:
        if self._kind is not None:
            self.scripts.append((self._kind, data))
            self._kind = None


def check_page(page: str, *templates: str) -> Elements:
    """No element, attribute, script or address that a text brought in."""
    assert not [c for c in page if is_obeyed(c) and c not in "\n\t"]
    found = Elements(page)
    assert found.tags <= Elements("".join(map(packaged, templates))).tags
    names = {name for name, _ in found.attributes}
    assert not [name for name in names if name.startswith("on") or name == "style"]
    assert not [name for name in names if not re.fullmatch(r"[a-zA-Z][a-zA-Z:-]*", name)]
    assert found.attributes
    for name, value in found.attributes:
        if name in ("src", "href", "action", "data"):
            assert value.startswith(("#", "data:image/")), value
        assert "javascript:" not in value.lower()
    # W3C, Content Security Policy Level 3.
    assert "default-src 'none'" in found.policy
    assert "base-uri 'none'" in found.policy
    assert "form-action 'none'" in found.policy
    assert "unsafe" not in found.policy
    return found


class TestPage:
    def test_closeout(self, out: Path) -> None:
        found = check_page((out / "closeout.html").read_text(encoding="utf-8"), "index.html.j2")
        programs = [text for kind, text in found.scripts if kind == "program"]
        assert len(programs) == 1
        for kind, text in found.scripts:
            if kind != "program":
                json.loads(text)
        everything = json.dumps([json.loads(t) for k, t in found.scripts if k != "program"])
        assert json.dumps(HOSTILE["script end"])[1:-1] in everything

    def test_pair(self, hostile: HostileRun, tmp_path: Path) -> None:
        page = tmp_path / "pair.html"
        done = run("pair", *_pair_of(hostile), "--report", page)
        assert done.exit_code in (0, 1), done.output
        found = check_page(page.read_text(encoding="utf-8"), "pair.html.j2", "ticket.html.j2")
        assert "script" not in found.tags


def _pair_of(hostile: HostileRun) -> tuple[Path, Path]:
    ab, ba = (
        next(iter(sorted(hostile.shots.rglob(f"F003_1550_{way}~*.sor")))) for way in ("AB", "BA")
    )
    return ab, ba


class TestPair:
    """Every output of one pair, of whichever texts its two shots hold."""

    def test_every_output(self, hostile: HostileRun, tmp_path: Path) -> None:
        files = {name: tmp_path / f"pair.{name}" for name in ("csv", "pdf", "svg")}
        done = run(
            "pair", *_pair_of(hostile), "--csv", files["csv"], "--report", files["pdf"],
            "--plot", files["svg"],
        )  # fmt: skip
        assert done.exit_code in (0, 1), done.output
        check_terminal(done.output)
        check_terminal(files["csv"].read_bytes().decode("utf-8").replace("\r\n", "\n"))
        check_terminal(files["svg"].read_text(encoding="utf-8"))
        assert "<script" not in files["svg"].read_text(encoding="utf-8")
        for page in pypdf.PdfReader(files["pdf"]).pages:
            check_terminal(page.extract_text())

    def test_json(self, hostile: HostileRun) -> None:
        done = run("pair", *_pair_of(hostile), "--json")
        assert done.stdout.isascii()
        assert json.loads(done.stdout)["shots"]["ab"]["cable"] == CABLE.strip()


class TestJson:
    def test_is_plain_ascii_and_keeps_every_text(self, out: Path, review: CableReview) -> None:
        content = (out / "closeout.json").read_bytes()
        assert set(content) <= {*range(0x20, 0x7F), 0x0A}
        document = json.loads(content, parse_constant=lambda name: pytest.fail(name))
        assert document["tables"]
        taken = {shot.path for shot in review.shots}
        for name in FILE_NAMES.values():
            assert f"stray {name.decode('utf-8', 'surrogateescape')}" in taken


class TestTraces:
    def test_manifest_names_every_file_in_plain_letters(self, out: Path, tmp_path: Path) -> None:
        lines = (out / MANIFEST).read_bytes().decode("ascii").splitlines()
        assert lines
        assert all(re.fullmatch(r"[0-9a-f]{64}  [A-Za-z0-9._/-]+", line) for line in lines)
        assert check_manifest(out).is_good
        sha256sum = shutil.which("sha256sum")
        if sha256sum is None:
            pytest.skip("sha256sum is not on this machine")
        checked = subprocess.run(
            [sha256sum, "--check", "--strict", MANIFEST], cwd=out, capture_output=True, check=False
        )
        assert checked.returncode == 0, checked.stderr

    def test_closeout_agrees_with_itself(self, out: Path) -> None:
        done = run("verify", out)
        check_terminal(done.output)
        assert done.exit_code == 0, done.output

    def test_traces_are_all_there_under_names_of_every_system(
        self, out: Path, hostile: HostileRun
    ) -> None:
        folder = out / "traces"
        copies = [path for path in folder.rglob("*") if path.is_file()]
        names = [path.relative_to(folder).as_posix() for path in copies]
        check_names(names)
        found = [_hash(path) for path in copies if path.name != "names.csv"]
        assert sorted(found) == sorted(_hash(path) for path in _traces(hostile.shots))

    def test_zip_holds_the_same(self, out: Path, hostile: HostileRun) -> None:
        zipped = hostile.folder / "zipped"
        done = run(
            "cable", hostile.shots, *hostile.options, "--only", "traces", "--zip", "--out", zipped
        )
        assert done.exit_code == 1, done.output
        with zipfile.ZipFile(zipped / "traces.zip") as archive:
            assert archive.testzip() is None
            content = {
                name: hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()
            }
        assert len(content) == len(archive.namelist())
        check_names([name.removeprefix("traces/") for name in content])
        copies = {path.relative_to(out).as_posix(): path for path in (out / "traces").rglob("*")}
        assert content == {name: _hash(p) for name, p in copies.items() if p.is_file()}


def _traces(folder: Path) -> Iterator[Path]:
    return (path for path in folder.rglob("*") if path.name.lower().endswith(".sor"))


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def check_names(names: list[str]) -> None:
    """Legal on Windows too, inside the folder, and told apart where letter case is not."""
    assert len({name.casefold() for name in names}) == len(names)
    for name in names:
        check_name(name, "sor|csv")

"""``otdravg pair --report``: one fibre's result as PDF and as HTML."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from otdravg.cli import main
from otdravg.simulate.demo import write_demo


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("pair") / "demo"
    summary = write_demo(folder, fibres=1, wavelengths=(1550,), overwrite=False)
    from_a, from_b = summary.pairs[0]
    return str(from_a), str(from_b)


def _run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["pair", *arguments])
    return result.exit_code, result.output


def _table(output: str) -> list[list[str]]:
    """Figures of the table on the terminal: number, both readings, true loss, U."""
    lines = re.findall(
        r"^ +(\d+) +\S+ k?m +(\S+) +(\S+) +(\S+) +(\S+) ", output, flags=re.MULTILINE
    )
    return [list(line) for line in lines]


class Cells(HTMLParser):
    """Texts of the cells of a page's table, row by row."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self._inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        self._inside = tag == "td"
        if self._inside:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.rows[-1][-1] += data


def test_html_report_has_the_figures_of_the_terminal(
    shots: tuple[str, str], tmp_path: Path
) -> None:
    target = tmp_path / "fibre.html"
    status, output = _run(*shots, "--report", str(target))
    assert status in (0, 1)
    page = target.read_text(encoding="utf-8")
    rows = [[row[0], *row[3:7]] for row in Cells(page).rows if row]
    assert len(rows) >= 3
    assert rows == _table(output)
    assert "<script" not in page
    assert "default-src 'none'" in page
    picture = re.search(r'src="data:image/svg\+xml;base64,([^"]+)"', page)
    assert picture is not None
    assert b"<svg" in base64.b64decode(picture[1])


def test_pdf_report_has_the_figures_of_the_terminal(shots: tuple[str, str], tmp_path: Path) -> None:
    target = tmp_path / "fibre.pdf"
    _, output = _run(*shots, "--report", str(target), "--limit", "0.15")
    document = PdfReader(io.BytesIO(target.read_bytes()), strict=True)
    text = "\n".join(page.extract_text() for page in document.pages)
    printed = [
        list(row)
        for row in re.findall(
            r"^(\d+)\n[a-z ]+\n\S+ k?m\n(\S+)\n(\S+)\n(\S+)\n(\S+)$", text, flags=re.MULTILINE
        )
    ]
    assert len(printed) >= 3
    assert printed == _table(output)
    titles = [entry.title for entry in document.outline if not isinstance(entry, list)]
    assert titles[1:] == ["Losses", "Both shots on one axis", "What to do next"]
    assert titles[0] in ("CUT", "LEAVE")


SAMPLES = Path(__file__).parents[2] / "sample_traces"
GAINERS = [str(SAMPLES / f"gainers_{end}.sor") for end in "AB"]
#: What the ticket of the sample must say; the truth of splice 3 stands in truth.csv.
ON_THE_TICKET = (
    "CUT", "cable SIMQB1, fibre 017, 1310 nm", "5.620 km from Otterstone hut",
    "3.385 km from Brackenfold hut", "0.060 dB over the limit", "instrument clock 2024-05-14",
    "simulated instrument", "Confirmed dark with a power meter", "Initials",
)  # fmt: skip


def test_first_page_of_the_pdf_is_the_ticket(tmp_path: Path) -> None:
    target = tmp_path / "fibre.pdf"
    _run(*GAINERS, "--report", str(target))
    pages = [" ".join(page.extract_text().split()) for page in PdfReader(target).pages]
    assert [words for words in ON_THE_TICKET if words not in pages[0]] == []
    assert "Otterstone hut" in pages[0]
    assert "0.085" not in pages[0]  # the other splices stand on the pages behind
    assert "0.085" in pages[1]


def test_letters_of_the_ticket_are_large(tmp_path: Path) -> None:
    """The answer at 40 points or more, what to cut at 14 or more (common practice, no source)."""
    target = tmp_path / "fibre.pdf"
    _run(*GAINERS, "--report", str(target))
    sizes: dict[str, float] = {}

    def note(text: str, _: object, matrix: list[float], font: object, size: float) -> None:
        sizes[text.strip()] = max(size * abs(matrix[3]), sizes.get(text.strip(), 0.0))

    PdfReader(target).pages[0].extract_text(visitor_text=note)
    assert sizes["CUT"] >= 40
    assert max(size for text, size in sizes.items() if text.startswith("Re-splice 3")) >= 14


def test_html_begins_with_the_ticket(tmp_path: Path) -> None:
    target = tmp_path / "fibre.html"
    _run(*GAINERS, "--report", str(target))
    ticket = target.read_text(encoding="utf-8").split("</header>")[0]
    text = " ".join(re.sub("<[^>]+>", " ", ticket).split())
    assert [words for words in ON_THE_TICKET if words not in text] == []


def test_many_cuts_fit_on_the_ticket(tmp_path: Path) -> None:
    """All four splices over a limit of 0.03 dB: each with its place from both ends."""
    target = tmp_path / "fibre.pdf"
    _run(*GAINERS, "--limit", "0.03", "--report", str(target))
    first = " ".join(PdfReader(target).pages[0].extract_text().split())
    assert all(f"Re-splice {number} at" in first for number in range(1, 5))


def test_reports_are_reproducible(
    shots: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1715933400")
    for suffix in ("pdf", "html"):
        first, again = (tmp_path / f"{number}.{suffix}" for number in (1, 2))
        _run(*shots, "--report", str(first))
        _run(*shots, "--report", str(again))
        assert first.read_bytes() == again.read_bytes()
    date = PdfReader(tmp_path / "1.pdf").metadata
    assert date is not None
    assert date.creation_date is not None
    assert date.creation_date.timestamp() == 1715933400


def test_other_endings_are_refused_before_the_work(shots: tuple[str, str], tmp_path: Path) -> None:
    target = tmp_path / "fibre.docx"
    status, output = _run(*shots, "--report", str(target))
    assert status not in (0, 1)
    assert ".pdf or .html" in output
    assert not target.exists()


def test_existing_report_is_kept_without_force(shots: tuple[str, str], tmp_path: Path) -> None:
    target = tmp_path / "fibre.html"
    target.write_text("mine")
    status, _ = _run(*shots, "--report", str(target))
    assert status not in (0, 1)
    assert target.read_text() == "mine"
    assert _run(*shots, "--report", str(target), "--force")[0] in (0, 1)
    assert target.read_text() != "mine"

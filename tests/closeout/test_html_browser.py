"""The page of a closeout in a real browser: what a person with mouse or keyboard can do."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright
from printed_example import HOSTILE_CLOSURE, example, pictures, template

from otdravg.cable.model import CableReview
from otdravg.closeout.html import closeout_html
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import SPLICE_COLUMNS
from otdravg.system.printable import printable
from otdravg.tables.splices import splice_cells
from otdravg.verdict.decision import Verdict
from otdravg.words.headings import Words

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="no Chromium here: install Debian's package chromium"
)

#: Quiet and closed off: no sandbox in a container, no services that call home.
ARGUMENTS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="module")
def review() -> CableReview:
    return example(names=(HOSTILE_CLOSURE,))


@pytest.fixture(scope="module")
def sketches(review: CableReview) -> Sketches:
    return pictures(review)


@pytest.fixture(scope="module")
def file(review: CableReview, sketches: Sketches, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "closeout.html"
    path.write_bytes(closeout_html(review, sketches, template()))
    return path


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield chromium
        chromium.close()


class Visit:
    """A page that has been opened, with what it said and asked for meanwhile."""

    def __init__(self, browser: Browser, file: Path, **options: object) -> None:
        self.context = browser.new_context(**options)  # type: ignore[arg-type]
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(file.as_uri())
        self.page.wait_for_selector("html.ready", state="attached")


@pytest.fixture
def visit(browser: Browser, file: Path) -> Iterator[Visit]:
    opened = Visit(browser, file, viewport={"width": 1200, "height": 900})
    yield opened
    opened.context.close()
    assert opened.complaints == []
    assert opened.requests == [file.as_uri()]


def _count(page: Page) -> int:
    found = re.search(r"of (\d+)", page.inner_text("#list-says"))
    return int(found[1]) if found else 0


def _column(page: Page, name: str) -> list[str]:
    place = page.eval_on_selector_all(
        "#splices th[data-column]", f"all => all.findIndex(h => h.dataset.column === '{name}')"
    )
    return page.eval_on_selector_all(
        "#splice-rows tr", f"rows => rows.map(row => row.children[{place}].textContent)"
    )


#: Scrolls to the end of the list by half a screen; returns the texts of a column by row, and the
#: most rows that stood in the page at once.
_SCROLLED = """async (place) => {
  const found = {};
  let most = 0;
  window.scrollTo(0, 0);
  for (let last = -1; last !== window.scrollY; window.scrollBy(0, window.innerHeight / 2)) {
    last = window.scrollY;
    await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
    const rows = [...document.querySelectorAll("#splice-rows tr[aria-rowindex]")];
    most = Math.max(most, rows.length);
    for (const row of rows) found[row.ariaRowIndex] = row.children[place].textContent;
  }
  return [Object.values(found), most];
}"""


def _scrolled(page: Page, name: str) -> tuple[list[str], int]:
    place = page.eval_on_selector_all(
        "#splices th[data-column]", f"all => all.findIndex(h => h.dataset.column === '{name}')"
    )
    texts, most = page.evaluate(_SCROLLED, place)
    return texts, most


def _open(page: Page, fibre: int, closure: str, wavelength_nm: int) -> None:
    page.fill("[name=fibres]", str(fibre))
    page.select_option("[name=closure]", closure)
    page.select_option("[name=wavelength_nm]", str(wavelength_nm))
    page.click("#splice-rows button")
    page.wait_for_selector("#plot-reading:not(:empty)")


def _view(page: Page) -> tuple[str, str]:
    """What the picture and the line below the buttons show."""
    picture = page.eval_on_selector("#plot canvas", "canvas => canvas.toDataURL()")
    return picture, page.inner_text("#plot-reading")


def test_filters_leave_what_answers_to_all_of_them(visit: Visit, review: CableReview) -> None:
    page = visit.page
    assert _count(page) == len(review.rows)
    page.fill("[name=fibres]", "2-4, 14")
    page.select_option("[name=ribbon]", "1")
    assert _count(page) == sum(row.fibre in (2, 3, 4) for row in review.rows)
    page.check("[name=only]")
    assert _column(page, "fibre") == ["3", "3"]
    page.click("#choice [type=reset]")
    page.locator("#list-says", has_text=f"of {len(review.rows)}").wait_for()
    page.select_option("[name=verdict]", "bend suspected")
    assert _column(page, "fibre") == ["10"]
    page.fill("[name=fibres]", "999")
    assert page.inner_text("#list-says") == "No splice answers to this choice."


def test_columns_sort_both_ways_with_what_is_not_measured_last(
    visit: Visit, review: CableReview
) -> None:
    page = visit.page
    head = page.locator("#splices th[data-column=loss_db]")
    page.click("#list-all")
    for order, down in (("ascending", False), ("descending", True)):
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == order
        texts, _ = _scrolled(page, "loss_db")
        shown = [text.split()[0] for text in texts if text.strip(" *→–")]
        assert [float(text) for text in shown] == sorted(map(float, shown), reverse=down)
        assert len(shown) == sum(row.loss_db is not None for row in review.rows)
        assert texts[-1].strip() == "→"


def test_the_whole_list_is_there_and_only_what_is_near_the_screen_is_made(
    visit: Visit, review: CableReview
) -> None:
    page = visit.page
    page.click("#list-all")
    texts, most = _scrolled(page, "fibre")
    assert texts == [str(fibre) for fibre in sorted(row.fibre for row in review.rows)]
    assert most < len(review.rows) / 2
    page.click("#list-all")
    assert len(_column(page, "fibre")) == 50


@pytest.mark.parametrize("landscape", [False, True])
def test_paper_holds_every_row_and_column(
    visit: Visit, review: CableReview, tmp_path: Path, landscape: bool
) -> None:
    """Upright and lying, read back with a library that has no part in it."""
    pypdf = pytest.importorskip("pypdf")
    path = tmp_path / "printed.pdf"
    visit.page.pdf(path=path, format="A4", landscape=landscape)
    pages = pypdf.PdfReader(path).pages
    text = "".join(page.extract_text() for page in pages)
    said = re.sub(r"\s", "", text.replace("−", "-"))
    figures = ("loss_ab_db", "loss_ba_db", "loss_db", "backscatter_step_db", "distance_m")
    table = splice_cells(review)
    assert len(table.rows) > 150
    columns = dict(zip(table.names, zip(*table.rows, strict=True), strict=True))
    assert columns
    for name, cells in columns.items():
        if name in SPLICE_COLUMNS and (name in figures or not isinstance(cells[0], bool | None)):
            texts = [printable(str(c)) for c in cells if isinstance(c, str | Decimal)]
            whole = {re.sub(r"\s", "", text) for text in texts} - {"none"}
            assert {cell for cell in whole if cell not in said} == set(), name
    # Nothing stands beside the sheet: 182 or 269 mm of it are printed on, 96 points an inch.
    visit.page.emulate_media(media="print")
    visit.page.set_viewport_size({"width": 1017 if landscape else 688, "height": 900})
    visit.page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert visit.page.locator("#splice-paper tbody").count() == len(review.rows)
    shown = visit.page.inner_text("#splice-paper")
    headings = [Words()[name] for name in SPLICE_COLUMNS if name in columns]
    assert len(headings) > 25
    assert [heading for heading in headings if heading not in shown] == []
    room = "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    needed, there = visit.page.evaluate(room)
    assert needed <= there
    assert text.count("within limit") >= sum(
        row.verdict.verdict is Verdict.WITHIN for row in review.rows
    )


def test_click_on_the_map_opens_the_splice_with_its_numbers(visit: Visit) -> None:
    page = visit.page
    canvas = page.locator("#map canvas").first
    box = canvas.bounding_box()
    assert box is not None
    # Fibre 3 at the second closure: labels take 140 px, cells are 11 × 14 px below 30 px.
    page.locator("#map canvas").first.click(position={"x": 140 + 2.5 * 11, "y": 30 + 1.5 * 14})
    assert page.inner_text("#one-heading") == "Fibre 3, closure C2, 1310 nm"
    assert page.inner_text("#one-loss") == "0.310 ± 0.002 dB"
    assert page.inner_text("#one-verdict") == "over limit"
    facts = page.inner_text("#one-facts")
    for text in ("0.320", "0.300", "0.20", "SIM_0003_1310_AB.sor", "re-splice"):
        assert text in facts
    assert page.evaluate("document.activeElement.id") == "one-heading"


def test_keyboard_moves_over_the_map_opens_and_comes_back(visit: Visit) -> None:
    page = visit.page
    page.focus("#map")
    for key in ("ArrowRight", "ArrowRight", "ArrowDown"):
        page.keyboard.press(key)
    assert page.inner_text("#map-says") == ("Fibre 3, closure C2: 0.310 ± 0.002 dB, over limit")
    page.keyboard.press("Enter")
    assert page.inner_text("#one-heading") == "Fibre 3, closure C2, 1310 nm"
    page.keyboard.press("Escape")
    assert page.is_hidden("#one-splice")
    assert page.evaluate("document.activeElement.id") == "map"


def test_every_control_can_be_reached_by_tab(visit: Visit) -> None:
    page = visit.page
    _open(page, 3, "C2", 1310)
    page.click("#choice [type=reset]")
    page.locator("#list-says", has_text=" of ").wait_for()
    page.evaluate("document.activeElement.blur()")
    reached = set()
    for _ in range(400):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.name"))
    # fmt: off
    assert reached >= {
        "print", "map-shown", "map", "one-previous", "one-next", "one-close", "zoom-in",
        "zoom-out", "move-left", "move-right", "zoom-reset", "plot", "fibres", "ribbon", "closure",
        "wavelength_nm", "verdict", "only", "list-next", "list-all",
    } - {name for name in ("one-previous", "one-next") if page.is_disabled(f"#{name}")}
    # fmt: on


def test_zoom_by_button_drag_and_key(visit: Visit) -> None:
    page = visit.page
    _open(page, 3, "C2", 1310)
    whole, _ = _view(page)
    page.click("#zoom-in")
    closer, _ = _view(page)
    assert closer != whole
    page.click("#zoom-reset")
    assert _view(page)[0] == whole
    page.focus("#plot")
    page.keyboard.press("+")
    assert _view(page)[0] == closer
    page.keyboard.press("0")
    assert _view(page)[0] == whole
    box = page.locator("#plot").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 300, box["y"] + 100)
    page.mouse.down()
    page.mouse.move(box["x"] + 500, box["y"] + 100, steps=4)
    page.mouse.up()
    assert _view(page)[0] != whole


def test_cursor_reads_the_levels_of_both_shots(
    visit: Visit, review: CableReview, sketches: Sketches
) -> None:
    page = visit.page
    _open(page, 5, "C2", 1550)
    row = next(r for r in review.rows if (r.fibre, r.wavelength_nm, r.closure) == (5, 1550, "C2"))
    pair = sketches.by_place()[row.key, 1550]
    levels = [np.interp(row.distance_m, shot.z_m, shot.mean_db) for shot in (pair.ab, pair.ba)]
    reading = page.inner_text("#plot-reading").replace("−", "-")
    shown = [float(text) for text in re.findall(r"(-?\d+\.\d\d) dB", reading)]
    attenuation_db = 0.19 * row.distance_m / 1000
    wanted = [*levels, (levels[0] - levels[1]) / 2 + attenuation_db, sum(levels) / 2]
    assert shown == pytest.approx(wanted, abs=0.0051)
    page.focus("#plot")
    page.keyboard.press("ArrowRight")
    assert page.inner_text("#plot-reading").replace("−", "-") != reading


def test_shot_kept_in_full_is_drawn_in_full(visit: Visit, sketches: Sketches) -> None:
    page = visit.page
    _open(page, 3, "C2", 1310)
    pair = next(p for p in sketches.pairs if (p.key.fibre, p.wavelength_nm) == (3, 1310))
    assert pair.full_ab is not None
    packed = page.evaluate("JSON.parse(document.getElementById('trace-data').textContent)")
    assert packed["SIM-1/3/1310"]["ab"]["count"] == pair.full_ab.mean_mdb.size
    assert packed["SIM-1/4/1310"]["ab"]["count"] == pair.ab.mean_mdb.size


def test_next_and_previous_follow_the_list(visit: Visit) -> None:
    page = visit.page
    page.select_option("[name=verdict]", "over limit")
    page.click("#splice-rows button")
    first = page.inner_text("#one-heading")
    assert page.is_disabled("#one-previous")
    page.click("#one-next")
    assert page.inner_text("#one-heading") != first
    page.click("#one-previous")
    assert page.inner_text("#one-heading") == first


def test_hostile_name_is_shown_and_does_nothing(visit: Visit) -> None:
    page = visit.page
    _open(page, 1, HOSTILE_CLOSURE, 1310)
    assert HOSTILE_CLOSURE in page.inner_text("#one-heading")
    assert page.locator("script").count() == 4


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1200, 360])
def test_no_accessibility_fault_is_found(
    browser: Browser, file: Path, scheme: str, width: int
) -> None:
    """Rules of axe-core for WCAG 2.1 A and AA, contrast included."""
    visit = Visit(browser, file, viewport={"width": width, "height": 800}, color_scheme=scheme)
    _open(visit.page, 3, "C2", 1310)
    visit.page.click("#choice [type=reset]")
    wanted = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]}
    found = Axe().run(visit.page, options=wanted)["violations"]
    faults = [(fault["id"], [node["html"][:120] for node in fault["nodes"]]) for fault in found]
    assert faults == []
    assert visit.page.evaluate("document.documentElement.scrollWidth") <= width
    visit.context.close()


def test_paper_is_white_in_dark_mode_too(browser: Browser, file: Path) -> None:
    visit = Visit(browser, file, color_scheme="dark")
    colour = "getComputedStyle(document.body).backgroundColor"
    dark = visit.page.evaluate(colour)
    visit.page.emulate_media(media="print")
    printed = visit.page.evaluate(colour)
    assert dark != printed
    assert min(map(int, re.findall(r"\d+", printed))) > 240
    visit.context.close()


def test_fibre_without_shots_still_shows_its_numbers(
    browser: Browser, review: CableReview, tmp_path: Path
) -> None:
    path = tmp_path / "bare.html"
    path.write_bytes(closeout_html(review, Sketches(), template()))
    visit = Visit(browser, path)
    visit.page.click("#splice-rows button")
    visit.page.wait_for_selector("#plot-says:not(:empty)")
    assert visit.page.inner_text("#plot-says") == ("The shots of this fibre are not in this file.")
    assert visit.page.is_visible("#one-facts")
    assert visit.complaints == []
    visit.context.close()

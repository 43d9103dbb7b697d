"""The page in a real browser: what a person does who has never used a terminal."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_core_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect, sync_playwright

from otdravg.simulate.demo import write_demo

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="no Chromium here: install Debian's package chromium"
)
SAMPLES = Path(__file__).parents[2] / "sample_traces"
PAIR = [SAMPLES / "hidden_splice_A.sor", SAMPLES / "hidden_splice_B.sor"]
#: Quiet and closed off: no sandbox in a container, no services that call home.
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
#: A laptop in a truck; and how long anything may take on a machine that does other work too, ms.
SCREEN, PATIENCE_MS = {"width": 1366, "height": 768}, 60_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield chromium
        chromium.close()


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """The address that the command prints, while it runs."""
    command = [sys.executable, "-m", "otdravg", "page", "--no-browser"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout is not None
        yield program.stdout.readline().strip()
        program.terminate()


@pytest.fixture
def page(browser: Browser, address: str) -> Iterator[Page]:
    """The window that it opens, and that nothing in it goes wrong unseen."""
    context = browser.new_context(viewport=SCREEN, accept_downloads=True)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    expect.set_options(timeout=PATIENCE_MS)
    wrong: list[str] = []
    page.on("pageerror", lambda problem: wrong.append(str(problem)))
    page.goto(address)
    yield page
    assert wrong == []
    context.close()


def dropped(page: Page, *paths: Path) -> None:
    page.set_input_files("#pick", [str(path) for path in paths])
    expect(page.locator("#says")).to_contain_text("Kept")


def test_from_two_files_to_the_loss(page: Page) -> None:
    dropped(page, *PAIR)
    expect(page.locator("#count")).to_have_text("2")
    page.click("#look")
    reply = page.locator(".reply")
    expect(reply).to_contain_text("LEAVE")
    reply.locator("a").click()
    expect(page.locator("#losses tbody tr")).to_have_count(4)
    expect(page.locator("#plot-reading")).to_contain_text("Cursor 2139")
    page.fill("[name=at]", "3.1km")
    page.keyboard.press("Enter")
    expect(page.locator("#losses tbody tr")).to_have_count(5)
    expect(page.locator("#at-says")).to_contain_text("LEAVE")
    page.locator("#losses button").nth(2).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#plot-reading")).to_contain_text("Cursor 4004")
    page.reload()
    expect(page.locator("#losses tbody tr")).to_have_count(5)


def test_a_cable_from_the_stick_to_the_loss_table(page: Page, tmp_path: Path) -> None:
    shots = tmp_path / "stick"
    write_demo(shots, fibres=12)
    _messed_up(shots)
    page.set_input_files("#pick-folder", str(shots))
    expect(page.locator("#says")).to_contain_text("Kept")
    expect(page.locator("#says")).to_contain_text("no trace files: stick/")
    # A photo, a paper, a note of macOS, and what the demo writes beside the shots.
    expect(page.locator("#says")).to_contain_text("(5)")
    expect(page.locator("#count")).to_have_text("20")
    page.click("#look")
    expect(page.locator(".screen").first).to_contain_text("Closure")
    expect(page.locator(".screen").first).to_contain_text("12 of 12 in, 10 measured from both")
    expect(page.locator("dt")).to_have_text(["stick/Ende A/SIMQB1_F007_1550_AB.sor"])
    page.get_by_text("Everything that is known of it").click()
    assert _faults(page) == []
    expect(page.locator("#decide [name=cable]")).to_have_value("SIMQB1")
    page.fill("#decide [name=fibre]", "3")
    page.fill("#decide [name=closure]", "2")
    page.fill("#decide [name=who]", "R. Vale")
    page.fill("#decide [name=why]", "owner's letter")
    page.click("#decide button")
    expect(page.get_by_role("link", name="The decisions so far")).to_be_visible()
    with page.expect_download() as started:
        page.get_by_role("link", name="Closeout").click()
    with zipfile.ZipFile(started.value.path()) as packed:
        table = packed.read("closeout/splices.csv").decode("utf-8-sig")
    assert "R. Vale" in table
    page.get_by_role("link", name="All splices of the cable").click()
    expect(page.locator("#splice-rows tr").first).to_be_visible()


def _messed_up(stick: Path) -> None:
    """A stick as it comes from the field: folders, a zip, a cut file, a shot missing, no shots."""
    ends = stick / "Ende A", stick / "B end (2)"
    for folder, end in zip(ends, ("AB", "BA"), strict=True):
        folder.mkdir()
        for path in stick.glob(f"*_{end}.sor"):
            path.rename(folder / path.name)
    cut, gone = ends[0] / "SIMQB1_F007_1550_AB.sor", ends[1] / "SIMQB1_F009_1550_BA.sor"
    cut.write_bytes(cut.read_bytes()[:900])
    gone.unlink()
    with zipfile.ZipFile(stick / "rest.zip", "w") as packed:
        for path in [*ends[0].glob("*_F01[1-2]_*"), *ends[1].glob("*_F01[1-2]_*")]:
            packed.write(path, path.name)
            path.unlink()
    (ends[0] / "._SIMQB1_F001_1550_AB.sor").write_bytes(b"\0\5\x16\7" + bytes(60))
    (stick / "DCIM").mkdir()
    (stick / "DCIM" / "1.JPG").write_bytes(bytes(17 * 2**20))
    (stick / "as built.pdf").write_bytes(b"%PDF-1.4")


def test_two_windows_show_the_same_desk(page: Page) -> None:
    other = page.context.new_page()
    other.goto(page.url)
    dropped(page, *PAIR)
    page.click("#look")
    expect(page.locator(".reply")).to_be_visible()
    expect(other.locator("#says")).to_contain_text("changed")
    other.reload()
    expect(other.locator(".reply")).to_contain_text("LEAVE")


def test_another_browser_is_not_let_in(browser: Browser, page: Page, address: str) -> None:
    stranger = browser.new_context().new_page()
    answer = stranger.goto(address)
    assert answer is not None
    assert answer.status == 403
    assert "Refused" in stranger.content()


def test_another_sites_form_changes_nothing(browser: Browser, page: Page, tmp_path: Path) -> None:
    """A page from elsewhere, in the same browser: its form and its script come to nothing."""
    dropped(page, *PAIR)
    place = page.url.rstrip("/")
    trap = tmp_path / "trap.html"
    trap.write_text(
        f'<form method="post" action="{place}/put-aside" enctype="text/plain"><button>win'
        "</button></form>", encoding="utf-8",
    )  # fmt: skip
    stranger = page.context.new_page()
    stranger.goto(trap.as_uri())
    stranger.click("button")
    expect(stranger.locator("body")).to_contain_text("Refused")
    page.reload()
    expect(page.locator("#count")).to_have_text("2")


def test_a_broken_file_is_said_in_a_line(page: Page, tmp_path: Path) -> None:
    broken = tmp_path / "broken_A.sor"
    broken.write_bytes(b"Map\0" + bytes(40))
    dropped(page, broken, *PAIR)
    page.click("#look")
    expect(page.locator(".reply")).to_contain_text("LEAVE")
    expect(page.get_by_text("broken_A.sor")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_screen_reader_finds_its_way(page: Page, scheme: str) -> None:
    """Rules of axe-core: names, roles, order of headings, contrast (WCAG 2.1 AA)."""
    page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
    dropped(page, *PAIR)
    page.click("#look")
    expect(page.locator(".reply")).to_be_visible()
    faults = _faults(page)
    page.locator(".reply a").click()
    expect(page.locator("#plot canvas").first).to_be_visible()
    assert faults + _faults(page) == []


def test_a_job_and_a_list_are_filled_in(page: Page, tmp_path: Path) -> None:
    page.get_by_role("link", name="State a job").click()
    for name, text in (("cable", "RIDGE"), ("fibres", "24"), ("wavelengths", "1550")):
        page.locator(f"[name={name}]").fill(text)
    faults = _faults(page)
    page.locator("#job button").click()
    closures = page.locator("form.list").first
    closures.get_by_role("button", name="Another row").click()
    for number, name, distance in ((1, "Near", "1km"), (2, "Far", "soon")):
        closures.get_by_label(f"name {number}", exact=True).fill(name)
        closures.get_by_label(f"distance {number}", exact=True).fill(distance)
    closures.get_by_role("button", name="Keep this list").click()
    expect(page.get_by_text("closures.csv line 3, column distance")).to_be_visible()
    assert faults + _faults(page) == []
    lines = (tmp_path / "closures.csv").read_text("utf-8-sig").splitlines()
    assert [line.split(",")[:2] for line in lines[1:]] == [["Near", "1km"], ["Far", "soon"]]
    page.get_by_role("link", name="Back to the desk").click()
    expect(page.get_by_text("To be mended before the job can be used: 1")).to_be_visible()


def test_the_keyboard_alone_gets_there(page: Page) -> None:
    dropped(page, *PAIR)
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(page.locator(":focus").get_attribute("id") or "")
        if seen[-1] == "look":
            break
    assert seen[-1] == "look", seen
    page.keyboard.press("Enter")
    expect(page.locator(".reply")).to_contain_text(re.compile("LEAVE"))


def _faults(page: Page) -> list[str]:
    # The page's policy forbids to put a script into it; the tester's own window may.
    found = Axe().run(page)
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found["violations"]]

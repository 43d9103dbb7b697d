"""A whole cable in the page, from files dropped to a table scrolled, in a real browser.

A simulated cable is dropped into the page file by file, measured and judged, and its table of all
splices scrolled; then a place is added to one fibre. Needs Chromium. Run
``python tests/benchmarks/page_speed.py``; figures of time hold for the machine that it ran on.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright
from stored import Figure, save

from otdravg.simulate.demo import write_demo

FIBRES = 864
SCREEN = {"width": 1366, "height": 768}
#: Milliseconds for a place that is added, and for a picture of a table that is scrolled.
PLACE_MS, PICTURE_MS = 100.0, 50.0
PATIENCE_MS = 1_800_000
#: Scrolls the window by one screen a picture, and returns the milliseconds between pictures.
SCROLL = """() => new Promise((done) => {
  const times = [];
  const next = (now) => {
    times.push(now);
    if (times.length > 120) return done(times.slice(1).map((t, i) => t - times[i]));
    window.scrollBy(0, window.innerHeight);
    requestAnimationFrame(next);
  };
  requestAnimationFrame(next);
})"""
#: Asks for the loss at one more place, and returns the milliseconds until it is there.
ADD = """async () => {
  const began = performance.now();
  const answer = await fetch("/fibre/0/at", {
    method: "POST", body: JSON.stringify({ at: "3.1km" }),
    headers: { "Content-Type": "application/json" },
  });
  await answer.text();
  return answer.ok ? performance.now() - began : null;
}"""


def opened(browser: Browser, program: subprocess.Popen[str]) -> Page:
    """The window that the address of a page opens."""
    assert program.stdout is not None
    page = browser.new_page(viewport=SCREEN)
    page.set_default_timeout(PATIENCE_MS)
    page.goto(program.stdout.readline().strip())
    return page


@contextmanager
def ended(program: subprocess.Popen[str]) -> Iterator[None]:
    """End a program, whatever happens."""
    try:
        yield
    finally:
        program.terminate()


def dropped(page: Page, files: list[str]) -> float:
    """Seconds until files are kept."""
    began = time.perf_counter()
    page.set_input_files("#pick", files)
    page.wait_for_selector("#says:has-text('Kept')")
    return time.perf_counter() - began


def looked(page: Page, seen: str) -> float:
    """Seconds until the answer is there."""
    began = time.perf_counter()
    page.click("#look")
    page.wait_for_selector(seen)
    return time.perf_counter() - began


def slowest(pictures_ms: list[float]) -> float:
    """What 95 % of the times between pictures are below."""
    return statistics.quantiles(pictures_ms, n=20)[-1]


def peak_mb(pid: int) -> float:
    """Largest memory of a process so far, as Linux tells it."""
    status = Path(f"/proc/{pid}/status").read_text("utf-8")
    (line,) = (line for line in status.splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fibres", type=int, default=FIBRES)
    parser.add_argument("--store", action="store_true", help="keep the figures for the docs")
    chosen = parser.parse_args()
    chromium = shutil.which("chromium")
    command = [sys.executable, "-m", "otdravg", "page", "--no-browser"]
    with (
        tempfile.TemporaryDirectory() as place,
        subprocess.Popen(command, cwd=place, stdout=subprocess.PIPE, text=True) as program,
        sync_playwright() as driver,
        ended(program),
    ):
        shots = Path(place) / "shots"
        write_demo(shots, fibres=chosen.fibres, wavelengths=(1310, 1550))
        files = sorted(map(str, shots.glob("*.sor")))
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = opened(browser, program)
        keep_s = dropped(page, files)
        look_s = looked(page, "pre.screen")
        began = time.perf_counter()
        page.goto(page.url + "cable")
        page.wait_for_selector("#splices tbody tr", state="attached")
        table_s = time.perf_counter() - began
        slow_ms = slowest(page.evaluate(SCROLL))
        page.click("#list-all")
        all_ms = slowest(page.evaluate(SCROLL))
        page.goto(page.url.removesuffix("cable"))
        with page.expect_navigation():
            page.click("#put-aside")
        dropped(page, files[:2])
        looked(page, ".reply")
        places_ms = [page.evaluate(ADD) for _ in range(9)]
        memory_mb = peak_mb(program.pid)
        browser.close()
    figures = [
        Figure("files kept", len(files), ""),
        Figure("until they are kept", keep_s, "s"),
        Figure("until they are measured and judged", look_s, "s"),
        Figure("until the table of all splices is there", table_s, "s"),
        Figure("between two pictures of the page scrolled, 95 % below", slow_ms, "ms",
               at_most=PICTURE_MS),
        Figure("the same with every row shown at once", all_ms, "ms"),
        Figure("until a place added is there, median", statistics.median(places_ms), "ms",
               at_most=PLACE_MS),
        Figure("memory of the page's process at most", memory_mb, "MB"),
    ]  # fmt: skip
    print(*(figure.text() for figure in figures), sep="\n")
    if chosen.store:
        what = f"""A simulated cable of {chosen.fibres} fibres at two wavelengths in the page:
        dropped, measured and judged, its table scrolled by a screen a picture; a place added to
        one fibre."""
        save("page_speed", what, figures)


if __name__ == "__main__":
    main()

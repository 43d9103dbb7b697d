"""The page of a closeout as a file: what it says, what it allows, what it hides."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from printed_example import HOSTILE_CABLE, HOSTILE_CLOSURE, example, pictures, template

from otdravg.cable.model import CableReview
from otdravg.closeout.html import closeout_html
from otdravg.closeout.html.traces import packed_shot
from otdravg.closeout.sketches import Sketches, TraceSketch
from otdravg.closeout.template import Template, logo_of
from otdravg.shot.settings import Direction
from otdravg.tables.scope import worst
from otdravg.tables.splices import cable_tables
from otdravg.words.headings import Language, Words


class Elements(HTMLParser):
    """Every element with its attributes and its own text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], list[str]]] = []
        self._open = False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs), []))
        self._open = True

    def handle_endtag(self, tag: str) -> None:
        self._open = False

    def handle_data(self, data: str) -> None:
        if self._open:
            self.found[-1][2].append(data)

    def text(self, tag: str, **wanted: str) -> str:
        return next(
            "".join(text)
            for name, attrs, text in self.found
            if name == tag and wanted.items() <= attrs.items()
        )


@pytest.fixture(scope="module")
def review() -> CableReview:
    return example(names=(HOSTILE_CLOSURE,), cable=HOSTILE_CABLE)


@pytest.fixture(scope="module")
def page(review: CableReview) -> str:
    return closeout_html(review, pictures(review), template()).decode("utf-8")


def _splices(page: str) -> list[dict[str, object]]:
    data = json.loads(Elements(page).text("script", id="closeout-splices"))
    return [
        {
            name: data["lists"][name][cell] if name in data["lists"] and cell is not None else cell
            for name, cell in zip(data["names"], cells, strict=True)
        }
        for cells in data["rows"]
    ]


def test_splices_are_those_of_the_csv_table(review: CableReview, page: str) -> None:
    table = cable_tables(review)["splices.csv"].decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(table, newline="")))
    shared = (
        "fibre", "ribbon", "position", "colour", "wavelength_nm", "distance_m", "loss_ab_db",
        "loss_ba_db", "loss_db", "expanded_uncertainty_db", "backscatter_step_db", "limit_db",
        "kind", "coverage", "verdict", "action", "attempt", "file_ab", "file_ba", "reason",
    )  # fmt: skip
    shown = [
        ["" if row[name] is None else str(row[name]) for name in shared] for row in _splices(page)
    ]
    assert shown == [[row[name] for name in shared] for row in rows]


def test_policy_allows_the_own_script_and_style_and_nothing_else(page: str) -> None:
    elements = Elements(page)
    policy = next(
        attrs["content"] or ""
        for tag, attrs, _ in elements.found
        if tag == "meta" and attrs.get("http-equiv") == "Content-Security-Policy"
    )
    scripts = [
        "".join(text)
        for tag, attrs, text in elements.found
        if tag == "script" and "type" not in attrs
    ]
    assert len(scripts) == 1
    # W3C, Content Security Policy Level 3, section 2.3.1: hash of the text, in base64.
    for name, text in (("script-src", scripts[0]), ("style-src", elements.text("style"))):
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{name} 'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy


def test_page_asks_nothing_of_any_network(page: str) -> None:
    outside = {"src", "href", "action", "srcset", "data", "poster", "background"}
    elements = Elements(page).found
    assert elements
    links = [attrs[name] or "" for _, attrs, _ in elements for name in outside & attrs.keys()]
    assert links
    assert all(link.startswith(("#", "data:")) for link in links)
    for _, attrs, _ in elements:
        assert not any(name.startswith("on") or name == "style" for name in attrs)
    assert not re.search(r"\b(fetch|XMLHttpRequest|WebSocket|innerHTML|eval)\b", page)
    assert "@import" not in page
    assert "url(" not in page


def test_hostile_names_are_text(page: str) -> None:
    assert HOSTILE_CLOSURE not in page
    assert "\u202e" not in page
    assert {row["closure"] for row in _splices(page)} >= {HOSTILE_CLOSURE}
    tables = [text for tag, _, text in Elements(page).found if tag == "td"]
    assert any(HOSTILE_CLOSURE in "".join(text) for text in tables)


def test_same_review_gives_the_same_bytes(review: CableReview) -> None:
    first, again = (closeout_html(review, pictures(review), template()) for _ in range(2))
    assert first == again


def test_repairs_show_before_and_after(page: str) -> None:
    repairs = page[page.index('id="repairs-heading"') :]
    cells = re.findall(r"<td>([^<]*)</td>", repairs[: repairs.index("</table>")])
    assert cells.index("0.333") < cells.index("0.044")


def test_german_page_has_german_words_and_plain_data(review: CableReview) -> None:
    german = closeout_html(review, Sketches(), template(language=Language.GERMAN)).decode()
    english = closeout_html(review, Sketches(), template()).decode()
    assert '<html lang="de">' in german
    assert "Befunde" in german
    assert _splices(german) == _splices(english)


def test_logo_is_inside_the_page(review: CableReview) -> None:
    # The smallest PNG: one grey pixel, written out after the PNG specification.
    picture = base64.b64decode(
        "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
    )
    page = closeout_html(review, Sketches(), template(logo=logo_of("logo.png", picture))).decode()
    source = next(a["src"] or "" for tag, a, _ in Elements(page).found if tag == "img")
    assert base64.b64decode(source.removeprefix("data:image/png;base64,")) == picture


def _unpacked(shot: dict[str, object]) -> np.ndarray:
    """Undo the packing by its description, in another way than the page does."""
    count = int(str(shot["count"]))
    planes = np.frombuffer(zlib.decompress(base64.b64decode(str(shot["data"]))), np.uint8)
    words = planes.reshape(-1, 2, count).astype(np.int64)
    values = words[:, 0] + 256 * words[:, 1]
    steps = np.where(values[0] % 2 == 1, -(values[0] + 1) // 2, values[0] // 2)
    low = int(str(shot["top_mdb"])) - np.cumsum(steps) % 65536
    return np.stack([low, *(low + part for part in values[1:])])


def _shot(levels: list[int], spread: int, *, full: bool) -> TraceSketch:
    mean = np.array(levels, dtype=np.int32)
    low, high = (mean, mean) if full else (mean - spread, mean + spread)
    return TraceSketch(Direction.A_TO_B, "a.sor", -10.0, 0.5, low, high, mean)


def test_packed_shots_are_exact() -> None:
    rng = np.random.default_rng(3)
    levels = [0, -65000, -1, -40000, -20, *rng.integers(-65000, 0, 500).tolist()]
    full = _shot(levels, 0, full=True)
    assert np.array_equal(_unpacked(packed_shot(full))[0], full.mean_mdb)
    thin = _shot(levels[2:], 17, full=False)
    low, high, mean = _unpacked(packed_shot(thin))
    # A span of more than 65.535 dB cannot be in a trace file; here it is just inside.
    assert np.array_equal(high - low, thin.high_mdb - thin.low_mdb)
    assert np.array_equal(mean, thin.mean_mdb)


def test_no_mark_in_a_name_turns_anything_on_the_page_round() -> None:
    """Unicode Standard Annex 9, 2.2: behind an override letters run the other way."""
    rows = tuple(replace(row, closure=f"\u202e{row.closure}") for row in example().rows)
    review = replace(example(), rows=rows)
    assert any("\u202e" in text for line in worst(review, Words()) for text in line)
    page = closeout_html(review, Sketches(), Template(company="\u202eA", title="\u202eB"))
    assert not re.search("[\u202a-\u202e\u2066-\u2069]", page.decode("utf-8"))

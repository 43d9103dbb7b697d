"""The message catalogues: nothing missing, nothing half translated, numbers as in the tables."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from string import Formatter
from typing import Any

import pytest
from cable_of_values import CABLE, row, whole
from findings_made import ROOT, all_made, all_said
from pair_example import reading, with_readings
from wordy import wordy

from otdravg import words
from otdravg.cable.model import CableFinding, CableReview
from otdravg.cable.resplice.plan import plan_resplices
from otdravg.errors import UnreadableTrace
from otdravg.findings import Finding, Scope, Severity, caution, note, says, values
from otdravg.fit.reading import Kind
from otdravg.fit.side import SpanStart
from otdravg.quantities import Quantity, quantity_of, reported
from otdravg.report.cable import cable_text
from otdravg.report.shot_json import finding_object
from otdravg.report.shot_text import shot_text
from otdravg.shot.files import read
from otdravg.shot.trace import Direction
from otdravg.sor.reader import decode
from otdravg.sor.sizes import SizeLimits
from otdravg.tables.splices import review_cells
from otdravg.verdict.decision import Answer
from otdravg.verdict.ends import EndsBasis
from otdravg.verdict.judge import judge
from otdravg.verdict.keys import CABLE_FINDINGS, KEYS
from otdravg.words import catalogue
from otdravg.words.catalogue import LISTED, Language, line, place, say, told

LANGUAGES = list(Language)
BOOKS = {language: catalogue._book(language) for language in LANGUAGES}
ENGLISH = BOOKS[Language.ENGLISH]
PARTS = ("text", "done")
#: Groups whose messages are whole sentences, not parts that are joined.
SENTENCES = (
    "say",
    "heading",
    "cable",
    "show",
    "watch",
    "screen",
    "ticket",
    "locate",
    "budget",
    "document",
    "drawing",
    "page",
    "job",
    "profile",
)
#: What both languages have the same word for.
ALIKE = {
    ("show", "label-index"),
    ("show", "label-format"),
    ("word", "orange"),
    *(("heading", key) for key in ("median", "name", "person", "signed_by", "software")),
}
#: Units as they are written; a wavelength may be told in words.
UNITS = {
    "db_per_km": "dB/km", "db": "dB", "km": "km", "m": "m", "nm": "nm|nanometre|Nanometer",
    "ns": "ns", "ms": "ms", "s": "s",
}  # fmt: skip


Path = tuple[str, ...]


def leaves(book: dict[str, Any], path: Path = ()) -> Iterator[tuple[Path, Any]]:
    for key, value in book.items():
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key), value


def holes(message: str) -> list[tuple[str, str]]:
    """Names in braces with what stands behind the colon."""
    return [(name, spec or "") for _, name, spec, _ in Formatter().parse(message) if name]


def resolved(language: Language, code: str, case: str) -> dict[str, Any]:
    """A code's messages with those of a case over them."""
    own = BOOKS[language]["finding"].get(code, {})
    return {**own, **own.get(case, BOOKS[language]["case"].get(case, {}))} if case else own


def known() -> Iterator[tuple[str, str]]:
    """Every code with each of its cases; without one only where the code itself has a sentence."""
    for code, own in ENGLISH["finding"].items():
        cases = [key for key, value in own.items() if isinstance(value, dict)]
        if "text" in own and "done" in own:
            yield code, ""
        yield from ((code, case) for case in cases)


def _figures(message: str) -> set[tuple[str, str]]:
    """Holes for numbers and texts; words by number and beginnings of sentences differ."""
    return {(name, spec.replace("first", "")) for name, spec in holes(message) if "|" not in spec}


MESSAGES = [
    (language, path, message)
    for language in LANGUAGES
    for path, message in leaves(BOOKS[language])
    if path[0] != "language"
]
#: Every place in every message where a value goes: path, name and what stands behind the colon.
HOLES = [(path, *hole) for _, path, message in MESSAGES for hole in holes(message)]
KNOWN = tuple(known())
MADE = tuple(all_made())
SAID = tuple(all_said())


ENGLISH_WORDS = re.compile(
    r"\b(the|and|of|with|which|from|this|is|are|not|shot|loss|at|be|splice|group)\b"
)


class TestNothingIsMissing:
    def test_every_language_has_every_key(self) -> None:
        keys = {language: {path for path, _ in leaves(BOOKS[language])} for language in LANGUAGES}
        for language in LANGUAGES:
            assert keys[language] == keys[Language.ENGLISH], language

    def test_no_message_is_empty(self) -> None:
        assert [path for _, path, message in MESSAGES if not message.strip()] == []

    @pytest.mark.parametrize("language", LANGUAGES)
    def test_every_code_and_case_says_what_was_seen_and_what_was_done(
        self, language: Language
    ) -> None:
        for code, case in KNOWN:
            message = resolved(language, code, case)
            assert all(message.get(part) for part in PARTS), (code, case)

    def test_every_finding_of_the_code_is_in_the_catalogue_and_gives_what_it_needs(self) -> None:
        pairs = set(KNOWN)
        for made in MADE:
            found = {(c, k) for c in made.codes for k in made.cases} & pairs
            assert found, made
            for code, case in found:
                for language in LANGUAGES:
                    message = resolved(language, code, case)
                    needed = {name for part in PARTS for name, _ in holes(message[part])}
                    assert needed <= made.values, (made, needed - made.values)

    def test_every_entry_of_the_catalogue_is_of_use(self) -> None:
        made = {(c, k) for made in MADE for c in made.codes for k in made.cases}
        assert set(KNOWN) <= made

    def test_every_statement_of_the_code_has_words_for_what_it_gives(self) -> None:
        known_codes = set(ENGLISH["say"])
        for made in SAID:
            codes = {code for code in made.codes if code in known_codes}
            assert codes, made
            for code in codes:
                needed = {name for name, _ in holes(ENGLISH["say"][code])}
                assert len(made.codes) > 1 or needed <= made.values, (made, needed - made.values)

    def test_every_statement_of_the_catalogue_is_made(self) -> None:
        used = {code for made in SAID for code in made.codes}
        used |= {kind.value for kind in Kind}  # what stands at a place: forecast/settle.py
        prefixes = ("group", "one-way", "held")  # verdict/verdicts.py
        used |= {f"{of}-{code}" for of in prefixes for code in ("within", "too-close", "over")}
        used.add("held-unsure")
        used |= {key.pair for key in KEYS}  # why one pair cannot answer a key
        assert set(ENGLISH["say"]) <= used

    def test_severities_places_and_span_starts_have_words(self) -> None:
        for language in LANGUAGES:
            assert set(BOOKS[language]["severity"]) == {s.value for s in Severity}
            assert set(BOOKS[language]["code"]) == set(ENGLISH["finding"])
            assert set(BOOKS[language]["where"]) == {s.value for s in Scope}
            assert set(BOOKS[language]["span-start"]) == {s.value for s in SpanStart}
            assert set(BOOKS[language]["answer"]) == {a.value for a in Answer}
            assert set(BOOKS[language]["ends"]) == {b.value for b in EndsBasis}

    def test_a_code_without_words_is_an_error_not_a_guess(self) -> None:
        with pytest.raises(KeyError):
            words.sentence(note("no-such-code", Scope.FILE))


class TestLanguagesAgree:
    def test_the_same_values_in_every_language(self) -> None:
        by_path = dict(leaves(ENGLISH))
        for _, path, message in MESSAGES:
            english = {name for name, _ in holes(by_path[path])}
            assert {name for name, _ in holes(message)} == english, path

    def test_the_same_decimals_in_every_language(self) -> None:
        for _, path, message in MESSAGES:
            english = dict(leaves(ENGLISH))[path]
            assert _figures(message) == _figures(english), path

    def test_no_sentence_is_half_translated(self) -> None:
        german = re.compile(r"\b(der|das|und|mit|nicht|von|ist|wird|eine?[rnms]?|Messung|auf)\b")
        for language, path, message in MESSAGES:
            words_only = re.sub(r"\{[^}|]*\}|--[a-z-]+|otdravg [a-z]+, [a-z-]+", "", message)
            foreign = ENGLISH_WORDS if language is Language.GERMAN else german
            assert not foreign.search(words_only), (path, message)

    def test_every_sentence_is_translated(self) -> None:
        by_path = dict(leaves(ENGLISH))
        for language, path, message in MESSAGES:
            has_words = re.search("[a-z]{3}", re.sub(r"{.*?}", "", message))
            if language is not Language.ENGLISH and has_words and path not in ALIKE:
                assert message != by_path[path], path

    def test_sentences_can_be_joined(self) -> None:
        for language, path, message in MESSAGES:
            assert not message.endswith((" ", ";")), path
            assert not message.endswith(".") or path[0] in SENTENCES, path
            assert "  " not in message, path
            if path[0] == "finding" and path[-1] in PARTS and language is Language.ENGLISH:
                assert not message[0].isupper(), path

    def test_a_whole_report_in_german_has_no_english_in_it(self) -> None:
        causes = (says("in-dead-zone", direction="B→A"), says("signal-ends", into_m=12.5,
                  direction="A→B"))  # fmt: skip
        report = judge(
            with_readings(
                reading(0.1, 0.1),
                reading(0.19, 0.19, u_db=0.01),
                reading(0.21, 0.21, u_db=0.01),
                reading(0.9, -0.1),
                reading(0.3, 0.3, kind=Kind.GROUP),
                reading(0.02, -0.16),
                reading(0.05, None, missing=causes),
                reading(None, None),
                reading(0.3, 0.3, kind=Kind.CONNECTOR),
            ),
            guarded=False,
        )
        steps = [told(step, Language.GERMAN) for step in report.next_steps]
        reasons = [told(splice.reason, Language.GERMAN) for splice in report.splices]
        assert len(steps) > 5
        assert [text for text in (*steps, *reasons) if ENGLISH_WORDS.search(text)] == []
        assert [text for text in (*steps, *reasons) if re.search(r"\d\.\d", text)] == []
        assert reasons[6] == (
            "Der Messwert einer Richtung allein ist nicht die Spleißdämpfung (B→A: in einer "
            "Totzone, daneben liegt keine ungestörte Faser; A→B: das Signal der Messung endet 13 m "
            "in der Strecke)."
        )


#: What programs and people called it stays: codes, options, file and profile names, quoted texts.
NOT_WORDS = re.compile(r"[\w.]+(?:[-_.][\w]+)+|--?[a-z]+|otdravg [a-z]+|„[^“]*“|'[^']*'")


def english_in(text: str) -> list[str]:
    """Lines of a German output that hold an English word."""
    return [row for row in text.splitlines() if ENGLISH_WORDS.search(NOT_WORDS.sub(" ", row))]


@pytest.fixture(scope="module")
def review() -> CableReview:
    """Every finding that there is, about a cable of simulated names."""
    codes = [(code, case) for code, case in KNOWN if code in CABLE_FINDINGS]
    fibres = range(1, len(codes) + 1)
    rows = [row(f, 1550, 1 + f % 3, 2000.0 * (1 + f % 3), 0.1 + f % 5 / 20) for f in fibres]
    good = whole(len(codes), 3)
    plan = plan_resplices(rows, good.closures, good.fibres, good.profile)
    findings = tuple(
        CableFinding(wordy(code, "7", case=case), CABLE, f, closure=str(1 + f % 3) if f % 2 else "")
        for f, (code, case) in enumerate(codes, start=1)
    )
    assert len(findings) > 80
    return replace(good, rows=tuple(rows), findings=findings, plan=plan)


class TestGermanOutputs:
    """Whole outputs: no English is left in them."""

    def test_the_screen_of_a_cable_with_all_details(self, review: CableReview) -> None:
        text = cable_text(review, details=True, columns=200, language=Language.GERMAN)
        assert text.startswith("PRÜFEN")
        assert english_in(text) == []

    def test_sentences_of_every_table(self, review: CableReview) -> None:
        tables = review_cells(review, Language.GERMAN)
        assert tables["findings"].names == review_cells(review)["findings"].names
        said = ("evidence", "what_to_do", "reason", "because", "choice", "rules", "decided_by")
        cells = [
            str(cell)
            for table in tables.values()
            for cells in table.rows
            for name, cell in zip(table.names, cells, strict=True)
            if name in said and cell
        ]
        assert len(cells) > 300
        assert [cell for cell in cells if english_in(cell)] == []

    def test_a_trace_file(self) -> None:
        trace = read(ROOT / "sample_traces" / "hidden_splice_A.sor")
        named = replace(trace.identity, path="x", comment="", instrument="", operator="")
        text = shot_text(replace(trace, identity=named), language=Language.GERMAN)
        assert "Ereignistabelle der Datei" in text
        assert english_in(text) == []


class TestNumbers:
    @pytest.mark.parametrize("language", LANGUAGES)
    def test_a_unit_stands_behind_every_number_that_has_one(self, language: Language) -> None:
        bare, with_unit = [], 0
        for code, case in KNOWN:
            message = resolved(language, code, case)
            for part in PARTS:
                text = message[part]
                for name, _ in holes(text):
                    if isinstance(message.get(name), str):  # the items of a list
                        text = text.replace("{" + name + "}", message[name])
                for name, spec in holes(text):
                    unit = next((u for u in UNITS if f"_{name}".endswith(f"_{u}")), None)
                    if unit is not None and "|" not in spec:
                        with_unit += 1
                        behind = text[text.index("{" + name) :]
                        if not re.search(rf"[ }}]({UNITS[unit]})\b", behind):
                            bare.append((code, case, name))
        assert bare == []
        assert with_unit > 50

    def test_no_sentence_shows_more_decimals_than_the_tables(self) -> None:
        fixed = [
            (path, quantity_of(name), int(found[1]))
            for path, name, spec in HOLES
            if (found := re.fullmatch(r"\+?\.(\d)f", spec))
        ]
        assert fixed
        assert [path for path, q, places in fixed if q is None or places > q.places] == []

    def test_figures_are_rounded_as_in_the_tables(self) -> None:
        found = caution(
            "attenuation-impossible", Scope.PAIR,
            attenuation_db_per_km=0.3605, expanded_db_per_km=0.00011, nominal_nm=1550,
            least_db_per_km=0.135, most_db_per_km=0.35,
        )  # fmt: skip
        value = reported(0.3605, Quantity.ATTENUATION_DB_PER_KM)
        expanded = reported(0.00011, Quantity.U_ATTENUATION_DB_PER_KM)
        # Half up and an uncertainty up (arithmetic); binary 0.3605 lies below one half.
        assert (value, expanded) == (Decimal("0.361"), Decimal("0.001"))
        start = f"the fibre loses {value} ± {expanded} dB/km, at 1550 nm it can be 0.135 to 0.35"
        assert words.sentence(found).startswith(start)

    def test_german_has_a_decimal_comma_and_no_point(self) -> None:
        found = caution("span-unseen", Scope.PAIR, length_m=12.25, pulse_m=10.0)
        assert words.sentence(found, Language.GERMAN) == (
            "auf der Strecke von 12,3 m ist keine Faser zu sehen; der Puls ist 10,0 m lang"
        )

    def test_whole_numbers_and_typed_figures_stay_as_they_are(self) -> None:
        found = caution(
            "pulse-outside-profile", Direction.A_TO_B, "long",
            pulse_ns=Decimal("101.0"), most_ns=Decimal("100"),
        )  # fmt: skip
        assert words.sentence(found) == "pulse 101.0 ns, at most 100 ns asked"

    def test_a_figure_too_large_for_sense_is_still_written(self) -> None:
        found = caution("span-unseen", Scope.PAIR, length_m=1e300, pulse_m=float("nan"))
        assert "nan m long" in words.sentence(found)
        assert json.dumps(finding_object(found), allow_nan=False)


class TestPlurals:
    def test_forms_are_those_of_the_unicode_rules(self) -> None:
        """Unicode CLDR by way of Babel: number of forms, which of them, and the decimal sign."""
        reason = "the oldest set of libraries is tested without Babel"
        core = pytest.importorskip("babel.core", reason=reason)
        numbers = pytest.importorskip("babel.numbers", reason=reason)
        for language in LANGUAGES:
            rule = core.Locale(language.value).plural_form
            forms = [*sorted(rule.tags), "other"]
            assert forms == ["one", "other"]
            for count in (*range(25), 100, 101, 1001):
                shown = catalogue._Shown("n", count, {}, language)
                assert f"{shown:one|other}" == rule(count)
            sign = numbers.get_decimal_symbol(language.value)
            assert BOOKS[language]["language"]["decimal_sign"] == sign

    def test_every_plural_has_one_form_for_each_category(self) -> None:
        plurals = [(path, spec) for path, _, spec in HOLES if "|" in spec]
        assert plurals
        assert [path for path, spec in plurals if spec.count("|") != 1] == []

    @pytest.mark.parametrize(
        ("count", "english", "german"),
        [
            (0, "0 bytes follow the last", "folgen bei Byte 9 noch 0 Bytes"),
            (1, "1 byte follows the last", "folgt bei Byte 9 noch 1 Byte"),
            (2, "2 bytes follow the last", "folgen bei Byte 9 noch 2 Bytes"),
        ],
    )
    def test_none_one_and_two(self, count: int, english: str, german: str) -> None:
        found = note("trailing-bytes", Scope.FILE, bytes=count, offset=9)
        assert words.sentence(found).startswith(english)
        assert words.sentence(found, Language.GERMAN).endswith(german)


class TestLists:
    @staticmethod
    def of(count: int) -> Finding:
        fields = tuple(values(field=f"f{k}", offset=k) for k in range(count))
        return note("text-not-utf8", "GenParams", fields=fields)

    def test_items_are_written_by_their_own_pattern(self) -> None:
        assert words.sentence(self.of(2)) == "not UTF-8: f0 at byte 0, f1 at byte 1"

    def test_a_long_list_is_cut_and_says_so(self) -> None:
        assert words.sentence(self.of(LISTED)).endswith("f7 at byte 7")
        assert words.sentence(self.of(LISTED + 3)).endswith("f7 at byte 7 and 3 more")
        assert words.sentence(self.of(11), Language.GERMAN).endswith("f7 bei Byte 7 und 3 weitere")


class TestWholeLines:
    FOUND = caution("fibre-names-differ", "GenParams", from_a="012", from_b="0\x1b3")

    def test_severity_place_evidence_and_advice(self) -> None:
        assert line(self.FOUND, "pair") == (
            "caution, pair, GenParams: the header from A names fibre '012', the one from B "
            r"'0\x1b3'; losses of two different fibres mean nothing; make sure that it is one."
        )

    def test_german_quotes_and_words(self) -> None:
        assert line(self.FOUND, language=Language.GERMAN) == (
            "Vorsicht, GenParams: der Dateikopf von A nennt die Faser „012“, der von B "
            r"„0\x1b3“; Dämpfungen zweier verschiedener Fasern besagen nichts; sicherstellen, dass "
            "es eine ist."
        )

    def test_a_place_is_said_once(self) -> None:
        found = caution("pattern-unconfirmed", Scope.PAIR)
        assert line(found, "pair").startswith("caution, pair: no event")

    def test_directions_and_blocks_are_the_same_in_every_language(self) -> None:
        for language in LANGUAGES:
            assert place(Direction.B_TO_A, language) == "B→A"
            assert place("Cksum", language) == "Cksum"
        assert place(Scope.CLOSURES, Language.GERMAN) == "Muffen"

    def test_a_message_that_is_no_finding(self) -> None:
        key = SpanStart.LONE_CONNECTOR.value
        assert say("span-start", key, connector_m=520.04) == (
            "front panel; the connector at 520.0 m is in the span"
        )
        assert "520,0 m" in say("span-start", key, Language.GERMAN, connector_m=520.04)


class TestData:
    def test_json_carries_code_and_values(self) -> None:
        found = caution(
            "table-event-unseen", Direction.A_TO_B,
            places=(values(at_m=3500.04, table_db=0.30004),),
        )  # fmt: skip
        assert finding_object(found) == {
            "severity": "caution",
            "code": "table-event-unseen",
            "case": "",
            "where": "A→B",
            "values": {"places": [{"at_m": 3500.0, "table_db": 0.3}]},
            "text": "the file's own table lists events that the waveform does not show: "
            "3500 m (+0.30 dB)",
            "done": "the waveform was measured; look at these events if the table was made by hand",
        }

    def test_a_finding_is_a_value(self) -> None:
        one, same = (note("ghost", Direction.A_TO_B, at_m=12.5) for _ in range(2))
        assert one == same
        assert len({one, same}) == 1
        assert one["at_m"] == 12.5


def test_no_catalogue_is_loaded_before_a_sentence_is_asked_for() -> None:
    """Reading and measuring make findings, and no words."""
    program = (
        "from pathlib import Path\n"
        "from otdravg import sor\n"
        "from otdravg.pair.measure import measure\n"
        "from otdravg.shot.trace import traces_from\n"
        "from otdravg.words import catalogue\n"
        "names = (f'sample_traces/hidden_splice_{end}.sor' for end in 'AB')\n"
        "ab, ba = (traces_from(sor.read(name))[0] for name in names)\n"
        "assert measure(ab, ba).findings\n"
        "print(catalogue._book.cache_info().currsize)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout == "0\n"


def test_an_unreadable_trace_is_told_in_german() -> None:
    with pytest.raises(UnreadableTrace) as empty:
        decode(b"", "leer.sor")
    assert told(empty.value.said, Language.GERMAN) == (
        "leer.sor: Datei bei Byte 0: eine Messkurve erwartet, eine leere Datei gefunden; "
        "die Datei noch einmal vom Messgerät kopieren"
    )
    with pytest.raises(UnreadableTrace, match=r"found 16,777,217;") as large:
        SizeLimits().check_file(16 * 2**20 + 1, "gross.sor")
    assert "höchstens 16.777.216 Bytes erwartet" in told(large.value.said, Language.GERMAN)


def test_sentences_are_made_at_the_edge() -> None:
    """What is measured, reviewed and judged holds codes and values, in no language."""
    below = ("sor", "shot", "fit", "pair", "forecast", "cable", "simulate", "patterns")
    worded = [
        path.relative_to(ROOT).as_posix()
        for room in below
        for path in (ROOT / "otdravg" / room).rglob("*.py")
        if re.search(r"^from otdravg\.words", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert worded == []

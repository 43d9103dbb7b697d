"""A file of decisions under attack: what is noticed, what it is called, what is applied.

The seals are held against SHA-256 of the standard library, computed here anew.
"""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from otdravg.cable import Decision, Decisions, What, add_decision, read_decisions
from otdravg.cable.decisions.apply import decisions_here
from otdravg.cable.decisions.file import appended
from otdravg.cable.decisions.model import SealedDecision
from otdravg.cable.decisions.record import seal_of
from otdravg.closeout.checks.decisions import compare_decisions
from otdravg.errors import BadSetting, OtdravgError, OutputRefused
from otdravg.findings import Severity
from otdravg.words.catalogue import told

SUFFIXES = ("csv", "toml")


def accept(fibre: int, why: str = "letter of the owner", **fields: object) -> Decision:
    values = {"cable": "SIM-RIDGE", "fibre": fibre, "closure": "2", **fields}
    return Decision(
        What.ACCEPT, "R. Vale (invented)", f"2024-06-01T10:{fibre:02}:00+00:00", why, **values
    )


def made(path: Path, count: int = 4) -> list[str]:
    """A file of some decisions; returned in pieces, one per decision (CSV: the heading first)."""
    for fibre in range(1, count + 1):
        add_decision(path, accept(fibre))
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".csv":
        return text.splitlines(keepends=True)
    return [f"[[decision]]{piece}" for piece in text.split("[[decision]]")[1:]]


def codes(known: Decisions) -> list[str]:
    return [finding.code for finding in known.findings]


def fibres(known: Decisions) -> list[int | None]:
    return [decision.fibre for decision in known.items]


@pytest.fixture(params=SUFFIXES)
def path(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    return tmp_path / f"decisions.{request.param}"


@pytest.fixture
def pieces(path: Path) -> list[str]:
    return made(path)


def place(path: Path, number: int) -> str:
    """What findings call the decision: CSV counts lines, with the heading."""
    return f"line {number + 1}" if path.suffix == ".csv" else f"decision {number}"


def piece(path: Path, number: int) -> int:
    return number if path.suffix == ".csv" else number - 1


# What is in the file


def test_both_kinds_of_file_hold_the_same(tmp_path: Path) -> None:
    kinds = {
        What.ACCEPT: {"fibre": 3, "closure": "2", "wavelength_nm": 1550},
        What.EXCLUDE_SHOT: {"file": 'F003 "old"/a\\b,c;d.sor'},
        What.MOVE_POSITION: {"fibre": 3, "closure": "2", "value": "5600.5"},
        What.NAME_CLOSURE: {"closure": "2", "value": "Köhler’s Otterstone # 3"},
        What.CONFIRM_CROSSING: {"fibre": 3, "value": "4"},
        What.RENUMBER: {"value": "B 1-11=2-12 12=none"},
    }
    known = []
    for suffix in SUFFIXES:
        path = tmp_path / f"d.{suffix}"
        for what, values in kinds.items():
            add_decision(path, Decision(what, "R. Vale", "2024-06-01T10:00", "x", "C", **values))
        known.append(read_decisions(path))
    assert known[0] == known[1]
    assert [d.what for d in known[0].items] == list(kinds)
    assert known[0].findings == ()


def test_a_seal_is_the_sha256_that_is_documented(path: Path, pieces: list[str]) -> None:
    before = ""
    entries = read_decisions(path).entries
    assert entries
    for entry in entries:
        cells = entry.decision.cells()
        text = json.dumps(cells, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        assert entry.before == before
        assert entry.seal == hashlib.sha256(f"{before}\n{text}".encode()).hexdigest()
        before = entry.seal
    assert read_decisions(path).last_seal == before


def test_csv_is_csv_and_toml_is_toml_to_other_readers(tmp_path: Path) -> None:
    made(tmp_path / "d.csv")
    text = (tmp_path / "d.csv").read_text(encoding="utf-8")
    assert [row["fibre"] for row in csv.DictReader(io.StringIO(text))] == ["1", "2", "3", "4"]
    tomllib = pytest.importorskip("tomllib")
    made(tmp_path / "d.toml")
    content = tomllib.loads((tmp_path / "d.toml").read_text(encoding="utf-8"))
    assert [block["fibre"] for block in content["decision"]] == [1, 2, 3, 4]


def test_toml_typed_by_hand_may_hold_dates_and_numbers(tmp_path: Path) -> None:
    path = tmp_path / "d.toml"
    path.write_text(
        "[[decision]]\nwhat = 'move-position'\nwho = 'R. Vale'\nwhen = 2024-06-01T10:00:00Z\n"
        "why = 'x'\nfibre = 3\nclosure = 2\nvalue = 5600.5\n",
        encoding="utf-8",
    )
    (decision,) = read_decisions(path).items
    assert (decision.fibre, decision.closure, decision.value) == (3, "2", "5600.5")
    assert decision.when == "2024-06-01T10:00:00+00:00"


# Attacks, each named


def test_an_edited_decision_is_named_and_not_applied(path: Path, pieces: list[str]) -> None:
    at = piece(path, 2)
    pieces[at] = pieces[at].replace("letter", "phone call")
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-changed"]
    assert told(known.findings[0].evidence).startswith(place(path, 2))
    assert fibres(known) == [1, 3, 4]


def test_an_edited_seal_is_one_finding_not_two(path: Path, pieces: list[str]) -> None:
    seal = read_decisions(path).entries[1].seal
    at = piece(path, 2)
    pieces[at] = pieces[at].replace(seal, "f" * 64)
    path.write_text("".join(pieces), encoding="utf-8")
    assert codes(read_decisions(path)) == ["decision-changed"]


@pytest.mark.parametrize("number", [1, 2, 3])
def test_a_removed_decision_is_missed(path: Path, pieces: list[str], number: int) -> None:
    del pieces[piece(path, number)]
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-missing"]
    assert place(path, number) in told(known.findings[0].evidence)
    assert f":0{number + 1}:00+" in told(known.findings[0].evidence)
    assert len(known.items) == 3


def test_a_decision_sealed_anew_is_missed_by_the_next(path: Path, pieces: list[str]) -> None:
    entries = read_decisions(path).entries
    forged = path.with_name("forged" + path.suffix)
    add_decision(forged, accept(1))
    add_decision(forged, accept(2, "anything goes"))
    forged_pieces = forged.read_text(encoding="utf-8").splitlines(keepends=True)
    if path.suffix == ".toml":
        forged_pieces = [
            f"[[decision]]{part}" for part in "".join(forged_pieces).split("[[decision]]")[1:]
        ]
    pieces[piece(path, 2)] = forged_pieces[piece(path, 2)] + (
        "\n" if path.suffix == ".toml" else ""
    )
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-missing"]
    assert "edited and sealed anew" in told(known.findings[0].evidence)
    assert known.entries[2] == entries[2]


def test_decisions_in_another_order_are_named(path: Path, pieces: list[str]) -> None:
    a, b = piece(path, 2), piece(path, 3)
    pieces[a], pieces[b] = pieces[b], pieces[a]
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert set(codes(known)) == {"decision-moved"}
    assert f"was sealed right behind {place(path, 3)}" in told(known.findings[0].evidence)
    assert f"stands behind {place(path, 1)}" in told(known.findings[0].evidence)


def test_a_copy_is_named_and_applied_once(path: Path, pieces: list[str]) -> None:
    """Applied twice, a confirmed crossing would undo itself."""
    pieces.insert(piece(path, 2) + 1, pieces[piece(path, 2)])
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-repeated"]
    assert f"copy of {place(path, 2)}" in told(known.findings[0].evidence)
    assert fibres(known) == [1, 2, 3, 4]


def test_a_decision_typed_by_hand_is_named_and_applied(path: Path, pieces: list[str]) -> None:
    if path.suffix == ".csv":
        pieces.append("accept,K. Öst,2024-06-02T10:00,trust me,SIM-RIDGE,9,,2,,,,\n")
    else:
        pieces.append(
            '\n[[decision]]\nwhat = "accept"\nwho = "K. Öst"\nwhen = "2024-06-02T10:00"\n'
            'why = "trust me"\ncable = "SIM-RIDGE"\nfibre = 9\nclosure = "2"\n'
        )
    path.write_text("".join(pieces), encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-unsealed"]
    assert fibres(known) == [1, 2, 3, 4, 9]


def test_two_files_put_together_are_named(path: Path, pieces: list[str]) -> None:
    other = path.with_name("other" + path.suffix)
    add_decision(other, accept(7, cable="SIM-OTHER"))
    text = other.read_text(encoding="utf-8")
    path.write_text(
        "".join(pieces) + (text.split("\n", 1)[1] if path.suffix == ".csv" else f"\n{text}"),
        encoding="utf-8",
    )
    assert codes(read_decisions(path)) == ["decisions-joined"]


def test_every_cut_through_the_last_decision_is_noticed(path: Path, pieces: list[str]) -> None:
    content = path.read_bytes()
    whole = read_decisions(path)
    start = len("".join(pieces[:-1]).encode())
    torn = 0
    for end in range(start + 1, len(content) - 1):
        path.write_bytes(content[:end])
        try:
            known = read_decisions(path)
        except BadSetting:
            torn += 1
            continue
        assert fibres(known) == [1, 2, 3], content[start:end]
        assert codes(known) == ["decision-torn"] or not content[start:end].strip()
        torn += bool(known.findings)
        before = path.read_bytes()
        if known.findings:
            with pytest.raises(BadSetting, match="not whole"):
                add_decision(path, accept(5))
            assert path.read_bytes() == before
    assert torn > 200
    path.write_bytes(content[:-1])  # only the end of the line
    assert read_decisions(path) == whole


def test_adding_where_the_last_line_lost_its_end(path: Path, pieces: list[str]) -> None:
    content = path.read_bytes()[:-1]
    path.write_bytes(content)
    add_decision(path, accept(5))
    assert path.read_bytes().startswith(content + b"\n")
    assert fibres(read_decisions(path)) == [1, 2, 3, 4, 5]
    assert read_decisions(path).findings == ()


@pytest.mark.parametrize("way", ["crlf", "bom", "both"])
def test_other_programs_line_ends_and_marks_are_noted(
    path: Path, pieces: list[str], way: str
) -> None:
    whole = read_decisions(path)
    content = path.read_bytes()
    if way != "bom":
        content = content.replace(b"\n", b"\r\n")
    if way != "crlf":
        content = b"\xef\xbb\xbf" + content
    path.write_bytes(content)
    known = read_decisions(path)
    assert codes(known) == ["decisions-resaved"]
    assert known.findings[0].severity is Severity.NOTE
    assert known.entries == whole.entries
    add_decision(path, accept(5))
    assert path.read_bytes().startswith(content)
    assert fibres(read_decisions(path)) == [1, 2, 3, 4, 5]
    assert codes(read_decisions(path)) == ["decisions-resaved"]


def test_a_spreadsheet_that_saves_with_semicolons_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "d.csv"
    made(path)
    whole = read_decisions(path)
    path.write_text(
        "".join(
            ";".join(row) + ";;\r\n" for row in csv.reader(io.StringIO(path.read_text("utf-8")))
        )
        + ";;;;;;;;;;;;;\r\n",
        encoding="utf-8-sig",
        newline="",
    )
    known = read_decisions(path)
    assert known.entries == whole.entries
    assert codes(known) == ["decisions-resaved"]
    for mark in ("byte-order mark", "line ends", "';'", "empty lines"):
        assert mark in told(known.findings[0].evidence)
    add_decision(path, accept(5))
    assert fibres(read_decisions(path)) == [1, 2, 3, 4, 5]


def test_a_spreadsheet_that_rewrites_times_breaks_every_seal(tmp_path: Path) -> None:
    path = tmp_path / "d.csv"
    made(path)
    text = path.read_text(encoding="utf-8").replace("T10:", " 10:")
    path.write_text(text, encoding="utf-8")
    known = read_decisions(path)
    assert codes(known) == ["decision-changed"] * 4
    assert known.items == ()


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "cp1252"])
def test_another_encoding_is_refused_by_name(path: Path, encoding: str) -> None:
    add_decision(path, accept(1, "größer als erlaubt"))
    path.write_bytes(path.read_bytes().decode("utf-8").encode(encoding))
    with pytest.raises(BadSetting, match="no text in UTF-8"):
        read_decisions(path)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("d.csv", "what,who,when,why,what\n"),
        ("d.csv", "what,who,when\n"),
        ("d.csv", "what,who,when,why\naccept,a,2024-01-01,b,c,d\n"),
        ("d.csv", 'what,who,when,why\n"accept,a,2024-01-01,b\nx,y\n'),
        ("d.toml", "decision = 3\n"),
        ("d.toml", "[[decision]]\nwhat = 'accept'\nhow = 'x'\n"),
        ("d.toml", "[[decision]]\nwhat = true\n"),
        ("d.toml", "x = 1\n"),
        ("d.toml", "x = " + "[" * 5000),
        ("d.toml", "x = " + "1" * 5000),
    ],
)
def test_what_is_no_file_of_decisions_is_refused(tmp_path: Path, name: str, content: str) -> None:
    (tmp_path / name).write_text(content, encoding="utf-8")
    with pytest.raises(BadSetting, match="decisions"):
        read_decisions(tmp_path / name)


def test_a_folder_or_nothing_is_refused(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "nowhere.csv"):
        with pytest.raises(BadSetting, match="name a file"):
            read_decisions(path)


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        ({"why": "=HYPERLINK(1)"}, "spreadsheet"),
        ({"why": "\x1b[31mred"}, "control"),
        ({"why": "\u202etxet"}, "control"),
        ({"why": "\udc80"}, "control"),
        ({"why": "  "}, "needs 'why'"),
        ({"when": "yesterday"}, "not a time"),
        ({"fibre": 100_000}, "whole number"),
    ],
)
def test_what_could_not_be_read_back_is_not_written(
    path: Path, fields: dict[str, object], problem: str
) -> None:
    values = {
        "what": What.ACCEPT, "who": "R. Vale", "when": "2024-06-01T10:00", "why": "x",
        "cable": "C", "fibre": 3, "closure": "2",
    }  # fmt: skip
    with pytest.raises(BadSetting, match=problem):
        add_decision(path, Decision(**{**values, **fields}))
    assert not path.exists()


def test_line_breaks_in_a_text_become_blanks(path: Path) -> None:
    add_decision(path, accept(1, "  a\r\nb\t c "))
    assert read_decisions(path).items[0].why == "a b c"


# What only outputs made before can show


def test_a_tail_cut_off_shows_against_the_outputs(path: Path, pieces: list[str]) -> None:
    made_with = read_decisions(path).entries
    path.write_text("".join(pieces[:-1]), encoding="utf-8")
    known = read_decisions(path)
    assert known.findings == ()
    (problem,) = compare_decisions(made_with, known.entries, path.name)
    assert "cut short by 1 decision: it holds 3, the outputs were made with 4" in told(problem)


def test_a_chain_computed_anew_shows_against_the_outputs(path: Path, pieces: list[str]) -> None:
    made_with = read_decisions(path).entries
    path.unlink()
    for fibre in range(1, 5):
        add_decision(path, accept(fibre, "anything" if fibre == 2 else "letter of the owner"))
    known = read_decisions(path)
    assert known.findings == ()
    (problem,) = compare_decisions(made_with, known.entries, path.name)
    assert "decision 2 is not the one" in told(problem)


def test_decisions_added_since_show_against_the_outputs(path: Path, pieces: list[str]) -> None:
    made_with = read_decisions(path).entries
    assert compare_decisions(made_with, made_with, path.name) == ()
    add_decision(path, accept(5))
    (problem,) = compare_decisions(made_with, read_decisions(path).entries, path.name)
    assert "1 decision more" in told(problem)


# Another cable's file


def test_another_cables_decisions_are_not_applied(path: Path) -> None:
    """``decisions_here`` takes cables from shots; none of this one is the decision's."""
    from types import SimpleNamespace

    add_decision(path, accept(1, cable="SIM OTHER"))
    add_decision(path, accept(2, cable="sim-ridge"))
    add_decision(path, accept(3, cable=""))
    add_decision(path, Decision(What.EXCLUDE_SHOT, "a", "2024-01-01", "b", file="0" * 64))
    shots = [SimpleNamespace(taken_for=SimpleNamespace(cable="SIM-RIDGE"))]
    here, findings = decisions_here(read_decisions(path), shots)  # type: ignore[arg-type]
    assert [d.cable for d in here.items] == ["SIM-RIDGE", "", ""]
    assert [f.code for f in findings] == ["decision-of-other-cable", "decision-without-cable"]
    assert "1 of 4 decisions names no cable" in told(findings[1].evidence)


# Interrupted, at once, on a full disk


def test_a_full_disk_leaves_the_file_as_it_was(
    path: Path, pieces: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = path.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    for name in ("fsync", "replace"):
        with monkeypatch.context() as patch:
            patch.setattr(os, name, lambda *_: full(0))
            with pytest.raises(OutputRefused, match="could not be written"):
                add_decision(path, accept(5))
        assert path.read_bytes() == before
        assert [p.name for p in path.parent.iterdir()] == [path.name]
    add_decision(path, accept(5))
    assert path.read_bytes().startswith(before)


_ADDING = """
import sys
from pathlib import Path
from otdravg.cable import Decision, What, add_decision
for fibre in range(int(sys.argv[2]), int(sys.argv[3])):
    add_decision(Path(sys.argv[1]), Decision(
        What.ACCEPT, "R. Vale", "2024-06-01T10:00", "x", "C", fibre, None, "2"))
    print(fibre, flush=True)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are Unix's")
def test_a_write_that_breaks_off_in_the_middle_leaves_the_file(tmp_path: Path) -> None:
    """The system stops the writing after some bytes: a file size limit, for real."""
    path = tmp_path / "decisions.csv"
    made(path)
    before = path.read_bytes()
    limited = (
        "import resource\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({len(before) + 40}, {len(before) + 40}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited + _ADDING, str(path), "5", "6"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "OutputRefused" in done.stderr
    assert path.read_bytes() == before
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")
def test_killed_at_any_moment_no_earlier_decision_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    said = 0
    for turn in range(4):
        process = subprocess.Popen(
            [sys.executable, "-c", _ADDING, str(path), str(said + 1), "9000"],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.004 * turn)  # another moment each turn; none has to be met
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        known = read_decisions(path)
        assert known.findings == ()
        assert fibres(known) == list(range(1, len(known.items) + 1))
        assert len(known.items) > said
        said = len(known.items)
    add_decision(path, accept(said + 1, cable="C"))
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_two_programs_adding_at_once_lose_nothing(path: Path) -> None:
    def is_added(fibre: int) -> bool:
        try:
            add_decision(path, accept(fibre))
        except OutputRefused as error:
            return "another run" not in str(error)
        return True

    def add(fibre: int) -> int:
        while not is_added(fibre):
            pass
        return fibre

    with ThreadPoolExecutor(4) as executor:
        assert sorted(executor.map(add, range(1, 25))) == list(range(1, 25))
    known = read_decisions(path)
    assert known.findings == ()
    assert sorted(fibre or 0 for fibre in fibres(known)) == list(range(1, 25))


# Random edits


@settings(max_examples=300)
@given(data=st.data(), suffix=st.sampled_from(SUFFIXES), count=st.integers(1, 5))
def test_whatever_is_done_to_the_bytes_it_is_noticed_or_says_the_same(
    data: st.DataObject, suffix: str, count: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / f"random.{suffix}"
    written, before = b"", ""
    for fibre in range(1, count + 1):
        entry = SealedDecision(accept(fibre), before, seal_of(accept(fibre), before))
        written, before = appended(path, written, entry), entry.seal
    path.write_bytes(written)
    whole = read_decisions(path)
    assert (len(whole.items), whole.findings) == (count, ())
    content = bytearray(written)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content) - 1))
        upto = data.draw(st.integers(at, min(at + 200, len(content))))
        content[at:upto] = data.draw(
            st.binary(max_size=3) | st.sampled_from([b"\n", b",", b'"', b"0", b"[[decision]]\n"])
        )
    path.write_bytes(bytes(content))
    try:
        known = read_decisions(path)
    except OtdravgError:
        return
    if any(finding.severity is not Severity.NOTE for finding in known.findings):
        # Whatever is still applied was either sealed so, or is named as typed by hand.
        unsealed = codes(known).count("decision-unsealed")
        strange = [d for d in known.items if d not in whole.items]
        assert len(strange) <= unsealed
        return
    # A file cut at the end of a decision is a shorter chain: outputs show it.
    assert known.entries == whole.entries[: len(known.entries)]
    if len(known.entries) < len(whole.entries):
        assert compare_decisions(whole.entries, known.entries, path.name)

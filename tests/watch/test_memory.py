"""What was said is kept in one small file, whole or not at all, and never among the shots."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from construction import WAVELENGTHS, Clock, Site5, look, watching

from otdravg.errors import OutputRefused
from otdravg.watch import Kind
from otdravg.watch.memory import Memory, usual_place


def shoot_all(site: Site5) -> None:
    for end in "AB":
        for fibre in range(1, 13):
            for nm in WAVELENGTHS:
                site.shoot(fibre, nm, end)


def test_a_restart_says_nothing_again(site: Site5, tmp_path: Path) -> None:
    place, clock = tmp_path / "said.json", Clock()
    shoot_all(site)
    first = look(watching(site, clock, place), clock)
    assert first is not None
    assert first.rings
    again = look(watching(site, clock, place), clock)
    assert again is not None
    assert again.events == first.events
    assert again.news == ()
    assert not again.rings


def test_killed_before_it_was_noted_it_is_said_again(site: Site5, tmp_path: Path) -> None:
    """A power cut says it twice, never not at all."""
    place, clock = tmp_path / "said.json", Clock()
    shoot_all(site)
    killed = watching(site, clock, place)
    killed.look()
    clock.now += 5
    shown = killed.look()
    assert shown is not None
    assert not place.exists()
    again = look(watching(site, clock, place), clock)
    assert again is not None
    assert again.news == shown.news


@pytest.mark.parametrize(
    "content", [b"", b'{"format": "otdr', b"[]", b'{"format": "x"}', b"\xff\xfe\0", b"null", b"{}"]
)
def test_a_torn_file_is_an_empty_memory(tmp_path: Path, content: bytes) -> None:
    place = tmp_path / "said.json"
    place.write_bytes(content)
    assert Memory.read(place) == Memory()


def test_what_is_written_is_read(tmp_path: Path) -> None:
    memory = Memory({"k": "text – ü"}, {}).after_look(["a" * 64]).after_look(["b" * 64, "a" * 64])
    place = tmp_path / "deep" / "said.json"
    memory.write(place)
    assert Memory.read(place) == memory
    assert memory.looks_of({"x": "a" * 64, "y": "b" * 64, "z": ""}) == {"x": 1, "y": 2}
    assert json.loads(place.read_text(encoding="ascii"))["format"] == "otdravg.watch/1"
    assert [path.name for path in place.parent.iterdir()] == ["said.json"]


def test_a_full_disk_costs_the_note_and_nothing_else(
    site: Site5, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*given: object, **named: object) -> None:
        raise OutputRefused(tmp_path, "cannot be written (No space left on device)", "free space")

    monkeypatch.setattr("otdravg.watch.memory.write_atomic", full)
    clock = Clock()
    shoot_all(site)
    watch = watching(site, clock, tmp_path / "said.json")
    watch.look()
    clock.now += 5
    answer = watch.look()
    assert answer is not None
    assert "No space left" in watch.note_said(answer)
    site.shoot(1, 1550, "A")
    watch.look()
    clock.now += 5
    later = watch.look()
    assert later is not None
    # This process still knows what it said.
    assert not {e.text for e in later.news if e.kind is Kind.CUT}


def test_the_usual_place_is_not_beside_the_shots(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "state"))
    one, other = usual_place([tmp_path / "a"]), usual_place([tmp_path / "b"])
    assert one != other
    assert one.parent == tmp_path / "state" / "otdravg"


def test_a_call_rings_once_however_many_shots_come_after_it(site: Site5) -> None:
    """What is still to be shot of the ribbon changes with every shot; what is wrong does not."""
    clock = Clock()
    watch = watching(site, clock)
    calls, rung = [], []
    for fibres in (range(1, 7), range(7, 9), range(9, 13)):
        for fibre in fibres:
            for end in "AB":
                for nm in WAVELENGTHS:
                    site.shoot(fibre, nm, end)
        answer = look(watch, clock)
        assert answer is not None
        calls.append([e.text for e in answer.events if e.kind in (Kind.OPEN, Kind.CUT)])
        rung.append([e.kind for e in answer.news if e.kind in (Kind.OPEN, Kind.CUT)])
    assert rung == [[Kind.OPEN], [], [Kind.CUT]]
    assert "before fibres 7 to 12 are shot" in calls[0][0]
    assert "before fibres 9 to 12 are shot" in calls[1][0]

"""What files are taken for when headers, names and folders disagree or say nothing."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone

import pytest

from otdravg.cable import NamePattern, Naming, ShotUse
from otdravg.cable.files.folder import FoundFile, RawShot
from otdravg.cable.files.names import Claim, Mapping
from otdravg.cable.files.taking import take
from otdravg.cable.model import CableFinding, ShotRecord, Source
from otdravg.findings import Severity
from otdravg.shot.settings import Direction, Identity
from otdravg.words.catalogue import told

A, B = Direction.A_TO_B, Direction.B_TO_A
START = datetime(2024, 5, 14, 8, 0, tzinfo=timezone.utc)


def raw(
    path: str,
    *,
    fibre: str = "",
    ends: tuple[str, str] = ("", ""),
    nm: int = 1550,
    cable: str = "C1",
    minutes: int = 0,
) -> RawShot:
    """A file as its header tells; points do not matter here."""
    identity = Identity(
        path, path, cable, fibre, *ends, Direction.UNKNOWN, float(nm), nm,
        START + timedelta(minutes=minutes), "", "", "",
    )  # fmt: skip
    return RawShot(FoundFile(0, path, path), path, path, identity, None, 100, 1, (), "")


def taken(*shots: RawShot, naming: Naming | None = None) -> dict[str, ShotRecord]:
    records, _ = take(shots, naming or Naming())
    return {record.path: record for record in records}


def codes(record: ShotRecord) -> set[str]:
    return {finding.code for finding in record.findings}


def findings_of(*shots: RawShot) -> list[CableFinding]:
    return take(shots, Naming())[1]


def test_the_header_goes_before_the_name_and_says_so() -> None:
    shots = raw("x/F041_AB.sor", fibre="14"), raw("y/F041_AB.sor", fibre="41")
    record = taken(*shots)["x/F041_AB.sor"]
    assert (record.taken_for.fibre, record.taken_for.fibre_by) == (14, Source.HEADER)
    assert codes(record) == {"fibre-claims-differ"}
    assert "header says 14, file name says 41" in told(record.findings[0].evidence)


def test_the_name_stands_where_the_header_repeats_another_shot() -> None:
    record = taken(
        raw("F014_AB.sor", fibre="14"),
        raw("F015_AB.sor", fibre="14"),
        raw("F016_AB.sor", fibre="16"),
    )["F015_AB.sor"]
    assert (record.taken_for.fibre, record.taken_for.fibre_by) == (15, Source.NAME)
    assert "another shot of this kind" in told(record.findings[0].what_to_do)


def test_a_header_that_no_other_file_supports_gives_way_to_the_name() -> None:
    record = taken(raw("F041_AB.sor", fibre="52"), raw("F041_BA.sor", fibre="41"))["F041_AB.sor"]
    assert (record.taken_for.fibre, record.taken_for.fibre_by) == (41, Source.NAME)


def test_a_header_left_unchanged_for_all_says_nothing() -> None:
    shots = [raw(f"F{n:03d}_AB.sor", fibre="1") for n in range(1, 6)]
    records = taken(*shots)
    assert [r.taken_for.fibre for r in records.values()] == [1, 2, 3, 4, 5]
    assert [f.code for f in findings_of(*shots)] == ["header-left-unchanged"]


def shots_of_twelve(name: str, **header: str) -> list[RawShot]:
    """Twelve fibres from both ends; ``{n}`` and ``{end}`` in the name, the header says 1."""
    return [
        raw(
            name.format(n=n, end=end, count=n + (12 if end == "B" else 0)),
            ends=("Hut", "Mill") if end == "A" else ("Mill", "Hut"),
            **{"fibre": "1", **header},
        )
        for end in "AB"
        for n in range(1, 13)
    ]


@pytest.mark.parametrize(
    ("name", "where"),
    [
        ("F{n:03d}_{end}.sor", Source.NAME),
        ("SIM{n:03d}{end}.sor", Source.NAME),  # glued to a word
        ("{end}{n:03d}_1550.sor", Source.NAME),
        ("{n:02d}/1550_{end}.sor", Source.FOLDER),
        ("F{n:02d}/trace_{count}_{end}.sor", Source.FOLDER),  # the name counts files
        ("north/{n}/{end}/1550.sor", Source.FOLDER),
    ],
)
@pytest.mark.parametrize("typed", ["1", ""])
def test_twelve_fibres_under_one_number_are_told_by_names_or_folders(
    name: str, where: Source, typed: str
) -> None:
    records = taken(*shots_of_twelve(name, fibre=typed))
    fibres = [record.taken_for.fibre for record in records.values()]
    assert fibres == [*range(1, 13), *range(1, 13)]
    assert {record.taken_for.fibre_by for record in records.values()} == {where}
    said = [f for f in findings_of(*shots_of_twelve(name)) if f.code == "header-left-unchanged"]
    assert len(said) == 1
    assert "all headers say fibre 1" in told(said[0].evidence)


def test_what_an_instrument_counts_is_no_fibre() -> None:
    records = taken(*shots_of_twelve("{end}_TRACE_{count:04d}.sor"))
    assert {record.taken_for.fibre for record in records.values()} == {1}


def test_one_fibre_shot_week_after_week_stays_one() -> None:
    shots = [raw(f"week{week}/007_{end}.sor", fibre="7") for week in range(1, 9) for end in "AB"]
    assert {record.taken_for.fibre for record in taken(*shots).values()} == {7}


def test_a_number_found_in_names_can_be_overridden() -> None:
    shots = shots_of_twelve("{n:02d}/1550_{end}.sor")
    mapping = Naming(mapping=Mapping({"03/1550_a.sor": Claim(None, 9, None, None)}))
    mapped = taken(*shots, naming=mapping)
    assert [mapped[f"{n:02d}/1550_A.sor"].taken_for.fibre for n in (2, 3, 4)] == [2, 9, 4]
    pattern = Naming(NamePattern.parse("{any}/{wavelength}_{direction}"))
    assert taken(*shots, naming=pattern)["03/1550_A.sor"].taken_for.fibre == 3


def test_what_a_table_states_is_no_doubt() -> None:
    shots = raw("F014_A.sor", fibre="14"), raw("F015_A.sor", fibre="15")
    mapping = Naming(mapping=Mapping({"f014_a.sor": Claim(None, 3, None, None)}))
    record = taken(*shots, naming=mapping)["F014_A.sor"]
    assert record.taken_for.fibre == 3
    assert [(f.code, f.severity) for f in record.findings] == [
        ("fibre-claims-differ", Severity.NOTE)
    ]


def test_spellings_of_one_cable_are_said_once() -> None:
    shots = [
        raw(f"F{n}_A.sor", fibre=str(n), cable=cable)
        for n, cable in enumerate(("North 12", "north-12", "NORTH_12", "North 12"), 1)
    ]
    assert {record.taken_for.cable for record in taken(*shots).values()} == {"North 12"}
    (said,) = findings_of(*shots)
    assert (said.code, said.severity) == ("cable-spelt-differently", Severity.NOTE)
    assert "NORTH_12, North 12, north-12" in told(said.evidence)


def test_a_point_in_a_name_tells_two_cables_apart() -> None:
    records = taken(raw("F1_A.sor", fibre="1", cable="1.2"), raw("F2_A.sor", fibre="2", cable="12"))
    assert {record.taken_for.cable for record in records.values()} == {"1.2", "12"}
    assert findings_of(*[raw("F1_A.sor", fibre="1", cable="1.2")]) == []


def test_ends_typed_both_ways_give_the_direction() -> None:
    records = taken(
        raw("001_from A.sor", fibre="1", ends=("Hut", "Mill")),
        raw("001_1.sor", fibre="1", ends=("Mill", "Hut")),
    )
    assert records["001_1.sor"].taken_for.direction is B
    assert records["001_1.sor"].taken_for.direction_by is Source.HEADER


def test_without_names_the_first_shot_is_from_a_and_that_is_said() -> None:
    shots = (
        raw("x1.sor", fibre="1", ends=("Mill", "Hut"), minutes=5),
        raw("x2.sor", fibre="1", ends=("Hut", "Mill"), minutes=0),
    )
    records = taken(*shots)
    assert records["x2.sor"].taken_for.direction is A
    assert [f.code for f in findings_of(*shots)] == ["end-a-chosen"]
    stated = taken(*shots, naming=Naming(end_a="mill"))
    assert stated["x1.sor"].taken_for.direction is A


def test_swapped_ends_in_one_shot_are_a_disagreement() -> None:
    shots = [
        raw(
            f"F{n:03d}_{d}.sor",
            fibre=str(n),
            ends=("Hut", "Mill") if d == "AB" else ("Mill", "Hut"),
        )
        for n in (1, 2)
        for d in ("AB", "BA")
    ]
    shots.append(raw("F003_BA.sor", fibre="3", ends=("Hut", "Mill")))
    record = taken(*shots)["F003_BA.sor"]
    assert record.taken_for.direction is A
    assert "direction-claims-differ" in codes(record)


def day_of_shots(*, swapped: set[tuple[int, str]]) -> list[RawShot]:
    """Eight fibres shot from the hut, the day after from the mill; some with the ends swapped."""
    return [
        raw(
            f"F{n:03d}_{d}.sor",
            fibre=str(n),
            ends=("Hut", "Mill") if (d == "AB") != ((n, d) in swapped) else ("Mill", "Hut"),
            minutes=n + (24 * 60 if d == "BA" else 0),
        )
        for n in range(1, 9)
        for d in ("AB", "BA")
    ]


def test_the_shots_before_and_after_tell_which_end_it_was_shot_from() -> None:
    # Both headers of fibre 5 name the far end first: nothing else contradicts them.
    records = taken(*day_of_shots(swapped={(5, "AB"), (5, "BA")}))
    for name, direction in (("F005_AB.sor", A), ("F005_BA.sor", B)):
        record = records[name]
        assert (record.taken_for.direction, record.taken_for.direction_by) == (
            direction,
            Source.NAME,
        )
        assert codes(record) == {"direction-claims-differ"}
        assert "just before and after it" in told(record.findings[0].what_to_do)
    assert {r.use for r in records.values()} == {ShotUse.USED}


def test_a_name_that_contradicts_the_crews_day_does_not_beat_the_header() -> None:
    shots = [s for s in day_of_shots(swapped=set()) if s.file.path != "F005_BA.sor"]
    # Shot from the hut among others from the hut, and named as if from the mill.
    shots.append(raw("F005 again BA.sor", fibre="5", ends=("Hut", "Mill"), minutes=6))
    record = taken(*shots)["F005 again BA.sor"]
    assert (record.taken_for.direction, record.taken_for.direction_by) == (A, Source.HEADER)


def test_without_times_the_name_stands_where_its_place_is_free() -> None:
    shots = [
        raw(f"F{n:03d}_{d}.sor", fibre=str(n), ends=ends)
        for n in (1, 2)
        for d, ends in (("AB", ("Hut", "Mill")), ("BA", ("Mill", "Hut")))
    ]
    shots += [
        raw("F003_AB.sor", fibre="3", ends=("Hut", "Mill")),
        raw("F003_BA.sor", fibre="3", ends=("Hut", "Mill")),
    ]
    record = taken(*shots)["F003_BA.sor"]
    assert (record.taken_for.direction, record.taken_for.direction_by) == (B, Source.NAME)
    assert "there is another shot from A and none from B" in told(record.findings[0].what_to_do)


def test_ends_typed_alike_leave_it_to_the_name() -> None:
    shots = [raw(f"F001_{d}.sor", fibre="1", ends=("Hut", "Mill")) for d in ("AB", "BA")]
    records = taken(*shots)
    assert records["F001_BA.sor"].taken_for.direction is B
    assert records["F001_BA.sor"].taken_for.direction_by is Source.NAME
    assert [f.code for f in findings_of(*shots)] == ["ends-typed-alike"]


def test_ends_typed_alike_leave_it_to_folders_named_after_places() -> None:
    records = taken(
        raw("Hut/1.sor", fibre="1", ends=("Hut", "Mill")),
        raw("Mill/1.sor", fibre="1", ends=("Hut", "Mill")),
    )
    assert records["Hut/1.sor"].taken_for.direction is A
    assert records["Mill/1.sor"].taken_for.direction is B
    assert records["Mill/1.sor"].taken_for.direction_by is Source.FOLDER


def test_names_that_only_count_files_say_nothing_of_fibres() -> None:
    """Common practice, no source: instruments number their files from 0 or 1 on."""
    ends = ("Hut", "Mill"), ("Mill", "Hut")
    shots = [
        raw(f"{number:04d}.sor", fibre=str(number % 6 + 1), ends=ends[number // 6])
        for number in range(12)
    ]
    records = taken(*shots)
    assert [r.taken_for.fibre for r in records.values()] == [n % 6 + 1 for n in range(12)]
    assert {r.taken_for.fibre_by for r in records.values()} == {Source.HEADER}
    assert "fibre-claims-differ" not in {f.code for r in records.values() for f in r.findings}


@pytest.mark.parametrize("name", ["{:03d}_AB.sor", "F{:03d}_AB.sor"])
def test_headers_that_begin_anew_in_every_ribbon_leave_the_fibre_to_the_name(name: str) -> None:
    """Common practice, no source: fibre 5 of ribbon 3 is typed as 5, its file named 29."""
    shots = [
        raw(name.format(fibre), fibre=str((fibre - 1) % 12 + 1), ends=("Hut", "Mill"))
        for fibre in range(1, 37)
    ]
    records = taken(*shots)
    assert [r.taken_for.fibre for r in records.values()] == list(range(1, 37))


def test_a_pattern_and_a_mapping_go_before_the_header() -> None:
    shot = raw("odd 7-9.sor", fibre="3", ends=("Hut", "Mill"))
    pattern = NamePattern.parse("odd {fibre}-{any}")
    by_pattern = taken(shot, naming=Naming(pattern))["odd 7-9.sor"]
    assert (by_pattern.taken_for.fibre, by_pattern.taken_for.fibre_by) == (7, Source.PATTERN)
    mapping = Mapping({"odd 7-9.sor": Claim(None, 9, B, None)})
    by_table = taken(shot, naming=Naming(pattern, mapping))["odd 7-9.sor"]
    assert (by_table.taken_for.fibre, by_table.taken_for.direction) == (9, B)
    assert by_table.use is ShotUse.USED


def test_what_cannot_be_told_is_not_guessed() -> None:
    record = taken(raw("trace.sor"))["trace.sor"]
    assert record.use is ShotUse.UNPLACED
    assert told(record.remark) == "could not be told: fibre, direction"


def test_cables_are_kept_apart() -> None:
    records = taken(
        raw("F001_AB.sor", fibre="1", cable="North"), raw("b/F001_AB.sor", fibre="1", cable="South")
    )
    assert {r.taken_for.cable for r in records.values()} == {"North", "South"}

"""What the page says is what the library says: drop, look, ask for a place, decide, export."""

from __future__ import annotations

import io
import json
import re
import shutil
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
from scenarios.pair.world import draw_span, two_shots
from serve_example import SAMPLES, drop, look, opened

from otdravg import judge, measure, read
from otdravg.cable.decisions.record import read_decisions
from otdravg.cable.model import ShotUse
from otdravg.errors import BadJob, BadSetting, UnreadableTrace
from otdravg.job import load
from otdravg.job.lists import LISTS
from otdravg.report.pair_text import pair_line
from otdravg.serve.desk import Setting, safe_name
from otdravg.simulate.demo import write_demo
from otdravg.words.catalogue import Language

PAIR = [SAMPLES / "hidden_splice_A.sor", SAMPLES / "hidden_splice_B.sor"]


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated cable of twelve fibres."""
    folder = tmp_path_factory.mktemp("cable") / "shots"
    write_demo(folder, fibres=12)
    return folder


class TestPair:
    def test_two_files_give_the_librarys_answer(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        state = look(client, desk)
        assert (state["files"], state["looked"]) == (2, state["revision"])
        report = judge(measure(*(read(path) for path in PAIR)))
        word, line = pair_line(report)
        page = client.get("/").text
        assert f"<strong>{word}</strong>" in page
        assert line in page
        fibre = client.get("/fibre/0").text
        losses = [f">{splice.reported_loss_db}<" for splice in report.splices]
        assert len(losses) == 4
        assert [loss for loss in losses if loss not in fibre] == []
        assert "hidden_splice_A.sor" in fibre
        assert str(tmp_path) not in fibre

    def test_the_shots_on_the_page_run_in_their_own_directions(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        look(client, desk)
        sketch = desk.looked.fibres[0].sketch()
        middle = (sketch.ab.z_m > 2500) & (sketch.ab.z_m < 9000)
        assert sketch.ab.mean_db[middle][0] > sketch.ab.mean_db[middle][-1]
        assert sketch.ba.mean_db[100] < sketch.ba.mean_db[500]

    def test_another_place_is_measured(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        look(client, desk)
        asked = client.post("/fibre/0/at", json={"at": "3.1km"}).json()
        assert "3.100 km" in asked["table"]
        again = client.post("/fibre/0/at", json={"at": "5km"}).json()
        assert "3.100 km" in again["table"]
        assert "5.000 km" in again["table"]
        both = measure(*(read(path) for path in PAIR), positions_m=(3100.0, 5000.0))
        figures = [str(one.reported_loss_db) for one in judge(both).splices]
        assert [figure for figure in figures if f">{figure}<" not in again["table"]] == []

    def test_a_place_that_is_none_is_refused_in_a_line(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        look(client, desk)
        for at in ("", "here", "24", "-1km"):
            answer = client.post("/fibre/0/at", json={"at": at})
            assert answer.status_code == 400
            assert "\n" not in answer.json()["error"]
        assert client.post("/fibre/7/at", json={"at": "1km"}).status_code == 404
        assert client.get("/fibre/7").status_code == 404

    def test_rules_are_applied(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        assert client.post("/settings", json={"limit": "0.10"}).status_code == 200
        look(client, desk)
        report = judge(measure(*(read(path) for path in PAIR)), limit_db=0.10)
        assert pair_line(report)[1].split(":")[0] in client.get("/").text
        for wrong in (
            {"limit": "0.10 or so"},
            {"limit": "0.1", "profile": "three-attempts"},
            {"profile": "none-such"},
            {"launch": "24"},
        ):
            assert client.post("/settings", json=wrong).status_code == 400
        assert desk.setting.limit == "0.10"
        # As it is typed where the decimal sign is a comma.
        comma = client.post("/settings", json={"limit": "0,15", "launch": "1,25km"})
        assert comma.status_code == 200
        assert (desk.setting.limit, desk.setting.launch_m) == ("0.15", 1250.0)

    def test_what_is_in_doubt_among_files_is_no_all_clear_on_the_page(self, tmp_path: Path) -> None:
        """The header says fibre 7, the name 9: as `pair FOLDER` has it."""
        client, desk = opened(tmp_path)
        span = draw_span(np.random.default_rng(8), count=4)
        label = {"fibre": "7", "cable": "SIM"}
        files = two_shots(np.random.default_rng(0), span, label_a=label, label_b=label)
        for (_, content), name in zip(files, ("F9_A.sor", "F9_B.sor"), strict=True):
            client.put(f"/files/{name}", content=content)
        look(client, desk)
        home = client.get("/").text
        assert "CHECK" in home
        assert "LEAVE" not in home

    def test_german(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path, setting=Setting(language=Language.GERMAN))
        drop(client, *PAIR)
        look(client, desk)
        assert "SO LASSEN" in client.get("/").text
        assert "eingehalten" in client.get("/fibre/0").text


class TestFiles:
    @pytest.mark.parametrize(
        "name",
        [
            "../out.sor", "a/../../out.sor", "/etc/out.sor", "a//b.sor", "a/./b.sor", "..", "",
            "C:\\out.sor", "a\\b.sor", "c:out.sor", "nul", "COM1.sor", "x.sor.", " x.sor",
            "x\0.sor", "x\n.sor", "a" * 200 + ".sor", "/".join("abcdefghij") + ".sor",
            "x.sor:stream",
        ],
    )  # fmt: skip
    def test_names_that_lead_elsewhere_are_refused(self, name: str) -> None:
        with pytest.raises(BadSetting):
            safe_name(name)

    @pytest.mark.parametrize("name", ["F012 A.sor", "ribbon 3/Größe_1550.sor", "a/b/c/d.SOR"])
    def test_names_of_crews_are_kept(self, name: str) -> None:
        assert safe_name(name).as_posix() == name

    def test_nothing_is_written_outside(self, tmp_path: Path) -> None:
        client, _ = opened(tmp_path)
        for path in (
            "/files/..%2fout.sor",
            "/files/%2e%2e/out.sor",
            "/files/a%2f..%2f..%2fout.sor",
        ):
            assert client.put(path, content=b"x").status_code in (400, 404, 405)
        left = [path for path in tmp_path.rglob("*") if path.is_file()]
        assert left == []

    def test_a_large_file_is_refused(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        content = bytes(desk.size_limits.file_bytes + 1)
        assert client.put("/files/large.sor", content=content).status_code == 400
        with pytest.raises(UnreadableTrace):
            desk.keep("large.sor", content)
        assert desk.state()["files"] == 0

    def test_one_name_twice(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, PAIR[0])
        drop(client, PAIR[0])
        assert desk.state()["files"] == 1
        again = client.put(f"/files/{PAIR[0].name}", content=PAIR[1].read_bytes())
        assert again.status_code == 400
        assert "another file" in again.json()["error"]

    def test_broken_files_are_listed_and_stop_nothing(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        client.put("/files/notes.txt", content=b"rain all day")
        client.put("/files/cut_A.sor", content=PAIR[0].read_bytes()[:900])
        look(client, desk)
        page = client.get("/").text
        assert "LEAVE" in page
        assert "cut_A.sor" in page

    def test_without_files_the_page_says_what_to_do(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        look(client, desk)
        assert "drop trace files first" in client.get("/").text

    def test_put_aside(self, tmp_path: Path) -> None:
        client, desk = opened(tmp_path)
        drop(client, *PAIR)
        look(client, desk)
        assert client.post("/put-aside", json={}).json()["files"] == 0
        assert "LEAVE" not in client.get("/").text
        assert list((tmp_path / "dropped").rglob("*")) == []

    def test_an_archive_is_looked_into(self, tmp_path: Path) -> None:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            for path in PAIR:
                archive.write(path, path.name)
        client, desk = opened(tmp_path)
        client.put("/files/stick.zip", content=packed.getvalue())
        look(client, desk)
        assert "LEAVE" in client.get("/").text

    def test_an_archive_beside_files_is_read_once(self, tmp_path: Path, shots: Path) -> None:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            for path in shots.glob("*_F00[1-3]_*.sor"):
                archive.write(path, f"stick/{path.name}")
                archive.writestr(f"__MACOSX/stick/._{path.name}", b"\0\5\x16\7" + bytes(200))
        client, desk = opened(tmp_path)
        drop(client, *shots.glob("*_F00[4-6]_*.sor"))
        client.put("/files/rest.zip", content=packed.getvalue())
        cut = (shots / "SIMQB1_F007_1550_AB.sor").read_bytes()[:900]
        client.put("/files/SIMQB1_F007_1550_AB.sor", content=cut)
        look(client, desk)
        review = desk.looked.review
        assert review is not None
        used = [shot for shot in review.shots if shot.use is ShotUse.USED]
        assert (len(used), len(review.shots)) == (12, 12 + 6 + 1)
        # Neither a note of macOS nor the folder of ours is taken for anything of a cable.
        assert review.cables == ("SIMQB1",)
        home = client.get("/").text
        (unread,) = re.findall(r"<dt>(.*?)</dt>", home)
        assert unread == "SIMQB1_F007_1550_AB.sor"
        assert "--details" not in home
        assert "Everything that is known" in home

    def test_what_is_no_request_of_the_page_is_refused(self, tmp_path: Path) -> None:
        client, _ = opened(tmp_path)
        for content in (b"", b"[]", b"{", b'{"limit": 3}', b'"x"'):
            answer = client.post("/settings", content=content)
            assert answer.status_code == 400
            assert answer.json()["error"]
        endless = client.post("/settings", content=b'{"limit": "' + bytes(17 * 2**20))
        assert (endless.status_code, "larger than 16 MiB" in endless.text) == (400, True)
        for path in ("/static/..%2fdesk.py", "/static/desk.py", "/static/__init__.py"):
            assert client.get(path).status_code == 404


class TestCable:
    def test_review_decision_and_closeout(self, tmp_path: Path, shots: Path) -> None:
        client, desk = opened(tmp_path, given=[shots])
        look(client, desk)
        review = desk.looked.review
        assert review is not None
        assert len(review.fibres) == 12
        home = client.get("/").text
        assert str(shots) in home
        over = [row for row in review.rows if row.verdict.needs_work]
        cable = client.get("/cable")
        assert cable.headers["content-security-policy"] == "frame-ancestors 'self'"
        assert review.rows[0].cable in cable.text
        said = {
            "what": "accept",
            "cable": over[0].cable,
            "fibre": str(over[0].fibre),
            "closure": str(over[0].closure_number),
            "who": "R. Vale",
            "why": "letter",
        }
        assert client.post("/decide", json={**said, "who": ""}).status_code == 400
        assert client.post("/decide", json={**said, "fibre": "three"}).status_code == 400
        assert client.post("/decide", json={**said, "what": "forget"}).status_code == 400
        assert client.post("/decide", json=said).json()["seal"]
        assert len(read_decisions(desk.decisions_file).items) == 1
        assert client.get("/decisions.csv").content == desk.decisions_file.read_bytes()
        look(client, desk)
        assert desk.looked.review is not None
        decided = [row for row in desk.looked.review.rows if row.decided]
        assert [(row.fibre, row.closure_number) for row in decided] == [
            (over[0].fibre, over[0].closure_number)
        ]
        packed = client.get("/closeout.zip")
        with zipfile.ZipFile(io.BytesIO(packed.content)) as archive:
            names = archive.namelist()
            tables = json.loads(archive.read("closeout/closeout.json"))["tables"]
            assert len(tables["splices"]["rows"]) == len(review.rows)
        for name in ("splices.csv", "closeout.pdf", "closeout.xlsx", "manifest.sha256"):
            assert f"closeout/{name}" in names

    def test_a_folder_that_grows_is_noticed(self, tmp_path: Path, shots: Path) -> None:
        given = tmp_path / "given"
        given.mkdir()
        client, desk = opened(tmp_path, given=[given])
        before = client.get("/state").json()["folder"]
        assert client.get("/state").json()["folder"] == before
        (given / "one.sor").write_bytes(next(shots.glob("*.sor")).read_bytes())
        assert client.get("/state").json()["folder"] != before
        given.rename(tmp_path / "pulled out")
        assert client.get("/state").json()["folder"] == "away"
        client.post("/look", json={})
        desk.wait()
        assert "there is no such file" in client.get("/").text
        (tmp_path / "pulled out").rename(given)
        assert client.get("/state").json()["folder"] != "away"

    def test_a_job_says_what_is_missing_and_by_which_rules(
        self, tmp_path: Path, shots: Path
    ) -> None:
        job = tmp_path / "job.toml"
        text = 'format = 1\ncable = "SIMQB1"\nfibres = 24\nwavelengths = [1550]\n'
        job.write_text(f'{text}profile = "two-wavelengths"\nlaunch = "500m"\n', "utf-8")
        client, desk = opened(tmp_path, given=[shots], job_file=job)
        assert "job.toml" in client.get("/").text
        look(client, desk)
        assert not desk.looked.error
        assert "13–24 at 1310 and 1550 nm" in " ".join(client.get("/").text.split())
        assert desk.looked.review is not None
        assert desk.looked.review.profile.name == "two-wavelengths"
        for said in ({"limit": "0.3"}, {"profile": "plain"}, {"launch": "1km"}):
            client.post("/settings", json=said)
            look(client, desk)
            assert "change the job" in desk.looked.error, said
            assert "change the job" in client.get("/").text

    def test_a_job_is_written_and_its_lists_filled_in(self, tmp_path: Path, shots: Path) -> None:
        job = tmp_path / "job.toml"
        client, desk = opened(tmp_path, given=[shots], job_file=job)
        assert client.post("/lists/closures", json={"rows": "[]"}).status_code == 400
        said = {
            "cable": "SIMQB1",
            "fibres": "24",
            "wavelengths": "1550",
            "ends.a": "Quillhaven hut",
        }
        assert client.post("/job", json={**said, "fibres": "many"}).status_code == 400
        assert not job.exists()
        assert client.post("/job", json=said).status_code == 200
        assert load(job).ends == ("Quillhaven hut", "")
        assert client.post("/job", json=said).status_code == 400  # never replaced
        (closures,) = (own for own in LISTS if own.name == "closures")
        left = [""] * (len(closures.columns) - 2)
        rows = [[*own, *left] for own in (("=Otterstone", "4.29km"), ("", ""), ("Far", "soon"))]
        stamp = re.search(r'lists/closures" data-stamp="(\w*)"', client.get("/job").text)
        assert stamp is not None
        kept = {"rows": json.dumps(rows), "stamp": stamp[1]}
        assert client.post("/lists/closures", json=kept).status_code == 200
        page = client.get("/job").text
        assert "closures.csv line 3, column distance" in page
        assert 'value="=Otterstone"' in page
        look(client, desk)
        assert "closures.csv line 3" in desk.looked.error
        again = client.post("/lists/closures", json=kept)
        assert (again.status_code, "open it again" in again.text) == (400, True)
        stamp = re.search(r'lists/closures" data-stamp="(\w*)"', page)
        assert stamp is not None
        kept = {"rows": json.dumps(rows[:1]), "stamp": stamp[1]}
        assert client.post("/lists/closures", json=kept).status_code == 200
        assert [closure.name for closure in load(job).closures] == ["=Otterstone"]
        assert client.post("/lists/elsewhere", json=kept).status_code == 404
        for faulty in ("no", '[["one"]]', '{"a": 1}', "[[1]]"):
            assert client.post("/lists/reels", json={"rows": faulty}).status_code == 400
        assert not (tmp_path / "reels.csv").exists()

    def test_a_job_is_explained_in_german(self, tmp_path: Path) -> None:
        client, _ = opened(
            tmp_path, setting=Setting(language=Language.GERMAN), job_file=tmp_path / "job.toml"
        )
        asked = client.get("/job").text
        assert "Wie viele Fasern das Kabel hat" in asked
        assert str(tmp_path) in asked
        said = {"cable": "X", "fibres": "24", "wavelengths": "1550"}
        assert client.post("/job", json=said).status_code == 200
        filled = client.get("/job").text
        german = {own.column_sentence(c, Language.GERMAN) for own in LISTS for c in own.columns}
        english = {own.column_sentence(c) for own in LISTS for c in own.columns}
        assert [text for text in german if text not in filled] == []
        assert [text for text in english - german if f">{text}<" in filled] == []
        assert '<datalist id="power-source_at"><option value="A">' in filled
        (tmp_path / "closures.csv").write_text(
            "name,distance,method\nFar,1km,glue\nFar,,\n", "utf-8"
        )
        faulty = client.get("/job").text
        assert "closures.csv Zeile 2, Spalte method: &#39;glue&#39; ist nicht verwendbar" in faulty
        assert "Spalte distance: (leer) ist nicht verwendbar; die Angabe muss da sein" in faulty
        refused = client.post("/job", json={**said, "fibres": "many"}).json()["error"]
        assert "not usable" not in refused

    def test_rows_of_a_job_are_not_kept_twice(self, tmp_path: Path) -> None:
        job = tmp_path / "job.toml"
        text = 'format = 1\ncable = "X"\nfibres = 24\nwavelengths = [1550]\nreels = "drums.csv"\n'
        job.write_text(f'{text}[[closures]]\nname = "Far"\ndistance = "1km"\n', "utf-8")
        client, _ = opened(tmp_path, job_file=job)
        assert "drums.csv" in client.get("/job").text
        (reels,) = (one for one in LISTS if one.name == "reels")
        cells = {"reel": "R-1", "fibre_type": "G.652"}
        row = [cells.get(column.name, "") for column in reels.columns]
        kept = {"rows": json.dumps([row]), "stamp": ""}
        assert client.post("/lists/reels", json=kept).status_code == 200
        assert [reel.name for reel in load(job).reels] == ["R-1"]
        kept = {"rows": '[["Near", "500m", "", ""]]', "stamp": ""}
        assert client.post("/lists/closures", json=kept).status_code == 400
        assert sorted(path.name for path in tmp_path.glob("*.csv")) == ["drums.csv"]
        (tmp_path / "closures.csv").write_text("name,distance\n", "utf-8")
        load(job)  # an empty form says nothing
        (tmp_path / "closures.csv").write_text("name,distance\nNear,500m\n", "utf-8")
        with pytest.raises(BadJob, match=r"closures\.csv has rows too"):
            load(job)

    def test_a_job_that_was_not_named_applies_to_nothing(
        self, tmp_path: Path, shots: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        Path("otdravg-job.toml").write_text("format = 1\ncable = 7\n", "utf-8")
        client, desk = opened(tmp_path, given=[shots])
        look(client, desk)
        assert not desk.looked.error

    def test_a_folder_is_followed(self, tmp_path: Path, shots: Path) -> None:
        given = tmp_path / "given"
        given.mkdir()
        client, desk = opened(tmp_path, given=[given])
        assert client.get("/live").status_code == 404
        client.post("/follow", json={"follow": "yes"})
        for path in shots.glob("*_F00[12]_*.sor"):
            shutil.copy(path, given)
        told = client.get("/live").json()
        until = time.monotonic() + 60
        while "fibres 1, 2" not in told["text"] and time.monotonic() < until:
            time.sleep(0.2)
            told = client.get("/live").json()
        assert "ribbon 1: 2 proved from both ends" in " ".join(told["text"].split())
        assert not told["trouble"]
        client.post("/follow", json={"follow": ""})
        assert desk.live is None
        assert client.get("/live").status_code == 404

    def test_only_a_folder_that_was_named_is_followed(self, tmp_path: Path) -> None:
        client, _ = opened(tmp_path)
        assert client.post("/follow", json={"follow": "yes"}).status_code == 400

    def test_nothing_of_a_cable_before_it_was_looked_at(self, tmp_path: Path) -> None:
        client, _ = opened(tmp_path)
        for path in ("/cable", "/closeout.zip", "/decisions.csv"):
            assert client.get(path).status_code == 404

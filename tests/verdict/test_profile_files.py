"""Profile files: strict reading, errors a person can act on, shipped examples, the command."""

from __future__ import annotations

import pickle
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from otdravg.cli import main
from otdravg.errors import BadProfile, BadSetting
from otdravg.verdict import load, load_shipped, parse, shipped_names, shipped_text
from otdravg.verdict.describe import described
from otdravg.words import told

HEAD = 'format = 1\nname = "test"\nsource = "invented"\n'
DOCS = Path(__file__).parents[2] / "docs" / "profiles.md"


def problems(text: str) -> list[str]:
    with pytest.raises(BadProfile) as caught:
        parse(HEAD + text, "job.toml")
    return [str(problem) for problem in caught.value.problems]


class TestStrictness:
    @pytest.mark.parametrize(
        ("text", "key", "hint"),
        [
            ("[splice]\nlimit_db = 20", "splice.limit_db", "0.001 to 3 dB"),
            ("[splice]\nlimit_db = -0.1", "splice.limit_db", "0.001 to 3 dB"),
            ("[splice]\nlimit_db = nan", "splice.limit_db", "0.001 to 3 dB"),
            ('[splice]\nlimit_db = "0.2"', "splice.limit_db", "number"),
            ("[splice]\nlimit_db = true", "splice.limit_db", "number"),
            ("[splice]\nlimt_db = 0.2", "splice.limt_db", "did you mean limit_db"),
            ("[splice]\nlimit_db_at = { 155 = 0.2 }", "splice.limit_db_at.155", "600 to 1700"),
            ("[splice]\nlimit_db_at = 0.2", "splice.limit_db_at", "table"),
            ('[splice]\nwavelengths = "and/or"', "splice.wavelengths", '"all", "any"'),
            ("[splice.attempts]\nfallback_db = 0.2", "splice.attempts.allowed", "has to be there"),
            ("[splice.attempts]\nallowed = 0", "splice.attempts.allowed", "1 to 20"),
            ("[splice]\nlimit_db=0.2\n[splice.attempts]\nallowed=3\nfallback_db=0.1",
             "splice.attempts.fallback_db", "below the limit"),
            ("[splice]\nlimit_db = 0.2\nnominal_db = 0.3", "splice.nominal_db", "above"),
            ('[splice.glue]\nlimit_db = 0.2', "splice.glue", "unknown key"),
            ('[decision]\nrule = "strict"', "decision.rule", '"plain", "guarded"'),
            ('stage = "late"\n[stages.final]\nclosures = "closed"', "stage", '"final"'),
            ('[stages.final]\nclosures = "shut"', "stages.final.closures", '"closed"'),
            ("[one_way]\nsplice_limit_db = 0.3", "one_way.reasons", "has to be there"),
            ('[one_way]\nreasons = ["forgotten"]', "one_way.reasons", '"beyond-range"'),
            ("[change]\ndeviation_limit_percent = 500", "change.deviation_limit_percent",
             "0.1 to 100"),
            ('[data]\nnot_gradable = ["ghosts"]', "data.not_gradable", "no finding has that code"),
            ('[[wavelengths.cases]]\nrequired=[1550]\nfibre_types=["G.6"]',
             "wavelengths.cases[1].fibre_types", '"G.653"'),
            ("[bend]\norigin = 3", "bend.origin", "table"),
            ("[bend]\norigin = { limit_db = 'memory' }", "bend.origin.limit_db", "no such key"),
            ("[span]\nevidence_attempts = 3", "span.evidence_attempts", "mean_limit_db"),
            ("[span]\nsteps = [{ limit_db = 1.5 }]", "span.steps[1].up_to_m", "one of both"),
            ("[span]\nsteps = [{ up_to_m=9, limit_db=1 }, { up_to_m=5, limit_db=2 }]",
             "span.steps", "short to long"),
            ("[span.formula]\nsplice_db = 0.1", "span.formula.fibre_db_per_km", "has to be there"),
            ("[wavelengths]\nrequired = [1310, 15500]", "wavelengths.required", "600 to 1700"),
            ("[[wavelengths.cases]]\nrequired = [1550]", "wavelengths.cases[1].longer_than_m",
             "condition"),
            ("[connector]\nreflectance_limit_db = 36", "connector.reflectance_limit_db",
             "-90 to -1"),
            ("[setup]\npulse_ns_min = 100\npulse_ns_max = 10", "setup.pulse_ns_min", "above"),
            ("[setup]\nlaunch_m_min = 500", "setup.launch_m_min", "required"),
            ("[data]\nnot_gradable = [1]", "data.not_gradable", "list of texts"),
            ("[completeness]\nevery_fibre = 1", "completeness.every_fibre", "true or false"),
            ("[ribbon]\nsize = 12.0", "ribbon.size", "whole number"),
            ("splice = 3", "splice", "table"),
            ("[splises]\nlimit_db = 0.2", "splises", "did you mean splice"),
        ],
    )  # fmt: skip
    def test_error_names_key_value_and_what_is_allowed(
        self, text: str, key: str, hint: str
    ) -> None:
        (problem,) = problems(text)
        assert problem.startswith(f"{key}: ")
        assert hint in problem

    def test_all_problems_at_once(self) -> None:
        found = problems("[splice]\nlimit_db = 20\nlimt_db = 1\n[ribbon]\nsize = 99\n")
        assert len(found) == 3

    @pytest.mark.parametrize("missing", ["format", "name", "source"])
    def test_head_has_to_be_there(self, missing: str) -> None:
        head = "\n".join(line for line in HEAD.splitlines() if not line.startswith(missing))
        with pytest.raises(BadProfile, match=f"{missing}: .*has to be there"):
            parse(head, "job.toml")

    def test_later_layout_is_refused(self) -> None:
        with pytest.raises(BadProfile, match="format 1"):
            parse(HEAD.replace("format = 1", "format = 2"), "job.toml")

    def test_broken_toml_names_the_line(self) -> None:
        with pytest.raises(BadProfile, match="line 5"):
            parse(HEAD + "[splice]\nlimit_db = \n", "job.toml")

    def test_it_is_one_family_of_errors(self) -> None:
        assert issubclass(BadProfile, BadSetting)

    def test_loose_tube(self) -> None:
        assert parse(HEAD + "[ribbon]\nsize = 0\n", "x").ribbon_size is None
        assert parse(HEAD + "[ribbon]\nsize = 16\n", "x").ribbon_size == 16
        assert parse(HEAD, "x").ribbon_size == 12


class TestShippedExamples:
    @pytest.mark.parametrize("name", shipped_names())
    def test_reads_and_names_its_source(self, name: str) -> None:
        profile = load_shipped(name)
        assert profile.name == name
        assert profile.source
        assert re.search(r"^# .*", shipped_text(name), re.MULTILINE)

    @pytest.mark.parametrize("name", shipped_names())
    def test_survives_the_way_to_a_worker(self, name: str) -> None:
        profile = load_shipped(name)
        assert pickle.loads(pickle.dumps(profile)) == profile

    def test_every_key_has_an_example_and_a_word_in_the_docs(self) -> None:
        keys = set(re.findall(r"\b([a-z_]+) =", shipped_text("every-rule")))
        reference = DOCS.read_text("utf-8")
        missing = {key for key in keys if key.removesuffix("_at") not in reference}
        assert missing == set()

    def test_examples_in_the_docs_are_profiles(self) -> None:
        blocks = re.findall(r"```toml\n(.*?)```", DOCS.read_text("utf-8"), re.DOTALL)
        assert len(blocks) > 10
        for block in blocks:
            parse(block if block.startswith("format") else HEAD + block, "docs/profiles.md")

    def test_every_rule_uses_every_key(self) -> None:
        # A key that the reader knows and the pattern profile lacks would go untested.
        known = set()
        with pytest.raises(BadProfile) as caught:
            parse(
                HEAD
                + "".join(
                    f"[{table}]\nzz = 1\n"
                    for table in (
                        "decision", "splice", "one_way", "span", "fibre", "connector",
                        "wavelengths", "bend", "change", "setup", "completeness", "data", "ribbon",
                    )
                ),
                "x",
            )  # fmt: skip
        for problem in caught.value.problems:
            _, _, names = told(problem.allowed).partition("known here: ")
            known |= {name for name in names.split(", ") if name}
        text = shipped_text("every-rule")
        lacking = {
            name for name in known if not re.search(rf"\b{name.removesuffix('_at')}(_at)?\b", text)
        }
        assert lacking == set()


class TestCommand:
    def run(self, *args: str) -> tuple[int, str]:
        result = CliRunner().invoke(main, ["profile", *args])
        return result.exit_code, result.output

    def test_check(self, tmp_path: Path) -> None:
        good, bad = tmp_path / "good.toml", tmp_path / "bad.toml"
        good.write_text(HEAD + "[splice]\nlimit_db = 0.2\n")
        bad.write_text(HEAD + "[splice]\nlimit_db = 20\nlimt_db = 1\n")
        assert self.run("check", str(good))[0] == 0
        status, output = self.run("check", str(good), str(bad))
        assert status == 2
        assert len([line for line in output.splitlines() if "bad.toml" in line]) == 2

    def test_show_lists_and_explains(self) -> None:
        status, output = self.run("show")
        assert status == 0
        assert set(shipped_names()) <= set(output.split())
        status, output = self.run("show", "three-attempts")
        assert status == 0
        assert "3 attempts before a fallback holds" in output
        assert "up to 0.20 dB is accepted out of" in output
        assert "251377301" in output
        assert max(map(len, output.splitlines())) <= 80

    def test_shown_file_can_be_used(self, tmp_path: Path) -> None:
        own = tmp_path / "mine.toml"
        own.write_text(self.run("show", "two-wavelengths", "--toml")[1])
        assert load(own) == load_shipped("two-wavelengths")
        assert self.run("show", str(own))[0] == 0

    def test_unknown_name_lists_those_there_are(self) -> None:
        status, output = self.run("show", "nope")
        assert status == 2
        assert "three-attempts" in output

    def test_default_says_so(self) -> None:
        assert "the contract's figures decide" in self.run("show", "default")[1]

    def test_labels_fit_the_page(self) -> None:
        labels = {label for name in shipped_names() for label, _ in described(load_shipped(name))}
        assert max(map(len, labels)) <= 11


def test_profile_may_say_how_a_closeout_names_the_traces() -> None:
    text = 'format = 1\nname = "named"\nsource = "invented for this test"\n[traces]\nname = "{}"\n'
    pattern = "{fibre:03d}-{direction}-{wavelength}.sor"
    assert parse(text.replace("{}", pattern), "named.toml").trace_name == pattern
    with pytest.raises(BadProfile, match=r"traces\.name"):
        parse(text.replace("{}", "{fibre}.sor"), "named.toml")

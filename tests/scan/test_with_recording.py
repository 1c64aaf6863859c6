"""What control units said, taken into the analysis of a recording of the same vehicle. Both are simulated."""

from __future__ import annotations

import jsonschema
import pytest

from tests.scan.made import snapshot, unit
from tests.test_cli import refused, run
from witnessmark.findings.kinds import SCAN_KINDS
from witnessmark.pipeline import with_scan
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.html import report_html
from witnessmark.report.schema import analysis_schema
from witnessmark.report.terminal import summary

SAID = snapshot(unit(stored=("P0336",), pending=(), warm_ups_since_erased=2, distance_since_erased=7), engine="off")


@pytest.fixture(scope="module")
def both(bakery_analysis):
    return with_scan(bakery_analysis, SAID)


def test_its_findings_stand_after_those_of_the_recording(bakery_analysis, both) -> None:
    before, after = bakery_analysis.findings.found, both.findings.found
    assert after[: len(before)] == before
    assert [f.id for f in after] == [f"F{n}" for n in range(1, len(after) + 1)]
    assert {f.kind for f in after[len(before) :]} == {"code-stored", "codes-erased"}
    assert {f.kind for f in after[len(before) :]} <= set(SCAN_KINDS)


def test_a_code_that_fits_does_not_weaken_the_verdict(bakery_analysis, both) -> None:
    first, weighed = bakery_analysis.verdict.causes[0], both.verdict.causes[0]
    assert (weighed.id, weighed.target, weighed.with_) == (first.id, first.target, first.with_)
    assert weighed.probability > 0.95
    assert both.whereabouts == bakery_analysis.whereabouts


def test_a_sound_engine_with_a_foreign_code_is_not_accused_at_the_wheel(bakery_analysis) -> None:
    other = with_scan(bakery_analysis, snapshot(unit(stored=("U0140",))))
    assert other.verdict.causes[0].id == bakery_analysis.verdict.causes[0].id
    crank = sum(c.probability for c in other.verdict.causes if c.id == "crank-circuit" or c.with_ == "crank-circuit")
    assert crank < 0.05


def test_every_output_holds_it(both) -> None:
    data = analysis_json(both)
    jsonschema.Draft202012Validator(analysis_schema()).validate(data)
    assert any(f["evidence"].get("code") == "P0336" for f in data["findings"])
    assert "P0336" in summary(both)
    page = report_html(both)
    assert "P0336" in page
    assert "control unit 7E8" in page
    assert "0 stretches" not in page


def test_the_option_of_the_command(cranking, tmp_path) -> None:
    typed = tmp_path / "typed.toml"
    typed.write_text('[[unit]]\nstored = ["P0K36"]\n')
    refused(run("analyze", cranking, "--scan", typed), "P0K36")
    refused(run("analyze", cranking, "--scan", tmp_path / "gone.json"), "gone.json")
    refused(run("analyze", cranking, "--scan", typed, "--json", typed), "would overwrite")

"""The outputs on analyses made by the whole pipeline: the simulated delivery van, and the open recordings."""

import json
import os
from functools import cache
from pathlib import Path

import jsonschema
import pytest

from witnessmark.pipeline import analyze
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.html import report_html
from witnessmark.report.schema import analysis_schema
from witnessmark.report.terminal import summary
from witnessmark.simulate.run import write_simulation

from .pages import walk

ROOT = Path(__file__).parents[2]
OPEN = Path(os.environ.get("WITNESSMARK_OPEN_DATA", ROOT.parent / "shared" / "open-data"))
OPEN_NAMES = [
    "vr-60-2-slow.csv",
    "logic-36-2-2-2-two-cams-cranking.csv",
    "logic-four-tooth-crank-cam-cranking.csv",
]


@cache
def van(folder):
    recording, _, setup = write_simulation(ROOT / "examples" / "bakery-van.toml", folder / "van.parquet")
    return analyze(recording, setup)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("van")


def stands(analysis):
    """All three outputs, each by its own rule; returns them."""
    data = analysis_json(analysis)
    jsonschema.Draft202012Validator(analysis_schema()).validate(data)
    json.dumps(data, allow_nan=False)
    text = summary(analysis)
    lines = text.splitlines()
    assert len(lines) <= 45
    assert max(map(len, lines)) <= 100
    page = walk(analysis, report_html(analysis))
    return data, text, page


def test_the_van_is_told_alike_in_all_outputs(folder):
    data, text, page = stands(van(folder))
    slots = {f["slot"] for f in data["findings"] if f["confidence"] >= 0.5 and f["kind"].startswith("tooth-")}
    assert slots == {23}
    verdict = page.sentences[0]["text"].replace("\xa0", " ")
    assert "slot 23 of the 60-2 wheel, 132° after slot 1" in verdict
    assert "slot 23" in text.splitlines()[0] + text.splitlines()[1]
    (spot,) = data["where_to_look"]
    assert spot["guides"][0]["bar_deg"] == pytest.approx(132.0)
    # the scenario's tdc_slot is 22: one pitch of 6 degrees before slot 23
    assert spot["guides"][1]["bar_deg"] == pytest.approx(6.0)
    assert [a["started"] for a in data["attempts"]] == [False, False, True]


@pytest.mark.parametrize("name", OPEN_NAMES)
def test_open_recordings_come_through(name):
    if not (OPEN / name).exists():
        pytest.skip(f"open recordings are not at {OPEN.name}: set WITNESSMARK_OPEN_DATA")
    data, _, _ = stands(analyze(OPEN / name))
    assert data["crank_wheel"]["channel"] is not None

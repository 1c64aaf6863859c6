"""The JSON against its published schema and the contract's fixed keys."""

import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from witnessmark.causes.ids import CAUSES as CAUSE_IDS
from witnessmark.findings.kinds import FINDING_KINDS
from witnessmark.findings.kinds import LOCKS as LOCK_IDS
from witnessmark.recording.setup import Role
from witnessmark.report import words
from witnessmark.report.analysis_json import analysis_json
from witnessmark.report.plain import plain, rounded_to_one
from witnessmark.report.schema import analysis_schema

from . import fixtures

PUBLISHED = Path(__file__).parents[2] / "docs" / "analysis.schema.json"

# the keys that scripts outside the project read, in order
TOP = [
    "schema", "recording", "channels", "attempts", "timeline", "crank_wheel", "cams", "outputs", "cylinders",
    "findings", "causes", "next_tests", "cautions",
]  # fmt: skip
KEYS = {
    "recording": ["path", "duration_s", "rate_hz", "samples", "gaps"],
    "channels": ["name", "label", "role", "role_source", "sensor", "bank", "cylinder", "edges"],
    "attempts": ["start_s", "end_s", "turns", "started", "cranking_rpm", "turns_to_sync"],
    "timeline": ["motion_s", "first_fuel_s", "first_spark_s", "sync_s", "running_s", "end_s", "turns", "turns_to_sync",
                 "cranking_rpm", "running_rpm"],
    "crank_wheel": ["channel", "source", "slots", "missing", "name", "slot_reference", "teeth_deg", "alternatives",
                    "turns_decoded", "teeth", "runout_deg", "runout_phase_deg"],
    "cams": ["channel", "bank", "camshaft", "edges", "offset_deg"],
    "outputs": ["channel", "role", "cylinder", "events"],
    "cylinders": ["cylinder", "compression_rel", "contribution_rel"],
    "findings": ["id", "kind", "channel", "slot", "cylinder", "lock", "start_s", "end_s", "value", "unit", "statement",
                 "evidence", "confidence"],
    "causes": ["id", "with", "target", "probability", "statement", "because"],
    "next_tests": ["id", "statement", "why", "minutes", "gain_bits", "outcomes", "cautions"],
}  # fmt: skip


@pytest.fixture(params=list(fixtures.ALL))
def analysis(request):
    return fixtures.ALL[request.param]()


def walk(value):
    yield value
    if isinstance(value, dict):
        for v in value.values():
            yield from walk(v)
    elif isinstance(value, list):
        for v in value:
            yield from walk(v)


def test_follows_the_schema(analysis):
    jsonschema.Draft202012Validator(analysis_schema()).validate(analysis_json(analysis))


def test_the_published_schema_is_current():
    assert json.loads(PUBLISHED.read_text(encoding="utf-8")) == analysis_schema()
    jsonschema.Draft202012Validator.check_schema(analysis_schema())


def test_every_fixed_key_is_there_in_order(analysis):
    data = analysis_json(analysis)
    assert [k for k in data if k in TOP] == TOP
    for part, keys in KEYS.items():
        for item in data[part] if isinstance(data[part], list) else [data[part]]:
            assert [k for k in item if k in keys] == keys, part


def test_plain_data_only(analysis):
    data = analysis_json(analysis)
    for value in walk(data):
        assert type(value) in (dict, list, str, int, float, bool, type(None)), type(value)
        assert not (isinstance(value, float) and not math.isfinite(value))
    assert json.loads(json.dumps(data, allow_nan=False)) == data


def test_causes_are_sorted_and_sum_to_one(analysis):
    shares = [c["probability"] for c in analysis_json(analysis)["causes"]]
    assert shares == sorted(shares, reverse=True)
    assert math.fsum(shares) == pytest.approx(1.0, abs=1e-9)


def test_the_schema_refuses_what_breaks_it():
    """The schema must be able to fail: a word outside its list, a missing key, a probability above one."""
    check = jsonschema.Draft202012Validator(analysis_schema())
    for spoil in (
        lambda d: d["findings"][0].update(kind="tooth-funny"),
        lambda d: d["causes"][0].update(id="gremlins"),
        lambda d: d["findings"][0].update(lock="moon"),
        lambda d: d["channels"][0].update(role="spare"),
        lambda d: d["causes"][0].update(probability=1.2),
        lambda d: d.pop("timeline"),
        lambda d: d["findings"][0]["evidence"].pop("ranges"),
    ):
        data = analysis_json(fixtures.weak_tooth())
        spoil(data)
        assert not check.is_valid(data)


def test_all_slots_are_listed_with_extras_where_no_tooth_is():
    data = analysis_json(fixtures.dropouts())["crank_wheel"]
    assert [t["slot"] for t in data["teeth"]] == list(range(1, 61))
    assert [t["slot"] for t in data["teeth"] if not t["expected"]] == [59, 60]
    gap = data["teeth"][58]
    assert gap["seen"] == 2  # a stray edge in two turns was drawn into the fixture
    assert gap["present"] == pytest.approx(2 / gap["passages"], abs=1e-6)
    assert gap["error_deg"] is None
    assert data["teeth"][59]["present"] == 0.0


def test_the_design_never_holds_the_damaged_slot():
    wheel = analysis_json(fixtures.weak_tooth())["crank_wheel"]
    assert wheel["missing"] == [59, 60]
    assert wheel["teeth"][22]["expected"] is True
    assert 0.5 < wheel["teeth"][22]["present"] < 0.9


def test_unknown_is_null_where_nothing_was_decoded():
    data = analysis_json(fixtures.undecodable())
    wheel, timeline = data["crank_wheel"], data["timeline"]
    for key in ("slots", "missing", "name", "teeth_deg", "runout_deg", "runout_phase_deg"):
        assert wheel[key] is None, key
    assert {timeline[k] for k in ("motion_s", "sync_s", "running_s", "cranking_rpm", "running_rpm")} == {None}
    assert wheel["why_not"]


def test_evidence_holds_numbers_and_ranges():
    finding = analysis_json(fixtures.weak_tooth())["findings"][0]
    assert finding["evidence"]["passages"] == 46
    first = finding["evidence"]["ranges"][0]
    assert list(first) == ["channel", "start_s", "end_s", "start_sample", "stop_sample", "turn"]
    assert first["start_sample"] == pytest.approx(first["start_s"] * fixtures.RATE, abs=1.0)


def test_degrees_of_outputs_name_their_reference():
    for output in analysis_json(fixtures.weak_tooth())["outputs"]:
        assert "TDC" in output["angle_reference"]
        assert all(0 <= e["start_deg"] <= 720 for e in output["events"])


def test_where_to_look_is_carried():
    (spot,) = analysis_json(fixtures.weak_tooth())["where_to_look"]
    assert spot["slot"] == 23
    assert [g["bar_deg"] for g in spot["guides"]] == [132.0, 48.0]
    assert any("crank bolt" in c for c in spot["cautions"])


def test_numpy_and_nan_become_plain():
    given = {
        "n": np.int64(3),
        "angle_deg": np.float32(1.23456789),
        "none": float("nan"),
        "list": np.array([1.0, np.nan]),
    }
    assert plain(given) == {"n": 3, "angle_deg": 1.2346, "none": None, "list": [1.0, None]}
    assert plain({"flag": np.bool_(True), "path": Path("a/b")}) == {"flag": True, "path": str(Path("a/b"))}


def test_rounding_keeps_the_sum():
    parts = rounded_to_one([1 / 3, 1 / 3, 1 / 3])
    assert math.fsum(parts) == pytest.approx(1.0, abs=1e-12)
    assert rounded_to_one([]) == []


def test_two_rates_and_gaps_are_counted():
    analysis = fixtures.weak_tooth()
    from witnessmark.spans import Span

    channels = list(analysis.recording.channels)
    channels[0] = replace(channels[0], gaps=(Span(1.0, 1.1), Span(2.0, 2.2)))
    channels[1] = replace(channels[1], gaps=(Span(1.05, 1.2),))
    data = analysis_json(replace(analysis, recording=replace(analysis.recording, channels=tuple(channels))))
    assert data["recording"]["gaps"] == 2
    assert data["recording"]["rate_hz"] == fixtures.RATE
    assert data["recording"]["samples"] == 190_000


def test_the_word_lists_are_those_of_the_other_stages():
    assert list(words.KINDS) == list(FINDING_KINDS)
    assert list(words.LOCKS) == list(LOCK_IDS)
    assert list(words.CAUSES) == list(CAUSE_IDS)
    assert list(words.ROLES) == list(Role.__args__)

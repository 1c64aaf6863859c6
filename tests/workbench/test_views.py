"""The views hold the numbers of the analysis: nothing is drawn that the analysis does not say. All data simulated."""

import base64
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from tests.report import fixtures, odd
from witnessmark.report.analysis_json import analysis_json
from witnessmark.workbench.views import turn_map, views_of
from witnessmark.workbench.views.arrays import NOT_KNOWN, hundredths, hundredths_of_one

from .conftest import EXAMPLES


@pytest.fixture(scope="module")
def repaired(tmp_path_factory):
    """The van's analysis after its repair."""
    from witnessmark.pipeline import analyze
    from witnessmark.simulate.run import write_simulation

    place = tmp_path_factory.mktemp("repaired") / "van.npz"
    recording, _, setup = write_simulation(EXAMPLES / "bakery-van-repaired.toml", place)
    return analyze(recording, setup)


def slow(name):
    """An example that is analysed for these tests alone."""
    return pytest.param(name, marks=pytest.mark.slow)


@pytest.fixture(scope="module", params=["van", slow("van without setup"), slow("repaired"), "truck"])
def seen(request):
    """(views, analysis JSON, analysis) of every example."""
    fixtures = {"van": "bakery_analysis", "van without setup": "bakery_without_setup"}
    analysis = request.getfixturevalue(fixtures.get(request.param, request.param))
    views = views_of(analysis)
    return json.loads(json.dumps(views, allow_nan=False)), analysis_json(analysis), analysis


def test_every_view_says_what_it_shows(seen):
    views, _, _ = seen
    for name in ("turn_map", "wheel", "cycle", "balance", "found"):
        assert views[name]["says"].endswith("."), name


def test_turn_map_counts_what_the_analysis_counts(seen):
    views, said, analysis = seen
    drawn = views["turn_map"]
    teeth = {t["slot"]: t for t in said["crank_wheel"]["teeth"] if t["expected"]}
    assert sorted(drawn["slots"]) == sorted(teeth)
    assert drawn["per_column"] == 1
    for slot, cells in zip(drawn["slots"], drawn["cells"], strict=True):
        # used passages whose edge a control unit sees, and all used ones, slot by slot
        assert sum(c in ".d" for c in cells) == teeth[slot]["seen"], slot
        assert sum(c in ".dwx" for c in cells) == teeth[slot]["passages"], slot
    passes = analysis.wheel.passes
    late = np.frombuffer(base64.b64decode(drawn["error"]), dtype="<i2")
    for i in range(0, len(passes.turn), 97):
        cell = int(passes.tooth[i]) * drawn["columns"] + int(passes.turn[i]) - drawn["first_turn"]
        if math.isfinite(passes.error_deg[i]):
            assert late[cell] / 100 == pytest.approx(passes.error_deg[i], abs=0.0051)
        else:
            assert late[cell] == NOT_KNOWN
    assert len(drawn["extra"]["turn"]) == len(analysis.wheel.extras.time_s)


def test_weak_pulses_are_at_the_turns_of_their_finding(bakery_without_setup):
    drawn = views_of(bakery_without_setup)["turn_map"]
    found = next(f for f in bakery_without_setup.findings.found if f.kind == "tooth-weak")
    row = drawn["cells"][drawn["slots"].index(23)]
    turns = [i + drawn["first_turn"] for i, c in enumerate(row) if c == "w"]
    assert turns == [r.turn for r in found.ranges]
    assert len(turns) == found.evidence["unseen_by_nominal_unit"]
    assert [(t, s) for t, s in zip(drawn["bad"]["turn"], drawn["bad"]["slot"], strict=True) if s == 23] == [
        (t, 23) for t in turns
    ]


def test_long_records_share_columns_and_lose_no_bad_turn(bakery_without_setup, monkeypatch):
    whole = views_of(bakery_without_setup)["turn_map"]
    monkeypatch.setattr(turn_map, "MOST_COLUMNS", 12)
    short = turn_map.turn_map_view(bakery_without_setup)
    per = short["per_column"]
    assert short["columns"] <= 12
    assert per > 1
    for cells, every in zip(short["cells"], whole["cells"], strict=True):
        for column, cell in enumerate(cells):
            here = every[column * per : (column + 1) * per]
            assert cell == max(here, key=turn_map.LETTERS.index)
    assert short["bad"] == whole["bad"]


def test_marks_of_a_very_bad_record_are_bounded_and_counted(bakery_without_setup, monkeypatch):
    monkeypatch.setattr(turn_map, "MOST_MARKS", 10)
    bad = turn_map.turn_map_view(bakery_without_setup)["bad"]
    assert 0 < len(bad["turn"]) <= 10
    monkeypatch.undo()
    assert len(bad["turn"]) + bad["left_out"] == len(turn_map.turn_map_view(bakery_without_setup)["bad"]["turn"])


def test_wheel_has_the_teeth_and_angles_of_the_analysis(seen):
    views, said, _ = seen
    drawn, teeth = views["wheel"], said["crank_wheel"]["teeth"]
    assert [t["slot"] for t in drawn["teeth"]] == [t["slot"] for t in teeth]
    for mine, theirs in zip(drawn["teeth"], teeth, strict=True):
        assert {k: mine[k] for k in theirs} == theirs
        # both examples carry 60-2 wheels: slot n stands (n - 1) * 6 degrees after slot 1
        assert mine["angle_deg"] == pytest.approx((mine["slot"] - 1) * 6.0, abs=1e-6)
    assert [s["slot"] for s in drawn["spots"]] == [w["slot"] for w in said["where_to_look"]]
    for mine, theirs in zip(drawn["spots"], said["where_to_look"], strict=True):
        assert mine["guides"] == theirs["guides"]
        assert drawn["cautions"] == theirs["cautions"]
    assert {t["slot"] for t in drawn["teeth"] if t["suspect"]} == set(views["suspects"])


def test_cycle_has_the_cams_and_commands_of_the_analysis(seen):
    views, said, _ = seen
    drawn = views["cycle"]
    assert drawn["reference"] == said["phase"]["angle_reference"]
    for mine, theirs in zip(drawn["cams"], said["cams"], strict=True):
        assert mine["offset_deg"] == theirs["offset_deg"]
        assert sum(e["angle_deg"] is not None for e in mine["edges"]) == len(theirs["edges"])
    for mine, theirs in zip(drawn["outputs"], said["outputs"], strict=True):
        starts = [e["start_deg"] for e in theirs["events"] if e["start_deg"] is not None]
        assert mine["start_deg"] == pytest.approx(starts, abs=0.051)


def test_late_cam_of_one_bank_stands_out_and_the_other_does_not(truck):
    """The truck's setup is its truth: bank 2's chain one tooth of 20 late, 360/20 = 18 degrees (geometry)."""
    first, second = views_of(truck)["cycle"]["cams"]
    assert not any(e["outside"] for e in first["edges"])
    assert all(e["outside"] for e in second["edges"])
    for edge in second["edges"]:
        assert edge["late_deg"] == pytest.approx(18.0, abs=0.5)
        assert (edge["angle_deg"] - edge["expected_deg"]) % 720.0 == pytest.approx(18.0, abs=0.5)
    for edge in first["edges"]:  # its phaser moves it by 28 degrees later on; found means parked
        assert edge["angle_deg"] == pytest.approx(edge["expected_deg"], abs=0.5)
    assert [t["cylinder"] for t in views_of(truck)["cycle"]["tdcs"]] == [1, 4, 2, 5, 3, 6]


def test_balance_has_the_probabilities_and_says_what_moved_them(seen):
    views, said, _ = seen
    drawn = views["balance"]
    causes = said["causes"][: len(drawn["causes"])]
    assert [(c["id"], c["with"], c["target"], c["probability"]) for c in drawn["causes"]] == [
        (c["id"], c["with"], c["target"], c["probability"]) for c in causes
    ]
    known = {f["id"] for f in said["findings"]}
    for cause in drawn["causes"]:
        assert {m["finding"] for m in cause["moved"]} <= known
    rest = sum(c["probability"] for c in said["causes"]) - sum(c["probability"] for c in causes)
    assert (drawn["rest"] or 0.0) == pytest.approx(rest, abs=1e-5)
    assert [(t["id"], t["minutes"], t["gain_bits"], t["cautions"]) for t in drawn["tests"]] == [
        (t["id"], t["minutes"], t["gain_bits"], t["cautions"]) for t in said["next_tests"]
    ]


def test_factors_between_two_causes_are_the_odds_the_findings_made(truck):
    """Bayes' rule: posterior odds = prior odds x the product of the factors, for causes that stand alone."""
    from witnessmark.causes.catalogue import load_knowledge
    from witnessmark.causes.weigh import balance_of
    from witnessmark.pipeline import context_of

    drawn = views_of(truck)["balance"]["causes"]
    first = drawn[0]
    second = next(c for c in drawn[1:] if c["name"] == first["against"])
    assert first["with"] is None
    assert second["with"] is None
    knowledge = load_knowledge()
    context = context_of(truck.signals, truck.wheel, truck.engine, truck.setup, truck.in_motion)
    balance = balance_of(truck.findings, replace(context, history="", codes=()), knowledge)  # complaints move priors
    after = {e.id: e.probability for e in balance.entries if e.with_ is None}
    before = {c: knowledge.cause_row(c).prior ** balance.sharpness for c in (first["id"], second["id"])}
    odds = before[first["id"]] / before[second["id"]] * math.prod(m["times"] for m in first["moved"])
    assert odds == pytest.approx(after[first["id"]] / after[second["id"]], rel=0.01)


def test_findings_carry_their_samples(seen):
    views, said, _ = seen
    theirs = {f["id"]: f for f in said["findings"]}
    assert {f["id"] for f in views["found"]["findings"]} == set(theirs)
    for finding in views["found"]["findings"]:
        told = theirs[finding["id"]]
        for key in ("statement", "confidence", "stated", "slot", "cylinder", "start_s", "end_s"):
            assert finding[key] == told[key], key
        ranges = told["evidence"]["ranges"]
        assert [r[3:5] for r in finding["ranges"]] == [[r["start_sample"], r["stop_sample"]] for r in ranges[:200]]
        start, end = finding["look"]
        assert start <= ranges[0]["start_s"] + 1e-6
        assert ranges[0]["end_s"] <= end + 1e-6
    assert views["found"]["not_assessed"] == said["not_assessed"]


@pytest.mark.slow
def test_a_sound_engine_is_said_to_be_sound(repaired):
    views = views_of(repaired)
    assert views["tone"] == "clear"
    assert views["suspects"] == []
    for name in ("turn_map", "wheel", "balance", "found"):
        assert "othing stands out" in views[name]["says"], name
    assert not any(t["suspect"] for t in views["wheel"]["teeth"])
    assert not set("".join(views["turn_map"]["cells"])) & set("xwd")


def test_nothing_decoded_says_why(bakery_without_setup):
    lost = replace(
        bakery_without_setup,
        wheel=replace(bakery_without_setup.wheel, layout=None, why_not="only 3 edges on the crank line"),
        whereabouts=(),
    )
    assert turn_map.turn_map_view(lost) == {"why_not": "only 3 edges on the crank line"}
    views = views_of(lost)
    assert views["wheel"]["why_not"] == "only 3 edges on the crank line"
    assert "could not be decoded" in views["cycle"]["why_not"]
    json.dumps(views, allow_nan=False)


@pytest.mark.parametrize("name", ["no_crank", "two_teeth", "displaced", "extra", "vanes", "many_attempts"])
def test_odd_records_have_views_too(name):
    analysis = getattr(odd, name)()
    views = json.loads(json.dumps(views_of(analysis), allow_nan=False))
    drawn = views["turn_map"]
    if analysis.wheel.layout is None:
        assert drawn["why_not"]
        assert views["wheel"]["why_not"]
    else:
        assert len(drawn["cells"]) == len(drawn["slots"]) == len(analysis.wheel.layout.teeth_deg)
        for slot in views["suspects"]:
            assert str(slot) in drawn["says"]


def test_weak_pulses_that_no_finding_rests_on_do_not_stand_out():
    says = views_of(fixtures.healthy())["turn_map"]["says"]
    assert "13 pulses too weak" in says
    assert "Nothing stands out" in says
    assert "Nothing stands out" not in views_of(fixtures.dropouts())["turn_map"]["says"]


def test_packed_numbers_come_back():
    values = np.array([0.0, -1.234, 12.5, math.nan, 1e9])
    back = np.frombuffer(base64.b64decode(hundredths(values)), dtype="<i2")
    assert back.tolist() == [0, -123, 1250, NOT_KNOWN, 32767]
    shares = np.frombuffer(base64.b64decode(hundredths_of_one(np.array([0.0, 1.0, math.nan, 9.0]))), dtype=np.uint8)
    assert shares.tolist() == [0, 100, 255, 254]

"""Learning a setup from a good recording: what is written, what is refused, what analysis makes of it.

The recordings are simulated; the wheel, its cam edges and its TDC are the simulation's own truth.
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from witnessmark import cli
from witnessmark.learn import write
from witnessmark.learn.lesson import slot_at
from witnessmark.pipeline import analyze
from witnessmark.recording.setup import load_setup
from witnessmark.simulate.run import write_simulation
from witnessmark.wheel import layouts

GOOD = """
title = "Bakery van's sister"
seed = 31
duration_s = 3.4
[cranking]
attempts = [{ start_s = 0.3, end_s = 9.0 }]
[wheel]
layout = "60-2"
tdc_slot = 22.0
[sensor]
kind = "KIND"
[sampling]
rate_hz = 50000.0
[[channel]]
role = "crank"
[[channel]]
role = "cam"
[[channel]]
role = "coil"
"""


def run(*args):
    return CliRunner().invoke(cli.main, [str(a) for a in args])


def recorded(folder: Path, text: str, name: str) -> Path:
    scenario = folder / f"{name}.scenario"
    scenario.write_text(text, encoding="utf-8")
    return Path(write_simulation(scenario, folder / f"{name}.npz")[0])


@pytest.fixture(autouse=True)
def one_analysis(analyse_once, monkeypatch):
    """What is learnt differs from test to test, not the analysis it is learnt from."""
    monkeypatch.setattr("witnessmark.pipeline.analyze", analyse_once)
    monkeypatch.setattr(f"{__name__}.analyze", analyse_once)


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A good engine's start, variable-reluctance sensor."""
    return recorded(tmp_path_factory.mktemp("good"), GOOD.replace("KIND", "vr"), "good")


@pytest.fixture(scope="module")
def learnt(good, tmp_path_factory):
    """The setup learnt from it, and what was printed."""
    out = tmp_path_factory.mktemp("learnt") / "kind.toml"
    result = run("learn", good, "--out", out, "--yes")
    assert result.exit_code == 0, result.output
    return out, result.stdout


def test_what_is_written_is_the_design(learnt):
    """Against the scenario: 60 slots without 59 and 60, TDC at slot 22, cam edges at 40, 220, 310 and 400 degrees."""
    setup = load_setup(str(learnt[0]))
    wheel = setup.crank_wheel
    assert wheel is not None
    assert (wheel.slots, wheel.missing) == (60, (59, 60))
    assert wheel.tdc_slot == pytest.approx(22.0, abs=wheel.tdc_tolerance_deg / 6.0)
    assert wheel.tdc_tolerance_deg >= 5.0  # taken from sparks, which come before TDC by what is only usual
    (cam,) = setup.cam_wheel
    drawn = [(40.0, "rising"), (220.0, "falling"), (310.0, "rising"), (400.0, "falling")]
    shift = (wheel.tdc_slot - 22.0) * 6.0  # the frame of the file is its own TDC
    for (angle, kind), (true, true_kind) in zip(cam.edges_deg, drawn, strict=True):
        assert kind == true_kind
        assert angle + shift == pytest.approx(true, abs=0.5)
    assert 1.0 <= cam.tolerance_deg <= 6.0
    assert {c.role for c in setup.channel} == {"crank", "cam", "coil"}
    assert setup.learnt is not None
    assert setup.learnt.same_engine is False


def test_the_header_says_where_it_comes_from(learnt):
    text = learnt[0].read_text(encoding="utf-8")
    head = [line for line in text.splitlines() if line.startswith("#")]
    assert "good.npz" in head[0]
    assert re.search(r"on \d{4}-\d\d-\d\d", " ".join(head[:2]))
    assert re.search(r"From [\d.]+ turns", text)
    assert "spread of each" in text  # every cam edge's
    assert "shows a wheel, not its drawing" in " ".join(line.lstrip("# ") for line in head)


def test_only_the_gap_goes_over_to_the_kind(learnt):
    """A pick-up's field at the gap is the design's; the other teeth's errors are that one wheel's."""
    wheel = load_setup(str(learnt[0])).crank_wheel
    late = np.array(wheel.teeth_error_deg)
    assert late[0] > 0.1  # the first tooth after the gap comes late
    assert late[-1] < -0.1  # the last before it early
    assert np.all(late[3:-3] == 0.0)
    assert wheel.teeth_amplitude is None
    assert wheel.runout_deg is None


def test_round_trip_reads_the_same_wheel_and_accuses_nothing(good, learnt):
    analysis = analyze(good, learnt[0])
    assert analysis.wheel.source == "setup"
    assert analysis.wheel.layout.name == "60-2"
    assert [f.statement for f in analysis.findings.found if f.stated] == []
    assert analysis.verdict.causes[0].id == "none-found"
    assert analysis.engine.cams[0].offset_deg == pytest.approx(0.0, abs=0.3)


def test_what_the_gap_does_is_taken_off(good, learnt):
    plain, told = analyze(good), analyze(good, learnt[0])
    before = {t.slot: t.error_deg for t in plain.wheel.teeth}
    after = {t.slot: t.error_deg for t in told.wheel.teeth}
    for slot in (1, 58):
        assert abs(after[slot]) < 0.5 * abs(before[slot])


def test_the_same_engine_takes_its_teeth_along(good, tmp_path):
    out = tmp_path / "same.toml"
    assert run("learn", good, "--out", out, "--same-engine", "--yes").exit_code == 0
    setup = load_setup(str(out))
    assert setup.learnt.same_engine is True
    assert len(setup.crank_wheel.teeth_error_deg) == len(setup.crank_wheel.teeth_amplitude) == 58

    def left(analysis):
        return float(np.sqrt(np.mean([t.error_deg**2 for t in analysis.wheel.teeth if t.error_deg is not None])))

    told = analyze(good, out)
    assert left(told) < 0.5 * left(analyze(good))
    pulses = [t.amplitude for t in told.wheel.teeth if t.amplitude is not None]
    assert np.ptp(pulses) < 0.1  # every tooth like itself


def test_another_engine_of_the_kind_with_a_fault(learnt, tmp_path):
    """A tooth beside the gap gone: without a setup either another wheel or a fault, with the learnt one a fault."""
    text = GOOD.replace("KIND", "vr").replace("seed = 31", "seed = 77")
    faulty = recorded(tmp_path, text + '[[fault]]\nkind = "tooth-absent"\nslots = [58]\n', "faulty")
    analysis = analyze(faulty, learnt[0])
    assert {f.slot for f in analysis.findings.found if f.stated and f.kind == "tooth-absent"} == {58}
    assert analysis.verdict.causes[0].id == "trigger-wheel-tooth"
    assert analysis.wheel.layout.name == "60-2"


def test_a_hall_wheel(tmp_path):
    good = recorded(tmp_path, GOOD.replace("KIND", "hall"), "hall")
    out = tmp_path / "hall.toml"
    assert run("learn", good, "--out", out, "--yes").exit_code == 0
    setup = load_setup(str(out))
    assert setup.crank_wheel.teeth_error_deg is None  # no field to be bent at the gap
    assert [f.kind for f in analyze(good, out).findings.found if f.stated] == []


def test_channels_a_learnt_setup_knows_more_of_are_a_caution(good, learnt, tmp_path):
    text = GOOD.replace("KIND", "vr").split("[[channel]]")[0] + '[[channel]]\nrole = "crank"\n'
    alone = recorded(tmp_path, text, "alone")
    analysis = analyze(alone, learnt[0])
    assert any("cam" in c and "left out" in c for c in analysis.recording.cautions)
    assert analysis.wheel.source == "setup"


# ---- what speaks against it


def test_a_damaged_engine_warns_and_is_marked(bakery, tmp_path):
    out = tmp_path / "van.toml"
    refused = run("learn", bakery.recording, "--out", out)
    assert refused.exit_code == 2
    assert refused.stderr.count("\n") == 1
    assert "fault is stated" in refused.stderr
    assert "Slot 23 gives" in refused.stdout  # what it would have believed, and what speaks against it
    assert not out.exists()
    confirmed = run("learn", bakery.recording, "--out", out, "--yes")
    assert confirmed.exit_code == 0
    assert "takes its damage for the design" in " ".join(confirmed.stdout.split())
    setup = load_setup(str(out))
    assert any("tooth-weak" in d for d in setup.learnt.despite)
    assert any("may carry it" in c for c in analyze(bakery.recording, out).recording.cautions)


def test_a_design_the_record_leaves_open_speaks_against_it(tmp_path):
    """The tooth before the gap is gone: the line fits a wheel with a wider gap as well."""
    text = GOOD.replace("KIND", "hall") + '[[fault]]\nkind = "tooth-absent"\nslots = [58]\n'
    text = text.replace('[[channel]]\nrole = "cam"\n', "").replace('[[channel]]\nrole = "coil"\n', "")
    result = run("learn", recorded(tmp_path, text, "open"), "--out", tmp_path / "o.toml")
    assert result.exit_code == 2
    against = result.stdout.split("Against")[1].split("Caution")[0]
    assert "design open" in against or "tooth-" in against


def test_without_a_terminal_and_without_a_yes_nothing_is_written(good, tmp_path):
    out = tmp_path / "kind.toml"
    result = run("learn", good, "--out", out)
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "--yes" in result.stderr
    assert not out.exists()


@pytest.mark.parametrize(("answer", "written"), [("y\n", True), ("n\n", False), ("\n", False)])
def test_a_terminal_is_asked(good, tmp_path, monkeypatch, answer, written):
    out = tmp_path / "kind.toml"
    out.write_text("# old\n", encoding="utf-8")
    asked = []
    monkeypatch.setattr(cli.click, "confirm", lambda text, default: asked.append(text) or answer == "y\n")
    monkeypatch.setattr(cli, "_on_terminal", lambda: True)
    result = run("learn", good, "--out", out)
    assert len(asked) == 1
    assert str(out) in asked[0]  # it says that it would be replaced
    assert (result.exit_code == 0) is written
    assert (out.read_text(encoding="utf-8") != "# old\n") is written
    assert ("Replaced" in result.stdout) is written


def test_bad_input_is_one_line(good, tmp_path):
    short = recorded(tmp_path, GOOD.replace("KIND", "vr").replace("3.4", "0.9"), "short")
    for args, word in (
        ((tmp_path / "gone.npz", "--out", tmp_path / "o.toml"), "no such file"),
        ((good, "--out", good), "overwrite"),
        ((good, "--out", tmp_path / "no" / "o.toml"), "folder"),
        ((good, "--out", "-"), "file"),
        ((short, "--out", tmp_path / "o.toml", "--yes"), "turns"),
    ):
        result = run("learn", *args)
        assert result.exit_code == 2, args
        assert len(result.stderr.splitlines()) == 1
        assert word in result.stderr
    assert not (tmp_path / "o.toml").exists()


def test_a_base_setup_is_kept(good, tmp_path):
    base = tmp_path / "base.toml"
    base.write_text(
        '[vehicle]\ndescription = "Van"\nvin = "*****************"\ncomplaint = "none"\n'
        "[engine]\ncylinders = 4\nfiring_order = [1, 3, 4, 2]\nbanks = { 1 = [1, 2, 3, 4] }\n"
        "[crank_wheel]\nslots = 60\nmissing = [59, 60]\ntdc_slot = 22.0\n"
        '[[cam_wheel]]\nchannel = "cam"\nbank = 1\ncamshaft = "intake"\nphaser_range_deg = 40.0\n',
        encoding="utf-8",
    )
    out = tmp_path / "kind.toml"
    assert run("learn", good, "--setup", base, "--out", out, "--yes").exit_code == 0
    setup = load_setup(str(out))
    assert setup.vehicle.description == "Van"
    assert setup.vehicle.vin is None  # personal, and not the kind's
    assert setup.vehicle.complaint is None
    assert setup.engine.firing_order == (1, 3, 4, 2)
    assert setup.engine.banks == {"1": (1, 2, 3, 4)}
    assert setup.crank_wheel.tdc_slot == 22.0
    assert setup.crank_wheel.tdc_tolerance_deg is None
    cam = setup.cam_wheel[0]
    assert (cam.bank, cam.camshaft, cam.phaser_range_deg) == (1, "intake", 40.0)
    assert cam.edges_deg[0][0] == pytest.approx(40.0, abs=0.5)


def test_a_learnt_setup_is_no_base(good, learnt, tmp_path):
    """Its teeth's errors would be taken off what is measured, and the rest be written as the whole."""
    result = run("learn", good, "--setup", learnt[0], "--out", tmp_path / "o.toml", "--yes")
    assert result.exit_code == 2
    assert "learnt itself" in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_a_tdc_learnt_from_sparks_is_a_rough_guide(good, learnt):
    from witnessmark.report.where import tdc_angle_deg

    a = analyze(good, learnt[0])
    _, words = tdc_angle_deg(a.wheel, a.engine, a.setup)
    assert "degrees only" in words
    assert a.engine.phase.tdc_doubt_deg >= 5.0


# ---- parts


VALUES = [1, 0.1 + 0.2, True, 'a "b" \\ \n\t\x07ü€\U0001f527', (1, 2.5), ((40.0, "rising"),), ()]


@pytest.mark.parametrize("value", VALUES)
def test_values_come_back_from_toml(value):
    """Read back by the standard library's parser."""

    def lists(v):
        return [lists(x) for x in v] if isinstance(v, tuple) else v

    assert tomllib.loads(f"v = {write.toml(value)}")["v"] == lists(value)


def test_slot_of_an_angle_is_the_inverse_of_the_angle_of_a_slot():
    from witnessmark.engine.phase import slot_angle_deg

    for layout in (layouts.single_gap(36, 1), layouts.unequal("u", (0.0, 70.0, 180.0, 250.0))):
        for slot in (1.0, 2.25, 3.5, 4.75):
            assert slot_at(layout, slot_angle_deg(layout, slot)) == pytest.approx(slot)


def test_learnt_errors_that_do_not_fit_are_one_line(tmp_path, good):
    path = tmp_path / "bad.toml"
    for text, word in (
        ("[crank_wheel]\nslots = 60\nmissing = [59, 60]\nteeth_error_deg = [0.1]\n", "58 teeth"),
        ("[crank_wheel]\nteeth_error_deg = [0.1]\n", "without the wheel"),
        ("[crank_wheel]\nslots = 60\nrunout_deg = 0.1\n", "runout_phase_deg"),
    ):
        path.write_text(text, encoding="utf-8")
        result = run("analyze", good, "--setup", path)
        assert result.exit_code == 2
        assert word in result.stderr


def test_hostile_channel_names_stay_one_comment_line():
    assert "\n" not in write.clean("cam\n[engine]\ncylinders = 16")


def test_runout_of_the_same_engine_is_taken_off(tmp_path):
    """Once per turn 0.3 degrees by the simulation: learnt on this engine it is gone from its later records."""
    text = GOOD.replace("KIND", "hall").replace('layout = "60-2"', 'layout = "60-2"\nrunout_deg = 0.3')
    first = recorded(tmp_path, text.replace("3.4", "4.0"), "first")
    plain = analyze(first)
    out = tmp_path / "same.toml"
    assert run("learn", first, "--out", out, "--same-engine", "--yes").exit_code == 0
    learnt = load_setup(str(out)).crank_wheel
    assert learnt.runout_deg == pytest.approx(0.3, abs=0.12)
    assert analyze(first, out).wheel.runout_deg < 0.3 * plain.wheel.runout_deg


def test_the_analysis_says_what_it_was_told(good, learnt):
    from witnessmark.report.analysis_json import analysis_json

    given = analysis_json(analyze(good, learnt[0]))["setup"]["given"]
    assert given["learnt"]["recording"] == "good.npz"
    assert json.dumps(given)


@pytest.mark.parametrize("own_deg", [0.04, 0.1])
def test_teeth_as_they_stand_from_their_lateness_among_neighbours(own_deg):
    """Known errors at constant speed, measured as the analysis does: moved by what was solved, the wheel is even."""
    from witnessmark.learn.teeth import as_it_stands
    from witnessmark.wheel import pitch

    layout = layouts.single_gap(60, 2)
    rng = np.random.default_rng(4)
    true = rng.normal(0.0, own_deg, 58)
    turns = 20
    tooth = np.tile(np.arange(58, dtype=np.int32), turns)
    turn = np.repeat(360.0 * np.arange(turns), 58)
    nominal = turn + np.asarray(layout.teeth_deg)[tooth]
    time_s = (nominal + true[tooth] + rng.normal(0.0, 0.02, tooth.size)) / (6.0 * 800.0)

    def late(angle):
        got = pitch.measure(layout, tooth, angle, time_s, np.zeros(tooth.size, np.int64), 0.02)
        return got.mean_deg, float(np.nanmedian(got.se_deg))

    before, se = late(nominal)
    found = as_it_stands(layout, before, se, own_deg, 1.4826 * float(np.median(np.abs(before))))
    after, _ = late(nominal + found[tooth])
    assert np.sqrt(np.mean(after**2)) < 0.4 * np.sqrt(np.mean(before**2))
    assert np.std(found - true) < np.std(before - true)
    plainly, _ = late(nominal + before[tooth])  # lateness itself, taken for the error, leaves more
    assert np.sqrt(np.mean(after**2)) < np.sqrt(np.mean(plainly**2))

"""The setup file: what is accepted, and one line for everything else."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from witnessmark.errors import BadSetup
from witnessmark.recording.setup import ChannelSetup, Setup, load_setup

FULL = """
[vehicle]
description = "bakery delivery van (invented)"
vin = "1M8GDM9AXKP042788"
complaint = "cranks too long"
codes = ["P0336", "U0100", "P0336-00"]

[engine]
cylinders = 4
strokes = 4
ignition = "coil-per-cylinder"
cranked_by = "starter"
firing_order = [1, 3, 4, 2]
firing_angles_deg = [0, 180, 360, 540]
banks = { 1 = [1, 2, 3, 4] }
bore_mm = 86.0
stroke_mm = 86
rod_mm = 143.0
compression_ratio = 10.0

[crank_wheel]
slots = 60
missing = [59, 60]
edge = "falling"
tdc_slot = 9.0

[[cam_wheel]]
channel = "cam b1 in"
bank = 1
camshaft = "intake"
edges_deg = [[40.0, "rising"], [130.0, "falling"]]
tolerance_deg = 6.0
phaser_range_deg = 40.0

[[channel]]
name = "column 2"
label = "crank sensor"
role = "crank"
of = ""
sensor = "hall"
bank = 1
cylinder = 1
unit = "V"
scale = 1.0
offset = 0.0
"""


def _load(tmp_path, text):
    path = tmp_path / "setup.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_setup(str(path))


def _refused(tmp_path, text) -> str:
    with pytest.raises(BadSetup) as caught:
        _load(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(f"{tmp_path / 'setup.toml'}: ")
    assert said.isprintable()
    assert len(said) <= 600
    return said[len(str(tmp_path / "setup.toml")) + 2 :]


def test_every_key_is_read(tmp_path):
    setup = _load(tmp_path, FULL)
    assert setup.vehicle.codes == ("P0336", "U0100", "P0336-00")
    assert setup.engine.firing_order == (1, 3, 4, 2)
    assert setup.engine.stroke_mm == 86.0
    assert setup.engine.bank_of(3) == 1
    assert setup.crank_wheel is not None
    assert (setup.crank_wheel.slots, setup.crank_wheel.missing) == (60, (59, 60))
    assert setup.cam_wheel[0].edges_deg == ((40.0, "rising"), (130.0, "falling"))
    assert setup.channel_for("column 2", 7) is setup.channel[0]


def test_nothing_said_is_none(tmp_path):
    for setup in (_load(tmp_path, ""), _load(tmp_path, "\ufeff[engine]\n"), Setup()):
        assert setup == Setup()
        assert setup.crank_wheel is None
        assert (setup.cam_wheel, setup.channel) == ((), ())
        assert setup.engine.cylinders is None
        assert setup.engine.cylinder_count is None
        assert setup.channel_for("crank", 1) is None


def test_each_key_may_stand_alone(tmp_path):
    table = ""
    for line in FULL.strip().splitlines():
        if line.startswith("["):
            table = line
        elif line and not line.startswith(("missing", "firing_angles")):  # these two lean on another key
            _load(tmp_path, f"{table}\n{line}\n")


def test_channels_are_found_by_name_then_unit_free_name_then_position():
    named, placed = ChannelSetup(name="crank"), ChannelSetup(name="2")
    setup = Setup(channel=(named, placed))
    assert setup.channel_for("crank", 2) is named
    assert setup.channel_for("crank [V]", 5) is named
    assert setup.channel_for("cam", 2) is placed
    assert setup.channel_for("cam", 3) is None


def test_a_setup_never_changes():
    with pytest.raises(ValidationError):
        Setup().engine.cylinders = 4  # type: ignore[misc]


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        ("[crank_wheel]\nslotz = 60", "crank_wheel.slotz", 'did you mean "slots"?'),
        ("[engine]\nslots = 60", "engine.slots", "belongs in the table crank_wheel"),
        ("[engine]\nqqq = 1", "engine.qqq", "expected one of cylinders"),
        ("[wheel]\na = 1", "wheel", 'did you mean "cam_wheel"?'),
        ("[[channel]]\nname = 'a'\nrol = 'cam'", "channel[1].rol", 'did you mean "role"?'),
        ("[engine]\ncylinders = 4.0", "engine.cylinders", "expected a whole number"),
        ("[engine]\ncylinders = true", "engine.cylinders", "expected a whole number"),
        ("[engine]\ncylinders = '4'", "engine.cylinders", "expected a whole number"),
        ("[engine]\ncylinders = 0", "engine.cylinders", "expected at least 1"),
        ("[engine]\ncylinders = 17", "engine.cylinders", "expected at most 16"),
        ("[engine]\nstrokes = 3", "engine.strokes", "expected 2 or 4"),
        ("[engine]\nignition = 'spark'", "engine.ignition", '"wasted-spark"'),
        ("[engine]\ncranked_by = 'hand'", "engine.cranked_by", '"starter" or "motor"'),
        ("[engine]\nfiring_order = [1, 3, 3, 2]", "engine.firing_order", "does not name each cylinder"),
        ("[engine]\nfiring_order = []", "engine.firing_order", "does not name each cylinder"),
        ("[engine]\ncylinders = 6\nfiring_order = [1, 3, 4, 2]", "engine.firing_order", "1 to 6"),
        ("[engine]\ncylinders = 4\nfiring_angles_deg = [0, 180]", "engine.firing_angles_deg", "2 angles for 4"),
        ("[engine]\nfiring_angles_deg = [0, 180, 180]", "engine.firing_angles_deg", "must rise"),
        ("[engine]\nfiring_angles_deg = [0, 720]", "engine.firing_angles_deg", "below 720"),
        ("[engine]\nstrokes = 2\nfiring_angles_deg = [0, 400]", "engine.firing_angles_deg", "below 360"),
        ("[engine]\nfiring_order = [2, 1]\nfiring_angles_deg = [0, 90]", "engine.firing_angles_deg", "0 for cyl"),
        ("[engine]\nbanks = { left = [1] }", "engine.banks", '"left" is no bank'),
        ("[engine]\nbanks = { 1 = [1, 2], 2 = [2] }", "engine.banks.2", "stands in bank 1 already"),
        ("[engine]\ncylinders = 4\nbanks = { 1 = [5] }", "engine.banks.1", "not among 1 to 4"),
        ("[engine]\nbanks = [1, 2]", "engine.banks", "expected a table like"),
        ("[engine]\nbore_mm = -1", "engine.bore_mm", "expected above 0"),
        ("[engine]\nbore_mm = nan", "engine.bore_mm", "finite number"),
        ("[engine]\nbore_mm = inf", "engine.bore_mm", "finite number"),
        ("[engine]\nstroke_mm = 90.0\nrod_mm = 40.0", "engine.rod_mm", "half the stroke"),
        ("[engine]\ncompression_ratio = 1.0", "engine.compression_ratio", "expected above 1"),
        ("[crank_wheel]\nslots = 1", "crank_wheel.slots", "expected at least 2"),
        ("[crank_wheel]\nslots = 60\nmissing = [61]", "crank_wheel.missing", "slot 61 is not on a wheel of 60"),
        ("[crank_wheel]\nslots = 60\nmissing = [0]", "crank_wheel.missing", "slot 0 is not on a wheel of 60"),
        ("[crank_wheel]\nslots = 2\nmissing = [1, 2]", "crank_wheel.missing", "leaves none of 2 teeth"),
        ("[crank_wheel]\nslots = 60\nmissing = [59, 59]", "crank_wheel.missing", "twice"),
        ("[crank_wheel]\nslots = 60\nmissing = [1, 2]", "crank_wheel.missing", "write missing = [59, 60]"),
        ("[crank_wheel]\nslots = 36\nmissing = [11, 35, 36, 12, 13]", "crank_wheel.missing", "= [22, 23, 34, 35, 36]"),
        ("[crank_wheel]\nmissing = [59]", "crank_wheel.missing", "nothing without slots"),
        ("[crank_wheel]\nslots = 60\nmissing = 2", "crank_wheel.missing", "expected a list"),
        ("[crank_wheel]\nslots = 60\nteeth_deg = [0.0, 70.0]", "crank_wheel.slots", "contradicts teeth_deg"),
        ("[crank_wheel]\nmissing = [1]\nteeth_deg = [0.0, 70.0]", "crank_wheel.missing", "contradicts teeth_deg"),
        ("[crank_wheel]\nteeth_deg = [0.0, 70.0, 60.0]", "crank_wheel.teeth_deg", "must rise"),
        ("[crank_wheel]\nteeth_deg = [0.0, 360.0]", "crank_wheel.teeth_deg", "below 360"),
        ("[crank_wheel]\nteeth_deg = []", "crank_wheel.teeth_deg", "must rise"),
        ("[crank_wheel]\nteeth_deg = [0.0, 90.0]\nwidths_deg = [3.0]", "crank_wheel.widths_deg", "1 for 2 teeth"),
        ("[crank_wheel]\nteeth_deg = [0.0, 9.0]\nwidths_deg = [9.0, 3.0]", "crank_wheel.widths_deg[1]", "below the 9"),
        ("[crank_wheel]\nwidths_deg = [3.0]", "crank_wheel.widths_deg", "nothing without teeth_deg"),
        ("[crank_wheel]\nedge = 'up'", "crank_wheel.edge", '"falling" or "rising"'),
        ("[crank_wheel]\nslots = 60\ntdc_slot = 61.0", "crank_wheel.tdc_slot", "expected 1 to 60"),
        ("[crank_wheel]\nslots = 60\ntdc_slot = 0", "crank_wheel.tdc_slot", "expected 1 to 60"),
        ("crank_wheel = 3", "crank_wheel", "a table, written [crank_wheel]"),
        ("[vehicle]\nvin = 'SHORT'", "vehicle.vin", "5 characters, expected 17"),
        ("[vehicle]\nvin = '1M8GDM9AXKPO42788'", "vehicle.vin", "without I, O and Q"),
        ("[vehicle]\ncodes = ['0336']", "vehicle.codes", "no trouble code"),
        ("[vehicle]\ncodes = 'P0336'", "vehicle.codes", "expected a list"),
        ("[vehicle]\ndescription = 2024-05-01", "vehicle.description", "expected text"),
        ("[[cam_wheel]]\ncamshaft = 'inlet'", "cam_wheel[1].camshaft", '"intake" or "exhaust"'),
        ("[[cam_wheel]]\nedges_deg = [[40.0, 'up']]", "cam_wheel[1].edges_deg[1][2]", '"rising"'),
        ("[[cam_wheel]]\nedges_deg = [[40.0]]", "cam_wheel[1].edges_deg[1][2]", "a pair like"),
        ("[[cam_wheel]]\nedges_deg = [[720.0, 'rising']]", "cam_wheel[1].edges_deg", "below 720"),
        ("[[cam_wheel]]\nedges_deg = [[1.0, 'rising'], [1.0, 'falling']]", "cam_wheel[1].edges_deg", "two edges"),
        ("[[cam_wheel]]\ntolerance_deg = 0", "cam_wheel[1].tolerance_deg", "expected above 0"),
        ("[[cam_wheel]]\nbank = 0", "cam_wheel[1].bank", "expected at least 1"),
        ("[[cam_wheel]]\nchannel='c'\n[[cam_wheel]]\nchannel='c'", "cam_wheel[2].channel", "described twice"),
        ("[cam_wheel]\nchannel='c'", "cam_wheel", "written [[cam_wheel]]"),
        ("[channel]\nname='c'", "channel", "written [[channel]]"),
        ("[[channel]]\nname='a'\n[[channel]]\nname='a'", "channel[2].name", '"a" is described twice'),
        ("[[channel]]\nname=' '", "channel[1].name", "is empty"),
        ("[[channel]]\nrole='krank'", "channel[1].role", '"crank", "cam"'),
        ("[[channel]]\nsensor='inductive'", "channel[1].sensor", '"hall", "vr" or "analog"'),
        ("[[channel]]\nscale=0.0", "channel[1].scale", "is 0"),
        ("[[channel]]\nscale=nan", "channel[1].scale", "finite number"),
        ("[[channel]]\nname='a'\nof='a'", "channel[1].of", "names the channel itself"),
        ("[engine]\ncylinders=4\n[[channel]]\ncylinder=5", "channel[1].cylinder", "not among the engine's 4"),
    ],
)  # fmt: skip
def test_one_line_names_the_key(tmp_path, text, key, says):
    said = _refused(tmp_path, text)
    assert said.startswith(f"{key}: ")
    assert says in said


def test_two_channels_with_an_unequal_wheel_may_state_the_count(tmp_path):
    wheel = _load(
        tmp_path, "[crank_wheel]\nslots = 4\nteeth_deg = [0.0, 70.0, 180.0, 250.0]\ntdc_slot = 4.5"
    ).crank_wheel
    assert wheel is not None
    assert wheel.teeth_deg == (0.0, 70.0, 180.0, 250.0)


def test_syntax_errors_name_the_line(tmp_path):
    said = _refused(tmp_path, "[engine]\ncylinders = = 4\n")
    assert "line 2" in said
    assert "column" in said
    for text in ("[engine\n", "a = " + "[" * 5000, "\x00", "a = 1\na = 2\n", "a = " + "9" * 5000):
        _refused(tmp_path, text)
    assert "UTF-8" in _refused(tmp_path, b"\xff\xfe\x00a")


def test_files_that_are_not_there(tmp_path):
    for path in (tmp_path / "gone.toml", tmp_path):
        with pytest.raises(BadSetup) as caught:
            load_setup(str(path))
        assert str(caught.value).startswith(f"{path}: ")
    big = tmp_path / "big.toml"
    big.write_bytes(b"#" * 5_000_000)
    with pytest.raises(BadSetup, match="larger than"):
        load_setup(str(big))


def test_the_vin_is_never_repeated(tmp_path):
    assert "1M8GDM9AXKPO42788" not in _refused(tmp_path, "[vehicle]\nvin = '1M8GDM9AXKPO42788'")


@settings(max_examples=150, deadline=None)
@given(at=st.integers(0, len(FULL) - 1), new=st.text("abc019.[]{}='\"\n,-", max_size=4), drop=st.integers(0, 12))
def test_mangled_files_are_read_or_refused(tmp_path_factory, at, new, drop):
    path = tmp_path_factory.getbasetemp() / "mangled.toml"
    path.write_text(FULL[:at] + new + FULL[at + drop :])
    try:
        load_setup(str(path))
    except BadSetup as exc:
        assert str(exc).isprintable()  # noqa: PT017 - most mangled files are still read


@pytest.mark.parametrize("missing", ["[59, 60]", "[60, 59]", "[29, 30, 59, 60]", "[30, 59, 60]"])
def test_slots_counted_from_the_longest_gap_are_taken(tmp_path, missing: str) -> None:
    path = tmp_path / "s.toml"
    path.write_text(f"[crank_wheel]\nslots = 60\nmissing = {missing}\n")
    assert load_setup(str(path)).crank_wheel is not None

"""Which line is which: by name, by what the signal does, by the setup."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from witnessmark.recording.model import Changes, Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.recording.write import write_recording
from witnessmark.signals import role_words
from witnessmark.signals.extract import extract
from witnessmark.signals.model import Signals

from .memory import record
from .waves import hall_wheel, reluctance_wheel, tooth_angle

RATE = 50_000.0


def start(kind: str = "vr", running: bool = True) -> dict[str, np.ndarray]:
    """A simulated start: rest, cranking with compression ripple, running; six lines."""
    t = np.arange(int(5 * RATE)) / RATE
    rng = np.random.default_rng(11)
    mean = np.interp(
        t, [0, 0.5, 0.6, 2.5, 2.9, 5.0], [0, 0, 220, 220, 850 if running else 220, 850 if running else 220]
    )
    turns = tooth_angle(len(t), RATE, mean)
    turns = turns + np.where(mean > 0, 0.012 * np.sin(4 * np.pi * turns), 0.0)
    cycle = turns / 2 % 1.0
    cranking = (mean > 0) & (mean <= 260)
    fired = t > 1.4
    crank = reluctance_wheel(turns, RATE, 60, 2, 0.002) if kind == "vr" else hall_wheel(turns, 60, 2)
    omega = np.maximum(mean, 1.0) / 60
    since_coil = ((cycle - 0.25) % 1.0) * 2 / omega
    until_coil = ((0.25 - cycle) % 1.0) * 2 / omega
    coil = np.where(fired & (until_coil < 3.5e-3), 5.0, 0.1)
    width = np.where(mean < 400, 12e-3, 3e-3)
    since_inj = ((cycle - 0.6) % 1.0) * 2 / omega
    amps = np.where(cranking, 140 + 40 * np.cos(4 * np.pi * turns), 0.0) + np.where((t > 0.5) & (t < 0.56), 350.0, 0.0)
    battery = 12.5 - 0.011 * amps + np.where(mean > 400, 1.5, 0.0)
    injector = np.where(fired & (since_inj < width), 0.2, battery)
    injector = np.where(fired & (since_inj > width) & (since_inj < width + 2e-4), 60.0, injector)
    del since_coil
    lines = {
        "crank": crank,
        "cam": 5.0 * ((cycle * 360 % 360 < 70) | ((cycle * 360 > 100) & (cycle * 360 < 190))),
        "coil": coil,
        "injector": injector,
        "battery": battery,
        "starter-current": amps,
    }
    noise = {"battery": 0.02, "starter-current": 1.0}
    return {name: x + rng.normal(0, noise.get(name, 0.01), len(t)) for name, x in lines.items()}


def renamed(channels: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {f"column {k}": x for k, x in enumerate(channels.values(), start=1)}


def roles(recording: Recording, setup: Setup | None = None) -> list[str]:
    return [line.role for line in extract(recording, setup or Setup()).lines]


@pytest.mark.parametrize("kind", ["vr", "hall"])
@pytest.mark.parametrize("running", [True, False])
@pytest.mark.parametrize("unit", ["", "V"])
def test_roles_by_signal_alone(kind: str, running: bool, unit: str) -> None:
    channels = start(kind, running)
    units = {f"column {k}": unit for k in range(1, 7)}
    signals = extract(record(renamed(channels), RATE, units=units), Setup())
    assert [line.role for line in signals.lines] == list(channels)
    assert all(line.role_source == "inferred" and line.role_reason for line in signals.lines)
    assert all(0 < line.role_confidence < 1 for line in signals.lines)
    assert [line.sensor for line in signals.lines] == [kind, "hall", "hall", "hall", "analog", "analog"]


def test_order_of_channels_does_not_matter() -> None:
    channels = dict(reversed(start().items()))
    assert roles(record(renamed(channels), RATE)) == list(channels)


def test_one_turning_line_is_the_crank() -> None:
    assert roles(record({"x": start("hall")["crank"]}, RATE)) == ["crank"]


def test_setup_wins_over_name_and_signal() -> None:
    channels = start()
    setup = Setup(
        channel=(
            ChannelSetup(name="cam", role="other", label="spare"),
            ChannelSetup(name="3", role="injector", cylinder=4, bank=2, of="crank"),
            ChannelSetup(name="crank", sensor="hall"),
        )
    )
    lines = extract(record(channels, RATE), setup).lines
    cam, coil, crank = lines[1], lines[2], lines[0]
    assert (cam.role, cam.role_source, cam.role_confidence, cam.label) == ("other", "setup", 1.0, "spare")
    assert (coil.role, coil.cylinder, coil.bank, coil.of) == ("injector", 4, 2, "crank")
    assert (crank.sensor, crank.sensor_source, crank.role_source) == ("hall", "setup", "inferred")


@pytest.mark.parametrize(
    ("name", "role", "cylinder"),
    [
        ("Crank Sensor [V]", "crank", None),
        ("sensor_CKP", "crank", None),
        ("CamB1In", "cam", None),
        ("cam b1 in", "cam", None),
        ("ignition coil 3", "coil", 3),
        ("Inj #2", "injector", 2),
        ("VBatt", "battery", None),
        ("battery voltage", "battery", None),
        ("battery current", "starter-current", None),
        ("current clamp 600 A", "starter-current", None),
        ("coil 1 current", "coil", 1),
        ("crank sensor supply", "sensor-supply", None),
        ("crank sensor gnd", "sensor-ground", None),
        ("cylinder pressure 1", "cylinder-pressure", 1),
        ("intake pressure", "intake-pressure", None),
        ("coolant temp", "temperature", None),
    ],
)
def test_names_that_speak(name: str, role: str, cylinder: int | None) -> None:
    found = role_words.hint(name)
    assert found is not None
    assert (found.role, found.cylinder) == (role, cylinder)


@pytest.mark.parametrize("name", ["column 1", "Channel 2", "A", "ch3", "Input", "scale", "became", "campus"])
def test_names_that_do_not_speak(name: str) -> None:
    assert role_words.hint(name) is None


def test_dead_line_named_crank_keeps_its_role_and_does_not_move() -> None:
    channels = start()
    channels["crank"] = np.random.default_rng(1).normal(2.5, 0.005, len(channels["crank"]))
    line = extract(record(channels, RATE), Setup()).lines[0]
    assert line.role == "crank"
    assert not line.levels.moving
    assert len(line.edges) == 0


def test_few_teeth_crank_against_cam_by_count() -> None:
    """Four teeth a turn by turns 70 and 110 degrees apart against a cam of three vanes, as change lists."""
    turns = tooth_angle(400_000, RATE, np.linspace(150, 700, 400_000))
    crank = np.isin((np.floor(turns * 36) % 36).astype(int), [0, 7, 18, 25])
    cam = np.isin((np.floor(turns * 18) % 36).astype(int), [2, 3, 4, 5, 6, 7, 15, 16, 28])
    recording = record({"a": changes(cam), "b": changes(crank)})
    assert roles(recording) == ["cam", "crank"]


def changes(level: np.ndarray) -> Changes:
    turn = np.append(0, np.flatnonzero(level[1:] != level[:-1]) + 1)
    return Changes(turn / RATE, level[turn].astype(np.uint8), len(level) / RATE)


def test_scale_is_a_guess_in_a_wav_without_setup() -> None:
    channels = {"left": start("hall")["crank"] / 10}
    wav = record(channels, RATE, fmt="wav")
    assert not first(extract(wav, Setup())).scale_known
    told = Setup(channel=(ChannelSetup(name="left", scale=10.0),))
    assert first(extract(wav, told)).scale_known
    assert first(extract(record(channels, RATE), Setup())).scale_known


def test_scale_is_a_guess_in_a_wav_file(tmp_path: Path) -> None:
    path = tmp_path / "line.wav"
    write_recording(path, {"left": np.asarray(start("hall")["crank"]) / 10}, RATE)
    assert not first(extract(open_recording(path), Setup())).scale_known


def first(signals: Signals):  # type: ignore[no-untyped-def]
    return signals.lines[0]


@pytest.mark.parametrize(
    ("name", "shaft"),
    [("cam b1 in", "intake"), ("Cam inlet", "intake"), ("camExh", "exhaust"), ("cam", None), ("cam in ex", None)],
)
def test_camshaft_said_by_a_name(name, shaft):
    assert role_words.camshaft_in(name) == shaft

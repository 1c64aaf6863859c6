"""What the strip is drawn from, against numpy over the same samples."""

from __future__ import annotations

import json

import numpy as np
import pytest
from starlette.datastructures import QueryParams

from witnessmark.errors import BadWorkbench
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_write import StoreWriter
from witnessmark.spans import Span
from witnessmark.workbench import strip_angle
from witnessmark.workbench.folder import Folder
from witnessmark.workbench.strip import reading, recording_of, stretch, teeth_of
from witnessmark.workbench.strip_lines import line
from witnessmark.workbench.strip_pack import Packing, unpacked


def array(said, raw):
    return np.frombuffer(raw, "<" + said["type"], said["count"], said["at"])


def drawn(folder, recording_id, **asked):
    """(header, the bytes of its arrays) of a stretch; ``from_`` stands for from."""
    pairs = [(k.rstrip("_"), str(v)) for k, v in asked.items() if k != "channels"]
    pairs += [("channels", c) for c in asked.get("channels", [])]
    return unpacked(stretch(folder, recording_id, QueryParams(pairs)))


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """(folder, id, samples): two rates, two starts, a gap, a change list; ten million samples with one spike."""
    rng = np.random.default_rng(5)
    fast = rng.integers(-400, 400, 10_000_000, "int16")
    fast[7_654_321] = 9000
    slow = np.sin(np.arange(3000) / 40).astype(np.float32)
    slow[1000:1040] = np.nan
    times = np.cumsum(rng.uniform(1e-5, 1e-3, 40_000))
    changes = Changes(times, (np.arange(40_000) % 2).astype(np.uint8), float(times[-1]) + 0.5)
    folder = Folder(tmp_path_factory.mktemp("mixed"))
    card = folder.begin("mixed.npz")
    channels = (
        ChannelInfo("fast", 1, "sampled", len(fast), 1e6, 0.0, 0.001, 0.5, "V"),
        ChannelInfo("slow", 2, "sampled", len(slow), 250.0, 2.0, -2.0, 1.0, "A", (Span(6.0, 6.16, "lost"),)),
        ChannelInfo("steps", 3, "changes", len(times), None, float(times[0])),
    )
    with StoreWriter(folder.of(card.id) / "store") as store:
        for k, values in enumerate((fast, slow)):
            store.channel(k, values.dtype).append(values)
        store.changes(2, changes)
        store.finish(Recording("mixed", channels, None, 14.0))
    return folder, card.id, {"fast": fast * 0.001 + 0.5, "slow": slow * -2.0 + 1.0, "steps": changes}


@pytest.mark.parametrize("window", [(0.0, 10.0), (1.234, 9.876), (7.6, 7.7), (7.65, 7.6551)])
def test_extremes_are_numpys_and_a_single_sample_is_never_lost(mixed, window):
    folder, recording, samples = mixed
    header, raw = drawn(folder, recording, from_=window[0], to=window[1], columns=1200, channels=["fast"])
    (said,) = header["lines"]
    if said["form"] == "samples":
        low = high = array(said["values"], raw)
        size = 1
    else:
        low, high = array(said["low"], raw), array(said["high"], raw)
        size = round(said["step_s"] * 1e6)
    first = round(said["start_s"] * 1e6)
    assert abs(first - window[0] * 1e6) <= size
    for k in range(len(low)):
        own = samples["fast"][first + k * size : first + (k + 1) * size].astype(np.float32)
        assert (low[k], high[k]) == (own.min(), own.max())
    assert first + size * len(low) >= min(window[1] * 1e6, 1e7)
    if window[0] < 7.654321 < window[1]:
        assert high.max() == np.float32(9.5)


def test_rates_and_starts_of_their_own(mixed):
    folder, recording, samples = mixed
    header, raw = drawn(folder, recording, from_=1.9, to=2.099, columns=100)
    fast, slow, _ = header["lines"]
    assert fast["form"] == "columns"
    assert (slow["form"], slow["start_s"], slow["step_s"], slow["unit"]) == ("samples", 2.0, 1 / 250.0, "A")
    np.testing.assert_array_equal(array(slow["values"], raw), samples["slow"][:26].astype(np.float32))
    header, raw = drawn(folder, recording, from_=15.0, to=16.0, columns=100)
    assert array(header["lines"][0]["values"], raw).size == 0


def test_gaps_are_nan_and_said(mixed):
    folder, recording, samples = mixed
    header, raw = drawn(folder, recording, from_=5.9, to=6.3, columns=400, channels=["slow"])
    (said,) = header["lines"]
    assert said["gaps"] == [[6.0, 6.16]]
    values = array(said["values"], raw)
    assert np.isnan(values).sum() == 40
    header, raw = drawn(folder, recording, from_=2.0, to=14.0, columns=300, channels=["slow"])
    low = array(header["lines"][0]["low"], raw)
    assert np.isnan(low).sum() == 5  # forty samples in columns of eight
    assert np.nanmin(low) == np.nanmin(samples["slow"].astype(np.float32))


def test_changes_as_steps_and_as_columns(mixed):
    folder, recording, samples = mixed
    kept = samples["steps"]
    header, raw = drawn(folder, recording, from_=3.0, to=3.05, columns=900, channels=["steps"])
    (said,) = header["lines"]
    times, values = array(said["times"], raw), array(said["values"], raw)
    inside = (kept.time_s > 3.0) & (kept.time_s <= 3.05)
    np.testing.assert_array_equal(times[1:], kept.time_s[inside])
    assert times[0] <= 3.0 < times[1]
    np.testing.assert_array_equal(values[1:], kept.level[inside])
    assert said["end_s"] == kept.end_s

    header, raw = drawn(folder, recording, from_=0.0, to=15.0, columns=5000, channels=["steps"])
    (said,) = header["lines"]
    low, high = array(said["low"], raw), array(said["high"], raw)
    borders = said["start_s"] + said["step_s"] * np.arange(5001)
    for k in range(0, 5000, 7):
        here = kept.level[(kept.time_s > borders[k]) & (kept.time_s <= borders[k + 1])].tolist()
        here += kept.level[: np.searchsorted(kept.time_s, borders[k], side="right")][-1:].tolist()
        assert (low[k], high[k]) == (min(here), max(here))


def test_a_mark_reads_the_sample_before(mixed):
    folder, recording, samples = mixed
    said = reading(folder, recording, QueryParams({"t_s": "7.6543215"}))
    fast, slow, steps = said["lines"]
    assert (fast["sample"], fast["t_s"], fast["value"]) == (7_654_321, 7.654321, pytest.approx(9.5))
    assert (slow["sample"], slow["t_s"]) == (1413, pytest.approx(2.0 + 1413 / 250.0))
    assert slow["value"] == samples["slow"][1413]
    at = np.searchsorted(samples["steps"].time_s, 7.6543215, side="right") - 1
    assert (steps["sample"], steps["t_s"]) == (at, samples["steps"].time_s[at])
    assert steps["value"] == samples["steps"].level[at]
    assert said["angle"] == {**dict.fromkeys(said["angle"]), "reason": "not analysed yet"}
    for number in (0, 1, 333_333, 9_999_999):  # a sample's own time, as a page would write it, is that sample
        again = reading(folder, recording, QueryParams({"t_s": repr(number / 1e6)}))
        assert again["lines"][0]["sample"] == number


@pytest.mark.parametrize(("t_s", "line_", "reason"), [
    ("1.5", 1, "its recording begins at 2 s"), ("14.5", 1, "its recording ends at 14 s"),
    ("10.1", 0, "its recording ends at 10 s"), ("6.1", 1, "a gap of the recording"),
])  # fmt: skip
def test_no_reading_has_a_reason(mixed, t_s, line_, reason):
    folder, recording, _ = mixed
    said = reading(folder, recording, QueryParams({"t_s": t_s}))["lines"][line_]
    assert (said["value"], said["reason"]) == (None, reason)


def test_degrees_are_those_of_the_teeth(van_folder):
    folder, recording = Folder(van_folder[0]), van_folder[1]
    header, raw = drawn(folder, recording, from_=10.5, to=11.5, columns=500, channels=["crank sensor"])
    turning, cycle = array(header["angle"]["turning_deg"], raw), array(header["angle"]["cycle_deg"], raw)
    borders = np.linspace(10.5, 11.5, 501)
    teeth = teeth_of(folder, recording)
    np.testing.assert_array_equal(turning, teeth.turning_deg(borders))
    assert np.isnan(turning[0])  # the crank stands still
    known = np.isfinite(turning)
    assert (np.diff(turning[known]) > 0).all()
    # a turn of the wheel is 58 teeth and a gap: between whole turns the crank line falls 58 times through zero
    analysis = json.loads((folder.of(recording) / "analysis.json").read_text())
    a, b = teeth.angle.when(np.array([30.0, 31.0]) * 360.0 - 3.0)
    samples = open_recording(folder.of(recording) / "store").values("crank sensor", int(a * 50_000), int(b * 50_000))
    armed = np.flatnonzero(np.abs(samples) > 0.4)
    falls = (samples[armed][:-1] > 0) & (samples[armed][1:] < 0)
    assert falls.sum() == analysis["crank_wheel"]["slots"] - len(analysis["crank_wheel"]["missing"])
    # simulated with tooth 23 low: its passages are where its degrees are due, once in a turn
    header, raw = drawn(folder, recording, from_=12, to=13, columns=50, slot_deg=132, channels=["battery"])
    times = array(header["passes"]["times"], raw)
    np.testing.assert_allclose(teeth.turning_deg(times) % 360.0, 132.0, atol=1e-6)
    np.testing.assert_allclose(np.diff(teeth.turning_deg(times)), 360.0)
    assert cycle[known].min() >= 0
    assert cycle[known].max() < 720


def test_steps_of_a_turn_and_a_cycle(van_folder):
    folder, recording = Folder(van_folder[0]), van_folder[1]
    teeth = teeth_of(folder, recording)
    for step in (360.0, 720.0, -360.0):
        t_s = strip_angle.stepped(teeth, 12.0, step)["t_s"]
        assert float(teeth.turning_deg(np.array([t_s]))[0]) == pytest.approx(
            float(teeth.turning_deg(np.array([12.0]))[0]) + step
        )
    assert strip_angle.stepped(teeth, 4.5, 360.0)["reason"].startswith("the crank stands still")
    assert strip_angle.stepped(teeth, 14.99, 360.0)["reason"] == "what is decoded ends before that"
    turning = float(teeth.turning_deg(np.array([12.5]))[0])
    assert strip_angle.passing(teeth, turning)["t_s"] == pytest.approx(12.5)


def test_laid_over_by_time_and_by_angle(van_folder):
    """A recording laid over itself from another start: its own time comes back, its degrees agree to whole cycles."""
    folder, recording = Folder(van_folder[0]), van_folder[1]
    zero = {"zero_s": 5.39, "onto_zero_s": 10.59, "onto": recording, "columns": 300, "channels": ["crank sensor"]}
    header, raw = drawn(folder, recording, from_=10.0, to=11.0, by="time", **zero)
    onto, own = array(header["warp"]["onto_s"], raw), array(header["warp"]["own_s"], raw)
    np.testing.assert_allclose(onto - own, 5.2)
    header, raw = drawn(folder, recording, from_=10.8, to=11.2, by="angle", **zero)
    onto, own = array(header["warp"]["onto_s"], raw), array(header["warp"]["own_s"], raw)
    teeth = teeth_of(folder, recording)
    known = np.isfinite(own)
    assert known.sum() > 100
    apart = teeth.turning_deg(onto[known]) - teeth.turning_deg(own[known])
    np.testing.assert_allclose(apart, apart[0], atol=1e-6)
    assert apart[0] % 360.0 == pytest.approx(0.0, abs=1e-6) or apart[0] % 360.0 == pytest.approx(360.0, abs=1e-6)
    assert "cylinder 1's first firing TDC" in header["warp"]["words"]


@pytest.mark.parametrize(("asked", "said"), [
    ({}, "from is not given"), ({"from": "1", "to": "x"}, "to=x; expected a number"),
    ({"from": "1", "to": "nan"}, "to=nan"), ({"from": "2", "to": "1"}, "must be later"),
    ({"from": "0", "to": "1", "columns": "0"}, "columns=0"), ({"from": "0", "to": "1", "columns": "1e9"}, "1 to 20000"),
    ({"from": "0", "to": "1", "channels": "nope"}, "no line is named nope; the recording has fast"),
    ({"from": "0", "to": "1", "onto": "../../etc", "zero_s": "0", "onto_zero_s": "0", "by": "angle"}, "no recording"),
    ({"from": "0", "to": "1", "onto": "a", "zero_s": "0", "onto_zero_s": "0", "by": "smell"}, "expected time or angle"),
])  # fmt: skip
def test_bad_questions_are_one_line(mixed, asked, said):
    folder, recording, _ = mixed
    with pytest.raises(BadWorkbench) as wrong:
        stretch(folder, recording, QueryParams(asked))
    assert said in str(wrong.value)
    assert "\n" not in str(wrong.value)


def test_opened_once_and_anew_when_it_changed(mixed):
    folder, recording, _ = mixed
    assert recording_of(folder, recording) is recording_of(folder, recording)
    first = recording_of(folder, recording)
    folder.write(recording, "setup.toml", '[[channel]]\nname = "fast"\nscale = 2.0\n')
    assert recording_of(folder, recording) is not first
    assert recording_of(folder, recording).info("fast").gain == 0.002  # of the scale in the file
    (folder.of(recording) / "setup.toml").unlink()
    with pytest.raises(BadWorkbench, match="wait until it is imported"):
        recording_of(folder, folder.begin("other.npz").id)


def test_served_and_refused(bench):
    server, recording = bench
    status, answer = server.ask("GET", f"/api/recordings/{recording}/strip?from=0&to=15&columns=100")
    header, _ = unpacked(answer)
    assert (status, len(header["lines"])) == (200, 6)
    status, said = server.json("GET", f"/api/recordings/{recording}/strip?from=0&to=15&columns=x")
    assert (status, list(said)) == (400, ["error"])
    status, said = server.json("GET", f"/api/recordings/{recording}/when?t_s=12&step_deg=360")
    assert (status, 12 < said["t_s"] < 12.2) == (200, True)
    status, said = server.json("GET", f"/api/recordings/{recording}/at?t_s=12")
    assert (status, said["angle"]["reason"] if said["angle"]["turn"] is None else "") == (200, "")
    assert said["angle"]["rpm"] == pytest.approx(700, rel=0.2)


def test_negative_gain_keeps_low_below_high(mixed):
    folder, recording, _ = mixed
    pack = Packing()
    said = line(recording_of(folder, recording), "slow", 2.0, 14.0, 20, pack)
    _, raw = unpacked(pack.bytes({}))
    low, high = array(said["low"], raw), array(said["high"], raw)
    known = np.isfinite(low)
    assert (low[known] <= high[known]).all()


def test_where_no_tooth_is_seen_the_angle_is_said_to_be_interpolated():
    """A wheel of 60-2 at a steady 300 rpm whose line is silent for half a turn in the tenth turn."""
    from witnessmark.engine.model import Phase
    from witnessmark.engine.unroll import unroll
    from witnessmark.wheel.model import CrankAngle, Segment
    from witnessmark.workbench.teeth import Teeth

    deg = np.arange(20 * 60) * 6.0
    slot = np.arange(20 * 60) % 60
    keep = (slot < 58) & ~((deg > 10 * 360 + 90) & (deg < 10 * 360 + 270))
    deg = deg[keep]
    time_s = deg / 6.0 / 300.0
    angle = CrankAngle(time_s, deg, (Segment(0, len(deg), float(time_s[0]), float(time_s[-1]), 20.0),))
    teeth = Teeth(angle, Phase(False, False, None, "", 0.0, ""), unroll(angle))
    silent = [(10 * 360 + at) / 1800.0 for at in (90, 270)]
    assert strip_angle.unseen(teeth, 0.0, 5.0) == [pytest.approx(silent)]
    assert strip_angle.unseen(teeth, 0.0, 1.0) == []
    assert strip_angle.angle_at(teeth, sum(silent) / 2)["interpolated"]
    assert not strip_angle.angle_at(teeth, 1.0)["interpolated"]
    # its slot 25, at 144 degrees, passed unseen in that turn alone
    times, seen = strip_angle.passes(teeth, 144.0, 0.0, 5.0)
    assert len(times) == 20
    assert np.flatnonzero(~seen).tolist() == [10]

"""One suite every reader must pass: the same recording in every format gives the same samples, times and refusals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from witnessmark.errors import BadRecording, BadSetup
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import ChannelSetup, Setup

from .helpers import FORMATS, RATE_HZ, SAMPLES, Format, contents, simulated

every_format = pytest.mark.parametrize("fmt", FORMATS.values(), ids=list(FORMATS))


def _written(tmp_path: Path, fmt: Format, channels=None):
    path = tmp_path / f"van{fmt.suffix}"
    fmt.write(path, simulated() if channels is None else channels)
    return path


@every_format
def test_same_values_times_names_and_order(tmp_path, fmt):
    recording = open_recording(_written(tmp_path, fmt))
    truth = simulated()
    names = fmt.names_of(truth)
    assert [c.name for c in recording.channels] == names
    assert [c.position for c in recording.channels] == [1, 2]
    for name, counts in zip(names, truth.values(), strict=True):
        info = recording.info(name)
        assert (info.kind, info.samples, info.rate_hz, info.start_s) == ("sampled", SAMPLES, RATE_HZ, 0.0)
        assert info.gaps == ()
        np.testing.assert_array_equal(recording.values(name, 0, SAMPLES), counts * (fmt.gain if not fmt.names else 1.0))
        assert info.time_of(100) == pytest.approx(100 / RATE_HZ, abs=1e-12)
    assert recording.duration_s == pytest.approx(SAMPLES / RATE_HZ)
    assert recording.cautions == ()


@every_format
def test_integers_stay_native(tmp_path, fmt):
    recording = open_recording(_written(tmp_path, fmt))
    first = recording.channels[0].name
    dtype = recording.read(first, 0, 10).dtype
    assert dtype == (np.int16 if fmt.ints else np.float64)
    assert recording.read(first, 0, 0).dtype == dtype


@every_format
@pytest.mark.parametrize("size", [1, 7, 699, 700, 701, SAMPLES - 1, SAMPLES, SAMPLES + 1])
def test_chunks_join_to_the_whole(tmp_path, fmt, size):
    recording = open_recording(_written(tmp_path, fmt))
    for channel in recording.channels:
        whole = recording.read(channel.name, 0, channel.samples)
        starts, parts = zip(*recording.chunks(channel.name, size), strict=True)
        assert list(starts) == list(range(0, SAMPLES, size))
        np.testing.assert_array_equal(np.concatenate(parts), whole)


@every_format
def test_ranges_are_clipped(tmp_path, fmt):
    recording = open_recording(_written(tmp_path, fmt))
    name = recording.channels[0].name
    whole = recording.read(name, 0, SAMPLES)
    np.testing.assert_array_equal(recording.read(name, -5, 10), whole[:10])
    np.testing.assert_array_equal(recording.read(name, SAMPLES - 3, SAMPLES + 1000), whole[-3:])
    for start, stop in ((SAMPLES, SAMPLES + 5), (10, 10), (20, 10), (10**9, 10**9 + 1)):
        assert len(recording.read(name, start, stop)) == 0
    with pytest.raises(KeyError):
        recording.info("no such line")


@every_format
def test_reading_does_not_depend_on_order(tmp_path, fmt):
    recording = open_recording(_written(tmp_path, fmt))
    name = recording.channels[1].name
    whole = recording.read(name, 0, SAMPLES)
    rng = np.random.default_rng(1)
    for start in rng.integers(0, SAMPLES, 30):
        stop = int(start) + int(rng.integers(1, 900))
        np.testing.assert_array_equal(recording.read(name, int(start), stop), whole[start:stop])


@every_format
def test_gaps_are_nan_and_reported(tmp_path, fmt):
    channels = {n: v.astype(np.float64) / 40000 for n, v in simulated().items()}
    channels["crank"][500:600] = np.nan
    channels["crank"][0] = np.nan
    channels["crank"][-2:] = np.nan
    recording = open_recording(_written(tmp_path, fmt, channels))
    info = recording.channels[0]
    got = [(round(g.start_s * RATE_HZ), round(g.end_s * RATE_HZ)) for g in info.gaps]
    assert got == [(0, 1), (500, 600), (SAMPLES - 2, SAMPLES)]
    assert all(g.reason for g in info.gaps)
    np.testing.assert_allclose(recording.values(info.name, 0, SAMPLES), channels["crank"], rtol=1e-12)
    assert recording.channels[1].gaps == ()
    assert any("gap" in c and info.name in c for c in recording.cautions)


@every_format
def test_infinite_values_are_gaps(tmp_path, fmt):
    channels = {n: v.astype(np.float64) / 40000 for n, v in simulated().items()}
    channels["crank"][40] = np.inf
    info = open_recording(_written(tmp_path, fmt, channels)).channels[0]
    assert [(round(g.start_s * RATE_HZ), round(g.end_s * RATE_HZ)) for g in info.gaps] == [(40, 41)]


@every_format
def test_one_sample_is_refused(tmp_path, fmt):
    path = _written(tmp_path, fmt, {n: v[:1] for n, v in simulated().items()})
    with pytest.raises(BadRecording, match="holds 1 sample"):
        open_recording(path)


@every_format
def test_no_sample_is_refused(tmp_path, fmt):
    path = _written(tmp_path, fmt, {n: v[:0] for n, v in simulated().items()})
    with pytest.raises(BadRecording, match="sample"):
        open_recording(path)


@every_format
def test_all_gaps_is_refused(tmp_path, fmt):
    path = _written(tmp_path, fmt, {"crank": np.full(50, np.nan), "cam": np.full(50, np.nan)})
    with pytest.raises(BadRecording, match=r"no value|only gaps|are gaps"):
        open_recording(path)


@every_format
def test_a_line_that_never_moves_is_no_error(tmp_path, fmt):
    recording = open_recording(
        _written(tmp_path, fmt, {"crank": np.full(50, 3, np.int16), "cam": np.full(50, 5, np.int16)})
    )
    assert [c.samples for c in recording.channels] == [50, 50]
    assert np.ptp(recording.values(recording.channels[0].name, 0, 50)) == 0


@every_format
def test_setup_scales_by_name_or_position(tmp_path, fmt):
    path = _written(tmp_path, fmt)
    plain = open_recording(path)
    setup = Setup(
        channel=(
            ChannelSetup(name=plain.channels[0].name, scale=2.5, offset=-1.0, unit="V"),
            ChannelSetup(name="2", scale=-1.0),
        )
    )
    scaled = open_recording(path, setup)
    first, second = (c.name for c in plain.channels)
    np.testing.assert_allclose(scaled.values(first, 0, 99), plain.values(first, 0, 99) * 2.5 - 1.0, atol=1e-12)
    np.testing.assert_allclose(scaled.values(second, 0, 99), -plain.values(second, 0, 99))
    assert (scaled.info(first).unit, scaled.info(second).unit) == ("V", "")
    np.testing.assert_array_equal(scaled.read(first, 0, 99), plain.read(first, 0, 99))


@every_format
def test_setup_naming_an_absent_channel_lists_those_there(tmp_path, fmt):
    path = _written(tmp_path, fmt)
    with pytest.raises(BadSetup) as caught:
        open_recording(path, Setup(channel=(ChannelSetup(name="krank"),)))
    text = str(caught.value)
    assert "krank" in text
    assert ("crank" if fmt.names else "1, 2") in text
    assert "\n" not in text


@every_format
def test_setup_describing_one_channel_twice_is_refused(tmp_path, fmt):
    path = _written(tmp_path, fmt)
    first = open_recording(path).channels[1].name
    both = Setup(channel=(ChannelSetup(name=first), ChannelSetup(name="2" if fmt.names else "2 ")))
    with pytest.raises(BadSetup, match="the same one" if fmt.names else "does not have"):
        open_recording(path, both)


@every_format
def test_opening_and_reading_leave_the_file_alone(tmp_path, fmt):
    path = _written(tmp_path, fmt)
    before = contents(path)
    recording = open_recording(path)
    samples = recording.read(recording.channels[0].name, 0, SAMPLES)
    if samples.flags.writeable:
        samples[:] = 0
    assert contents(path) == before

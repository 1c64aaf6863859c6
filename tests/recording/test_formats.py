"""What is particular to a format; soundfile, NumPy and Arrow themselves are the reference."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.parquet
import pytest
import soundfile

from witnessmark.recording.open import open_recording
from witnessmark.recording.write import write_recording

from .helpers import simulated


@pytest.mark.parametrize(
    ("subtype", "native"),
    [
        ("PCM_U8", "uint8"),
        ("PCM_16", "int16"),
        ("PCM_24", "int32"),
        ("PCM_32", "int32"),
        ("FLOAT", "float32"),
        ("DOUBLE", "float64"),
    ],
)
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("channels", [1, 2, 5])
def test_wav_codings_against_soundfile(tmp_path, subtype, native, container, channels):
    path = tmp_path / "van.wav"
    frames = np.random.default_rng(4).uniform(-1, 1, (333, channels))
    frames[0], frames[1] = 1.0, -1.0
    soundfile.write(path, frames, 96_000, subtype=subtype, format=container)
    reference, rate = soundfile.read(path, dtype="float64", always_2d=True)
    recording = open_recording(path)
    assert [c.name for c in recording.channels] == [str(i + 1) for i in range(channels)]
    for k, c in enumerate(recording.channels):
        assert (c.samples, c.rate_hz) == (333, rate)
        assert recording.read(c.name, 0, 5).dtype == np.dtype(native)
        np.testing.assert_array_equal(recording.values(c.name, 0, 333), reference[:, k])
    assert recording.cautions == ()


def test_wav_cut_short_says_how_much_is_missing(tmp_path):
    path = tmp_path / "van.wav"
    soundfile.write(path, np.zeros((1000, 2)), 1000, subtype="PCM_16")
    path.write_bytes(path.read_bytes()[:-402])
    recording = open_recording(path)
    assert recording.channels[0].samples == 899
    assert [(g.start_s, g.end_s) for g in recording.channels[1].gaps] == [(0.899, 1.0)]
    assert "101 of 1000 samples" in recording.cautions[0]


@pytest.mark.parametrize(
    "dtype", ["bool", "int8", "uint8", "int16", "uint16", "int32", "int64", "float32", "float64", ">i2", ">f4"]
)
@pytest.mark.parametrize("save", [np.savez, np.savez_compressed])
def test_npz_dtypes(tmp_path, dtype, save):
    values = (np.arange(100) % 2).astype(dtype)
    save(tmp_path / "van.npz", rate_hz=250.0, crank=values)
    got = open_recording(tmp_path / "van.npz").read("crank", 0, 100)
    assert got.dtype == (np.uint8 if dtype == "bool" else np.dtype(dtype).newbyteorder("="))
    np.testing.assert_array_equal(got, values)


def test_npz_scale_kept_beside_integers(tmp_path):
    counts = simulated()
    write_recording(
        tmp_path / "van.npz", counts, 20_000, units={"crank": "V"}, gains={"crank": 0.25}, offsets={"crank": -3.0}
    )
    recording = open_recording(tmp_path / "van.npz")
    assert [c.name for c in recording.channels] == list(counts)
    info = recording.channels[0]
    assert (info.gain, info.offset, info.unit) == (0.25, -3.0, "V")
    assert recording.read("crank", 0, 9).dtype == np.int16
    np.testing.assert_array_equal(recording.values("crank", 0, 999), counts["crank"][:999] * 0.25 - 3)


def test_npz_is_mapped_not_loaded(tmp_path):
    write_recording(tmp_path / "van.npz", simulated(), 20_000)
    part = open_recording(tmp_path / "van.npz").read("crank", 5, 9)
    assert isinstance(part.base, np.memmap) or isinstance(part.base.base, np.memmap)


def test_npz_channels_of_unequal_length(tmp_path):
    np.savez(tmp_path / "van.npz", rate_hz=10.0, long=np.arange(100), short=np.arange(60), matrix=np.ones((3, 3)))
    recording = open_recording(tmp_path / "van.npz")
    assert {c.name: c.samples for c in recording.channels} == {"long": 100, "short": 60}
    assert [(g.start_s, g.end_s) for g in recording.info("short").gaps] == [(6.0, 10.0)]
    assert recording.left_out == ("matrix",)
    assert recording.end_s == 10.0


def test_parquet_integers_with_nulls_are_floats_with_gaps(tmp_path):
    table = pa.table(
        {"time": np.arange(4) / 10, "crank": pa.array([1, None, 3, 4], pa.int16()), "ok": [True, False, True, True]}
    )
    pa.parquet.write_table(table, tmp_path / "van.parquet")
    recording = open_recording(tmp_path / "van.parquet")
    got = recording.read("crank", 0, 4)
    assert np.isnan(got[1])
    assert got[[0, 2, 3]].tolist() == [1, 3, 4]
    assert [(g.start_s, g.end_s) for g in recording.info("crank").gaps] == [(0.1, 0.2)]
    assert recording.read("ok", 0, 4).tolist() == [1, 0, 1, 1]


def test_parquet_units_rate_and_time_stamps(tmp_path):
    field = pa.field("crank", pa.float32(), metadata={"unit": "V"})
    schema = pa.schema([field, pa.field("note", pa.string())], metadata={"rate_hz": "250"})
    pa.parquet.write_table(
        pa.table([pa.array([1.0, 2.0], pa.float32()), ["a", "b"]], schema=schema), tmp_path / "van.parquet"
    )
    recording = open_recording(tmp_path / "van.parquet")
    assert (recording.info("crank").unit, recording.info("crank").rate_hz) == ("V", 250.0)
    assert recording.left_out == ("note",)
    stamps = pa.array(1_700_000_000_000_000 + np.arange(5) * 40, pa.timestamp("us"))
    pa.parquet.write_table(pa.table({"when": stamps, "crank": np.arange(5)}), tmp_path / "van.parquet")
    info = open_recording(tmp_path / "van.parquet").info("crank")
    assert (info.start_s, info.rate_hz) == (0.0, 25_000.0)


def test_change_lists_in_tables(tmp_path):
    times = np.array([0.0, 0.11, 0.19, 0.42, 0.45])
    np.savez(tmp_path / "van.npz", time=times, crank=np.array([0, 1, 0, 1, 0]), cam=np.array([1, 1, 1, 0, 0]))
    recording = open_recording(tmp_path / "van.npz")
    assert recording.changes("crank").time_s.tolist() == times.tolist()
    assert recording.changes("cam").time_s.tolist() == [0.0, 0.42]


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".parquet", ".arrow", ".feather", ".npz"])
def test_written_and_read_back(tmp_path, suffix):
    channels = {"crank": np.sin(np.arange(500) / 9), 'a, b; "c" β': np.arange(500) % 2 == 0}
    write_recording(tmp_path / f"van{suffix}", channels, 12_345.0, units={"crank": "V"})
    recording = open_recording(tmp_path / f"van{suffix}")
    assert [(c.name, c.unit) for c in recording.channels] == [("crank", "V"), ('a, b; "c" β', "")]
    for name, values in channels.items():
        assert recording.info(name).rate_hz == 12_345.0
        np.testing.assert_array_equal(recording.values(name, 0, 500), values)


def test_written_text_keeps_gaps_and_start(tmp_path):
    values = np.arange(50.0)
    values[7:9] = np.nan
    write_recording(tmp_path / "van.csv", {"crank": values, "cam": np.arange(50)}, 1000.0, start_s=2.5)
    recording = open_recording(tmp_path / "van.csv")
    assert recording.start_s == 2.5
    np.testing.assert_array_equal(recording.values("crank", 0, 50), values)


@pytest.mark.parametrize("dtype", ["int16", "int32", "float32", "float64"])
def test_written_wav(tmp_path, dtype):
    values = (np.arange(100) / 100).astype(dtype) if dtype.startswith("f") else np.arange(100, dtype=dtype)
    write_recording(tmp_path / "van.wav", {"a": values, "b": values[::-1]}, 48_000)
    recording = open_recording(tmp_path / "van.wav")
    np.testing.assert_array_equal(recording.read("2", 0, 100), values[::-1])

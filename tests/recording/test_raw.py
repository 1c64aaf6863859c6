"""Raw samples behind a line of JSON: what the head may say, and what is refused."""

from __future__ import annotations

import json

import numpy as np
import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.write import write_recording

HEAD = {
    "rate_hz": 1000,
    "sample": "int16",
    "channels": [{"name": "crank", "unit": "V", "gain": 0.5, "offset": 1.0}, {}],
}


def made(path, body=b"\0" * 400, **changed):
    said = {k: v for k, v in {**HEAD, **changed}.items() if v is not ...}
    path.write_bytes(json.dumps(said).encode() + b"\n" + body)
    return path


def test_samples_scales_and_start(tmp_path):
    frames = np.arange(200, dtype="<i2").reshape(-1, 2)
    recording = open_recording(made(tmp_path / "a.raw", frames.tobytes(), start_s=2.5))
    crank, second = recording.channels
    assert (crank.name, crank.unit, second.name) == ("crank", "V", "2")
    assert (crank.start_s, crank.rate_hz, recording.end_s) == (2.5, 1000.0, 2.6)
    np.testing.assert_array_equal(recording.values("crank", 10, 14), np.array([20, 22, 24, 26]) * 0.5 + 1.0)
    np.testing.assert_array_equal(recording.read("2", 95, 200), [191, 193, 195, 197, 199])
    assert not recording.cautions


def test_a_file_that_ends_within_a_sample(tmp_path):
    recording = open_recording(made(tmp_path / "a.raw", b"\0" * 43))
    assert recording.info("crank").samples == 10
    assert "cut short within its last sample" in recording.cautions[0]
    assert recording.info("crank").gaps[-1].start_s == pytest.approx(0.010)


@pytest.mark.parametrize("dtype", ["int8", "uint8", "int16", "uint16", "int32", "float32", "float64"])
def test_what_is_written_is_read(tmp_path, dtype):
    values = (np.arange(50) - 3).astype(dtype)
    write_recording(
        tmp_path / "a.raw", {"crank β": values}, 1e5, units={"crank β": "V"}, gains={"crank β": 0.1}, start_s=7.0
    )
    recording = open_recording(tmp_path / "a.raw")
    info = recording.info("crank β")
    assert (info.gain, info.unit, info.start_s, info.rate_hz) == (0.1, "V", 7.0, 1e5)
    read = recording.read("crank β", 0, 50)
    assert read.dtype == np.dtype(dtype)
    np.testing.assert_array_equal(read, values)


BAD = {
    "sample type": {"sample": "int24"},
    "unknown key": {"rate": 5},
    "rate_hz of its head is nothing": {"rate_hz": "nothing"},
    "rate_hz of its head is None": {"rate_hz": ...},
    "rate_hz is -1": {"rate_hz": -1},
    "not little-endian": {"byte_order": "big"},
    "lists no channels": {"channels": []},
    "channel 1 of its head is no object": {"channels": ["crank"]},
    "name or unit of channel 1": {"channels": [{"name": 3}]},
    "gain of channel 1 is 0": {"channels": [{"gain": 0}]},
    "offset of its channel 1 is True": {"channels": [{"offset": True}]},
}


@pytest.mark.parametrize("wrong", list(BAD))
def test_a_wrong_head_is_refused_in_one_line(tmp_path, wrong):
    with pytest.raises(BadRecording, match=wrong) as caught:
        open_recording(made(tmp_path / "a.raw", **BAD[wrong]))
    assert str(caught.value).startswith(str(tmp_path / "a.raw"))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("data", "wrong"),
    [
        (b"\x00\x01\x02\x03", "head of one line"),
        (b"{" + b" " * 70_000, "head of one line"),
        (b'{"rate_hz": 1000', "ends within its head"),
        (b"crank,cam\n1,2\n", "no JSON"),
        (b"[1]\n", "no JSON object"),
        (json.dumps(HEAD).encode() + b"\n\0\0\0\0", "holds 1 sample a channel"),
    ],
)
def test_what_is_no_raw_file(tmp_path, data, wrong):
    (tmp_path / "a.raw").write_bytes(data)
    with pytest.raises(BadRecording, match=wrong):
        open_recording(tmp_path / "a.raw")

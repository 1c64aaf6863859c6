"""Growing files: windows are their own samples, and what is no growing is refused in one line."""

from __future__ import annotations

import io
import os

import numpy as np
import pytest
import soundfile

from witnessmark.errors import BadRecording
from witnessmark.follow.frames import CHUNK, RawFile, WavFile, wav_head
from witnessmark.follow.source import growing_file, is_folder
from witnessmark.follow.table import TableFile
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers.riff import Wave

from .scripted import ramp, whole

KINDS = {"a.csv": TableFile, "a.tsv": TableFile, "rate.csv": TableFile, "a.wav": WavFile, "a.raw": RawFile}


@pytest.mark.parametrize("name", list(KINDS))
def test_a_window_of_a_growing_file_is_that_part_of_it(tmp_path, name):
    path = tmp_path / name
    data = whole(path)
    path.write_bytes(data[:100])
    stream = growing_file(str(path))
    assert isinstance(stream, KINDS[name])
    lengths = []
    for size in (100, len(data) // 3, len(data) // 2 + 7, len(data)):
        with open(path, "ab") as file:
            file.write(data[path.stat().st_size : size])
        assert stream.poll()
        assert not stream.poll()
        if stream.ready:
            lengths.append(stream.length_s)
    assert lengths == sorted(set(lengths))
    assert stream.length_s == pytest.approx(1.0, abs=0.0011)
    with stream.window(0.25, 0.5) as part:
        channel = part.channels[0]
        assert part.path == str(path)
        assert channel.start_s == pytest.approx(0.25)
        np.testing.assert_array_equal(part.read(channel.name, 0, 9999), ramp()["line 1"][250:500])
        np.testing.assert_array_equal(part.read(part.channels[1].name, 0, 9999), ramp()["line 2"][250:500])
    with stream.window(stream.first_s, stream.length_s) as part:
        assert part.channels[0].samples >= 999


@pytest.mark.parametrize("name", list(KINDS))
def test_a_saved_part_is_a_recording_of_its_own(tmp_path, name):
    whole(tmp_path / name)
    stream = growing_file(str(tmp_path / name))
    stream.poll()
    place = tmp_path / f"part{stream.suffix}"
    first_s, shift_s = stream.save(0.25, 0.5, str(place))
    assert first_s == pytest.approx(0.25)
    saved = open_recording(place)
    assert saved.start_s + shift_s == pytest.approx(0.25)
    np.testing.assert_array_equal(saved.read(saved.channels[1].name, 0, 9999), ramp()["line 2"][250:500])
    assert not saved.cautions
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted({name, place.name})


@pytest.mark.parametrize("name", list(KINDS))
@pytest.mark.parametrize(
    ("harm", "word"),
    [("cut", "was cut back"), ("replaced", "was replaced"), ("gone", "is gone"), ("rewritten", "was rewritten")],
)
def test_what_is_no_growing_is_refused(tmp_path, name, harm, word):
    path = tmp_path / name
    data = whole(path, 3000)
    stream = growing_file(str(path))
    stream.poll()
    if harm == "cut":
        os.truncate(path, len(data) - 50)
    elif harm == "gone":
        path.unlink()
    elif harm == "replaced":
        (tmp_path / "new").write_bytes(data + data)
        (tmp_path / "new").replace(path)
    else:
        with open(path, "r+b") as file:
            file.truncate(100)
            file.seek(0, io.SEEK_END)
            file.write(b"\n" * len(data))
    with pytest.raises(BadRecording, match=word) as caught:
        stream.poll()
    assert str(caught.value).startswith(str(path))
    assert ";" in str(caught.value)


def test_a_header_that_says_another_rate_is_refused(tmp_path):
    path = tmp_path / "a.wav"
    data = bytearray(whole(path))
    stream = WavFile(str(path))
    stream.poll()
    data[24:28] = (2000).to_bytes(4, "little")
    with open(path, "r+b") as file:
        file.write(data + bytes(400))
    with pytest.raises(BadRecording, match="rate changed from 1000 to 2000 Hz"):
        stream.poll()
    raw = tmp_path / "a.raw"
    head = whole(raw)
    other = RawFile(str(raw))
    other.poll()
    with open(raw, "r+b") as file:
        file.write(head.replace(b"1000.0", b"2000.0") + bytes(400))
    with pytest.raises(BadRecording, match="head changed"):
        other.poll()


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF, 8])
def test_a_wav_whose_recorder_has_not_filled_in_its_size(tmp_path, size):
    path = tmp_path / "a.wav"
    data = bytearray(whole(path, 40_000))
    data[40:44] = size.to_bytes(4, "little")
    path.write_bytes(data)
    stream = WavFile(str(path))
    stream.poll()
    assert stream.frames == 40_000


def test_headers_of_saved_wavs_are_read_by_an_independent_library(tmp_path):
    whole(tmp_path / "a.wav")
    stream = WavFile(str(tmp_path / "a.wav"))
    stream.poll()
    stream.save(0.1, 0.2, str(tmp_path / "b.wav"))
    frames, rate = soundfile.read(tmp_path / "b.wav", dtype="int16")
    assert rate == 1000
    np.testing.assert_array_equal(frames[:, 0], ramp()["line 1"][100:200])
    long = wav_head(Wave(1, 2, 1000, 16, 0, 0, None), 2_000_000_000)  # 8 GB: RF64 (EBU Tech 3306)
    with open(tmp_path / "long.wav", "wb") as file:
        file.write(long)
        file.truncate(len(long) + 8_000_000_000)  # a hole: takes no room
    info = soundfile.info(tmp_path / "long.wav")
    assert (info.format, info.frames, info.channels) == ("RF64", 2_000_000_000, 2)


def test_a_table_with_decimal_commas_and_one_whose_rows_are_long(tmp_path):
    path = tmp_path / "a.csv"
    rows = [f"{i / 1000:.4f};{i};{'0' * 300}{i}".replace(".", ",") for i in range(3000)]
    path.write_text("Zeit;Kurbelwelle;Nocke\n" + "\n".join(rows) + "\n")
    stream = TableFile(str(path))
    stream.poll()
    with stream.window(2.0, 2.5) as part:
        np.testing.assert_array_equal(part.read("Kurbelwelle", 0, 9999), np.arange(2000, 2500))


def test_a_look_at_a_table_stays_within_memory(tmp_path, monkeypatch):
    whole(tmp_path / "a.csv", 30_000)
    monkeypatch.setattr("witnessmark.follow.table.MAX_PART", 40_000)
    stream = TableFile(str(tmp_path / "a.csv"))
    stream.poll()
    with stream.window(0.0, 30.0) as part:
        assert 27.0 < part.start_s < 29.0
        assert part.end_s == pytest.approx(30.0, abs=0.002)
    stream.save(0.0, 30.0, str(tmp_path / "all.csv"))
    assert (tmp_path / "all.csv").read_bytes() == (tmp_path / "a.csv").read_bytes()


def test_rows_counted_over_many_looks_are_found_again(tmp_path, monkeypatch):
    monkeypatch.setattr("witnessmark.follow.table.SPARSE", 1000)
    path = tmp_path / "rate.csv"
    data = whole(path, 3000)
    path.write_bytes(data[:300])
    stream = TableFile(str(path))
    for at in range(300, len(data), 397):
        with open(path, "ab") as file:
            file.write(data[at : at + 397])
        stream.poll()
    assert len(stream._rows) < 200
    assert stream.length_s == pytest.approx(3.0)
    for second in (0.0, 0.1, 1.234, 2.9):
        with stream.window(second, second + 0.05) as part:
            assert part.start_s == pytest.approx(second)
            first = round(second * 1000)
            np.testing.assert_array_equal(part.read("line 1", 0, 99), ramp(3000)["line 1"][first : first + 50])


@pytest.mark.parametrize("name", ["a.csv", "rate.csv"])
def test_a_table_of_many_blocks_is_taken_in_at_one_look(tmp_path, monkeypatch, name):
    """Blocks that end within a row; a table longer than one lies there already, or comes between two looks."""
    monkeypatch.setattr("witnessmark.follow.frames.CHUNK", 1009)
    path = tmp_path / name
    data = whole(path, 9000)
    for size in (len(data), len(data) // 2):
        path.write_bytes(data[:size])
        stream = growing_file(str(path))
        stream.poll()
        with open(path, "ab") as file:
            file.write(data[size:] + b"9")  # and a row that is still being written
        stream.poll()
        assert not stream.poll()
        assert stream.length_s == pytest.approx(9.0, abs=0.0011)
        assert stream._rows[-1] == (len(data), 9000)
        ends = [at for at, byte in enumerate(data) if byte == 10 and at >= stream.layout.data_at]
        stream._rows = [stream._rows[0], stream._rows[-1]]  # so that counting from the first crosses many blocks
        for row in (1, 70, 4321, 8999):
            assert stream._row_number(row) == ends[row - 1] + 1
            assert stream._before(ends[row - 1] + 3) == (ends[row - 1] + 1, row)
        with stream.window(4.0, 4.25) as part:
            np.testing.assert_array_equal(part.read("line 1", 0, 9999), ramp(9000)["line 1"][4000:4250])


def test_a_csv_longer_than_a_block_is_followed_to_its_end(tmp_path):
    path = tmp_path / "a.csv"
    filler = "0" * 80
    path.write_text("time,crank,note\n" + "".join(f"{i / 1000:.3f},{i % 7},{filler}\n" for i in range(100_000)))
    assert path.stat().st_size > 2 * CHUNK
    stream = TableFile(str(path))
    assert stream.poll()
    assert stream.length_s == pytest.approx(99.999)


@pytest.mark.parametrize(
    ("name", "word"),
    [("a.npz", "does not grow row by row"), ("a", "does not grow"), ("b.csv", "no such file"), ("sub.raw", "does not")],
)
def test_sources_that_cannot_be_followed(tmp_path, name, word):
    (tmp_path / "a.npz").write_bytes(b"PK")
    (tmp_path / "a").write_bytes(b"PK")
    (tmp_path / "sub.raw").mkdir()
    with pytest.raises(BadRecording, match=word):
        growing_file(str(tmp_path / name))
    assert is_folder(str(tmp_path))
    assert not is_folder(str(tmp_path / "a.npz"))
    (tmp_path / "sub.raw" / "recording.json").write_text("{}")
    assert not is_folder(str(tmp_path / "sub.raw"))

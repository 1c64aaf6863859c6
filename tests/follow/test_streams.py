"""Growing files and pipes: windows are the file's own samples, and what is no growing is refused in one line."""

from __future__ import annotations

import io
import json
import os
import shutil
import tempfile
import time

import numpy as np
import pytest
import soundfile

from witnessmark.cli_follow import _whole
from witnessmark.errors import BadOutput, BadRecording
from witnessmark.follow.frames import CHUNK, RawFile, WavFile, wav_head
from witnessmark.follow.pipe import Pipe
from witnessmark.follow.source import growing_file, is_folder
from witnessmark.follow.spool import Spool, ring_bytes
from witnessmark.follow.table import TableFile
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers.raw_head import parse_head
from witnessmark.recording.readers.riff import Wave
from witnessmark.recording.write import write_recording

from .scripted import ramp

RATE_HZ = 1000.0
KINDS = {"a.csv": TableFile, "a.tsv": TableFile, "rate.csv": TableFile, "a.wav": WavFile, "a.raw": RawFile}


def whole(path, samples=1000):
    """A recording of the ramp, as another program would leave it when it is done."""
    if path.name == "rate.csv":
        rows = zip(*ramp(samples).values(), strict=True)
        path.write_text(f"# rate_hz: {RATE_HZ}\nline 1,line 2\n" + "".join(f"{a},{b}\n" for a, b in rows))
    else:
        write_recording(path, ramp(samples), RATE_HZ)
    return path.read_bytes()


def piped(data, **options):
    pipe = Pipe(io.BytesIO(data), **options)
    deadline = time.monotonic() + 5
    while not pipe.ended and time.monotonic() < deadline:
        time.sleep(0.005)
    pipe.poll()
    return pipe


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


def test_a_pipe_holds_what_came(tmp_path):
    data = whole(tmp_path / "a.raw")
    pipe = piped(data + b"\0")  # ends within a sample
    assert (pipe.ready, pipe.trouble, pipe.length_s) == (True, "", 1.0)
    recording = pipe.whole()
    np.testing.assert_array_equal(recording.read("line 2", 0, 9999), ramp()["line 2"])
    assert "cut short within its last sample" in recording.cautions[0]
    assert not piped(data).whole().cautions
    piped(data, place=str(tmp_path / "spool.raw"))
    assert (tmp_path / "spool.raw").read_bytes() == data


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "gave nothing"),
        (b'{"rate_hz": 1', "ended within its head"),
        (b"crank\n", "no JSON"),
        (b'{"rate_hz": 0, "sample": "int8", "channels": [{}]}\n', "rate_hz is 0"),
    ],
)
def test_a_pipe_without_a_usable_head(data, word):
    with pytest.raises(BadRecording, match=word) as caught:
        piped(data)
    assert str(caught.value).startswith("-: ")


def test_a_ring_holds_the_last_and_lets_the_rest_go(tmp_path):
    data = whole(tmp_path / "a.raw", 10_000)
    pipe = piped(data, keep_s=2.0)
    assert 2.0 <= pipe.length_s - pipe.first_s <= 2.0 * 1.3
    recording = pipe.whole()
    first = 10_000 - recording.info("line 1").samples
    assert recording.start_s == pytest.approx(first / RATE_HZ)
    np.testing.assert_array_equal(recording.read("line 1", 0, 99_999), ramp(10_000)["line 1"][first:])
    said = []
    held = _whole(pipe, said.append)
    assert any("Only the last 2 s of the pipe are held" in c for c in held.cautions)
    assert said == []
    pipe.save(9.0, 9.5, str(tmp_path / "kept.raw"))
    np.testing.assert_array_equal(
        open_recording(tmp_path / "kept.raw").read("line 1", 0, 999), ramp(10_000)["line 1"][9000:9500]
    )


def test_a_spool_never_writes_over_a_file(tmp_path):
    data, place = whole(tmp_path / "a.raw"), tmp_path / "spool.raw"
    place.write_bytes(b"of yesterday")
    with pytest.raises(BadOutput, match=r"spool\.raw: file exists; choose another place"):
        piped(data, place=str(place))
    assert place.read_bytes() == b"of yesterday"


def test_a_ring_lies_in_the_folder_given_and_leaves_nothing(tmp_path, monkeypatch):
    data, asked = whole(tmp_path / "a.raw", 10_000), []
    made = tempfile.TemporaryFile

    def nameless(**options):
        asked.append(options["dir"])
        return made(**options)

    monkeypatch.setattr(tempfile, "TemporaryFile", nameless)
    folder = tmp_path / "kept"
    folder.mkdir()
    pipe = piped(data, keep_s=2.0, folder=str(folder))
    assert pipe.length_s == 10.0
    assert len(asked) > 8
    assert set(asked) == {str(folder)}
    assert list(folder.iterdir()) == []
    with pytest.raises(BadOutput, match=r"gone: no such file or directory; choose another place"):
        piped(data, keep_s=2.0, folder=str(tmp_path / "gone"))


def test_a_ring_that_would_not_fit_is_refused_and_says_what_it_needs(tmp_path, monkeypatch):
    data = whole(tmp_path / "a.raw")  # 1000 Hz, two lines of 16 bit: 4000 bytes a second
    needed = 9000 * 4000 // 8 + 1000 * 4000  # a ring of 1000 s (nine pieces of an eighth), and the 1000 s once more
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=needed - 1))
    with pytest.raises(BadOutput, match=r"last 1000 s .* need 9 MB, 8 MB are free; make room") as caught:
        piped(data, keep_s=1000.0, folder=str(tmp_path))
    assert str(caught.value).startswith(f"{tmp_path}: ")
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=needed))
    assert piped(data, keep_s=1000.0, folder=str(tmp_path)).length_s == 1.0


@pytest.mark.parametrize("keep", [1, 7, 8, 50, 64])
def test_a_ring_takes_no_more_room_than_was_reckoned(keep):
    line = json.dumps({"rate_hz": 10, "sample": "int16", "channels": [{}, {}]}).encode() + b"\n"
    head = parse_head("-", line)
    spool, most = Spool(head, line, keep_frames=keep), 0
    for _ in range(400):
        spool.append(bytes(head.frame_bytes))
        most = max(most, sum(os.fstat(p.file.fileno()).st_size for p in spool._pieces))
    spool.close()
    assert keep * head.frame_bytes < most <= ring_bytes(head, keep)


def test_what_is_being_read_stays_while_the_ring_goes_on():
    line = json.dumps({"rate_hz": 10, "sample": "uint8", "channels": [{}]}).encode() + b"\n"
    spool = Spool(parse_head("-", line), line, keep_frames=16)
    spool.append(bytes(range(20)))
    held, first = spool.held(), spool.first
    spool.append(bytes(200))
    assert spool.first > 20
    assert held.read(first, 20).tolist() == list(range(first, 20))
    assert b"".join(held.pieces(0, 20)) == bytes(range(first, 20))
    spool.close()


def test_a_part_the_ring_let_go_of_begins_where_it_still_holds(tmp_path):
    data = whole(tmp_path / "a.raw", 10_000)
    pipe = piped(data, keep_s=2.0)
    held, pipe.first = pipe.first, 0  # as it was at an earlier look
    with pipe.window(5.0, 10.0) as part:
        assert part.start_s == pytest.approx(held / RATE_HZ)
        np.testing.assert_array_equal(part.read("line 1", 0, 9999), ramp(10_000)["line 1"][held:])
    pipe.first = 0
    first_s, _ = pipe.save(5.0, 10.0, str(tmp_path / "kept.raw"))
    kept = open_recording(tmp_path / "kept.raw")
    assert first_s == kept.start_s == pytest.approx(held / RATE_HZ)
    np.testing.assert_array_equal(kept.read("line 1", 0, 9999), ramp(10_000)["line 1"][held:])
    pipe.first = 0
    with pytest.raises(BadRecording, match="holds 0 samples"), pipe.window(1.0, 2.0):
        pass


def test_the_same_bytes_in_any_pieces_make_the_same_ring():
    line = json.dumps({"rate_hz": 10, "sample": "uint8", "channels": [{}, {}, {}]}).encode() + b"\n"
    head = parse_head("-", line)
    data = bytes(range(240)) * 3
    for size in (1, 2, 7, 100, 720):
        spool = Spool(head, line, keep_frames=50)
        for at in range(0, len(data), size):
            spool.append(data[at : at + size])
        assert spool.frames == 240
        assert 50 <= spool.frames - spool.first <= 64
        np.testing.assert_array_equal(
            spool.held().read(spool.first, 240), np.frombuffer(data, np.uint8)[3 * spool.first :]
        )
        spool.close()


def test_a_table_that_is_long_already_is_taken_in_to_its_end(tmp_path):
    rows = 200_000
    text = "".join(f"{n / 1000:.3f},{n % 7}.250000000000,{n % 5}.500000000000\n" for n in range(rows))
    (tmp_path / "a.csv").write_text("Time [s],crank,cam\n" + text)
    stream = TableFile(str(tmp_path / "a.csv"))
    stream.poll()
    assert stream.length_s == pytest.approx((rows - 1) / 1000, abs=0.01)

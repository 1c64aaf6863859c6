"""Pipes: held whole or as a ring, in a place that has room and never over another file."""

from __future__ import annotations

import io
import json
import os
import shutil
import tempfile
import time

import numpy as np
import pytest

from witnessmark.cli_follow import _whole
from witnessmark.errors import BadOutput, BadRecording
from witnessmark.follow.pipe import Pipe
from witnessmark.follow.spool import Spool, ring_bytes
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers.raw_head import parse_head

from .scripted import RATE_HZ, ramp, whole


def piped(data, **options):
    pipe = Pipe(io.BytesIO(data), **options)
    deadline = time.monotonic() + 5
    while not pipe.ended and time.monotonic() < deadline:
        time.sleep(0.005)
    pipe.poll()
    return pipe


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

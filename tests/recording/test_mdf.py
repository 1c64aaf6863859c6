"""MDF 4: put together by hand as recorders lay it out, and by an independent library (asammdf)."""

from __future__ import annotations

import struct

import asammdf
import numpy as np
import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording

from .mdf_writer import FLOAT, FLOAT_BE, INT, INT_BE, TEXT, UINT, UINT_BE, Channel, Data, Group, mdf

TIME = Channel("t", 0, 64, FLOAT, kind=2, sync=1, unit="s")
N = 400


def _records(n=N, rate=1000.0, start=0.0):
    """Time as float64, a counter as int16."""
    return b"".join(struct.pack("<dh", start + i / rate, i % 90 - 40) for i in range(n))


def _file(tmp_path, data):
    path = tmp_path / "van.mf4"
    path.write_bytes(data)
    return path


def _plain(blocks=None, records=N, finished=True, channel=None):
    crank = channel or Channel("crank", 8, 16, INT, unit="V", conversion=(1, [-1.0, 0.5]))
    group = Group([TIME, crank], records, 10)
    return mdf([Data([group], [("DT", _records())] if blocks is None else blocks)], finished)


def _counts(n=N):
    return np.arange(n) % 90 - 40


def test_linear_conversion_is_gain_and_offset(tmp_path):
    recording = open_recording(_file(tmp_path, _plain()))
    (info,) = recording.channels
    assert (info.name, info.unit, info.gain, info.offset, info.rate_hz) == ("crank", "V", 0.5, -1.0, 1000.0)
    assert recording.read("crank", 0, 9).dtype == np.int16
    np.testing.assert_array_equal(recording.values("crank", 0, N), _counts() * 0.5 - 1)
    assert recording.cautions == ()


@pytest.mark.parametrize("kinds", [("DT", "DT", "DT"), ("DZ", "DZ", "DZ"), ("DZT", "DZT", "DZT"), ("DT", "DZ", "DZT")])
@pytest.mark.parametrize("at", [(1000, 2000), (1003, 2777)])  # records may lie across two blocks
def test_records_in_several_blocks(tmp_path, kinds, at):
    raw = _records()
    parts = [raw[: at[0]], raw[at[0] : at[1]], raw[at[1] :]]
    recording = open_recording(_file(tmp_path, _plain(list(zip(kinds, parts, strict=True)))))
    np.testing.assert_array_equal(recording.read("crank", 0, N), _counts())
    np.testing.assert_array_equal(recording.read("crank", 95, 300), _counts()[95:300])


@pytest.mark.parametrize(
    ("data_type", "bits", "bit", "pack"),
    [
        (UINT, 8, 0, "<B"),
        (UINT, 16, 0, "<H"),
        (UINT_BE, 32, 0, ">I"),
        (INT, 64, 0, "<q"),
        (INT_BE, 16, 0, ">h"),
        (FLOAT, 32, 0, "<f"),
        (FLOAT, 64, 0, "<d"),
        (FLOAT_BE, 32, 0, ">f"),
        (FLOAT, 16, 0, "<e"),
        (UINT, 12, 0, "<H"),
        (UINT, 1, 3, "<B"),
        (INT, 10, 4, "<H"),
        (UINT_BE, 12, 2, ">H"),
        (INT_BE, 24, 0, ">i"),
    ],
)
def test_numbers_of_all_kinds(tmp_path, data_type, bits, bit, pack):
    """struct is the reference for whole numbers, plain arithmetic for those of odd width."""
    n, rng = 60, np.random.default_rng(bits)
    if data_type in (FLOAT, FLOAT_BE):
        truth = rng.integers(-50, 50, n) / 4
        packed = [struct.pack(pack, v) for v in truth]
    else:
        signed = data_type in (INT, INT_BE)
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
        truth = rng.integers(low, high, n, endpoint=True)
        packed = []
        for v in truth.tolist():
            if bits % 8 == 0 and bits != 24:
                packed.append(struct.pack(pack, v))
                continue
            size = (bit + bits + 7) // 8
            whole = (v & (1 << bits) - 1) << bit | (0b11 & (1 << bit) - 1)  # neighbours' bits around it
            packed.append(whole.to_bytes(size, "big" if data_type in (UINT_BE, INT_BE) else "little"))
    width = len(packed[0])
    body = b"".join(struct.pack("<d", i / 1000) + p for i, p in enumerate(packed))
    group = Group([TIME, Channel("crank", 8, bits, data_type, bit)], n, 8 + width)
    recording = open_recording(_file(tmp_path, mdf([Data([group], [("DT", body)])])))
    np.testing.assert_array_equal(recording.values("crank", 0, n), truth)


def test_several_groups_keep_their_clocks(tmp_path):
    slow = b"".join(struct.pack("<dh", 0.1 + i / 50, i % 7) for i in range(20))
    groups = [
        Data([Group([TIME, Channel("crank", 8, 16, INT)], N, 10)], [("DT", _records())]),
        Data([Group([TIME, Channel("pressure", 8, 16, INT), Channel("note", 8, 16, TEXT)], 20, 10)], [("DT", slow)]),
    ]
    recording = open_recording(_file(tmp_path, mdf(groups)))
    assert [(c.name, c.rate_hz, c.start_s, c.samples, c.position) for c in recording.channels] == [
        ("crank", 1000.0, 0.0, N, 1),
        ("pressure", 50.0, 0.1, 20, 2),
    ]
    np.testing.assert_array_equal(recording.read("crank", 0, N), _counts())
    np.testing.assert_array_equal(recording.read("pressure", 5, 12), np.arange(5, 12) % 7)
    assert recording.end_s == pytest.approx(0.5)
    assert recording.left_out == ("note",)
    assert any("do not begin together" in c and "pressure at 0.1 s" in c for c in recording.cautions)


def test_mixed_records_of_two_groups(tmp_path):
    crank = Group([TIME, Channel("crank", 8, 16, INT)], N, 10, ident=1)
    cam = Group([TIME, Channel("cam", 8, 8)], N // 2, 9, ident=2)
    raw, body = _records(), bytearray()
    for i in range(N):
        body += b"\1" + raw[10 * i : 10 * i + 10]
        if i % 2 == 0:
            body += b"\2" + struct.pack("<dB", i / 1000, i % 5)
    recording = open_recording(_file(tmp_path, mdf([Data([crank, cam], [("DT", bytes(body))], id_bytes=1)])))
    assert {c.name: c.rate_hz for c in recording.channels} == {"crank": 1000.0, "cam": 500.0}
    np.testing.assert_array_equal(recording.read("crank", 3, 300), _counts()[3:300])
    np.testing.assert_array_equal(recording.read("cam", 0, 200), np.arange(0, N, 2) % 5)


def test_a_group_alone_with_numbered_records(tmp_path):
    raw = _records()
    body = b"".join(b"\7" + raw[10 * i : 10 * i + 10] for i in range(N))
    group = Group([TIME, Channel("crank", 8, 16, INT)], N, 10, ident=7)
    recording = open_recording(_file(tmp_path, mdf([Data([group], [("DT", body)], id_bytes=1)])))
    np.testing.assert_array_equal(recording.read("crank", 0, N), _counts())


def test_a_virtual_clock_counts_records(tmp_path):
    clock = Channel("t", 0, 0, kind=3, sync=1, conversion=(1, [2.0, 1e-4]))
    body = np.arange(50, dtype="<i2").tobytes()
    group = Group([clock, Channel("crank", 0, 16, INT)], 50, 2)
    (info,) = open_recording(_file(tmp_path, mdf([Data([group], [("DT", body)])]))).channels
    assert (info.start_s, info.rate_hz, info.samples) == (2.0, 10_000.0, 50)


def test_invalid_samples_are_gaps(tmp_path):
    body = b"".join(struct.pack("<dhB", i / 1000, i, 4 if 10 <= i < 15 else 3) for i in range(50))
    group = Group([TIME, Channel("crank", 8, 16, INT, invalid_bit=2)], 50, 10, invalid_bytes=1)
    recording = open_recording(_file(tmp_path, mdf([Data([group], [("DT", body)])])))
    assert [(g.start_s, g.end_s) for g in recording.channels[0].gaps] == [(0.01, 0.015)]
    got = recording.read("crank", 0, 50)
    assert np.isnan(got[10:15]).all()
    np.testing.assert_array_equal(np.delete(got, range(10, 15)), np.delete(np.arange(50), range(10, 15)))


@pytest.mark.parametrize(
    ("conversion", "expected"),
    [
        ((2, [0.0, 2.0, 6.0, 0.0, 0.0, 3.0]), lambda x: (2 * x + 6) / 3),
        ((4, [-40.0, 0.0, 0.0, 8.0, 50.0, 9.0]), lambda x: np.interp(x, [-40, 0, 50], [0, 8, 9])),
        ((5, [-40.0, 1.0, 0.0, 2.0, 40.0, 3.0]), lambda x: np.select([x <= -20, x <= 20], [1, 2], 3)),
        ((7, []), lambda x: x),
    ],
)
def test_other_conversions(tmp_path, conversion, expected):
    channel = Channel("crank", 8, 16, INT, conversion=conversion)
    recording = open_recording(_file(tmp_path, _plain(channel=channel)))
    np.testing.assert_allclose(recording.values("crank", 0, N), expected(_counts()), rtol=1e-12)


def test_a_conversion_that_is_not_read_leaves_its_channel_out(tmp_path):
    group = Group([TIME, Channel("a", 8, 16, INT), Channel("b", 8, 16, INT, conversion=(3, []))], N, 10)
    recording = open_recording(_file(tmp_path, mdf([Data([group], [("DT", _records())])])))
    assert ([c.name for c in recording.channels], recording.left_out) == (["a"], ("b",))


@pytest.mark.parametrize("kind", ["DT", "DZ"])
def test_cut_short_is_read_as_far_as_it_is_whole(tmp_path, kind):
    raw = _records()
    data = _plain([(kind, raw[:2000]), (kind, raw[2000:])])
    recording = open_recording(_file(tmp_path, data[:-15]))
    (info,) = recording.channels
    expected = 398 if kind == "DT" else 200
    assert info.samples == expected
    assert any("cut short" in c for c in recording.cautions)
    assert info.gaps[-1].reason == "file cut short"
    np.testing.assert_array_equal(recording.read("crank", 0, N), _counts(expected))


def test_a_recorder_that_never_finished(tmp_path):
    data = bytearray(_plain(records=0, finished=False))
    struct.pack_into("<Q", data, data.rindex(b"##DT") + 8, 24)  # the size is filled in when the recorder ends
    recording = open_recording(_file(tmp_path, bytes(data)))
    np.testing.assert_array_equal(recording.read("crank", 0, N), _counts())


@pytest.mark.parametrize("kind", ["DT", "DZ"])
@pytest.mark.parametrize("records", [10**6, 10**12, 2**63])
def test_more_claimed_than_there_is(tmp_path, kind, records):
    with pytest.raises(BadRecording, match=f"claims {records} records, {N} are there"):
        open_recording(_file(tmp_path, _plain([(kind, _records())], records=records)))


def test_a_block_that_would_unpack_beyond_reason(tmp_path):
    data = bytearray(_plain([("DZ", _records())]))
    struct.pack_into("<Q", data, data.rindex(b"##DZ") + 24 + 8, 1 << 40)
    with pytest.raises(BadRecording, match="unpacks to 1048576 MB"):
        open_recording(_file(tmp_path, bytes(data)))


def test_links_in_a_circle_end(tmp_path):
    data = bytearray(_plain())
    group = data.index(b"##DG")
    struct.pack_into("<Q", data, group + 24, group)
    recording = open_recording(_file(tmp_path, bytes(data)))
    assert recording.channels[0].samples == N
    channel = data.index(b"##CN")
    struct.pack_into("<Q", data, channel + 24, channel)
    with pytest.raises(BadRecording):
        open_recording(_file(tmp_path, bytes(data)))


def test_other_versions_and_no_clock(tmp_path):
    with pytest.raises(BadRecording, match=r"is MDF 3\.30"):
        open_recording(_file(tmp_path, mdf([], version=330)))
    group = Group([Channel("crank", 8, 16, INT)], N, 10)
    with pytest.raises(BadRecording, match="no time channel"):
        open_recording(_file(tmp_path, mdf([Data([group], [("DT", _records())])])))


@pytest.mark.parametrize("version", ["4.00", "4.10", "4.20"])
@pytest.mark.parametrize("compression", [0, 1, 2])
def test_against_an_independent_writer(tmp_path, version, compression):
    """asammdf writes, and reads as the reference."""
    time_s = np.arange(3000) / 5000
    rng = np.random.default_rng(2)
    names = ["int8", "uint16", "int32", "float32", "float64"]
    with asammdf.MDF(version=version) as file:
        file.append(
            [
                asammdf.Signal(
                    rng.integers(0, 100, 3000).astype(n), time_s, name=n, unit="V", conversion={"a": 0.25, "b": 2.0}
                )
                for n in names
            ]
        )
        file.append([asammdf.Signal(rng.integers(0, 9, 900).astype("u1"), 0.05 + time_s[:900] * 2, name="slow")])
        path = file.save(tmp_path / "van.mf4", overwrite=True, compression=compression)
    recording = open_recording(path)
    with asammdf.MDF(path) as file:
        for name in [*names, "slow"]:
            reference = file.get(name)
            np.testing.assert_array_equal(recording.values(name, 0, 3000), reference.samples)
            info = recording.info(name)
            times = info.start_s + np.arange(info.samples) / info.rate_hz
            np.testing.assert_allclose(times, reference.timestamps, atol=1e-12)

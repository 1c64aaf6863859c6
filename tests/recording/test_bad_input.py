"""Whatever is handed in: one line that names the file, what is wrong and what to do. Only BadRecording escapes."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet
import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.registry import reader_for, suffixes
from witnessmark.recording.write import write_recording

from .helpers import FORMATS, SAMPLES, simulated

# a warning would be a second line on standard error
pytestmark = pytest.mark.filterwarnings("error")


def _open_and_read(path):
    recording = open_recording(path)
    for channel in recording.channels:
        recording.read(channel.name, 0, channel.samples)
    return recording


def refused(path) -> str:
    """Open and read everything; the text of the refusal, checked to be one line that names the file."""
    with pytest.raises(BadRecording) as caught:
        _open_and_read(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert text.isprintable()
    assert len(text) <= 600
    assert ";" in text  # what to do follows what is wrong
    return text


def _file(tmp_path, name, data):
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    return path


def _rows(n=50):
    return "t,crank\n" + "".join(f"{i / 1000:.4f},{i % 7 / 10}\n" for i in range(n))


# ---- any format

FILES = [s for s in suffixes() if not reader_for(s).folder]
every_suffix = pytest.mark.parametrize("suffix", FILES)


@every_suffix
def test_empty_file(tmp_path, suffix):
    assert "empty" in refused(_file(tmp_path, f"van{suffix}", b""))


@every_suffix
@pytest.mark.parametrize("size", [1, 3, 11, 64, 5000])
def test_binary_garbage(tmp_path, suffix, size):
    refused(_file(tmp_path, f"van{suffix}", np.random.default_rng(size).bytes(size)))


@every_suffix
def test_zeros(tmp_path, suffix):
    refused(_file(tmp_path, f"van{suffix}", bytes(4096)))


@every_suffix
def test_missing_file_and_folder(tmp_path, suffix):
    assert "no such file" in refused(tmp_path / f"gone{suffix}")
    (tmp_path / f"folder{suffix}").mkdir()
    assert "is a folder" in refused(tmp_path / f"folder{suffix}")


@every_suffix
def test_no_permission(tmp_path, suffix, monkeypatch):
    path = _file(tmp_path, f"van{suffix}", "x")
    if os.geteuid() == 0:  # the superuser may read anything: the refusal of the system is imitated
        import builtins

        real = builtins.open

        def denied(name, *args, **kwargs):
            if os.fspath(name) == os.fspath(path):
                raise PermissionError(13, "Permission denied", os.fspath(path))
            return real(name, *args, **kwargs)

        monkeypatch.setattr(builtins, "open", denied)
    else:
        path.chmod(0)
    assert "no permission" in refused(path)


def test_unknown_suffix_lists_the_known_ones(tmp_path):
    text = refused(_file(tmp_path, "van.xyz", "1"))
    assert '".xyz"' in text
    assert ".csv" in text
    assert ".npz" in text
    assert "no suffix" in refused(_file(tmp_path, "van", "1"))


def test_a_device_is_no_recording(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    assert "regular file" in refused(tmp_path / "pipe.csv")


def test_an_odd_name_stays_one_line(tmp_path):
    with pytest.raises(BadRecording) as caught:
        open_recording(_file(tmp_path, "van\nline two.csv", b"\0"))
    assert "\n" not in str(caught.value)
    with pytest.raises(BadRecording):
        open_recording("van\0.csv")


BINARY = [name for name, f in FORMATS.items() if f.suffix not in {".csv", ".CSV", ".tsv", ".txt", ".zarr", ""}]


@pytest.mark.parametrize("fmt", [FORMATS[n] for n in BINARY], ids=BINARY)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.999])
def test_cut_short_is_read_as_far_as_whole_or_refused(tmp_path, fmt, share):
    path = tmp_path / f"van{fmt.suffix}"
    fmt.write(path, simulated())
    whole = open_recording(path)
    truth = {c.name: whole.read(c.name, 0, SAMPLES).copy() for c in whole.channels}
    data = path.read_bytes()
    del whole
    path.write_bytes(data[: int(len(data) * share)])
    try:
        recording = open_recording(path)
    except BadRecording:
        refused(path)
        return
    assert any("cut short" in c for c in recording.cautions)
    assert any(c.gaps for c in recording.channels)
    for channel in recording.channels:
        got = recording.read(channel.name, 0, channel.samples)
        np.testing.assert_array_equal(got, truth[channel.name][: len(got)])


@pytest.mark.parametrize("name", ["wav", "npz", "arrow"])
def test_formats_that_keep_what_is_whole(tmp_path, name):
    fmt = FORMATS[name]
    path = tmp_path / f"van{fmt.suffix}"
    fmt.write(path, simulated())
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * 0.45)])
    recording = open_recording(path)
    assert 500 < recording.channels[0].samples <= SAMPLES
    assert recording.channels[0].gaps[-1].reason == "file cut short"


# ---- text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("t,crank\n", "no samples"),
        ("t,crank\n0.1,2\n", "holds 1 sample"),
        ("a,b\nx,y\nz,w\n", "no numeric column"),
        (
            "t,crank\n" + "".join(f"{i},\n" for i in range(9)),
            "no cell holds a number beside the time, only gaps (crank)",
        ),
        ("t,crank\n" + "".join(f"{i},off\n" for i in range(9)), "no numeric column beside the time"),
        ("crank,cam\n1.5,2\n1.2,2\n1.1,3\n1.9,2\n", "no time column and no rate"),
        ("# rate_hz: fast\ncrank\n1\n2\n", "gives no number"),
        ("# rate_hz: 0\ncrank\n1\n2\n", "rate_hz is 0"),
        ("# rate_hz: -5\ncrank\n1\n2\n", "rate_hz is -5"),
        ("# rate_hz: inf\ncrank\n1\n2\n", "rate_hz is inf"),
        (_rows().replace("0.0200,", "nan,"), "the time in line 22 is not a number"),
        (_rows().replace("0.0200,", "inf,"), "the time in line 22 is not a number"),
        (_rows().replace("0.0200,", ","), "the time in line 22 is not a number"),
        (_rows().replace("0.0200,", "x,"), "the time in line 22 is not a number"),
        (_rows().replace("0.0200,", "0.0100,"), "time runs backwards in line 22 (from 0.019 s to 0.01 s)"),
        ("# c\n\n" + _rows().replace("0.0200,", "0.0100,"), "time runs backwards in line 24"),
        ("t,crank\n" + "5,1\n" * 40, "time stands still at 5 s"),
        ("time,crank\n" + "".join(f"2024-05-01 10:00:{i:02d},{i}\n" for i in range(40)), "the time in line 2"),
        ("t," + "x" * 10_000_000 + "\n0,1\n1,2\n", "first line is longer than 1 MB"),
        (",".join(f"c{i}" for i in range(9000)) + "\n" + ",".join("1" * 9000) + "\n", "has 9000 columns"),
        ("t,crank\r\n\r\n\r\n", "no samples"),
        ("\n\n\n \n", "empty"),
        ("# only a comment\n", "no samples"),
    ],
)
def test_text_tables(tmp_path, text, says):
    assert says in refused(_file(tmp_path, "van.csv", text))


def test_a_long_pause_is_refused_not_filled(tmp_path):
    text = "t,crank\n" + "".join(f"{i * 1e-6 + (3600 if i > 500 else 0):.6f},{i % 7}\n" for i in range(1000))
    assert "split it at the pause" in refused(_file(tmp_path, "van.csv", text))


def test_backwards_time_in_tables(tmp_path):
    table = pa.table({"time": [0.0, 0.1, 0.05, 0.2], "crank": [1.0, 2.0, 3.0, 4.0]})
    pa.parquet.write_table(table, tmp_path / "van.parquet")
    assert "backwards in row 3 (from 0.1 s to 0.05 s)" in refused(tmp_path / "van.parquet")
    np.savez(tmp_path / "van.npz", time=[0.0, 0.1, 0.05, 0.2], crank=np.arange(4))
    assert "backwards in row 3" in refused(tmp_path / "van.npz")
    for bad in (np.nan, np.inf):
        np.savez(tmp_path / "van.npz", time=[0.0, 0.1, bad, 0.3], crank=np.arange(4))
        assert "row 3 is not a finite number" in refused(tmp_path / "van.npz")


# ---- NPZ


@pytest.mark.parametrize(
    ("arrays", "says"),
    [
        ({"crank": np.arange(5)}, "neither rate_hz nor time"),
        ({"rate_hz": 100.0}, "no one-dimensional array"),
        ({"rate_hz": 100.0, "crank": np.array(["a", "b"])}, "instead of numbers"),
        ({"rate_hz": 100.0, "crank": np.array([1j, 2j])}, "instead of numbers"),
        ({"rate_hz": np.nan, "crank": np.arange(5)}, "rate_hz is nan"),
        ({"rate_hz": 0, "crank": np.arange(5)}, "rate_hz is 0"),
        ({"rate_hz": "fast", "crank": np.arange(5)}, "rate_hz is not one number"),
        ({"rate_hz": np.arange(3), "crank": np.arange(5)}, "rate_hz is not one number"),
        ({"time": np.arange(4), "crank": np.arange(5)}, "crank has 5 samples, time has 4"),
        ({"time": np.array(["a", "b"]), "crank": np.arange(2)}, "time is not numeric"),
        ({"rate_hz": 9.0, "crank": np.arange(5), "gain__crank": 0.0}, "gain__crank is not usable"),
        ({"rate_hz": 9.0, "crank": np.ones((5, 2))}, "no one-dimensional array"),
    ],
)
def test_npz(tmp_path, arrays, says):
    np.savez(tmp_path / "van.npz", **arrays)
    assert says in refused(tmp_path / "van.npz")


def test_npz_never_unpickles(tmp_path):
    class Trap:
        def __reduce__(self):
            return os.mkdir, (str(tmp_path / "sprung"),)

    objects = np.empty(2, dtype=object)
    objects[:] = [Trap(), Trap()]
    np.savez(tmp_path / "van.npz", rate_hz=100.0, crank=objects)
    assert "Python objects" in refused(tmp_path / "van.npz")
    assert not (tmp_path / "sprung").exists()


def _npz_with(tmp_path, header: str, body: bytes, method=zipfile.ZIP_STORED):
    head = header.encode().ljust(117) + b"\n"
    member = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head + body
    with zipfile.ZipFile(tmp_path / "van.npz", "w", method) as archive:
        rate = io.BytesIO()
        np.save(rate, np.float64(100.0))
        archive.writestr("rate_hz.npy", rate.getvalue())
        archive.writestr("crank.npy", member)
    return tmp_path / "van.npz"


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
@pytest.mark.parametrize("count", [10**3, 10**12, 10**18, -5])
def test_npz_claiming_more_than_it_holds(tmp_path, method, count):
    text = f"{{'descr': '<i2', 'fortran_order': False, 'shape': ({count},), }}"
    refused(_npz_with(tmp_path, text, bytes(100), method))


def test_npz_that_would_unpack_beyond_reason(tmp_path):
    """Sizes claimed in the archive itself: refused before anything is unpacked."""
    n = (1 << 30) + (1 << 20)
    head = f"{{'descr': '|i1', 'fortran_order': False, 'shape': ({n},), }}".encode().ljust(117) + b"\n"
    member = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head
    engine = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = engine.compress(member + bytes(1000)) + engine.flush()
    sizes = struct.pack("<III", zlib.crc32(member), len(packed), len(member) + n)
    local = struct.pack("<4sHHHHH", b"PK\3\4", 20, 0, 8, 0, 0) + sizes + struct.pack("<HH", 9, 0) + b"crank.npy"
    central = struct.pack("<4sHHHHHH", b"PK\1\2", 20, 20, 0, 8, 0, 0) + sizes
    central += struct.pack("<HHHHHII", 9, 0, 0, 0, 0, 0, 0) + b"crank.npy"
    end = struct.pack("<4sHHHHIIH", b"PK\5\6", 0, 0, 1, 1, len(central), len(local) + len(packed), 0)
    assert "unpacks to 1025 MB" in refused(_file(tmp_path, "van.npz", local + packed + central + end))


# ---- WAV


def _wave(tmp_path, tag=1, channels=1, rate=1000, bits=16, block=None, body=bytes(200), declared=None, form_size=16):
    block = channels * bits // 8 if block is None else block
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * block, block, bits)[:form_size]
    chunks = b"fmt " + struct.pack("<I", len(form)) + form + b"data"
    chunks += struct.pack("<I", len(body) if declared is None else declared) + body
    return _file(tmp_path, "van.wav", b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)


@pytest.mark.parametrize(
    ("parts", "says"),
    [
        ({"channels": 0, "block": 0}, "0 channels"),
        ({"rate": 0}, "rate of 0"),
        ({"tag": 6, "bits": 8}, "coding 6 with 8 bits"),
        ({"bits": 12, "block": 2}, "coding 1 with 12 bits"),
        ({"bits": 0, "block": 0}, "coding 1 with 0 bits"),
        ({"block": 7}, "does not fit"),
        ({"body": b""}, "holds 0 samples"),
        ({"body": b"\0\0"}, "holds 1 sample"),
        ({"form_size": 8}, "cut short"),
    ],
)
def test_wav(tmp_path, parts, says):
    assert says in refused(_wave(tmp_path, **parts))


def test_wav_of_another_kind_or_without_data(tmp_path):
    assert "not a WAV" in refused(_file(tmp_path, "van.wav", b"RIFF\x04\0\0\0AVI " + bytes(50)))
    assert "no data chunk" in refused(_file(tmp_path, "van.wav", b"RIFF\x04\0\0\0WAVE"))


def test_wav_with_an_unfilled_size_is_read_to_its_end(tmp_path):
    for size in (0, 0xFFFFFFFF):
        recording = open_recording(_wave(tmp_path, body=np.arange(50, dtype="<i2").tobytes(), declared=size))
        assert recording.read("1", 0, 99).tolist() == list(range(50))


# ---- Parquet, Arrow


def test_parquet_and_arrow_content(tmp_path):
    def saved(table):
        pa.parquet.write_table(table, tmp_path / "van.parquet")
        return tmp_path / "van.parquet"

    assert "no numeric column" in refused(saved(pa.table({"time": [0.0, 1.0], "note": ["a", "b"]})))
    assert "no time column and no rate" in refused(saved(pa.table({"crank": [0.0, 1.0]})))
    assert "rate_hz is not a number" in refused(
        saved(pa.table({"crank": [0.0, 1.0]}).replace_schema_metadata({"rate_hz": "x"}))
    )
    assert "time is not numeric" in refused(saved(pa.table({"time": ["a", "b"], "crank": [0.0, 1.0]})))
    assert "not a finite number" in refused(saved(pa.table({"time": [0.0, None, 2.0], "crank": [0.0, 1.0, 2.0]})))
    data = (tmp_path / "van.parquet").read_bytes()
    assert "footer is gone" in refused(_file(tmp_path, "cut.parquet", data[:-3]))
    refused(_file(tmp_path, "van.arrow", data))


def test_writer_leaves_nothing_behind_when_it_fails(tmp_path):
    with pytest.raises(ValueError, match="same length"):
        write_recording(tmp_path / "a.csv", {"a": np.arange(3), "b": np.arange(4)}, 100.0)
    with pytest.raises(ValueError, match="whole rates"):
        write_recording(tmp_path / "a.wav", {"a": np.arange(3, dtype=np.int16)}, 100.5)
    with pytest.raises(ValueError, match="suffix"):
        write_recording(tmp_path / "a", {"a": np.arange(3)}, 100.0)
    assert list(tmp_path.iterdir()) == []


def test_gaps_beside_a_single_number_are_said_in_words(tmp_path):
    path = tmp_path / "one.csv"
    path.write_text("time,crank\n0,1\n0.001,abc\n0.002,def\n")
    with pytest.raises(BadRecording, match="its only channel crank has fewer than two samples"):
        open_recording(path)


@pytest.mark.parametrize("name", ["endless-heap", "huge-driver-block"])
def test_hdf5_files_that_once_filled_all_memory(name):
    """Found by fuzzing (simulated data, some bytes changed): names that lead into themselves, a block called huge."""
    path = Path(__file__).parent / "data" / f"{name}.h5"
    with pytest.raises(BadRecording, match=rf"{name}\.h5: is damaged; expected a whole HDF5 file"):
        open_recording(path)


@pytest.mark.parametrize("name", ["types-contradict", "histogram-contradicts"])
def test_parquet_files_that_once_ended_the_process(name):
    """Found by fuzzing (simulated data, some bytes changed); in a process of its own, since it would end this one."""
    path = Path(__file__).parent / "data" / f"{name}.parquet"
    code = "from tests.recording.helpers import read_or_refused; from pathlib import Path; "
    code += f"read_or_refused(Path({str(path)!r}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[2], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]

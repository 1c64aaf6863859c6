"""HDF5, MATLAB and Zarr: what is particular to them; h5py, SciPy and zarr themselves are the reference."""

from __future__ import annotations

import io
import shutil
import struct
import zlib

import h5py
import numpy as np
import pytest
import scipy.io
import zarr

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers.zarr_codecs import crc32c

N = 3000
CRANK = (np.arange(N) % 90 - 40).astype(np.int16)


def _read_all(path) -> None:
    recording = open_recording(path)
    for c in recording.channels:
        recording.read(c.name, 0, c.samples)


def refused(path) -> str:
    with pytest.raises(BadRecording) as caught:
        _read_all(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: ")
    assert text.isprintable()
    return text


# ---- HDF5


def test_the_nearest_clock_holds(tmp_path):
    with h5py.File(tmp_path / "van.h5", "w", track_order=True) as file:
        file.attrs["rate_hz"] = 1000
        file["crank"] = CRANK
        file["cam"] = CRANK[: N // 2]
        file["cam"].attrs["rate_hz"] = 500.0
        slow = file.create_group("slow", track_order=True)
        slow.attrs.update({"rate_hz": np.float32(50), "start_s": 0.5})
        slow["pressure"] = np.arange(100.0)
        slow["pressure"].attrs.update({"unit": "bar", "gain": 2.0, "offset": -1.0})
        timed = file.create_group("timed")
        timed["Time [ms]"] = 200.0 + 10 * np.arange(70)
        timed["temperature"] = np.arange(70, dtype=np.uint8)
        timed.create_group("below")["marker"] = np.arange(70) % 2 == 0
        file["note"] = "text"
        file["matrix"] = np.ones((3, 3))
    recording = open_recording(tmp_path / "van.h5")
    assert [(c.name, c.rate_hz, c.start_s, c.samples) for c in recording.channels] == [
        ("crank", 1000.0, 0.0, N),
        ("cam", 500.0, 0.0, N // 2),
        ("pressure", 50.0, 0.5, 100),
        ("temperature", 100.0, 0.2, 70),
        ("marker", 100.0, 0.2, 70),
    ]
    info = recording.info("pressure")
    assert (info.unit, info.gain, info.offset) == ("bar", 2.0, -1.0)
    np.testing.assert_array_equal(recording.values("pressure", 3, 9), np.arange(3, 9) * 2.0 - 1)
    np.testing.assert_array_equal(recording.read("crank", 5, N), CRANK[5:])
    assert set(recording.left_out) == {"note", "matrix"}
    assert any("do not begin together: pressure at 0.5 s" in c for c in recording.cautions)


def test_names_with_their_groups_where_they_repeat(tmp_path):
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file.attrs["rate_hz"] = 10.0
        for name in ("a/crank", "b/crank", "b/cam"):
            file[name] = CRANK
    assert {c.name for c in open_recording(tmp_path / "van.h5").channels} == {"a/crank", "b/crank", "cam"}


@pytest.mark.parametrize(
    "dtype", ["bool", "int8", "uint8", "int16", ">i4", "int64", "uint64", "float16", "float32", ">f8"]
)
@pytest.mark.parametrize("options", [{}, {"chunks": (700,)}, {"chunks": (700,), "compression": "lzf", "shuffle": True}])
def test_hdf5_types(tmp_path, dtype, options):
    values = (np.arange(N) % 2).astype(dtype)
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file.create_dataset("crank", data=values, **options)
        file["crank"].attrs["rate_hz"] = 10.0
    recording = open_recording(tmp_path / "van.h5")
    got = recording.read("crank", 650, 1500)
    native = {"bool": "uint8", "float16": "float32"}.get(dtype, dtype)
    assert got.dtype == np.dtype(native).newbyteorder("=")
    np.testing.assert_array_equal(got, values[650:1500])


def test_hdf5_in_one_piece_is_mapped(tmp_path):
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file["crank"] = CRANK
        file.attrs["rate_hz"] = 10.0
    part = open_recording(tmp_path / "van.h5").read("crank", 5, 9)
    assert isinstance(part.base, np.memmap) or isinstance(part.base.base, np.memmap)


def test_links_to_elsewhere_are_not_followed(tmp_path):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["secret"] = CRANK
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file.attrs["rate_hz"] = 10.0
        file["crank"] = CRANK
        file["again"] = file["crank"]
        file["soft"] = h5py.SoftLink("/crank")
        file["out"] = h5py.ExternalLink("other.h5", "/secret")
        file["loop"] = h5py.SoftLink("/")
        layout = h5py.VirtualLayout(shape=(N,), dtype="i2")
        layout[:] = h5py.VirtualSource(tmp_path / "other.h5", "secret", shape=(N,))
        file.create_virtual_dataset("virtual", layout)
    recording = open_recording(tmp_path / "van.h5")
    assert len(recording.channels) == 1
    assert recording.left_out == ("virtual",)


def test_hdf5_chunks_never_written_are_gaps(tmp_path):
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file.attrs["rate_hz"] = 1000.0
        crank = file.create_dataset("crank", (N,), "i2", chunks=(500,))
        crank[:500] = CRANK[:500]
        crank[1000:2000] = CRANK[1000:2000]
    recording = open_recording(tmp_path / "van.h5")
    (info,) = recording.channels
    assert info.samples == 2000
    assert [(g.start_s, g.end_s) for g in info.gaps] == [(0.5, 1.0), (2.0, 3.0)]
    assert any("room for more samples" in c for c in recording.cautions)
    got = recording.read("crank", 0, N)
    assert np.isnan(got[500:1000]).all()
    np.testing.assert_array_equal(got[1000:], CRANK[1000:2000])


@pytest.mark.parametrize("options", [{}, {"chunks": (500,), "compression": "gzip"}])
def test_hdf5_cut_short_is_read_as_far_as_it_is_whole(tmp_path, options):
    path, noise = tmp_path / "van.h5", np.random.default_rng(3).integers(-9000, 9000, N).astype(np.int16)
    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = 1000.0
        file.create_dataset("crank", data=noise, **options)
        where = file["crank"].id.get_offset() if not options else file["crank"].id.get_chunk_info(4).byte_offset
    cut = where + 2 * 2222 if not options else where + 100
    path.write_bytes(path.read_bytes()[:cut])
    recording = open_recording(path)
    (info,) = recording.channels
    assert info.samples == (2222 if not options else 2000)
    assert any("cut short" in c for c in recording.cautions)
    assert info.gaps[-1].reason == "file cut short"
    np.testing.assert_array_equal(recording.read("crank", 0, N), noise[: info.samples])


def test_hdf5_refusals(tmp_path):
    path = tmp_path / "van.h5"

    def made(**attributes):
        with h5py.File(path, "w") as file:
            file["crank"] = CRANK
            file["crank"].attrs.update(attributes)
        return path

    assert "neither rate_hz nor time" in refused(made())
    assert "rate_hz of /crank is not one finite number" in refused(made(rate_hz=np.nan))
    assert "rate_hz of /crank is not one finite number" in refused(made(rate_hz=[1.0, 2.0]))
    assert "rate_hz is 0" in refused(made(rate_hz=0))
    with h5py.File(path, "w") as file:
        file["time"], file["crank"] = np.arange(N - 1) / 10, CRANK
    assert "crank has 3000 samples, time has 2999" in refused(path)
    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = 10.0
        file.create_dataset("crank", (10**15,), "i2", chunks=(10**5,))[:5] = 1
    assert "claims 1000000000000000 samples" in refused(path)
    with h5py.File(path, "w") as file:
        file.attrs["rate_hz"] = 10.0
        file.create_dataset("crank", (10**10,), "i2", chunks=(10**9,), compression="gzip")
    assert "chunks of 1907 MB" in refused(path)
    with h5py.File(path, "w") as file:
        file["note"] = "text"
    assert "no one-dimensional data set" in refused(path)


def test_a_group_that_is_no_clock_is_left_out_with_its_reason(tmp_path):
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file["crank"] = CRANK
        file["crank"].attrs["rate_hz"] = 1000.0
        file["odd/time"], file["odd/cam"] = [0.0, 1.0, 0.5], [1.0, 2.0, 3.0]
    recording = open_recording(tmp_path / "van.h5")
    assert [c.name for c in recording.channels] == ["crank"]
    assert any("cam" in c and "time runs backwards in row 3" in c for c in recording.cautions)


# ---- MATLAB


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("oned", ["row", "column"])
@pytest.mark.parametrize(
    "dtype", ["bool", "int8", "uint8", "int16", "uint16", "int32", "int64", "uint64", "float32", "float64"]
)
def test_matlab_types(tmp_path, packed, oned, dtype):
    values = (np.arange(N) % 2).astype(dtype)
    scipy.io.savemat(tmp_path / "van.mat", {"rate_hz": 250.0, "crank": values}, do_compression=packed, oned_as=oned)
    recording = open_recording(tmp_path / "van.mat")
    got = recording.read("crank", 650, 1500)
    assert got.dtype == ("uint8" if dtype == "bool" else dtype)
    np.testing.assert_array_equal(got, values[650:1500])
    assert recording.channels[0].rate_hz == 250.0


@pytest.mark.parametrize("packed", [False, True])
def test_matlab_workspace_with_everything_else_in_it(tmp_path, packed):
    scipy.io.savemat(
        tmp_path / "van.mat",
        {
            "time": np.arange(N) / 100,
            "note": "a text",
            "cell": np.array([1, "a"], dtype=object),
            "s": {"a": 1.0},
            "matrix": np.ones((3, 3)),
            "turned": 1j * np.ones(N),
            "crank": CRANK,
            "gain__crank": 0.5,
            "offset__crank": 2.0,
            "unit__crank": "V",
            "k": 3.0,
            "nothing": np.empty((0, 0)),
        },
        do_compression=packed,
    )
    recording = open_recording(tmp_path / "van.mat")
    (info,) = recording.channels
    assert (info.name, info.gain, info.offset, info.unit, info.rate_hz) == ("crank", 0.5, 2.0, "V", 100.0)
    assert recording.left_out == ("matrix",)
    np.testing.assert_array_equal(recording.values("crank", 0, N), CRANK * 0.5 + 2)


def test_matlab_stores_whole_doubles_as_small_integers(tmp_path):
    """A double of whole numbers lies in the file as bytes: its class says what it is."""
    path = tmp_path / "van.mat"
    body = _matrix("crank", 6, (1, 100), 1, np.arange(100, dtype="i1").tobytes())
    path.write_bytes(_mat_head() + _matrix("rate_hz", 6, (1, 1), 9, struct.pack("<d", 10.0)) + body)
    got = open_recording(path).read("crank", 0, 100)
    assert got.dtype == np.float64
    np.testing.assert_array_equal(got, np.arange(100))


def _mat_head() -> bytes:
    return b"MATLAB 5.0 MAT-file, simulated".ljust(124) + b"\x00\x01IM"


def _part(kind: int, body: bytes) -> bytes:
    return struct.pack("<II", kind, len(body)) + body + bytes(-len(body) % 8)


def _matrix(name: str, kind: int, shape: tuple[int, ...], stored: int, body: bytes) -> bytes:
    parts = _part(6, struct.pack("<II", kind, 0)) + _part(5, struct.pack(f"<{len(shape)}i", *shape))
    return _part(14, parts + _part(1, name.encode()) + _part(stored, body))


def test_matlab_big_endian(tmp_path):
    path = tmp_path / "van.mat"
    scipy.io.savemat(path, {"crank": CRANK, "rate_hz": 10.0})
    # a file of the other byte order, put together by hand
    parts = (
        struct.pack(">IIII", 6, 8, 10, 0) + struct.pack(">IIii", 5, 8, 1, 4) + struct.pack(">II", 1, 5) + b"crank\0\0\0"
    )
    parts += struct.pack(">IIhhhh", 3, 8, 1, -2, 300, 4)
    rate = struct.pack(">IIII", 6, 8, 6, 0) + struct.pack(">IIii", 5, 8, 1, 1) + struct.pack(">II", 1, 7) + b"rate_hz\0"
    rate += struct.pack(">IId", 9, 8, 100.0)
    head = b"MATLAB 5.0 MAT-file, simulated".ljust(124) + b"\x01\x00MI"
    data = head + b"".join(struct.pack(">II", 14, len(p)) + p for p in (rate, parts))
    path.write_bytes(data)
    reference = scipy.io.loadmat(io.BytesIO(data))["crank"].reshape(-1)
    assert open_recording(path).read("crank", 0, 9).tolist() == reference.tolist() == [1, -2, 300, 4]


def test_matlab_in_one_piece_is_mapped(tmp_path):
    scipy.io.savemat(tmp_path / "van.mat", {"rate_hz": 10.0, "crank": CRANK})
    part = open_recording(tmp_path / "van.mat").read("crank", 5, 9)
    assert isinstance(part.base, np.memmap) or isinstance(part.base.base, np.memmap)


@pytest.mark.parametrize("packed", [False, True])
def test_matlab_cut_short_is_read_as_far_as_it_is_whole(tmp_path, packed):
    path, noise = tmp_path / "van.mat", np.random.default_rng(3).integers(-9000, 9000, N).astype(np.int16)
    scipy.io.savemat(path, {"rate_hz": 1000.0, "crank": noise}, do_compression=packed)
    path.write_bytes(path.read_bytes()[:-1000])
    recording = open_recording(path)
    (info,) = recording.channels
    assert 2000 < info.samples < N
    assert any("cut short" in c for c in recording.cautions)
    assert info.gaps[-1].reason == "file cut short"
    np.testing.assert_array_equal(recording.read("crank", 0, N), noise[: info.samples])


def test_matlab_refusals(tmp_path):
    path = tmp_path / "van.mat"
    rate = _matrix("rate_hz", 6, (1, 1), 9, struct.pack("<d", 10.0))
    path.write_bytes(_mat_head() + rate + _matrix("crank", 10, (1, 2**30), 3, bytes(20)))
    assert "array crank claims 1073741824 samples, 10 are there" in refused(path)
    path.write_bytes(_mat_head() + rate + _matrix("crank", 10, (1, -5), 3, bytes(20)))
    assert "damaged" in refused(path)
    bomb = _matrix("crank", 10, (1, 2**30), 3, b"")[:-8] + struct.pack("<II", 3, 2**31)
    path.write_bytes(_mat_head() + rate + struct.pack("<II", 15, len(zlib.compress(bomb))) + zlib.compress(bomb))
    assert "unpacks to 2048 MB" in refused(path)
    scipy.io.savemat(path, {"crank": CRANK})
    assert "neither rate_hz nor time" in refused(path)
    scipy.io.savemat(path, {"crank": CRANK}, format="4")
    assert "is not a MATLAB level 5 or 7.3 file" in refused(path)
    path.write_bytes(_mat_head())
    assert "no array of numbers" in refused(path)


# ---- Zarr


def _zarr(path, **options):
    root = zarr.create_group(store=path, overwrite=True, zarr_format=3)
    root.attrs["rate_hz"] = 1000.0
    array = root.create_array("crank", shape=(N,), chunks=(500,), dtype="i2", **options)
    array[:] = CRANK
    return path


def test_zarr_groups_clocks_scales_and_order(tmp_path):
    path = _zarr(tmp_path / "van.zarr")
    root = zarr.open_group(path, mode="a")
    root.attrs["channels"] = ["crank", "cam"]
    cam = root.create_array("cam", data=CRANK[:900])
    cam.attrs.update({"unit": "V", "gain": 0.5, "offset": 1.0, "rate_hz": 300.0})
    slow = root.create_group("slow")
    slow.create_array("time", data=0.5 + np.arange(50) / 20)
    slow.create_array("pressure", data=np.arange(50.0))
    root.create_array("matrix", data=np.ones((3, 3)))
    recording = open_recording(path)
    assert [(c.name, c.rate_hz, c.start_s) for c in recording.channels] == [
        ("crank", 1000.0, 0.0),
        ("cam", 300.0, 0.0),
        ("pressure", 20.0, 0.5),
    ]
    assert (recording.info("cam").unit, recording.info("cam").gain) == ("V", 0.5)
    assert recording.left_out == ("matrix",)


def test_zarr_chunks_that_are_absent_are_gaps_never_levels(tmp_path):
    path = _zarr(tmp_path / "van.zarr")
    (path / "crank" / "c" / "2").unlink()
    recording = open_recording(path)
    (info,) = recording.channels
    assert [(g.start_s, g.end_s) for g in info.gaps] == [(1.0, 1.5)]
    assert np.isnan(recording.read("crank", 1000, 1500)).all()
    np.testing.assert_array_equal(recording.read("crank", 1500, N), CRANK[1500:])
    shutil.rmtree(path / "crank" / "c")
    assert "no one-dimensional" in refused(path)


def test_zarr_chunks_of_a_line_at_rest_are_levels(tmp_path):
    """By default the library stores no chunk that holds only the fill value: a line at rest, which is no gap."""
    values = CRANK.copy()
    values[800:2200] = 0
    root = zarr.create_group(store=tmp_path / "van.zarr", zarr_format=3)
    root.attrs["rate_hz"] = 1000.0
    root.create_array("crank", data=values, chunks=(500,))
    assert {p.name for p in (tmp_path / "van.zarr" / "crank" / "c").iterdir()} == {"0", "1", "4", "5"}
    recording = open_recording(tmp_path / "van.zarr")
    assert recording.channels[0].gaps == ()
    np.testing.assert_array_equal(recording.read("crank", 0, N), values)


def test_zarr_a_single_array(tmp_path):
    array = zarr.create_array(store=tmp_path / "crank.zarr", data=CRANK, chunks=(500,), zarr_format=3)
    array.attrs["rate_hz"] = 10.0
    recording = open_recording(tmp_path / "crank.zarr")
    assert [c.name for c in recording.channels] == ["crank"]


@pytest.mark.parametrize(
    "options",
    [
        {"compressors": None},
        {"compressors": zarr.codecs.GzipCodec(level=3)},
        {"compressors": zarr.codecs.ZstdCodec(level=1, checksum=True)},
        {"compressors": [zarr.codecs.ZstdCodec(), zarr.codecs.Crc32cCodec()]},
        {"compressors": zarr.codecs.BloscCodec(cname="zstd", shuffle="shuffle")},
        {"compressors": zarr.codecs.BloscCodec(cname="zlib", shuffle="noshuffle")},
        {"compressors": None, "serializer": zarr.codecs.BytesCodec(endian="big")},
        {"chunk_key_encoding": {"name": "v2", "separator": "."}},
        {"chunk_key_encoding": {"name": "default", "separator": "."}},
        {"shards": (1000,)},
        {"shards": (1500,), "compressors": zarr.codecs.BloscCodec(cname="lz4")},
    ],
    ids=lambda options: "+".join(options),
)
@pytest.mark.parametrize("dtype", ["bool", "int8", "int16", "uint32", "int64", "float16", "float32", "float64"])
def test_zarr_codecs_against_the_library(tmp_path, options, dtype):
    values = (np.random.default_rng(1).integers(0, 2 if dtype == "bool" else 100, N)).astype(dtype)
    root = zarr.create_group(store=tmp_path / "van.zarr", zarr_format=3)
    root.attrs["rate_hz"] = 1000.0
    root.create_array("crank", data=values, chunks=(500,), **options)
    recording = open_recording(tmp_path / "van.zarr")
    np.testing.assert_array_equal(recording.read("crank", 0, N), values)
    np.testing.assert_array_equal(recording.read("crank", 499, 1502), values[499:1502])


def test_checksum_against_its_published_value():
    """RFC 3720, appendix B.4: 32 bytes of zeros; and the usual check value of the polynomial's catalogue entry."""
    assert crc32c(bytes(32)) == 0x8A9136AA
    assert crc32c(b"123456789") == 0xE3069283


def test_zarr_chunks_with_false_sizes(tmp_path):
    """A header that claims more than the chunk holds never reaches the library that would believe it."""
    path = _zarr(tmp_path / "van.zarr", compressors=zarr.codecs.BloscCodec(cname="lz4"))
    chunk = path / "crank" / "c" / "1"
    good = chunk.read_bytes()
    for at, size in ((4, 1 << 30), (8, 1 << 30), (8, 0), (12, len(good) + 1), (12, 1 << 30)):
        chunk.write_bytes(good[:at] + struct.pack("<I", size) + good[at + 4 :])
        assert "a chunk of array crank is damaged" in refused(path)
    chunk.write_bytes(good[:12])
    assert "cut short" in refused(path)


def test_zarr_refusals(tmp_path):
    path = _zarr(tmp_path / "van.zarr")
    meta = path / "crank" / "zarr.json"
    text = meta.read_text()
    (path / "crank" / "c" / "1").write_bytes(b"damaged")
    assert "a chunk of array crank is damaged" in refused(path)
    meta.write_text(text.replace(str(N), str(10**15)))
    assert "claims 1000000000000000 samples" in refused(path)
    meta.write_text(text[:100])
    assert "zarr.json of crank is damaged" in refused(path)
    zarr.create_group(store=tmp_path / "old.zarr", zarr_format=2)
    assert "is Zarr version 2" in refused(tmp_path / "old.zarr")
    (tmp_path / "empty.zarr").mkdir()
    assert "no zarr.json" in refused(tmp_path / "empty.zarr")
    (tmp_path / "file.zarr").write_text("?")
    assert "is a file" in refused(tmp_path / "file.zarr")
    assert "no such file" in refused(tmp_path / "gone.zarr")

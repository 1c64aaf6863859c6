"""Archives as Zarr (and HDF5, which keeps as much): nothing is lost there and back; against their libraries."""

from __future__ import annotations

import json
import zipfile

import h5py
import numpy as np
import pyarrow.parquet as pq
import pytest
import zarr

from witnessmark.recording.export import export_recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_import import import_recording

from .helpers import CHANGES, FORMATS, simulated
from .test_export import RATE, TREES, odd
from .test_store import same


def test_an_archive_and_back_is_the_same_store(tmp_path):
    (tmp_path / "van.csv").write_text(
        "t,crank,note,cam\n"
        + "".join(f"{i / 1000:.3f},{'' if 40 < i < 60 else i % 9},x,{i % 4}\n" for i in range(3000))
    )
    import_recording(tmp_path / "van.csv", tmp_path / "store")
    export_recording(open_recording(tmp_path / "store"), tmp_path / "archive.zarr")
    import_recording(tmp_path / "archive.zarr", tmp_path / "again")
    same(open_recording(tmp_path / "store"), open_recording(tmp_path / "again"))
    one, other = (json.loads((tmp_path / p / "recording.json").read_text()) for p in ("store", "again"))
    assert one["channels"][0]["gaps"]
    assert one["cautions"]
    assert one["left_out"] == ["note"]
    for key in ("channels", "cautions", "left_out", "format", "end_s"):
        assert one[key] == other[key]


@pytest.mark.parametrize("name", ["wav", "vcd"])
@pytest.mark.parametrize("suffix", TREES)
def test_what_a_format_leaves_unknown_stays_unknown(tmp_path, name, suffix):
    """A WAV has no volts: an archive of it has none either."""
    fmt = {**FORMATS, **CHANGES}[name]
    fmt.write(tmp_path / f"van.{name}", simulated())
    whole = open_recording(tmp_path / f"van.{name}")
    export_recording(whole, tmp_path / f"out.{suffix}")
    same(whole, open_recording(tmp_path / f"out.{suffix}"))


def test_the_archive_against_the_zarr_library(tmp_path, monkeypatch):
    monkeypatch.setattr("witnessmark.recording.writers.zarr.CHUNK", 1024)
    monkeypatch.setattr("witnessmark.recording.writers.tree.CHUNK", 1024)
    whole = odd()
    export_recording(whole, tmp_path / "van.zarr")
    group = zarr.open_group(tmp_path / "van.zarr", mode="r", zarr_format=3)
    names = group.attrs["channels"]
    assert len(names) == 5
    for k, name in enumerate(names):
        array = group[name]
        np.testing.assert_array_equal(array[:], whole.source.read(k, 0, 5000))
        assert array.dtype == whole.source.read(k, 0, 0).dtype
        assert array.chunks == (1024,)
        (codec,) = array.compressors
        assert (codec.cname.value, codec.shuffle.value) == ("lz4", "bitshuffle")
        assert dict(array.attrs)["name"] == whole.channels[k].name
        assert dict(array.attrs)["rate_hz"] == RATE


def test_what_others_call_a_name_stays_theirs(tmp_path):
    """Attributes of other programs' files: only this program's own say what a channel is called."""
    with h5py.File(tmp_path / "van.h5", "w") as file:
        file["crank"] = np.arange(50)
        file["crank"].attrs.update({"rate_hz": 100.0, "name": "mine", "kind": "raw"})
        file.attrs["recording"] = '{"format": "theirs", "end_s": 1, "channels": []}'
    assert [(c.name, c.position) for c in open_recording(tmp_path / "van.h5").channels] == [("crank", 1)]
    assert open_recording(tmp_path / "van.h5").format == "HDF5"


def test_a_damaged_archive_has_the_gaps_of_its_damage_too(tmp_path, monkeypatch):
    for module in ("tree", "zarr"):
        monkeypatch.setattr(f"witnessmark.recording.writers.{module}.CHUNK", 1000)
    export_recording(odd(), tmp_path / "van.zarr")
    (tmp_path / "van.zarr" / "gappy" / "c" / "3").unlink()
    back = open_recording(tmp_path / "van.zarr")
    assert [round((g.start_s + 0.25) * RATE) for g in back.info("gappy").gaps] == [700, 3000]
    assert any("gappy" in c for c in back.cautions)


def test_what_others_read(tmp_path):
    """The tables through their own libraries: units and names as anyone would look for them."""
    export_recording(odd(), tmp_path / "van.parquet")
    schema = pq.read_schema(tmp_path / "van.parquet")
    assert schema.metadata[b"rate_hz"] == b"12500.0"
    assert schema.metadata[b"start_s"] == b"-0.25"
    assert schema.field("crank").metadata[b"unit"] == b"V"
    export_recording(odd(), tmp_path / "van.h5")
    with h5py.File(tmp_path / "van.h5") as file:
        assert dict(file["crank"].attrs)["gain"] == 0.001
        assert file["crank"].chunks is None
    export_recording(odd(), tmp_path / "van.npz")
    with np.load(tmp_path / "van.npz") as file:
        assert file["rate_hz"] == 12500.0
        assert file["gain__crank"] == 0.001
    with zipfile.ZipFile(tmp_path / "van.npz") as file:
        assert file.testzip() is None

"""The working store: what is in it, read with numpy, json and hashlib alone; what damages it; what is refused."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import h5py
import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from witnessmark import pipeline
from witnessmark.errors import BadOutput, BadRecording, BadSetup, Cancelled
from witnessmark.output import check_places
from witnessmark.recording import store_import
from witnessmark.recording.columns import finite
from witnessmark.recording.model import ChannelInfo, Recording
from witnessmark.recording.open import kept_setup, open_recording
from witnessmark.recording.pyramid import envelope_of
from witnessmark.recording.readers.store import read as open_store
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.recording.store_format import SampleType, schema
from witnessmark.recording.store_import import import_recording
from witnessmark.recording.store_verify import verify
from witnessmark.recording.store_write import StoreWriter
from witnessmark.recording.write import write_recording
from witnessmark.spans import Span

from .helpers import CHANGES, FORMATS, SAMPLES, simulated

EVERY = {**FORMATS, **CHANGES}


def same(a: Recording, b: Recording) -> None:
    """The same recording, path aside: header, gaps, cautions, native samples of the same type."""
    for said in ("channels", "end_s", "cautions", "format", "left_out"):
        assert getattr(a, said) == getattr(b, said)
    for k, info in enumerate(a.channels):
        if info.kind == "changes":
            one, other = a.source.changes(k), b.source.changes(k)
            np.testing.assert_array_equal(one.time_s, other.time_s)
            np.testing.assert_array_equal(one.level, other.level)
            assert one.end_s == other.end_s
            continue
        one, other = a.source.read(k, 0, info.samples), b.source.read(k, 0, info.samples)
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other)


def refused(path) -> str:
    with pytest.raises(BadRecording) as caught:
        open_recording(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert text.isprintable()
    assert ";" in text
    return text


@pytest.fixture
def source(tmp_path) -> Path:
    path = tmp_path / "van.npz"
    FORMATS["npz"].write(path, simulated())
    return path


@pytest.fixture
def store(tmp_path, source) -> Path:
    import_recording(source, tmp_path / "store")
    return tmp_path / "store"


# ---- what is in it


@pytest.mark.parametrize("name", list(EVERY))
def test_a_store_gives_back_what_any_reader_gave(tmp_path, name):
    fmt = EVERY[name]
    path = tmp_path / f"van{fmt.suffix}"
    fmt.write(path, simulated())
    made = import_recording(path, tmp_path / "imported")
    same(open_recording(path), open_recording(tmp_path / "imported"))
    assert made.channels == 2
    assert verify(tmp_path / "imported") == made.samples
    assert not [p for p in tmp_path.iterdir() if "unfinished" in p.name]


def test_its_files_with_numpy_json_and_hashlib_alone(source, store):
    said = json.loads((store / "recording.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema()).validate(said)
    assert said["schema"] == "witnessmark.recording/1"
    assert said["source"]["sha256"] == hashlib.sha256(source.read_bytes()).hexdigest()
    assert (said["source"]["name"], said["source"]["bytes"]) == ("van.npz", source.stat().st_size)
    used = {"recording.json"}
    for channel, truth in zip(said["channels"], simulated().values(), strict=True):
        samples = np.load(store / channel["file"])
        np.testing.assert_array_equal(samples, truth)
        assert samples.dtype == np.int16
        assert channel["sha256"] == hashlib.sha256(samples.tobytes()).hexdigest()
        pyramid = np.load(store / channel["pyramid"])
        assert len(pyramid) == -(-SAMPLES // 64) + -(-SAMPLES // 1024) + 1
        np.testing.assert_array_equal(pyramid[1], [truth[64:128].min(), truth[64:128].max()])
        np.testing.assert_array_equal(pyramid[-1], [truth.min(), truth.max()])
        used |= {channel["file"], channel["pyramid"]}
    assert {p.name for p in store.iterdir()} == used


def test_its_name_as_shells_complete_it(store):
    assert open_recording(f"{store}{os.sep}").path == str(store)


def test_samples_are_mapped_and_not_copied(store):
    recording = open_recording(store)
    samples = recording.read("crank", 10, 20)
    assert not samples.flags.writeable
    assert not samples.flags.owndata
    again = recording.read("crank", 10, 20)
    assert again.__array_interface__["data"] == samples.__array_interface__["data"]


def test_a_picture_of_it_is_that_of_the_source(source, store):
    setup = Setup(channel=(ChannelSetup(name="crank", scale=-0.5, offset=3.0),))
    truth = 3.0 - 0.5 * simulated()["crank"]
    for start, stop, columns in ((0, SAMPLES, 5), (100, 2900, 9), (7, 50, 3)):
        of_store = envelope_of(open_recording(store, setup), "crank", start, stop, columns)
        of_file = envelope_of(open_recording(source, setup), "crank", start, stop, columns)
        assert (of_store.first, of_store.size) == (of_file.first, of_file.size)
        np.testing.assert_array_equal(of_store.extremes, of_file.extremes)
        own = truth[of_file.first : of_file.first + of_file.size * len(of_file.extremes)]
        assert (of_file.extremes[:, 0].min(), of_file.extremes[:, 1].max()) == (own.min(), own.max())


def test_several_rates_gaps_and_cautions(tmp_path):
    path = tmp_path / "van.h5"
    with h5py.File(path, "w", track_order=True) as file:
        for k, rate in enumerate((1000.0, 50.0)):
            group = file.create_group(f"g{k}")
            values = np.sin(np.arange(int(rate * (2 + k))) / 9)
            values[5:9] = np.nan
            group[f"line {k}"] = values
            group.attrs["rate_hz"] = rate
    import_recording(path, tmp_path / "store")
    recording = open_recording(tmp_path / "store")
    same(open_recording(path), recording)
    assert [c.rate_hz for c in recording.channels] == [1000.0, 50.0]
    assert len(recording.cautions) >= 2


@pytest.mark.parametrize("simulated", [True, False])
def test_it_keeps_whether_the_file_says_that_no_engine_ran(tmp_path, simulated):
    path, store = tmp_path / "van.npz", tmp_path / "store"
    write_recording(path, {"crank": np.arange(100, dtype=np.int16)}, 1000.0, simulated=simulated)
    assert open_recording(path).simulated is simulated
    import_recording(path, store)
    assert open_recording(store).simulated is simulated
    assert [c.name for c in open_recording(store).channels] == ["crank"]


def test_a_setup_rides_along_and_is_used_where_none_is_given(tmp_path, source, monkeypatch):
    """What is analysed is the same; that the analysis then is, test_same_analysis.py shows."""
    setup, store = tmp_path / "setup.toml", tmp_path / "store"
    setup.write_text('[[channel]]\nname = "1"\nlabel = "crank sensor"\nscale = 2.0\n')
    import_recording(source, store, setup)
    assert kept_setup(store) == str(store / "setup.toml")
    assert kept_setup(source) is None
    monkeypatch.setattr(pipeline, "analyze_recording", lambda *given, **_: given)
    of_store, of_file = pipeline.analyze(store), pipeline.analyze(source, setup)
    same(of_store[0], of_file[0])
    assert of_store[0].channels[0].gain == 2.0
    assert of_store[1] == of_file[1]
    assert of_store[2] == str(store / "setup.toml")
    setup.write_text('[[channel]]\nname = "1"\nscale = 3.0\n')
    assert pipeline.analyze(store, setup)[0].channels[0].gain == 3.0


# ---- whatever it holds


@settings(max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    names=st.lists(st.text(min_size=1, max_size=12), min_size=1, max_size=4, unique=True),
    types=st.lists(st.sampled_from(sorted(SampleType.__args__)), min_size=4, max_size=4),
    most=st.integers(2, 6000),
    chunk=st.integers(1, 4000),
)
def test_any_samples_of_any_type_under_any_name(tmp_path_factory, seed, names, types, most, chunk):
    rng = np.random.default_rng(seed)
    folder, infos, arrays = tmp_path_factory.mktemp("any"), [], []
    for k, (name, kind) in enumerate(zip(names, types, strict=False)):
        array = rng.integers(0, 256, int(rng.integers(2, most + 1)) * np.dtype(kind).itemsize, np.uint8).view(kind)
        array = finite(array)
        scale = {"gain": rng.normal(), "offset": rng.normal() * 1e6, "unit": name[::-1]}
        gaps = (Span(rng.normal(), 9.0, name), Span(9.0, 9.0))
        infos.append(ChannelInfo(name, k + 1, "sampled", len(array), rng.uniform(1, 1e6), -k / 3, gaps=gaps, **scale))
        arrays.append(array)
    held = Recording("held", tuple(infos), Held(arrays), rng.normal(), tuple(names), "any", tuple(names))
    with StoreWriter(folder / "store") as store:
        for k, array in enumerate(arrays):
            writer = store.channel(k, array.dtype)
            for at in range(0, len(array), chunk):
                writer.append(array[at : at + chunk])
        store.finish(held)
    same(held, open_store(str(folder / "store")))
    assert verify(folder / "store") == sum(len(a) for a in arrays)


class Held:
    """Samples in memory."""

    def __init__(self, arrays):
        self.arrays = arrays

    def read(self, index, start, stop):
        return self.arrays[index][start:stop]

    def changes(self, index):
        return self.arrays[index]


# ---- what is refused, and leaves nothing


def test_a_place_that_is_taken_or_not_there(tmp_path, source, store):
    before = sorted(tmp_path.iterdir())
    with pytest.raises(BadOutput, match="exists already"):
        import_recording(source, store)
    with pytest.raises(BadOutput, match="exists already"):
        import_recording(source, source)
    with pytest.raises(BadOutput, match="no folder"):
        import_recording(source, tmp_path / "gone" / "store")
    for odd in ("a" * 300, "two\0parts"):
        with pytest.raises(BadOutput, match="is no place to write"):
            import_recording(source, tmp_path / odd)
    with pytest.raises(BadOutput, match="lies in the folder it is made from"):
        check_places([str(store / "recording.json")], [str(store)])
    with pytest.raises(BadRecording, match="no such file"):
        import_recording(tmp_path / "gone.npz", tmp_path / "new")
    assert sorted(tmp_path.iterdir()) == before


def test_a_setup_that_does_not_fit_is_refused_before_anything_is_kept(tmp_path, source):
    setup = tmp_path / "setup.toml"
    setup.write_text('[[channel]]\nname = "krank"\n')
    with pytest.raises(BadSetup, match="krank"):
        import_recording(source, tmp_path / "store", setup)
    setup.write_text("[engine]\ncylindres = 4\n")
    with pytest.raises(BadSetup, match="cylindres"):
        import_recording(source, tmp_path / "store", setup)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["setup.toml", "van.npz"]


@pytest.mark.parametrize("name", ["npz", "csv"])
@pytest.mark.parametrize("stop", [KeyboardInterrupt, Cancelled("enough"), RuntimeError("a bug")])
def test_cancelled_it_leaves_nothing(tmp_path, name, stop):
    path = tmp_path / f"van{FORMATS[name].suffix}"
    FORMATS[name].write(path, simulated())

    def cancel(share: float) -> None:
        raise stop

    with pytest.raises(KeyboardInterrupt if stop is KeyboardInterrupt else Cancelled):
        import_recording(path, tmp_path / "store", progress=cancel)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", ["npz", "csv", "wav"])
def test_progress_rises_to_one(tmp_path, name, monkeypatch):
    monkeypatch.setattr("witnessmark.recording.readers.csv_table._BLOCK", 9000)
    monkeypatch.setattr(store_import, "CHUNK", 700)
    path, told = tmp_path / f"van{FORMATS[name].suffix}", []
    FORMATS[name].write(path, simulated())
    import_recording(path, tmp_path / "store", progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(set(told)) > 4


def test_a_source_that_changes_meanwhile(tmp_path, source):
    def write_on(share: float) -> None:
        os.utime(source, ns=(1, 1))

    with pytest.raises(BadRecording, match="changed while"):
        import_recording(source, tmp_path / "store", progress=write_on)
    assert list(tmp_path.iterdir()) == [source]


def test_a_reader_that_gives_fewer_samples_than_it_says(tmp_path, source, monkeypatch):
    honest = open_recording(source)

    class Short:
        def read(self, index, start, stop):
            return honest.source.read(index, start, min(stop, 1000))

    short = Recording(str(source), honest.channels, Short(), honest.end_s)
    monkeypatch.setattr(store_import, "open_recording", lambda *_, **__: short)
    with pytest.raises(BadRecording, match="claims 3000 samples, 1000 are there"):
        import_recording(source, tmp_path / "store")
    assert list(tmp_path.iterdir()) == [source]


# ---- a store that is damaged or makes false claims


def test_without_its_recording_json_it_is_none(store):
    (store / "recording.json").unlink()
    assert "is a folder" in refused(store)
    with pytest.raises(BadRecording, match=r"holds no recording\.json"):
        verify(store)


def _claim(store: Path, change) -> None:
    said = json.loads((store / "recording.json").read_text(encoding="utf-8"))
    change(said)
    (store / "recording.json").write_text(json.dumps(said), encoding="utf-8")


def _first(**fields):
    return lambda said: said["channels"][0].update(fields)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_first(samples=10**12), "claims 1000000000000 numbers in 0001.npy, 3000 are there"),
        (_first(samples=10**15), r"channels\.0\.samples"),
        (_first(samples=2999), "claims 2999 numbers"),
        (_first(type="int32"), "claims 3000 numbers in 0001.npy, 1500 are there"),
        (_first(type="uint16"), "holds other numbers"),
        (_first(type="object"), r"channels\.0\.type"),
        (_first(file="../van.npz"), r"channels\.0\.file"),
        (_first(file="gone.npy"), "gone.npy of channel crank is not there"),
        (_first(rate_hz=0), r"channels\.0\.rate_hz"),
        (_first(rate_hz=None), "has no rate"),
        (_first(kind="changes"), "contradict"),
        (_first(name="Nockenwelle β"), "two channels named"),
        (_first(gaps=[{"start_s": 2, "end_s": 1}]), "ends before it begins"),
        (lambda said: said.update(schema="witnessmark.recording/2"), "witnessmark.recording/2"),
        (lambda said: said.update(channels=[]), "holds no channels"),
        (lambda said: said.pop("end_s"), "end_s"),
    ],
)
def test_false_claims_are_refused(store, change, says):
    _claim(store, change)
    with pytest.raises(BadRecording, match=says):
        open_recording(store)
    refused(store)


def test_more_than_is_known_is_passed_over(store):
    _claim(store, lambda said: said.update(colour="blue"))
    assert len(open_recording(store).channels) == 2


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"schema": 1}', "[" * 100_000])
def test_a_recording_json_that_is_none(store, text):
    (store / "recording.json").write_text(text)
    refused(store)


@pytest.mark.parametrize("claim", [b"(10000000000000,)", b"(3000, 10000000)", b"None", b"(" * 60])
def test_a_header_that_claims_more(store, claim):
    file = store / "0001.npy"
    data = file.read_bytes()
    head = data[:128].replace(b"(3000,)", claim)
    file.write_bytes(head[:127].ljust(127) + b"\n" + data[128:])
    refused(store)


@pytest.mark.parametrize("keep", [0, 60, 128, 3000])
def test_a_file_cut_short(store, keep):
    file = store / "0002.npy"
    file.write_bytes(file.read_bytes()[:keep])
    assert "0002.npy" in refused(store)


@pytest.mark.parametrize(
    ("file", "at", "says"),
    [
        ("0001.npy", 128, "samples of channel crank are not those written"),
        ("0001.npy", -1, "samples of channel crank are not those written"),
        ("0002.npy", 3001, "samples of channel Nockenwelle β are not those written"),
        ("0001.pyramid.npy", 130, "pyramid of channel crank is not that of its samples"),
        ("0001.pyramid.npy", -1, "pyramid of channel crank is not that of its samples"),
    ],
)
def test_one_changed_bit_is_found(store, file, at, says):
    verify(store)
    data = bytearray((store / file).read_bytes())
    data[at] ^= 1
    (store / file).write_bytes(data)
    open_recording(store)  # opened at once: hashing takes as long as reading all of it
    with pytest.raises(BadRecording, match=says):
        verify(store)


def test_changes_that_were_changed(tmp_path):
    CHANGES["vcd"].write(tmp_path / "van.vcd", simulated())
    import_recording(tmp_path / "van.vcd", tmp_path / "store")
    file = tmp_path / "store" / "0001.times.npy"
    times = np.load(file)
    times[3] = np.nextafter(times[3], 1)
    np.save(file, times)
    with pytest.raises(BadRecording, match="channel crank are not those written"):
        verify(tmp_path / "store")
    np.save(file, times[::-1])
    assert "do not rise" in refused(tmp_path / "store")


def test_a_recording_is_no_store_to_verify(tmp_path):
    from witnessmark.recording.store_verify import verify as check_store

    (tmp_path / "van.npz").write_bytes(b"PK")
    with pytest.raises(BadRecording, match=r"is a recording, not a store.*import it first"):
        check_store(tmp_path / "van.npz")

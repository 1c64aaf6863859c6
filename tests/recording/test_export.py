"""What is exported is read back with the same samples; what a format cannot hold is refused."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from witnessmark.cli import main
from witnessmark.errors import BadOutput, BadRecording, Cancelled
from witnessmark.recording import export as exporting
from witnessmark.recording.export import WRITERS, export_recording
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.open import open_recording
from witnessmark.recording.window import part_of
from witnessmark.spans import Span

from .helpers import FORMATS, simulated
from .test_store import Held, same

RATE = 12_500.0
TREES = ["h5", "zarr"]
TABLES = ["csv", "tsv", "parquet", "arrow", "feather", "npz"]


def recording(arrays, rates=None, starts=None, **more) -> Recording:
    """Channels of any type, or Changes, under odd names."""
    infos = []
    for k, (name, array) in enumerate(arrays.items()):
        rate, start = (rates or {}).get(name, RATE), (starts or {}).get(name, 0.0)
        if isinstance(array, Changes):
            infos.append(ChannelInfo(name, k + 1, "changes", len(array.time_s), None, float(array.time_s[0])))
        else:
            gaps = _gaps(array, rate, start)
            infos.append(ChannelInfo(name, k + 1, "sampled", len(array), rate, start, gaps=gaps))
    ends = [
        a.end_s if isinstance(a, Changes) else i.start_s + i.samples / i.rate_hz
        for i, a in zip(infos, arrays.values(), strict=True)
    ]
    held = Recording("held in memory", tuple(infos), Held(list(arrays.values())), max(ends), format="held")
    return replace(held, **more)


def _gaps(array, rate, start):
    if array.dtype.kind != "f" or not np.isnan(array).any():
        return ()
    edges = np.flatnonzero(np.diff(np.concatenate(([False], np.isnan(array), [False])).astype(int))).reshape(-1, 2)
    return tuple(Span(start + a / rate, start + b / rate, "no value in the file") for a, b in edges.tolist())


def odd() -> Recording:
    """Every kind of sample, a scale, gaps, names that other formats use for themselves."""
    rng = np.random.default_rng(5)
    n = 5000
    gappy = rng.normal(size=n)
    gappy[700:900] = np.nan
    arrays = {
        "crank": rng.integers(-30000, 30000, n).astype(np.int16),
        'Nockenwelle β/1, links; "a"': rng.integers(-(2**31), 2**31, n).astype(np.int32),
        "gappy": gappy,
        "single": rng.normal(size=n).astype(np.float32),
        "level": rng.integers(0, 2, n).astype(np.uint8),
    }
    made = recording(arrays, starts=dict.fromkeys(arrays, -0.25))
    channels = [replace(c, unit="V") for c in made.channels]
    channels[0] = replace(channels[0], gain=0.001, offset=-2.5)
    return replace(made, channels=tuple(channels))


def values(made: Recording, index: int) -> np.ndarray:
    info = made.channels[index]
    return made.source.read(index, 0, info.samples) * info.gain + info.offset


# ---- there and back


@pytest.mark.parametrize("suffix", TABLES + TREES)
def test_read_back_the_samples_are_the_same(tmp_path, suffix, monkeypatch):
    for module in ("writers.fit", "writers.npz", "writers.tree", "writers.zarr"):
        monkeypatch.setattr(f"witnessmark.recording.{module}.CHUNK", 1024)
    whole, told = odd(), []
    path = tmp_path / f"van.{suffix}"
    made = export_recording(whole, path, progress=told.append)
    assert (made.channels, made.samples) == (5, 25_000)
    assert told == sorted(told)
    assert told[-1] == 1.0
    back = open_recording(path)
    assert [c.name for c in back.channels] == [c.name for c in whole.channels]
    for k, (a, b) in enumerate(zip(whole.channels, back.channels, strict=True)):
        np.testing.assert_array_equal(values(whole, k), values(back, k))
        assert (b.unit, b.samples, b.rate_hz) == (a.unit, a.samples, a.rate_hz)
        assert b.start_s == pytest.approx(a.start_s, abs=1e-9)
        assert [(round(g.start_s, 9), round(g.end_s, 9)) for g in b.gaps] == [
            (round(g.start_s, 9), round(g.end_s, 9)) for g in a.gaps
        ]
        if suffix in (*TREES, "npz"):
            native = back.source.read(k, 0, 9)
            assert native.dtype == whole.source.read(k, 0, 0).dtype
            assert (b.gain, b.offset) == (a.gain, a.offset)
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("types", "subtype"),
    [
        (["int16", "int16"], "PCM_16"),
        (["int16", "uint8"], "PCM_16"),
        (["int16", "int32"], "PCM_32"),
        (["uint16"], "PCM_32"),
        (["int16", "float32"], "FLOAT"),
        (["int32", "float32"], "DOUBLE"),
        (["float64"], "DOUBLE"),
    ],
)
def test_wav_keeps_the_native_samples(tmp_path, types, subtype):
    rng = np.random.default_rng(2)
    arrays = {f"line {k}": (rng.normal(size=3000) * 100).astype(t) for k, t in enumerate(types)}
    made = export_recording(recording(arrays), tmp_path / "van.wav")
    assert any("not kept" in note for note in made.notes)
    assert soundfile.info(tmp_path / "van.wav").subtype == subtype
    back = open_recording(tmp_path / "van.wav")
    for k, array in enumerate(arrays.values()):
        np.testing.assert_array_equal(back.source.read(k, 0, 3000), array.astype(np.float64))
    assert back.channels[0].rate_hz == RATE


def test_a_wav_beyond_4_gb_is_rf64(tmp_path, monkeypatch):
    """EBU Tech 3306: the limit is made small here."""
    monkeypatch.setattr("witnessmark.recording.writers.wav._LARGEST", 1000)
    export_recording(recording({"a": np.arange(3000, dtype=np.int16)}), tmp_path / "van.wav")
    assert (tmp_path / "van.wav").read_bytes()[:4] == b"RF64"
    np.testing.assert_array_equal(open_recording(tmp_path / "van.wav").source.read(0, 0, 3000), np.arange(3000))


def changing(end_s=0.5) -> Recording:
    rng = np.random.default_rng(8)
    lists = {}
    for k, name in enumerate(("crank", "cam")):
        times = np.unique(np.round(np.concatenate(([0.0], rng.uniform(0, 0.45, 300 - 200 * k))), 7))
        lists[name] = Changes(times, ((np.arange(len(times)) + k) % 2).astype(np.uint8), end_s)
    return recording(lists)


@pytest.mark.parametrize("suffix", TABLES + TREES)
def test_changes_keep_their_exact_times(tmp_path, suffix):
    whole = changing()
    export_recording(whole, tmp_path / f"van.{suffix}")
    back = open_recording(tmp_path / f"van.{suffix}")
    assert back.end_s == whole.end_s
    for k in range(2):
        one, other = whole.source.changes(k), back.source.changes(k)
        np.testing.assert_array_equal(one.time_s, other.time_s)
        np.testing.assert_array_equal(one.level, other.level)


@pytest.mark.parametrize("suffix", TREES)
def test_a_line_that_never_changes_is_still_a_list_of_changes(tmp_path, suffix):
    whole = changing()
    held = Held([whole.source.changes(0), Changes(np.array([0.0]), np.array([1], np.uint8), 0.5)])
    channels = (whole.channels[0], replace(whole.channels[1], samples=1))
    export_recording(replace(whole, channels=channels, source=held), tmp_path / f"van.{suffix}")
    back = open_recording(tmp_path / f"van.{suffix}")
    assert [c.kind for c in back.channels] == ["changes", "changes"]
    assert back.source.changes(1).level.tolist() == [1]


@pytest.mark.parametrize("suffix", TABLES)
def test_names_that_a_table_keeps_for_itself(tmp_path, suffix):
    arrays = {n: np.arange(50, dtype=np.int16) % 7 + k for k, n in enumerate(("time", "n", "crank", "Time [ms]"))}
    made = export_recording(recording(arrays), tmp_path / f"van.{suffix}")
    back = open_recording(tmp_path / f"van.{suffix}")
    assert len(back.channels) == 4
    for k, array in enumerate(arrays.values()):
        np.testing.assert_array_equal(values(back, k), array)
    assert suffix in ("csv", "tsv") or any("called line time" in note for note in made.notes)


# ---- several clocks


def apart(tmp_path) -> Recording:
    return recording(
        {"fast": np.arange(4000, dtype=np.int16), "slow": np.arange(200, dtype=np.int16)}, rates={"slow": 500.0}
    )


@pytest.mark.parametrize("suffix", TREES)
def test_each_keeps_its_own_clock_where_the_format_has_several(tmp_path, suffix):
    whole = apart(tmp_path)
    export_recording(whole, tmp_path / f"van.{suffix}")
    same(replace(whole, cautions=()), open_recording(tmp_path / f"van.{suffix}"))


@pytest.mark.parametrize("suffix", TREES)
def test_samples_and_changes_side_by_side(tmp_path, suffix):
    whole = changing()
    mixed = recording({"volts": np.arange(6250, dtype=np.int16), "level": whole.source.changes(0)})
    export_recording(mixed, tmp_path / f"van.{suffix}")
    same(mixed, open_recording(tmp_path / f"van.{suffix}"))
    with pytest.raises(BadOutput, match="level: changes only from 0 s"):
        export_recording(mixed, tmp_path / "van.csv")


@pytest.mark.parametrize("suffix", [*TABLES, "wav"])
def test_a_table_has_one_clock(tmp_path, suffix):
    with pytest.raises(BadOutput, match=r"a table has one clock.*fast: 12500 Hz from 0 s, slow: 500 Hz") as caught:
        export_recording(apart(tmp_path), tmp_path / f"van.{suffix}")
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []
    export_recording(apart(tmp_path), tmp_path / f"van.{suffix}", channels=["slow"])
    assert open_recording(tmp_path / f"van.{suffix}").channels[0].rate_hz == 500.0


@pytest.mark.parametrize("suffix", [*TABLES, *TREES, "wav"])
def test_channels_that_end_apart(tmp_path, suffix):
    whole = recording({"long": np.arange(400, dtype=np.int16), "short": np.arange(300, dtype=np.int16)})
    if suffix == "wav":
        with pytest.raises(BadOutput, match=r"--to 0\.024"):
            export_recording(whole, tmp_path / "van.wav")
        export_recording(whole, tmp_path / "van.wav", to_s=0.024)
        return
    export_recording(whole, tmp_path / f"van.{suffix}")
    back = open_recording(tmp_path / f"van.{suffix}")
    np.testing.assert_array_equal(values(back, 0), np.arange(400))
    np.testing.assert_array_equal(values(back, 1)[:300], np.arange(300))
    assert back.channels[1].samples == 300 or np.isnan(values(back, 1)[300:]).all()


def test_wav_refuses_what_it_cannot_hold(tmp_path):
    with pytest.raises(BadOutput, match="not changes"):
        export_recording(changing(), tmp_path / "van.wav")
    with pytest.raises(BadOutput, match=r"whole rates only, not 100\.5 Hz"):
        export_recording(recording({"a": np.arange(9)}, rates={"a": 100.5}), tmp_path / "van.wav")
    assert list(tmp_path.iterdir()) == []


# ---- a part of it


def test_a_part_by_time_and_channel():
    whole = odd()
    part = part_of(whole, ["gappy", "1"], -0.2, -0.15)
    assert [(c.name, c.position) for c in part.channels] == [("gappy", 1), ("crank", 2)]
    first = round(0.05 * RATE)
    for c, index in zip(part.channels, (2, 0), strict=True):
        assert (c.start_s, c.samples) == (pytest.approx(-0.2), round(0.05 * RATE))
        got = part.read(c.name, 0, 10**6)
        np.testing.assert_array_equal(got, whole.source.read(index, first, first + c.samples))
    (gap,) = part.channels[0].gaps
    assert (gap.start_s, gap.end_s) == (pytest.approx(-0.25 + 700 / RATE), pytest.approx(-0.25 + 900 / RATE))
    assert part.end_s == pytest.approx(-0.15)
    assert part_of(whole) is whole


def test_parts_side_by_side_are_the_whole():
    whole = odd()
    limits = [None, -0.2, -0.199987, 0.0, 0.1, None]
    got = [part_of(whole, ["crank"], a, b).read("crank", 0, 10**6) for a, b in pairwise(limits)]
    np.testing.assert_array_equal(np.concatenate(got), whole.read("crank", 0, 10**6))


def test_a_part_of_changes_begins_with_the_level_that_holds():
    whole = changing()
    changes = whole.source.changes(0)
    part = part_of(whole, None, 0.1, 0.2)
    got = part.source.changes(0)
    inside = (changes.time_s >= 0.1) & (changes.time_s < 0.2)
    assert got.time_s[0] == 0.1
    assert got.level[0] == changes.level[np.searchsorted(changes.time_s, 0.1, side="right") - 1]
    np.testing.assert_array_equal(got.time_s[1:], changes.time_s[inside])
    np.testing.assert_array_equal(got.level[1:], changes.level[inside])
    assert (got.end_s, part.end_s) == (0.2, 0.2)


def test_a_part_that_is_not_there():
    with pytest.raises(BadRecording, match=r"holds no samples from 5 s .*lasts from -0\.25 s to 0\.15 s"):
        part_of(odd(), None, 5.0, None)
    with pytest.raises(BadRecording, match="holds no samples"):
        part_of(odd(), None, 0.1, 0.1)
    with pytest.raises(BadRecording, match="has no channel krank; its channels are: crank"):
        part_of(odd(), ["krank"])


# ---- places, and the command


def test_cancelled_or_failed_it_leaves_what_was_there(tmp_path):
    def cancel(share: float) -> None:
        raise Cancelled("enough")

    for suffix in sorted(WRITERS):
        path = tmp_path / f"van{suffix}"
        if suffix not in exporting.FOLDERS:
            path.write_text("before")
        arrays = {"a": np.arange(100, dtype=np.int16)}
        with pytest.raises(Cancelled):
            export_recording(recording(arrays), path, progress=cancel)
        assert suffix in exporting.FOLDERS or path.read_text() == "before"
    assert {p.suffix for p in tmp_path.iterdir()} == set(WRITERS) - set(exporting.FOLDERS)


def test_places_that_will_not_do(tmp_path):
    whole = odd()
    with pytest.raises(BadOutput, match=r"unknown suffix; give the name one of \.csv"):
        export_recording(whole, tmp_path / "van")
    with pytest.raises(BadOutput, match="no folder"):
        export_recording(whole, tmp_path / "gone" / "van.csv")
    (tmp_path / "van.zarr").mkdir()
    with pytest.raises(BadOutput, match="exists already"):
        export_recording(whole, tmp_path / "van.zarr")
    FORMATS["npz"].write(tmp_path / "own.npz", simulated())
    with pytest.raises(BadOutput, match="would overwrite"):
        export_recording(open_recording(tmp_path / "own.npz"), tmp_path / "own.npz")


def test_the_commands(tmp_path):
    FORMATS["npz"].write(tmp_path / "van.npz", simulated())

    def run(*args):
        return CliRunner().invoke(main, [str(a) for a in args])

    done = run("import", tmp_path / "van.npz", tmp_path / "store")
    assert (done.exit_code, done.stderr) == (0, "")
    assert done.stdout == f"Imported  {tmp_path / 'store'}: 2 channels, 6000 samples\n"
    assert run("verify", tmp_path / "store").stdout.startswith("Whole ")
    done = run(
        "export", tmp_path / "store", tmp_path / "part.csv", "--channel", "crank", "--from", "0.05", "--to", "0.1"
    )
    assert done.stdout == f"Written   {tmp_path / 'part.csv'}: 1 channels, 1000 samples\n"
    part = open_recording(tmp_path / "part.csv")
    np.testing.assert_array_equal(part.values("crank", 0, 1000), simulated()["crank"][1000:2000])
    assert part.start_s == 0.05
    assert "Note " in run("export", tmp_path / "store", tmp_path / "van.wav").stdout
    for wrong in (
        ("import", tmp_path / "gone.npz", tmp_path / "new"),
        ("import", tmp_path / "van.npz", tmp_path / "store"),
        ("export", tmp_path / "store", tmp_path / "van.xyz"),
        ("export", tmp_path / "store", tmp_path / "b.csv", "--channel", "krank"),
        ("verify", tmp_path / "van.npz"),
    ):
        done = run(*wrong)
        assert done.exit_code == 2
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1

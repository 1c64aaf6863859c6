"""Imports that are killed, run out of room, or meet another one: a store is whole or not there."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pytest
from click.testing import CliRunner

from witnessmark.cli import main
from witnessmark.errors import BadOutput
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_import import import_recording
from witnessmark.recording.store_verify import verify
from witnessmark.recording.store_write import StoreWriter

ROOT = Path(__file__).parents[2]
LINES = 6


def _npz(path: Path, samples: int) -> Path:
    rng = np.random.default_rng(3)
    lines = {f"line {k}": rng.integers(-3000, 3000, samples).astype(np.int16) for k in range(LINES)}
    np.savez(path, rate_hz=1e5, **lines)
    return path


def _csv(path: Path, samples: int) -> Path:
    rows = [f"{i / 1e5:.5f},{i % 7},{i * 13 % 1000 / 7:.4f},{i % 2}" for i in range(samples)]
    path.write_text("time,crank,cam,coil\n" + "\n".join(rows) + "\n")
    return path


def _killed(source: Path, folder: Path, times: int, seed: int) -> str:
    folder.mkdir()
    command = [sys.executable, "-m", "tests.recording.kill_import", source, folder, times, seed]
    done = subprocess.run([str(c) for c in command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"killed {times}:" in done.stdout
    return done.stdout


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.parametrize("make", [_npz, _csv])
def test_killed_at_a_few_random_moments(tmp_path, make):
    _killed(make(tmp_path / f"van.{make.__name__[1:]}", 20_000), tmp_path / "folder", 5, 1)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork and SIGKILL")
@pytest.mark.parametrize("make", [_npz, _csv])
def test_killed_at_fifty_random_moments(tmp_path, make):
    said = _killed(make(tmp_path / f"van.{make.__name__[1:]}", 300_000), tmp_path / "folder", 50, 2)
    assert int(said.split(" half-way")[0].split()[-1]) > 10, said  # else the moments were not within the imports


# ---- no room


def _no_room(command: list[str], goal: Path) -> str:
    """Run the command; its one line of complaint. Nothing is left at the goal's place."""
    before = sorted(p.name for p in goal.parent.iterdir())
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1, done.stderr
    assert str(goal) in done.stderr
    assert sorted(p.name for p in goal.parent.iterdir()) == before
    return done.stderr


@pytest.fixture
def small_disk(tmp_path):
    """A file system of 1 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk], capture_output=True, check=False)
    if made.returncode:
        pytest.skip("a small file system can be mounted by root only")
    yield disk
    subprocess.run(["umount", "-l", disk], check=True)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="a file system is mounted by root")
def test_a_full_disk(tmp_path, small_disk):
    kept = small_disk / "kept.txt"
    kept.write_text("kept")
    source = _npz(tmp_path / "van.npz", 200_000)
    assert "no space left" in _no_room(["import", str(source), str(small_disk / "store")], small_disk / "store")
    table = _csv(tmp_path / "van.csv", 60_000)
    assert "no space left" in _no_room(["import", str(table), str(small_disk / "store")], small_disk / "store")
    for suffix in ("csv", "npz", "h5", "zarr", "parquet", "wav"):
        out = small_disk / f"out.{suffix}"
        _no_room(["export", str(source), str(out)], out)
    assert kept.read_text() == "kept"
    import_recording(_npz(tmp_path / "short.npz", 3000), small_disk / "store")
    verify(small_disk / "store")


@pytest.mark.skipif(os.name == "nt", reason="needs limits of a process")
@pytest.mark.parametrize("make", [_npz, _csv])
def test_files_that_may_not_grow(tmp_path, make):
    import resource

    source = make(tmp_path / f"van.{make.__name__[1:]}", 60_000)

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, before[1]))
    try:
        said = _no_room(["import", str(source), str(tmp_path / "store")], tmp_path / "store")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "file too large" in said


# ---- memory

WATCHED = """
import sys, threading, time
from witnessmark.recording.store_import import import_recording
most, done = 0, threading.Event()
def watch():
    global most
    while not done.wait(0.005):
        with open("/proc/self/status") as status:
            most = max(most, next(int(line.split()[1]) for line in status if line.startswith("RssAnon")))
thread = threading.Thread(target=watch)
thread.start()
import_recording(sys.argv[1], sys.argv[2])
done.set()
thread.join()
print(most // 1024)
"""


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="private memory is told by Linux")
def test_memory_does_not_grow_with_the_table(tmp_path):
    """Private memory; mapped pages can be given back at any time. 7 M rows in memory would be 224 MB more."""
    peaks = []
    for million in (3, 10):
        path, n = tmp_path / f"{million}.csv", million * 1_000_000
        columns = {"time": np.arange(n) / 1e6, "crank": np.arange(n) % 777 / 8, "cam": np.arange(n) % 5 / 7}
        pacsv.write_csv(pa.table(columns | {"coil": np.arange(n) % 3}), path)
        command = [sys.executable, "-c", WATCHED, str(path), str(tmp_path / f"store {million}")]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        peaks.append(int(done.stdout))
    assert peaks[1] < 300, peaks
    assert peaks[1] - peaks[0] < 50, peaks


# ---- two at once, and what a killed one left

IMPORT = """
import sys, time
from witnessmark.errors import WitnessmarkError
from witnessmark.recording.store_import import import_recording
def slowly(share):
    print("at work", flush=True)
    time.sleep({pause})
try:
    import_recording(sys.argv[1], sys.argv[2], progress=slowly)
    print("imported")
except WitnessmarkError as exc:
    print(exc)
"""


def _importing(source: Path, store: Path, pause: float) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", IMPORT.format(pause=pause), str(source), str(store)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_a_second_import_keeps_away_from_the_first_and_clears_up_after_a_killed_one(tmp_path):
    source, store = _npz(tmp_path / "van.npz", 4000), tmp_path / "store"
    first = _importing(source, store, 60.0)
    assert first.stdout is not None
    try:
        assert first.stdout.readline() == "at work\n"
        (building,) = (p for p in tmp_path.iterdir() if ".unfinished-" in p.name)
        there = sorted(building.iterdir())
        with pytest.raises(BadOutput, match=rf"another import into it is at work \(process {first.pid} since "):
            import_recording(source, store)
        assert sorted(building.iterdir()) == there
        import_recording(source, tmp_path / "another")  # beside it
    finally:
        first.kill()
        first.wait()
        first.stdout.close()
    assert building.exists()
    with pytest.raises(Exception, match="is a folder"):
        open_recording(building)
    import_recording(source, store)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["another", "store", "van.npz"]


def test_of_several_at_the_same_moment_one_imports(tmp_path):
    source, store = _npz(tmp_path / "van.npz", 4000), tmp_path / "store"
    running = [_importing(source, store, 0.05) for _ in range(3)]
    said = [p.communicate(timeout=120)[0].splitlines()[-1] for p in running]
    assert said.count("imported") == 1
    assert all("at work" in s or "exists already" in s for s in said if s != "imported")
    verify(store)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["store", "van.npz"]


def test_what_was_killed_before_it_said_whose_it_is(tmp_path):
    nameless = tmp_path / f".store.unfinished-{time.time_ns()}-1"
    nameless.mkdir()
    (nameless / "0001.npy").write_bytes(b"?")
    kept = [
        tmp_path / ".store.unfinished-notes",
        tmp_path / ".another.unfinished-1-1",
        tmp_path / "store.unfinished-1-1",
    ]
    for other in kept:
        other.mkdir()
    import_recording(_npz(tmp_path / "van.npz", 100), tmp_path / "store")
    assert not nameless.exists()
    assert all(other.exists() for other in kept)


# ---- a source that grows while it is written


def test_what_grows_is_written_as_it_comes(tmp_path):
    """As one follows a recorder: chunks of any size, described at the end."""
    source = open_recording(_npz(tmp_path / "van.npz", 5000))
    rng = np.random.default_rng(1)
    with StoreWriter(tmp_path / "store") as store:
        writers = [store.channel(k, np.dtype(np.int16)) for k in range(LINES)]
        for k, writer in enumerate(writers):
            while writer.samples < 5000:
                at = writer.samples
                writer.append(source.source.read(k, at, min(5000, at + int(rng.integers(0, 400)))))
                np.testing.assert_array_equal(writer.mapped(), source.source.read(k, 0, writer.samples))
        store.finish(source)
    verify(tmp_path / "store")
    import_recording(tmp_path / "van.npz", tmp_path / "at once")
    for file in (tmp_path / "store").glob("*.npy"):
        assert file.read_bytes() == (tmp_path / "at once" / file.name).read_bytes()


def test_left_without_finish_nothing_remains(tmp_path):
    with StoreWriter(tmp_path / "store") as store:
        store.channel(0, np.dtype(np.int16)).append(np.arange(100, dtype=np.int16))
    assert list(tmp_path.iterdir()) == []

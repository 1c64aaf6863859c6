"""Speed of importing a text table into a working store, as a ratio to the bare table reader over the same file.

Eight invented lines of a cranking engine as text (bench/edges.py draws them). The bare reader is pyarrow's open_csv,
which goes through the file and keeps nothing: as it comes, and told that every column holds numbers. Interleaved
rounds; medians of the ratios are printed, and what bringing the store to the disk takes of it. Also the peak of private
memory of one import in a process of its own, and an import of the same samples as NPZ against reading them once.
Usage: python bench/store.py [million rows] [rounds] [folder]      default 1 9, in the system's folder for such files
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from analysis import Peak
from edges import RATE_HZ, SCALE, channels

WANTED = 1.25


def write(folder: Path, rows: int) -> tuple[Path, Path]:
    """The lines as volts with three digits in a table, and as native samples in an NPZ."""
    from witnessmark.recording.write import write_recording

    lines = channels(rows)
    table = {"Time [s]": np.arange(rows) / RATE_HZ} | {n: np.round(v / SCALE, 3) for n, v in lines.items()}
    pacsv.write_csv(pa.table(table), folder / "bench.csv")
    write_recording(folder / "bench.npz", lines, RATE_HZ, gains=dict.fromkeys(lines, 1 / SCALE))
    return folder / "bench.csv", folder / "bench.npz"


def timed(work: Callable[[], object]) -> float:
    """Seconds it takes."""
    before = time.perf_counter()
    work()
    return time.perf_counter() - before


def bare(path: Path, told: bool) -> None:
    """Go through the table batch by batch and keep nothing."""
    names = path.open(encoding="utf-8").readline().strip().replace('"', "").split(",")
    types = dict.fromkeys(names, pa.float64()) if told else None
    for _ in pacsv.open_csv(path, convert_options=pacsv.ConvertOptions(column_types=types)):
        pass


def imported(path: Path) -> None:
    """Into a store, which is removed again (not timed by the caller: see main)."""
    from witnessmark.recording.store_import import import_recording

    import_recording(path, path.with_name("store"))


def without_sync(path: Path) -> None:
    """The same, but left to the system when it goes to the disk."""
    kept, os.fsync = os.fsync, lambda handle: None
    try:
        imported(path)
    finally:
        os.fsync = kept


def once(path: Path) -> None:
    """Read every sample of a recording once."""
    from witnessmark.recording.open import open_recording

    recording = open_recording(path)
    for info in recording.channels:
        for _, part in recording.chunks(info.name):
            part.sum()


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["--peak"]:
        with Peak() as peak:
            imported(Path(sys.argv[2]))
        print(peak.mb)
        return
    millions = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 9
    with tempfile.TemporaryDirectory(dir=sys.argv[3] if len(sys.argv) > 3 else None) as folder:
        table, arrays = write(Path(folder), int(millions * 1e6))
        store = Path(folder) / "store"
        work: dict[str, Callable[[], object]] = {
            "bare reader": lambda: bare(table, told=False),
            "bare reader, told the types": lambda: bare(table, told=True),
            "import": lambda: imported(table),
            "import, disk left to the system": lambda: without_sync(table),
            "NPZ, each sample read once": lambda: once(arrays),
            "NPZ, import": lambda: imported(arrays),
        }
        times: dict[str, list[float]] = {name: [] for name in work}
        for _ in range(rounds + 1):
            for name, step in work.items():
                times[name].append(timed(step))
                shutil.rmtree(store, ignore_errors=True)
        took = {name: np.asarray(t[1:]) for name, t in times.items()}  # the first round warms the caches
        size = f"{table.stat().st_size / 1e6:.0f} MB of text, 8 channels of {millions:g} M rows"
        print(f"{size}, medians of {rounds} rounds")
        for name, seconds in took.items():
            print(f"{name:<32} {np.median(seconds) * 1e3:8.0f} ms")
        for name in ("import", "import, disk left to the system"):
            for of in ("bare reader", "bare reader, told the types"):
                print(f"{name:<32} {np.median(took[name] / took[of]):8.2f} x {of}")
        print(f"wanted: import at most {WANTED} x the bare reader, not told the types (nor is an import)")
        command = [sys.executable, __file__, "--peak", str(table)]
        peak = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        print(f"peak of private memory, import of the table: {float(peak):.0f} MB")


if __name__ == "__main__":
    main()

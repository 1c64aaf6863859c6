"""Speed and memory of the whole analysis: passes of numpy.sum over the same samples, growth with length and channels.

The bakery's van as simulated, laid end to end (bench/recordings.py), eight lines of int16 in an uncompressed NPZ, which
is mapped like the working store's arrays. Each recording is analysed in a process of its own: once from cold (memory is
taken from that run), then in turn with sums; medians are printed, wall and processor time. Private memory is what the
process cannot give back; resident memory has the mapped pages of the file in it, which the system takes when it likes.
Usage: python bench/analysis.py [--short]      --short leaves out the long recordings
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import recordings
from measure import Peak, in_its_own_process, interleaved, resident_mb

WANTED_PASSES, WANTED_MB, WANTED_S = 6.0, 400.0, 1.5
HEAD = (
    f"{'recording':>32} {'M samples':>9} {'turns':>6} {'sum s':>7} {'wall s':>7} {'cpu s':>7} {'passes':>7} "
    f"{'by cpu':>7} {'private':>7} {'resident':>8}"
)


def measure(path: str, rounds: int) -> dict[str, float]:
    """Medians over the rounds; peaks of private and resident memory in the first analysis."""
    from witnessmark.pipeline import analyze
    from witnessmark.recording.open import open_recording

    with Peak() as peak:
        analysis = analyze(path)
    resident = resident_mb()
    recording = open_recording(path)
    arrays = [recording.read(c.name, 0, c.samples) for c in recording.channels]
    wall, processor = interleaved((lambda: [x.sum() for x in arrays], lambda: analyze(path)), rounds)
    return {
        "samples": sum(len(x) for x in arrays),
        "sum_s": float(np.median(wall[:, 0])),
        "analysis_s": float(np.median(wall[:, 1])),
        "cpu_s": float(np.median(processor[:, 1])),
        "passes": float(np.median(wall[:, 1] / wall[:, 0])),
        "cpu_passes": float(np.median(processor[:, 1] / processor[:, 0])),
        "private_mb": peak.mb,
        "resident_mb": resident,
        "turns": analysis.wheel.angle.turns,
    }


def row(made: recordings.Piece, pieces: int, channels: int, rounds: int) -> None:
    """Write, measure, print and remove one recording."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.npz"
        recordings.write(path, made, pieces, channels)
        got = in_its_own_process(__file__, path, rounds)
    seconds = pieces * recordings.PIECE_S
    name = f"{channels} lines, {made.rate_hz / 1e6:g} MS/s, {seconds:g} s"
    print(
        f"{name:>32} {got['samples'] / 1e6:9.0f} {got['turns']:6.0f} {got['sum_s']:7.3f} {got['analysis_s']:7.2f} "
        f"{got['cpu_s']:7.2f} {got['passes']:7.1f} {got['cpu_passes']:7.1f} {got['private_mb']:7.0f} "
        f"{got['resident_mb']:8.0f}",
        flush=True,
    )


def command(made: recordings.Piece) -> None:
    """The command line, imports and all: --help, and a recording of five seconds."""
    import subprocess

    run = [sys.executable, "-c", "from witnessmark.cli import main; main()"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "five.npz"
        half = recordings.Piece(
            {n: x[: int(5 * made.rate_hz)] for n, x in made.channels.items()}, made.gains, made.units, made.rate_hz
        )
        recordings.write(path, half, 1)
        for name, arguments, wanted in (("--help", ["--help"], 0.2), ("analyze, 5 s", ["analyze", path], WANTED_S)):
            wall, processor = [], []
            for _ in range(5):
                a, b = time.perf_counter(), _children_s()
                subprocess.run([*run, *map(str, arguments)], check=True, stdout=subprocess.DEVNULL)
                wall.append(time.perf_counter() - a)
                processor.append(_children_s() - b)
            print(
                f"witnessmark {name}: {np.median(wall):.2f} s wall, {np.median(processor):.2f} s processor "
                f"(wanted: under {wanted:g} s)",
                flush=True,
            )


def _children_s() -> float:
    import resource

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    """Print the tables."""
    if sys.argv[1:2] == ["--measure"]:
        print(json.dumps(measure(sys.argv[2], int(sys.argv[3]))))
        return
    fast = recordings.piece(1e6)
    command(fast)
    print(f"whole analysis; wanted under {WANTED_PASSES:g} passes of numpy.sum at 60 s, under {WANTED_MB:g} MB")
    print(HEAD)
    row(fast, 1, 8, 5)
    row(fast, 6, 8, 5)
    if "--short" in sys.argv[1:]:
        return
    row(fast, 13, 8, 1)  # a billion samples
    print("growth with channels, 60 s")
    for channels in (2, 4):
        row(fast, 6, channels, 3)
    slow = recordings.piece(1e5)
    print("growth with length, a tenth of the rate")
    for pieces in (1, 10, 100):
        row(slow, pieces, 8, 1 if pieces == 100 else 3)


if __name__ == "__main__":
    main()

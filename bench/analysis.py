"""Speed and memory of the whole analysis, as passes of numpy.sum over the same samples.

Eight invented int16 lines of a cranking engine at 1 MS/s in an uncompressed NPZ (bench/edges.py draws them). Each
length is analysed in a process of its own: once to warm the caches, then interleaved with sums; medians are printed.
Memory is the private memory of that process (mapped pages of the file can be given back at any time and do not count).
Usage: python bench/analysis.py [seconds ...]      default 5 60
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from edges import RATE_HZ, SCALE, channels

PAIRS = 5
WANTED_PASSES = 6.0
WANTED_MB = 400.0


class Peak:
    """The largest private memory of this process in MB, looked at every 2 ms; NaN where the system does not say."""

    def __init__(self) -> None:
        """Nothing watched yet."""
        self.mb = 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Peak:
        """Begin to watch."""
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.is_set():
            self.mb = max(self.mb, private_mb())
            time.sleep(0.002)


def private_mb() -> float:
    """Private resident memory of this process in MB (Linux), NaN elsewhere."""
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return float("nan")
    return next((float(line.split()[1]) / 1024 for line in lines if line.startswith("RssAnon")), float("nan"))


def write(path: Path, seconds: float) -> None:
    """The recording as a file."""
    from witnessmark.recording.write import write_recording

    data = channels(int(seconds * RATE_HZ))
    units = {name: "A" if name == "starter current" else "V" for name in data}
    write_recording(path, data, RATE_HZ, units=units, gains=dict.fromkeys(data, 1 / SCALE))


def measure(path: str) -> dict[str, float]:
    """Medians over interleaved pairs, and the peak of private memory in the first analysis."""
    from witnessmark.pipeline import analyze
    from witnessmark.recording.open import open_recording

    recording = open_recording(path)
    arrays = [recording.read(c.name, 0, c.samples) for c in recording.channels]
    with Peak() as peak:
        analysis = analyze(path)
    sums, times = [], []
    for _ in range(PAIRS):
        a = time.perf_counter()
        for x in arrays:
            x.sum()
        b = time.perf_counter()
        analyze(path)
        c = time.perf_counter()
        sums.append(b - a)
        times.append(c - b)
    ratio = float(np.median(np.asarray(times) / np.asarray(sums)))
    return {
        "sum_s": float(np.median(sums)),
        "analysis_s": float(np.median(times)),
        "passes": ratio,
        "peak_mb": peak.mb,
        "turns": analysis.wheel.angle.turns,
    }


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["--measure"]:
        print(json.dumps(measure(sys.argv[2])))
        return
    print(
        f"whole analysis, 8 channels of int16 at 1 MS/s; wanted under {WANTED_PASSES:g} passes, under {WANTED_MB:g} MB"
    )
    print(f"{'seconds':>8} {'turns':>7} {'numpy.sum':>10} {'analysis':>10} {'passes':>7} {'peak MB':>8}")
    for seconds in [float(s) for s in sys.argv[1:]] or [5.0, 60.0]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "bench.npz"
            write(path, seconds)
            command = [sys.executable, __file__, "--measure", str(path)]
            found = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        print(
            f"{seconds:8g} {found['turns']:7.1f} {found['sum_s'] * 1e3:7.1f} ms {found['analysis_s'] * 1e3:7.1f} ms"
            f" {found['passes']:7.1f} {found['peak_mb']:8.0f}"
        )


if __name__ == "__main__":
    main()

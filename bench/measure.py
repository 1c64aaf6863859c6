"""What the benchmarks share: interleaved timing and the memory of a process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.startup import ENVIRONMENT


def interleaved(work: Sequence[Callable[[], object]], rounds: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(wall, processor) seconds [rounds, len(work)]: all of the work in turn, round after round.

    A machine that changes its speed, or is shared, so changes all of them alike; compare within a round.
    """
    wall, processor = np.empty((rounds, len(work))), np.empty((rounds, len(work)))
    for row in range(rounds):
        for column, one in enumerate(work):
            a, b = time.perf_counter(), time.process_time()
            one()
            wall[row, column], processor[row, column] = time.perf_counter() - a, time.process_time() - b
    return wall, processor


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
    return _status("RssAnon")


def resident_mb() -> float:
    """Largest resident memory of this process so far in MB, pages of mapped files included (Linux), NaN elsewhere.

    Not getrusage's: that counts what the process was forked from, too.
    """
    return _status("VmHWM")


def _status(name: str) -> float:
    try:
        lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return float("nan")
    return next((float(line.split()[1]) / 1024 for line in lines if line.startswith(name)), float("nan"))


def in_its_own_process(script: str, *arguments: object) -> dict[str, Any]:
    """What ``script --measure ...`` prints as JSON; started as the command line starts itself."""
    command = [sys.executable, script, "--measure", *map(str, arguments)]
    environment = ENVIRONMENT | os.environ
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=environment)
    return dict(json.loads(done.stdout))

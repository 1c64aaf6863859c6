"""Kill imports at random moments and look at what they left; run by the tests, or by hand:

    python -m tests.recording.kill_import SOURCE FOLDER TIMES [SEED]

Each import runs in a process of its own that is killed with SIGKILL after a random part of the time that a whole import
takes. A store that is there must be whole by its hashes; one that is not must be refused; nothing else may change. The
last import is left alone: only source and store may remain. Prints the counts.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

from witnessmark.errors import BadRecording
from witnessmark.recording.open import open_recording
from witnessmark.recording.store_import import import_recording
from witnessmark.recording.store_verify import verify


def _start(source: Path, store: Path) -> int:
    """An import in a process of its own (forked before this one has any thread)."""
    child = os.fork()
    if child:
        return child
    try:
        import_recording(source, store)
    except BaseException as exc:
        print(f"import failed: {exc!r}", flush=True)
        os._exit(1)
    os._exit(0)


def _whole(source: Path, store: Path) -> float:
    began = time.perf_counter()
    _, status = os.waitpid(_start(source, store), 0)
    assert status == 0, "an import that was left alone failed"
    took = time.perf_counter() - began
    _in_a_child(lambda: verify(store))
    return took


def _in_a_child(check) -> None:
    """Readers start threads, which must not be there when the next import is forked."""
    child = os.fork()
    if not child:
        try:
            check()
        except BaseException as exc:
            print(f"check failed: {exc!r}", flush=True)
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert status == 0


def _refused(store: Path) -> None:
    try:
        open_recording(store)
    except BadRecording:
        return
    raise AssertionError("a store that is not there was opened")


def main(source: Path, folder: Path, times: int, seed: int) -> None:
    """See the module."""
    rng, store = random.Random(seed), folder / "store"
    source_bytes, others = source.read_bytes(), {p.name for p in folder.iterdir()}
    took = max(_whole(source, store) for _ in range(2) if not shutil.rmtree(store, ignore_errors=True))
    shutil.rmtree(store)
    whole = half = unbegun = 0
    for _ in range(times):
        child = _start(source, store)
        time.sleep(rng.uniform(0, 1.05 * took))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        left = [p for p in folder.iterdir() if ".unfinished-" in p.name]
        if store.exists():
            whole += 1
            _in_a_child(lambda: verify(store))
            shutil.rmtree(store)
        else:
            _in_a_child(lambda: _refused(store))
            half, unbegun = half + bool(left), unbegun + (not left)
        assert len(left) <= 1, left
        assert source.read_bytes() == source_bytes
    _whole(source, store)
    assert {p.name for p in folder.iterdir()} == others | {"store"}, sorted(folder.iterdir())
    print(f"killed {times}: {unbegun} before anything was written, {half} half-way, {whole} whole")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]) if len(sys.argv) > 4 else 1)

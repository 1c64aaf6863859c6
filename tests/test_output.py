"""A file that is written is there whole or not at all, whenever its writer is killed."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time

import pytest

from witnessmark import output
from witnessmark.errors import BadOutput

SIZE = 4_000_000
WRITER = f"""
import sys
from witnessmark.output import writing
for number in range(10_000):
    with writing(f"{{sys.argv[1]}}/event-{{number:05d}}.raw") as file:
        for piece in range(16):
            file.write(bytes([number % 251]) * {SIZE // 16})
    if number == 0:
        print("begun", flush=True)
"""


@pytest.mark.slow
def test_fifty_kills_leave_nothing_half_written(tmp_path):
    rng = random.Random(50)
    caught = 0
    for kill in range(50):
        folder = tmp_path / str(kill)
        folder.mkdir()
        with subprocess.Popen([sys.executable, "-c", WRITER, folder], stdout=subprocess.PIPE) as writer:
            assert writer.stdout.readline() == b"begun\n"
            time.sleep(rng.uniform(0.0, 0.1))
            writer.kill()
        left = list(folder.iterdir())
        caught += any(p.name.startswith(".") for p in left)
        for path in left:
            if not path.name.startswith("."):
                data = path.read_bytes()
                assert len(data) == SIZE
                assert data == bytes([int(path.stem[-5:]) % 251]) * SIZE
            path.unlink()
    assert caught > 5  # some kills did come in the middle of a write


def test_a_write_that_fails_leaves_what_was_there(tmp_path):
    place = tmp_path / "event.raw"
    place.write_bytes(b"before")

    def fail():
        with output.writing(str(place)) as file:
            file.write(b"half")
            raise OSError(28, "No space left on device")

    with pytest.raises(BadOutput, match=r"event\.raw: no space left on device; choose another place"):
        fail()
    assert [p.name for p in tmp_path.iterdir()] == ["event.raw"]
    assert place.read_bytes() == b"before"
    with output.writing(str(place)) as file:
        file.write(b"after")
    assert place.read_bytes() == b"after"
    assert place.stat().st_mode & 0o777 == 0o666 & ~_umask()


def _umask():
    umask = os.umask(0)
    os.umask(umask)
    return umask

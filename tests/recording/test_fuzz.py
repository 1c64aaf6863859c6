"""Files with bytes changed, cut or inserted: they are read or refused, and nothing else ever happens."""

from __future__ import annotations

import functools
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .fuzz_readers import RUNS, seeds, target
from .helpers import CHANGES, FORMATS, read_or_refused

ROOT = Path(__file__).parents[2]
NAMES = [*FORMATS, *CHANGES]
# of layouts that one reader reads in the same way, one is enough for the long run
LONG = [n for n in NAMES if n not in ("csv decimal comma", "tsv", "txt decimal comma", "zarr sharded")]

# a warning would be a second line on standard error
pytestmark = pytest.mark.filterwarnings("error")


@functools.cache
def _good(name: str) -> list[bytes]:
    return seeds(name)


@functools.cache
def _run(name: str):
    folder = tempfile.TemporaryDirectory(prefix="witnessmark-fuzz-")
    run = target(name, Path(folder.name))
    run.folder = folder  # kept as long as it is used
    return run


places = st.floats(0, 1, exclude_max=True)
kinds = st.sampled_from(["set", "cut", "drop", "double"])
edits = st.lists(st.tuples(places, kinds, st.binary(min_size=1, max_size=6)), min_size=1, max_size=5)


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(changes=edits, near_start=st.booleans(), which=places)
def test_mutated_files(name, changes, near_start, which):
    good = _good(name)
    data = bytearray(good[int(which * len(good))])
    for where, how, new in changes:
        at = int(where * (min(len(data), 300) if near_start else len(data)))
        if how == "set":
            data[at : at + len(new)] = new
        elif how == "cut":
            del data[at + 1 :]
        elif how == "drop":
            del data[at : at + len(new)]
        else:
            data[at:at] = data[max(0, at - 40) : at]
    _run(name)(bytes(data))


@settings(max_examples=150, deadline=None)
@given(
    text=st.text(alphabet=st.sampled_from('0123456789.,;\t\n\r -+eE"#tnax'), max_size=300),
    suffix=st.sampled_from([".csv", ".tsv", ".txt"]),
)
def test_text_of_the_right_letters(tmp_path_factory, text, suffix):
    path = tmp_path_factory.getbasetemp() / f"letters{suffix}"
    path.write_text(text, newline="")
    read_or_refused(path)


@pytest.mark.slow
@pytest.mark.parametrize("name", LONG)
def test_a_hundred_thousand_executions(name):
    """Guided by coverage where atheris can be had; no crash, nothing above 20 s, no memory above 1 GB."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.recording.fuzz_readers", name, str(RUNS)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
    )
    assert done.returncode == 0, (done.stdout + done.stderr)[-4000:]
    assert f"Done {RUNS} runs" in done.stdout + done.stderr

"""Files with bytes changed, cut or inserted: they are read or refused, and nothing else ever happens."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .helpers import FORMATS, read_or_refused, simulated

# a warning would be a second line on standard error
pytestmark = pytest.mark.filterwarnings("error")


@functools.cache
def _good(name: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"van{FORMATS[name].suffix}"
        FORMATS[name].write(path, simulated(160))
        return path.read_bytes()


places = st.floats(0, 1, exclude_max=True)
kinds = st.sampled_from(["set", "cut", "drop", "double"])
edits = st.lists(st.tuples(places, kinds, st.binary(min_size=1, max_size=6)), min_size=1, max_size=5)


@pytest.mark.parametrize("name", list(FORMATS))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(changes=edits, near_start=st.booleans())
def test_mutated_files(tmp_path_factory, name, changes, near_start):
    data = bytearray(_good(name))
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
    path = tmp_path_factory.getbasetemp() / f"fuzz{FORMATS[name].suffix}"
    path.unlink(missing_ok=True)  # a mapped file must not be rewritten under its readers
    path.write_bytes(bytes(data))
    read_or_refused(path)


@settings(max_examples=150, deadline=None)
@given(
    text=st.text(alphabet=st.sampled_from('0123456789.,;\t\n\r -+eE"#tnax'), max_size=300),
    suffix=st.sampled_from([".csv", ".tsv", ".txt"]),
)
def test_text_of_the_right_letters(tmp_path_factory, text, suffix):
    path = tmp_path_factory.getbasetemp() / f"letters{suffix}"
    path.write_text(text, newline="")
    read_or_refused(path)

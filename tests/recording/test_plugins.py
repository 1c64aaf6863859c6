"""Readers that other packages bring, and broken ones, which are never more than a caution."""

from __future__ import annotations

import subprocess
import sys
import textwrap

import pytest

from witnessmark.errors import BadRecording
from witnessmark.recording import registry
from witnessmark.recording.open import open_recording

GOOD = """
    import numpy as np
    from witnessmark.recording.assemble import Draft, from_rate
    from witnessmark.recording.columns import array_column
    from witnessmark.recording.registry import Reader

    READER = Reader("Bakery log", (".bakery",), "bakery_log")
    TAKEN = Reader("Taken", (".csv",), "bakery_log")
    RAISES = Reader("Raises", (".raises",), "bakery_raises")
    NOTHING = Reader("Nothing", (".nothing",), "bakery_nothing")
    SHOUTED = Reader("Shouted", (".LOUD",), "bakery_log")

    def read(path):
        values = np.fromfile(path, np.int16)
        return from_rate(Draft(path, "Bakery log", (array_column("crank", 1, values),)), 1000.0)
"""


@pytest.fixture
def package(tmp_path, monkeypatch):
    """A package on the path with these entry points."""

    def install(points: str):
        (tmp_path / "bakery_log.py").write_text(textwrap.dedent(GOOD))
        (tmp_path / "bakery_nothing.py").write_text("def read(path):\n    return None\n")
        (tmp_path / "bakery_raises.py").write_text("def read(path):\n    raise RuntimeError('two\\nlines')\n")
        (tmp_path / "bakery_broken.py").write_text("import no_such_package_anywhere\n")
        info = tmp_path / "bakery-1.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: bakery\nVersion: 1.0\n")
        (info / "entry_points.txt").write_text(f"[witnessmark.readers]\n{points}")
        monkeypatch.syspath_prepend(str(tmp_path))
        registry.forget_plugins()
        return tmp_path

    yield install
    monkeypatch.undo()
    registry.forget_plugins()
    for name in ("bakery_log", "bakery_nothing", "bakery_raises", "bakery_broken"):
        sys.modules.pop(name, None)


def test_a_reader_of_another_package_reads(package):
    folder = package("log = bakery_log:READER\n")
    (folder / "van.bakery").write_bytes(bytes(range(40)))
    recording = open_recording(folder / "van.bakery")
    assert [(c.name, c.samples, c.rate_hz) for c in recording.channels] == [("crank", 20, 1000.0)]
    assert recording.cautions == ()
    assert ".bakery" in registry.suffixes()


@pytest.mark.parametrize(
    ("point", "says"),
    [
        ("bakery_broken:READER", "no_such_package_anywhere"),
        ("bakery_log:ABSENT", "ABSENT"),
        ("bakery_log:read", "is no Reader"),
        ("bakery_log:TAKEN", ".csv is read by text table already"),
        ("bakery_log:SHOUTED", "lower case"),
    ],
)
def test_a_broken_one_is_a_caution_and_the_others_go_on(package, point, says):
    folder = package(f"log = bakery_log:READER\nbad = {point}\n")
    (folder / "van.bakery").write_bytes(bytes(range(40)))
    (caution,) = open_recording(folder / "van.bakery").cautions
    assert says in caution
    assert "reader bad of another package" in caution
    (folder / "van.csv").write_text("time,crank\n0,1\n0.1,5\n0.2,3\n")
    assert open_recording(folder / "van.csv").cautions == ()
    (folder / "van.odd").write_text("?")
    with pytest.raises(BadRecording) as caught:
        open_recording(folder / "van.odd")
    assert says in str(caught.value)
    assert str(caught.value).isprintable()


def test_a_reader_that_gives_no_recording_is_refused(package):
    folder = package("none = bakery_log:NOTHING\n")
    (folder / "van.nothing").write_text("?")
    with pytest.raises(BadRecording, match="gave no recording"):
        open_recording(folder / "van.nothing")


def test_what_a_reader_of_another_package_raises_is_one_line(package):
    folder = package("raises = bakery_log:RAISES\n")
    (folder / "van.raises").write_text("?")
    with pytest.raises(BadRecording, match=r"cannot be read as Raises .two lines.") as caught:
        open_recording(folder / "van.raises")
    assert str(caught.value).isprintable()


HEAVY = ["pyarrow", "h5py", "zarr", "asammdf", "scipy.io", "soundfile", "numcodecs", "vcd"]


@pytest.mark.parametrize(
    ("code", "allowed"),
    [
        ("import witnessmark.cli", []),
        ("from witnessmark.recording.registry import suffixes; suffixes()", []),
        ("from witnessmark.recording.open import open_recording; open_recording('{npz}')", []),
    ],
)
def test_a_readers_library_is_imported_only_for_its_format(tmp_path, code, allowed):
    from .helpers import FORMATS, simulated

    FORMATS["npz"].write(tmp_path / "van.npz", simulated(100))
    code = code.replace("{npz}", str(tmp_path / "van.npz"))
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint([m for m in {HEAVY} if m in sys.modules])"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == str(allowed)

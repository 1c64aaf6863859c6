"""Recordings that several tests share: simulated once for each test process."""

from __future__ import annotations

import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

from witnessmark.startup import set_environment

set_environment()  # as every process of the program's own

ROOT = Path(__file__).parents[1]

# A busy machine is no failure: examples are bounded by their number, not by the clock.
settings.register_profile("no deadline", deadline=None)
settings.load_profile("no deadline")


class Remembered:
    """``analyze``, and what it gave for the same files before: an analysis depends on nothing else, and is frozen."""

    def __init__(self):
        from witnessmark.pipeline import analyze

        self._analyze, self._known = analyze, {}

    def __call__(self, recording_path, setup_path=None, **by_hand):
        if any(by_hand.values()):  # what was seen by hand is another analysis
            return self._analyze(recording_path, setup_path, **by_hand)
        try:
            file = os.stat(recording_path)
            told = None if setup_path is None else Path(setup_path).read_bytes()
        except OSError:
            return self._analyze(recording_path, setup_path)
        key = str(recording_path), file.st_mtime_ns, file.st_size, str(setup_path), told
        if key not in self._known:
            self._known[key] = self._analyze(recording_path, setup_path)
        return self._known[key]


@pytest.fixture(scope="session")
def analyse_once() -> Remembered:
    """For tests that need the analysis of one recording again and again."""
    return Remembered()


@dataclass(frozen=True)
class Simulation:
    """A simulated recording on disk with its truth and its setup."""

    recording: Path
    truth: Path
    setup: Path


@pytest.fixture(scope="session")
def bakery(tmp_path_factory) -> Simulation:
    """The demo: the bakery's delivery van, three start attempts, one low tooth. Do not write into its folder."""
    from witnessmark.simulate.run import write_simulation

    folder = tmp_path_factory.mktemp("bakery")
    return Simulation(*write_simulation(ROOT / "examples" / "bakery-van.toml", folder / "bakery-van.npz"))


@pytest.fixture(scope="session")
def bakery_analysis(bakery):
    """Its analysis with the setup."""
    from witnessmark.pipeline import analyze

    return analyze(bakery.recording, bakery.setup)


@pytest.fixture(scope="session")
def bakery_without_setup(bakery):
    """Its analysis with nothing told."""
    from witnessmark.pipeline import analyze

    return analyze(bakery.recording)


@pytest.fixture(scope="session")
def cranking(bakery, tmp_path_factory) -> Path:
    """The crank and cam lines of the first start attempt alone: quick to analyse."""
    from witnessmark.recording.open import open_recording
    from witnessmark.recording.write import write_recording

    whole = open_recording(bakery.recording)
    path = tmp_path_factory.mktemp("cranking") / "cranking.npz"
    chosen = whole.channels[:2]
    rate = chosen[0].rate_hz
    write_recording(
        path,
        {c.name: whole.read(c.name, 0, int(3.0 * rate)) for c in chosen},
        rate,
        units={c.name: c.unit for c in chosen},
        gains={c.name: c.gain for c in chosen},
        offsets={c.name: c.offset for c in chosen},
    )
    return path


@pytest.fixture(scope="session")
def program() -> str:
    """The installed command."""
    found = shutil.which("witnessmark", path=str(Path(sys.executable).parent))
    if found is None:
        pytest.skip("the witnessmark command is not installed beside this python")
    return found

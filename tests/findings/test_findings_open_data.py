"""Open recordings of real engines: no healthy wheel, sensor or circuit is accused."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from witnessmark.engine.examine import examine
from witnessmark.findings.find import find
from witnessmark.findings.model import Findings
from witnessmark.recording.open import open_recording
from witnessmark.recording.setup import ChannelSetup, Setup
from witnessmark.signals.extract import extract
from witnessmark.wheel.decode import decode_wheel

FOLDER = Path(os.environ.get("WITNESSMARK_OPEN_DATA", Path(__file__).parents[3] / "shared" / "open-data"))
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="open recordings absent: set WITNESSMARK_OPEN_DATA to their folder"
)

# kinds that say something is wrong with the wheel, the sensor or its line
ACCUSING = ("tooth-", "wheel-", "edges-", "signal-", "polarity-")


def found_in(name: str, setup: Setup) -> Findings:
    """All stages over one file."""
    recording = open_recording(FOLDER / name, setup)
    signals = extract(recording, setup)
    wheel = decode_wheel(signals, setup, recording)
    return find(signals, wheel, examine(signals, wheel, setup, recording), setup, recording)


@pytest.mark.parametrize(
    "name",
    [
        "vr-60-2-slow.csv",
        "logic-36-2-2-2-two-cams-cranking.csv",
        "logic-24-width-coded-cranking.csv",
        "logic-four-tooth-crank-cam-cranking.csv",
    ],
)
@pytest.mark.parametrize("named", [False, True], ids=["no setup", "crank named"])
def test_a_real_engine_in_order_is_not_accused(name: str, named: bool) -> None:
    setup = Setup(channel=(ChannelSetup(name="1", role="crank"),)) if named else Setup()
    found = found_in(name, setup)
    assert [f.statement for f in found.found if f.stated and f.kind.startswith(ACCUSING)] == []
    assert found.bounds


def test_the_noisy_line_accuses_no_tooth() -> None:
    found = found_in("logic-36-2-noisy.csv", Setup())
    assert [f.statement for f in found.found if f.stated and f.kind.startswith(("tooth-", "wheel-"))] == []


def test_the_clipped_record_is_declined_not_blamed_on_the_wheel() -> None:
    found = found_in("vr-60-2-accelerating-clipped.csv", Setup())
    assert [f.kind for f in found.found if f.stated and f.kind.startswith(ACCUSING)] == []
    assert "record-clipped" in [f.kind for f in found.found if f.stated]

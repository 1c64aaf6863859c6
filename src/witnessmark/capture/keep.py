"""What was captured, written as a recording."""

from __future__ import annotations

from pathlib import Path

from witnessmark.capture.acquire import Captured
from witnessmark.errors import BadOutput
from witnessmark.recording.write import write_recording

SUFFIXES = (".npz", ".parquet", ".arrow", ".feather", ".csv", ".tsv")  # those that keep names, units and scales


def check_suffix(place: str) -> None:
    """Refuse, before anything is recorded, a format that cannot keep what is captured."""
    if Path(place).suffix.lower() not in SUFFIXES:
        raise BadOutput(f"{place}: cannot keep a capture in this format; use one of {' '.join(SUFFIXES)}")


def write(captured: Captured, place: str) -> None:
    """Write the recording whole or not at all; raises BadOutput (one line)."""
    try:
        write_recording(
            place,
            captured.channels,
            captured.rate_hz,
            units=dict.fromkeys(captured.channels, "V"),
            gains=captured.gains,
            offsets=captured.offsets,
        )
    except OSError as error:
        raise BadOutput(f"{place}: {(error.strerror or str(error)).lower()}; choose another place") from None
    except ValueError as error:  # a channel name the format cannot hold
        raise BadOutput(f"{place}: {error}; choose another name or format") from None


def summary(captured: Captured, place: str) -> str:
    """Lines for the terminal, each ended."""
    lines = [
        f"{'From':<10}{captured.identity}, dialect {captured.dialect}",
        f"{'Recorded':<10}{captured.samples / captured.rate_hz:.6g} s at {captured.rate_hz:.6g} Hz: "
        + ", ".join(captured.channels),
        *(f"{'Caution':<10}{c}" for c in captured.cautions),
        f"{'Written':<10}{place}",
    ]
    return "\n".join(lines) + "\n"

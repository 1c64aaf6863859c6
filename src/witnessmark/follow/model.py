"""What is followed, and what is said while it grows."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

from witnessmark.findings.model import Finding
from witnessmark.recording.model import Recording
from witnessmark.report.model import Analysis

Look = Callable[[Recording], Analysis]
"""The analysis of a recording, the setup's scales laid over it."""
DEBUG = "WITNESSMARK_DEBUG"  # set: what goes wrong in a look ends the program, with all that is known of it
Say = Callable[[str], None]
"""Prints one entry, wrapped already."""


class Stream(Protocol):
    """Something that grows. Times are seconds on the recording's own clock.

    suffix: of a file that holds a part of it. trouble: why it ended early, "" if it did not. says_its_end: ``ended``
    will come by itself; what does not say so is done when it no longer grows.
    """

    name: str
    suffix: str
    trouble: str
    says_its_end: bool

    @property
    def ready(self) -> bool:
        """Whether its head is there, so that times and windows mean something."""
        ...

    @property
    def ended(self) -> bool:
        """Whether nothing more can come."""
        ...

    @property
    def first_s(self) -> float:
        """Time of the first sample that is still held."""
        ...

    @property
    def length_s(self) -> float:
        """Time behind the last whole sample so far."""
        ...

    def poll(self) -> bool:
        """Take note of what has come; whether there was anything. BadRecording where it does what no stream does."""
        ...

    def window(self, start_s: float, stop_s: float) -> AbstractContextManager[Recording]:
        """A part of it as a recording (no setup laid over it), usable within the block."""
        ...

    def save(self, start_s: float, stop_s: float, place: str) -> tuple[float, float]:
        """Write a part of it as a file of its own, whole or not at all; returns (time of its first sample, shift).

        shift: what is added to the file's own times to get the stream's. BadOutput where it cannot be written.
        """
        ...


@dataclass(frozen=True, slots=True)
class Change:
    """What became of a finding between two looks. what: "stated", "again", "changed" or "withdrawn".

    seen_s: time of the record at which it was noticed; at_s: where in the record the finding itself is.
    """

    what: str
    finding: Finding
    seen_s: float
    at_s: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something to be kept: at_s (to end_s) on the recording's clock, why in words, kind for the file's name."""

    at_s: float
    kind: str
    why: str
    finding: Finding | None = None
    end_s: float | None = None

"""Streams of samples that all have the same length in bytes: growing WAV and RAW files."""

from __future__ import annotations

import math
import struct
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from witnessmark import output
from witnessmark.errors import BadRecording
from witnessmark.follow.growth import Growth
from witnessmark.recording.model import Recording
from witnessmark.recording.readers.raw import mapped, recording_of
from witnessmark.recording.readers.raw_head import HEAD_BYTES, RawHead, head_line, parse_head
from witnessmark.recording.readers.riff import Wave, read_header
from witnessmark.recording.readers.wav import from_wave
from witnessmark.recording.trouble import refuse

CHUNK = 1 << 22  # bytes copied at a time
TRAILER = 1 << 16  # bytes behind the declared samples of a WAV that may be notes rather than samples
_LONG = (1 << 32) - 64  # a WAV whose sizes need more than 32 bits


class FrameStream(ABC):
    """Frames (one sample of every channel) from ``first`` to ``frames``; what times and windows mean for them."""

    name: str
    suffix: str
    trouble: str = ""
    says_its_end: bool = False
    first: int = 0
    frames: int = 0

    @property
    @abstractmethod
    def rate_hz(self) -> float:
        """Frames a second."""

    @property
    @abstractmethod
    def start_s(self) -> float:
        """Time of frame 0."""

    @property
    @abstractmethod
    def ready(self) -> bool:
        """Whether the head is there."""

    @property
    def ended(self) -> bool:
        """A file never says that it is done."""
        return False

    @property
    def first_s(self) -> float:
        """Time of the first frame still held."""
        return self.start_s + self.first / self.rate_hz

    @property
    def length_s(self) -> float:
        """Time behind the last whole frame."""
        return self.start_s + self.frames / self.rate_hz

    def between(self, start_s: float, stop_s: float) -> tuple[int, int]:
        """Frames [first, stop) of a stretch, as far as they are there."""
        first = max(self.first, math.floor((start_s - self.start_s) * self.rate_hz + 0.5))
        stop = min(self.frames, math.floor((stop_s - self.start_s) * self.rate_hz + 0.5))
        return first, max(first, stop)

    @contextmanager
    def window(self, start_s: float, stop_s: float) -> Iterator[Recording]:
        """A stretch as a recording."""
        yield self.part(*self.between(start_s, stop_s))

    def save(self, start_s: float, stop_s: float, place: str) -> tuple[float, float]:
        """Write a stretch as a file of its own."""
        first, stop = self.between(start_s, stop_s)
        first, pieces = self.taken(first, stop)
        with output.writing(place) as file:
            head, shift_s = self.head_for(first, stop)
            file.write(head)
            for data in pieces:
                file.write(data)
        return self.start_s + first / self.rate_hz, shift_s

    @abstractmethod
    def part(self, first: int, stop: int) -> Recording:
        """Frames [first, stop) as a recording."""

    @abstractmethod
    def head_for(self, first: int, stop: int) -> tuple[bytes, float]:
        """The head of a file of these frames, and what is added to that file's times to get ours."""

    @abstractmethod
    def taken(self, first: int, stop: int) -> tuple[int, Iterator[bytes]]:
        """The first of the frames that is still there, and the frames from it on as bytes, piece by piece."""


def file_bytes(path: str, at: int, stop: int) -> Iterator[bytes]:
    """Bytes [at, stop) of a file, piece by piece."""
    with open(path, "rb") as file:
        file.seek(at)
        while at < stop:
            data = file.read(min(CHUNK, stop - at))
            if not data:
                return
            at += len(data)
            yield data


class RawStream(FrameStream):
    """Frames behind a head of one line, whose times are the stream's."""

    suffix = ".raw"
    _head: RawHead | None = None

    @property
    def head(self) -> RawHead:
        """The head; only when ``ready``."""
        assert self._head is not None
        return self._head

    @property
    def ready(self) -> bool:
        """Whether the head is there."""
        return self._head is not None

    @property
    def rate_hz(self) -> float:
        """As the head says."""
        return self.head.rate_hz

    @property
    def start_s(self) -> float:
        """As the head says."""
        return self.head.start_s

    def head_for(self, first: int, stop: int) -> tuple[bytes, float]:
        """The same head, beginning later."""
        head = self.head
        return head_line(head.rate_hz, head.sample, head.channels, head.start_s + first / head.rate_hz), 0.0


def usable_head(name: str, start: bytes) -> RawHead | None:
    """The head in the first bytes of a stream, None where it is not whole yet; BadRecording for a bad one."""
    head = parse_head(name, start)
    if head is not None and not 1e-3 <= head.rate_hz <= 1e12:
        raise refuse(name, f"rate_hz is {head.rate_hz:g}", "expected samples per second above 0; correct the head")
    return head


class RawFile(RawStream):
    """A growing file of raw samples."""

    def __init__(self, path: str):
        """``path``: an existing file, its head may be still to come."""
        self.name, self._growth = path, Growth(path)
        self._line = b""

    def poll(self) -> bool:
        """Whether it has grown."""
        if not self._growth.poll():
            return False
        with open(self.name, "rb") as file:
            line = file.read(HEAD_BYTES if self._head is None else self._head.size)
        if self._head is None:
            self._head = usable_head(self.name, line)
            if self._head is None:
                return True
            self._line = line[: self._head.size]
        elif line != self._line:
            raise refuse(
                self.name,
                "its head changed while it was followed (rate or channels)",
                "expected one head; follow the new recording by itself",
            )
        self.frames = (self._growth.size - self._head.size) // self._head.frame_bytes
        return True

    def part(self, first: int, stop: int) -> Recording:
        """Mapped from the file."""
        return recording_of(self.name, self.head, mapped(self.name, self.head, first), stop - first, False, first)

    def taken(self, first: int, stop: int) -> tuple[int, Iterator[bytes]]:
        """Copied from the file."""
        size = self.head.frame_bytes
        return first, file_bytes(self.name, self.head.size + first * size, self.head.size + stop * size)


class WavFile(FrameStream):
    """A growing WAV file; whatever size its header claims meanwhile, what is there counts."""

    suffix = ".wav"
    start_s = 0.0

    def __init__(self, path: str):
        """``path``: an existing file, its header may be still to come."""
        self.name, self._growth = path, Growth(path)
        self._wave: Wave | None = None

    @property
    def wave(self) -> Wave:
        """The header; only when ``ready``."""
        assert self._wave is not None
        return self._wave

    @property
    def ready(self) -> bool:
        """Whether the header is there."""
        return self._wave is not None

    @property
    def rate_hz(self) -> float:
        """As the header says."""
        return float(self.wave.rate_hz)

    @property
    def _block(self) -> int:
        return self.wave.channels * self.wave.bits // 8

    def poll(self) -> bool:
        """Whether it has grown."""
        if not self._growth.poll():
            return False
        before = self._wave
        try:
            wave = read_header(self.name)
        except BadRecording:
            if before is None and self._growth.size < HEAD_BYTES:
                return True  # the header is being written
            raise
        if before is not None and before.rate_hz != wave.rate_hz:
            raise refuse(
                self.name,
                f"its rate changed from {before.rate_hz} to {wave.rate_hz} Hz while it was followed",
                "expected one rate; follow the new recording by itself",
            )
        if before is not None and _form(before) != _form(wave):
            raise refuse(self.name, "its format changed while it was followed", "expected one format; follow it anew")
        self._wave = wave
        there = (self._growth.size - wave.data_at) // self._block
        declared = wave.declared or 0
        is_done = 0 < declared <= there and (there - declared) * self._block < TRAILER
        self.frames = declared if is_done else there
        return True

    def part(self, first: int, stop: int) -> Recording:
        """Mapped from the file."""
        at = self.wave.data_at + first * self._block
        return from_wave(
            self.name, replace(self.wave, data_at=at, frames=stop - first, declared=None), first / self.rate_hz
        )

    def head_for(self, first: int, stop: int) -> tuple[bytes, float]:
        """A header of its own (RIFF, or RF64 where it is long); such a file begins at 0."""
        return wav_head(self.wave, stop - first), first / self.rate_hz

    def taken(self, first: int, stop: int) -> tuple[int, Iterator[bytes]]:
        """Copied from the file."""
        at = self.wave.data_at
        return first, file_bytes(self.name, at + first * self._block, at + stop * self._block)


def _form(wave: Wave) -> tuple[int, int, int, int]:
    return wave.tag, wave.channels, wave.bits, wave.data_at


def wav_head(wave: Wave, frames: int) -> bytes:
    """A header up to the samples. RIFF, or RF64 (EBU Tech 3306) beyond 4 GB; from memory, read back by a library."""
    block = wave.channels * wave.bits // 8
    form = struct.pack(
        "<4sIHHIIHH", b"fmt ", 16, wave.tag, wave.channels, wave.rate_hz, wave.rate_hz * block, block, wave.bits
    )
    size = frames * block
    if size < _LONG:
        return (
            struct.pack("<4sI4s", b"RIFF", 4 + len(form) + 8 + size, b"WAVE")
            + form
            + struct.pack("<4sI", b"data", size)
        )
    long = struct.pack("<4sIQQQI", b"ds64", 28, 4 + 36 + len(form) + 8 + size, size, frames, 0)
    full = 0xFFFFFFFF
    return struct.pack("<4sI4s", b"RF64", full, b"WAVE") + long + form + struct.pack("<4sI", b"data", full)

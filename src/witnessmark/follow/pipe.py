"""Raw samples from a pipe: a thread takes them in, so that whoever sends never waits for an analysis."""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import BadOutput, WitnessmarkError
from witnessmark.follow.frames import RawStream, usable_head
from witnessmark.follow.spool import Spool, ring_bytes
from witnessmark.recording.model import Recording
from witnessmark.recording.readers.raw import recording_of
from witnessmark.recording.readers.raw_head import RawHead
from witnessmark.recording.trouble import refuse

NAME = "-"
CHUNK = 1 << 20  # bytes taken in at a time


class Pipe(RawStream):
    """A pipe with a head of one line; held whole, or for the last ``keep_s`` seconds."""

    says_its_end = True

    def __init__(
        self, source: BinaryIO, keep_s: float | None = None, place: str | None = None, folder: str | None = None
    ):
        """``source``: open for reading; ``place``: a new file to keep all in; ``folder``: where a ring lies."""
        self.name = NAME if place is None else place
        self._source, self._keep_s, self._place, self._folder = source, keep_s, place, folder
        self._spool: Spool | None = None
        self._error: WitnessmarkError | None = None
        self._done = False
        self._thread = threading.Thread(target=self._take_in, name="pipe", daemon=True)
        self._thread.start()

    @property
    def spool(self) -> Spool:
        """What came; only when ``ready``."""
        assert self._spool is not None
        return self._spool

    @property
    def ready(self) -> bool:
        """Whether the head is there and a place for what follows it."""
        return self._spool is not None

    @property
    def ended(self) -> bool:
        """Whether the sender closed it, or there is no room for more."""
        return self._done

    def poll(self) -> bool:
        """Whether more has come; raises BadRecording for a head that cannot be used, BadOutput for no place."""
        if self._error is not None:
            raise self._error
        if self._spool is None:
            return False
        before, self.frames, self.first = self.frames, self._spool.frames, self._spool.first
        return self.frames != before

    def part(self, first: int, stop: int) -> Recording:
        """Mapped from the spool."""
        return self._recording(first, stop, False)

    def whole(self) -> Recording:
        """All that is held, as it would be read from a file of it; with what ended it early among the cautions."""
        if self._spool is None:
            raise refuse(NAME, "ended within its head", "expected a line of JSON and samples behind it")
        self.poll()
        return self._recording(self.first, self.frames, self._spool.stray > 0)

    def _recording(self, first: int, stop: int, is_cut: bool) -> Recording:
        head, held = self.head, self.spool.held()
        first = max(first, held.first)  # the ring may have let go of some since it was asked

        def frames(start: int, end: int) -> NDArray[np.generic]:
            data = held.read(first + start, first + end).view(head.dtype)
            return data.reshape(-1, len(head.channels))

        return recording_of(self.name, head, frames, max(0, stop - first), is_cut, first)

    def taken(self, first: int, stop: int) -> tuple[int, Iterator[bytes]]:
        """Copied from the spool."""
        held = self.spool.held()
        first = max(first, held.first)
        return first, held.pieces(first, stop)

    def _take_in(self) -> None:
        """The thread: head, then samples, until the sender closes or the disk is full."""
        try:
            rest = self._take_head()
            while rest:
                self.spool.append(rest)
                rest = self._read()
        except WitnessmarkError as error:
            self._error = error
        except OSError as error:
            self.trouble = self._stopped(error)
        finally:
            self._done = True

    def _take_head(self) -> bytes:
        """Reads the head and makes the spool; returns the first bytes behind it (b"" at the end)."""
        start = b""
        while (head := usable_head(NAME, start)) is None:
            more = self._read()
            if not more:
                what = "gave nothing" if not start else "ended within its head"
                raise refuse(NAME, f"the pipe {what}", "expected a line of JSON and samples behind it")
            start += more
        self._head = head
        self._spool = self._make_spool(head, start[: head.size])
        return start[head.size :] or self._read()

    def _make_spool(self, head: RawHead, line: bytes) -> Spool:
        """Raises BadOutput (one line) where its place cannot be used or has no room for the ring."""
        keep = None if self._keep_s is None else max(2, round(self._keep_s * head.rate_hz))
        try:
            if keep is not None:
                _check_room(self._folder or tempfile.gettempdir(), head, keep)
            return Spool(head, line, keep, self._place, self._folder)
        except OSError as error:
            where = self._place or self._folder or tempfile.gettempdir()
            raise BadOutput(f"{where}: {(error.strerror or str(error)).lower()}; choose another place") from None

    def _read(self) -> bytes:
        """What has come, at least a byte; b"" at the end."""
        read = getattr(self._source, "read1", self._source.read)
        return bytes(read(CHUNK) or b"")

    def _stopped(self, error: OSError) -> str:
        at = f" after {self.spool.frames / self.rate_hz:.2f} s" if self._spool is not None else ""
        said = (error.strerror or str(error)).lower()
        return f"The pipe could not be kept any longer{at} ({said}): what came after it is lost."


def _check_room(folder: str, head: RawHead, keep_frames: int) -> None:
    """Refuse a ring that could not be held when it is full, and a kept event beside it."""
    needed = ring_bytes(head, keep_frames) + keep_frames * head.frame_bytes
    free = shutil.disk_usage(folder).free
    if free < needed:
        raise BadOutput(
            f"{folder}: the last {keep_frames / head.rate_hz:.0f} s of the pipe and an event kept of them need "
            f"{-(-needed // 10**6)} MB, {free // 10**6} MB are free; make room, keep less or choose another folder"
        )


def raw_stdin() -> BinaryIO:
    """Standard input without a buffer: a thread that waits in one would hold up the end of the program."""
    try:
        number = sys.stdin.fileno()
    except (OSError, ValueError, io.UnsupportedOperation):  # not a real one
        return sys.stdin.buffer
    _widen(number)
    return os.fdopen(os.dup(number), "rb", buffering=0)


def _widen(number: int) -> None:
    """More room in the pipe itself, where the system lets one ask: a sender then hardly ever waits for this process."""
    try:
        import fcntl

        fcntl.fcntl(number, fcntl.F_SETPIPE_SZ, CHUNK)
    except (ImportError, AttributeError, OSError):  # not a pipe, or another system
        return

"""What came through a pipe, kept on disk: all of it, or a ring of the last minutes.

The pieces have no name on disk where the system allows that, so that nothing stays behind however this program ends;
a spool the user gave a name is an ordinary RAW file. Memory is a mapping of these files, never a copy of the record.
"""

from __future__ import annotations

import mmap
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.readers.raw_head import RawHead

PIECES = 8  # of a ring: what is held is at most this share longer than asked for
CHUNK = 1 << 22


@dataclass
class _Piece:
    """Frames from ``first`` on, behind ``at`` bytes of head. size: bytes of frames written so far."""

    file: IO[bytes]
    at: int
    first: int
    size: int = 0
    mapping: mmap.mmap | None = None

    def bytes(self) -> NDArray[np.uint8]:
        """All bytes of frames so far, mapped."""
        end = self.at + self.size
        if end == self.at:
            return np.empty(0, np.uint8)
        if self.mapping is None or len(self.mapping) < end:
            self.mapping = mmap.mmap(self.file.fileno(), end, access=mmap.ACCESS_READ)
        return np.frombuffer(self.mapping, np.uint8, self.size, self.at)


class Held:
    """Frames as they were held at one time: mapped, not copied."""

    def __init__(self, frame_bytes: int, pieces: list[tuple[int, NDArray[np.uint8]]]):
        """``pieces``: (first frame, bytes) in order."""
        self._size, self._pieces = frame_bytes, pieces
        self.first = pieces[0][0]

    def read(self, start: int, stop: int) -> NDArray[np.uint8]:
        """Bytes of frames [start, stop) as they came; those that are not held are left out."""
        parts = []
        for first, data in self._pieces:
            a, b = max(start - first, 0), min(stop - first, len(data) // self._size)
            if b > a:
                parts.append(data[a * self._size : b * self._size])
        return parts[0] if len(parts) == 1 else np.concatenate([np.empty(0, np.uint8), *parts])

    def pieces(self, start: int, stop: int) -> Iterator[bytes]:
        """The same, some megabytes at a time."""
        step = max(1, CHUNK // self._size)
        for first in range(max(start, self.first), stop, step):
            yield self.read(first, min(first + step, stop)).tobytes()


class Spool:
    """Bytes in at one end (by one thread), frames out anywhere (by another)."""

    def __init__(
        self,
        head: RawHead,
        line: bytes,
        keep_frames: int | None = None,
        place: str | None = None,
        folder: str | None = None,
    ):
        """Keeps all, or the last ``keep_frames``; ``place``: a new file to keep all in, ``line`` first.

        ``folder``: where pieces without a name lie, else in the system's for temporary files. Raises OSError where
        there is no room or the file is there already.
        """
        self._head, self._keep, self._lock = head, keep_frames, threading.Lock()
        self._per_piece = None if keep_frames is None else frames_a_piece(keep_frames)
        self._folder = folder
        if place is None:
            self._pieces = [_Piece(self._nameless(), 0, 0)]
        else:
            file = open(place, "x+b", buffering=0)  # noqa: SIM115  (it lives as long as the spool)
            file.write(line)
            self._pieces = [_Piece(file, len(line), 0)]
        self.stray = 0  # bytes of a frame that is not whole yet

    @property
    def first(self) -> int:
        """The first frame still held."""
        return self._pieces[0].first

    @property
    def frames(self) -> int:
        """Behind the last whole frame, counted from the beginning of the stream."""
        with self._lock:
            last = self._pieces[-1]
            return last.first + last.size // self._head.frame_bytes

    def append(self, data: bytes) -> None:
        """Write what came; raises OSError where the disk is full, what fitted is kept."""
        view = memoryview(data)
        while view:
            piece = self._current()
            room = len(view) if self._per_piece is None else self._per_piece * self._head.frame_bytes - piece.size
            written = piece.file.write(view[:room])
            with self._lock:
                piece.size += written or 0
                self.stray = piece.size % self._head.frame_bytes
            view = view[written or 0 :]

    def _current(self) -> _Piece:
        """The piece to write to; the oldest is let go where a ring is full."""
        last = self._pieces[-1]
        if self._per_piece is None or self._keep is None or last.size < self._per_piece * self._head.frame_bytes:
            return last
        fresh = _Piece(self._nameless(), 0, last.first + self._per_piece)
        with self._lock:
            self._pieces.append(fresh)
            while fresh.first - self._pieces[1].first >= self._keep:
                self._pieces.pop(0).file.close()  # what is still being read stays mapped
        return fresh

    def held(self) -> Held:
        """What is held now; it stays readable while it is used, whatever the ring lets go meanwhile."""
        with self._lock:
            return Held(self._head.frame_bytes, [(piece.first, piece.bytes()) for piece in self._pieces])

    def close(self) -> None:
        """Let the files go; mappings still in use stay."""
        with self._lock:
            for piece in self._pieces:
                piece.file.close()

    def _nameless(self) -> IO[bytes]:
        return tempfile.TemporaryFile(prefix="witnessmark-", buffering=0, dir=self._folder)


def frames_a_piece(keep_frames: int) -> int:
    """Frames in each piece of a ring that holds so many."""
    return max(1, -(-keep_frames // PIECES))


def ring_bytes(head: RawHead, keep_frames: int) -> int:
    """Room that a ring takes when it is full: its pieces and the one being written."""
    return (PIECES + 1) * frames_a_piece(keep_frames) * head.frame_bytes

"""Messages from frames, read beside the bus (ISO 15765-2, as cited; not opened): every sender on its own.

    0L data            single, 1 to 7 bytes
    1L LL data         first of a message of LLL bytes (0 and four bytes more: a longer one)
    2N data            the next, N counting 1 ... F, 0, 1, ...
    3F BS ST           flow control of the receiver

The reader changes nothing on the bus, so a frame that is lost stays lost: the message is given up and a note says why.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from witnessmark.scan.frames import Frame, Message, Note, address

# Between two frames of one message: N_Cr of ISO 15765-2 (1000 ms, from memory).
NEXT_WITHIN_S = 1.0
# No answer of the services is longer; a longer length is another protocol or noise.
MOST_BYTES = 4095
SINGLE, FIRST, NEXT, FLOW = range(4)


@dataclass
class _Part:
    """A message that has begun: bytes so far, how many it will have, the number the next frame must bear."""

    started_s: float
    last_s: float
    length: int
    data: bytearray
    due: int = 1


@dataclass
class Reassembler:
    """Takes frames in order of time, gives messages as they are complete; ``notes`` says what was given up and why."""

    notes: list[Note] = field(default_factory=list)
    _parts: dict[tuple[int, bool], _Part] = field(default_factory=dict)

    def take(self, frame: Frame) -> Message | None:
        """The message that this frame completes, None while there is none."""
        key = (frame.identifier, frame.wide)
        part = self._parts.get(key)
        if part is not None and frame.time_s - part.last_s > NEXT_WITHIN_S:
            self._give_up(key, frame.time_s, f"no next frame within {NEXT_WITHIN_S:g} s")
        if not frame.data:
            self._note(frame, "a frame without data; left out")
            return None
        kind, low = frame.data[0] >> 4, frame.data[0] & 15
        if kind == SINGLE:
            return self._single(frame, key, low)
        if kind == FIRST:
            self._first(frame, key, low)
            return None
        if kind == NEXT:
            return self._next(frame, key, low)
        if kind != FLOW:
            self._note(frame, f"first byte {frame.data[0]:02X} is no transport frame; left out")
        return None

    def end(self) -> None:
        """No more frames: what has begun and is not complete is given up."""
        for key in list(self._parts):
            self._give_up(key, self._parts[key].last_s, "the frames end there")

    def _single(self, frame: Frame, key: tuple[int, bool], length: int) -> Message | None:
        if not 1 <= length <= 7:
            self._note(frame, f"a single frame of length {length}, expected 1 to 7; left out")
            return None
        if length > len(frame.data) - 1:
            self._note(frame, f"a single frame of length {length} with {len(frame.data) - 1} bytes; left out")
            return None
        if key in self._parts:
            self._give_up(key, frame.time_s, "a new message began")
        payload = frame.data[1 : 1 + length]
        return Message(frame.time_s, frame.time_s, frame.identifier, frame.wide, payload)

    def _first(self, frame: Frame, key: tuple[int, bool], low: int) -> None:
        if key in self._parts:
            self._give_up(key, frame.time_s, "a new message began")
        if len(frame.data) < 8:
            self._note(frame, f"the first frame of a message has {len(frame.data)} bytes, expected 8; left out")
            return
        length, start = low << 8 | frame.data[1], 2
        if length == 0:
            length, start = int.from_bytes(frame.data[2:6], "big"), 6
        if length > MOST_BYTES or length <= 7:
            self._note(frame, f"a message of {length} bytes in several frames, expected 8 to {MOST_BYTES}; left out")
            return
        self._parts[key] = _Part(frame.time_s, frame.time_s, length, bytearray(frame.data[start:]))

    def _next(self, frame: Frame, key: tuple[int, bool], number: int) -> Message | None:
        part = self._parts.get(key)
        if part is None:
            self._note(frame, f"frame {number:X} of a message whose beginning was not seen or was given up; left out")
            return None
        if number != part.due:
            repeated = number == (part.due - 1) % 16
            what = f"frame {number:X} came twice" if repeated else f"frame {part.due:X} is missing, {number:X} came"
            self._give_up(key, frame.time_s, what)
            return None
        needed = part.length - len(part.data)
        if len(frame.data) - 1 < min(needed, 7):
            self._give_up(key, frame.time_s, f"frame {number:X} has {len(frame.data) - 1} of {min(needed, 7)} bytes")
            return None
        part.data += frame.data[1 : 1 + needed]
        part.due, part.last_s = (part.due + 1) % 16, frame.time_s
        if len(part.data) < part.length:
            return None
        del self._parts[key]
        return Message(part.started_s, frame.time_s, frame.identifier, frame.wide, bytes(part.data))

    def _give_up(self, key: tuple[int, bool], time_s: float, why: str) -> None:
        part = self._parts.pop(key)
        text = f"a message of {part.length} bytes is lost after {len(part.data)}: {why}"
        self.notes.append(Note(time_s, address(*key), text))

    def _note(self, frame: Frame, text: str) -> None:
        self.notes.append(Note(frame.time_s, address(frame.identifier, frame.wide), text))


def messages(frames: Iterable[Frame]) -> tuple[tuple[Message, ...], tuple[Note, ...]]:
    """All messages of the frames in order of their completion, and what was not used."""
    reader = Reassembler()
    out = [m for m in map(reader.take, frames) if m is not None]
    reader.end()
    return tuple(out), tuple(reader.notes)


def single_frame(payload: bytes, padding: int = 0x00) -> bytes:
    """The eight bytes of a request of 1 to 7 bytes (a request never needs more)."""
    if not 1 <= len(payload) <= 7:
        raise ValueError("a request has 1 to 7 bytes")
    return (bytes([len(payload)]) + payload).ljust(8, bytes([padding]))

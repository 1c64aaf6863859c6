"""Frames of the bus, and which of them carry diagnostic requests and answers (ISO 15765-4, as cited; not opened)."""

from __future__ import annotations

from dataclasses import dataclass

REQUEST_TO_ALL = 0x7DF
REQUEST_TO_ONE = range(0x7E0, 0x7E8)
ANSWERS = range(0x7E8, 0x7F0)  # request + 8
WIDE_TO_ALL = 0x18DB33F1
WIDE_TO_ONE, WIDE_ANSWER = 0x18DA00F1, 0x18DAF100  # with the control unit's address in the third byte, the last byte
TESTER = 0xF1


@dataclass(frozen=True, slots=True)
class Frame:
    """One classical CAN frame; time_s on the clock of its source, wide: a 29-bit identifier."""

    time_s: float
    identifier: int
    data: bytes
    wide: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """What frames carried together: bytes after transport, time_s of the first frame, end_s of the last."""

    time_s: float
    end_s: float
    identifier: int
    wide: bool
    payload: bytes


@dataclass(frozen=True, slots=True)
class Note:
    """Something that was not used, and why; time_s None where it belongs to no time."""

    time_s: float | None
    where: str
    text: str


def address(identifier: int, wide: bool) -> str:
    """An identifier as it is written: three hex digits, eight for 29 bits."""
    return f"{identifier:08X}" if wide else f"{identifier:03X}"


def is_request(identifier: int, wide: bool) -> bool:
    """Whether a tester sends with it."""
    if wide:
        return identifier == WIDE_TO_ALL or identifier & 0xFFFF00FF == WIDE_TO_ONE
    return identifier == REQUEST_TO_ALL or identifier in REQUEST_TO_ONE


def is_answer(identifier: int, wide: bool) -> bool:
    """Whether a control unit answers with it."""
    return identifier & 0xFFFFFF00 == WIDE_ANSWER if wide else identifier in ANSWERS


def request_to(answer: int, wide: bool) -> int:
    """The identifier with which the control unit that answers with ``answer`` is spoken to alone."""
    return WIDE_TO_ONE | (answer & 0xFF) << 8 if wide else answer - 8

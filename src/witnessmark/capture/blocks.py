"""Blocks of bytes as instruments send them: arbitrary block response data of IEEE 488.2.

Definite length (8.7.9): ``#``, one digit that says how many digits follow, those digits (the number of bytes), the
bytes. Indefinite length (8.7.10): ``#0``, the bytes, then a newline with the end message. From memory of the standard.
"""

from __future__ import annotations

MARK = b"#"
MAX_BYTES = 999_999_999  # what nine digits can say


class BadBlock(ValueError):
    """A block that breaks its form; the text says how, without naming the instrument."""


def digits_of(start: bytes) -> int:
    """How many digits of length follow the first two bytes; 0 for a block of indefinite length.

    Raises BadBlock where they are no start of a block.
    """
    if len(start) < 2:
        raise BadBlock("no block came")
    if start[:1] != MARK:
        raise BadBlock(f"the answer begins with {start[:2]!r} instead of # and a digit")
    if not start[1:2].isdigit():
        raise BadBlock(f"the block's header {start[:2]!r} has no digit after the #")
    return int(start[1:2])


def length_of(digits: bytes) -> int:
    """Bytes that follow, from the digits of a header; raises BadBlock where they are no number."""
    if not digits.isdigit():
        raise BadBlock(f"the block's length {digits!r} is no number")
    return int(digits)


def parse_block(message: bytes) -> bytes:
    """The bytes of a whole response message of one block; raises BadBlock where it is none, is short or goes on."""
    count = digits_of(message)
    if count == 0:
        if not message.endswith(b"\n"):
            raise BadBlock("the block of indefinite length has no newline at its end")
        return message[2:-1]
    digits = message[2 : 2 + count]
    if len(digits) < count:
        raise BadBlock(f"the block ends within its header of {2 + count} bytes")
    claimed = length_of(digits)
    data, rest = message[2 + count : 2 + count + claimed], message[2 + count + claimed :]
    if len(data) < claimed:
        raise BadBlock(f"the block claims {claimed} bytes, {len(data)} came")
    if rest.strip(b"\r\n"):
        raise BadBlock(f"{len(rest)} bytes follow behind the {claimed} of the block")
    return data

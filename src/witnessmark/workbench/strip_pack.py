"""One binary answer of numbers: a JSON header that says where each array lies, then the arrays.

    4 bytes    length of the header, little-endian
    header     JSON, filled up with blanks so that the arrays begin at a multiple of 8
    arrays     little-endian float64 or float32, each at a multiple of 8

In the header an array stands as {"at": first byte after the header, "count": numbers, "type": "f8" or "f4"}.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

EIGHT = 8


class Packing:
    """Collects arrays; :meth:`bytes` gives them with their header."""

    def __init__(self) -> None:
        """Nothing yet."""
        self._parts: list[bytes] = []
        self._at = 0

    def put(self, numbers: ArrayLike, type_: str = "f4") -> dict[str, Any]:
        """Keep an array; what stands for it in the header. NaN is kept as NaN."""
        array = np.ascontiguousarray(numbers, dtype=f"<{type_}")
        said = {"at": self._at, "count": int(array.size), "type": type_}
        raw = array.tobytes()
        raw += b"\0" * (-len(raw) % EIGHT)
        self._parts.append(raw)
        self._at += len(raw)
        return said

    def bytes(self, header: dict[str, Any]) -> bytes:
        """The whole answer."""
        text = json.dumps(header, allow_nan=False).encode()
        text += b" " * (-(len(text) + 4) % EIGHT)
        return len(text).to_bytes(4, "little") + text + b"".join(self._parts)


def unpacked(answer: bytes) -> tuple[dict[str, Any], bytes]:
    """(header, the bytes the arrays lie in): what a page does with an answer."""
    size = int.from_bytes(answer[:4], "little")
    return json.loads(answer[4 : 4 + size]), answer[4 + size :]

"""The head of raw samples: one line of JSON that says what the bytes behind it are.

    {"rate_hz": 50000, "sample": "int16", "channels": [{"name": "crank", "unit": "V", "gain": 0.001, "offset": 0.0}]}

The line ends with a newline. Behind it stand the samples, one of every channel in turn, little-endian, without anything
between. value = sample * gain + offset. A form of this program's own, made to be written by a few lines of any program.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from witnessmark.recording.trouble import refuse, shorten

HEAD_BYTES = 1 << 16  # a longer first line is no head
MAX_CHANNELS = 4096  # more than any recorder has
SAMPLES = {
    "int8": "<i1",
    "uint8": "<u1",
    "int16": "<i2",
    "uint16": "<u2",
    "int32": "<i4",
    "float32": "<f4",
    "float64": "<f8",
}
_EXPECT = 'expected one line such as {"rate_hz": 50000, "sample": "int16", "channels": [{"name": "crank"}]}'
_KEYS = {"rate_hz", "sample", "channels", "start_s", "byte_order"}
_CHANNEL_KEYS = {"name", "unit", "gain", "offset"}


@dataclass(frozen=True, slots=True)
class RawChannel:
    """A channel of the head; an empty name stands for its place."""

    name: str
    unit: str
    gain: float
    offset: float


@dataclass(frozen=True, slots=True)
class RawHead:
    """What the line says. start_s: time of the first sample. size: bytes of the line, its newline included."""

    rate_hz: float
    start_s: float
    sample: str
    channels: tuple[RawChannel, ...]
    size: int

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a sample as it lies in the bytes."""
        return np.dtype(SAMPLES[self.sample])

    @property
    def frame_bytes(self) -> int:
        """Bytes of one sample of every channel."""
        return self.dtype.itemsize * len(self.channels)


def head_line(
    rate_hz: float, sample: str, channels: tuple[RawChannel, ...] | list[RawChannel], start_s: float = 0.0
) -> bytes:
    """The line for a file, with its newline."""
    said: dict[str, Any] = {"rate_hz": rate_hz, "sample": sample, "start_s": start_s}
    if not start_s:
        del said["start_s"]
    said["channels"] = [{"name": c.name, "unit": c.unit, "gain": c.gain, "offset": c.offset} for c in channels]
    return json.dumps(said, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def parse_head(path: str, start: bytes) -> RawHead | None:
    """The head that these first bytes hold; None while its line is not whole yet. Raises BadRecording (one line)."""
    line, newline, _ = start[:HEAD_BYTES].partition(b"\n")
    if not newline:
        if len(start) >= HEAD_BYTES or (start.strip() and start.lstrip()[:1] != b"{"):
            raise refuse(path, "does not begin with a head of one line", _EXPECT)
        return None
    try:
        said = json.loads(line)
    except (ValueError, RecursionError):
        raise refuse(path, f'its first line is no JSON ("{shorten(line.decode("latin-1"))}")', _EXPECT) from None
    if not isinstance(said, dict):
        raise refuse(path, "its head is no JSON object", _EXPECT)
    _known(path, said, _KEYS, "head")
    if said.get("byte_order", "little") != "little":
        raise refuse(path, "its samples are not little-endian", "expected byte_order little; turn the bytes round")
    sample = said.get("sample")
    if not isinstance(sample, str) or sample not in SAMPLES:
        raise refuse(path, f'its sample type is "{shorten(str(sample))}"', f"expected one of {' '.join(SAMPLES)}")
    rate_hz = _number(path, said, "rate_hz", None, "head")
    return RawHead(
        rate_hz,
        _number(path, said, "start_s", 0.0, "head"),
        sample,
        _channels(path, said.get("channels")),
        len(line) + 1,
    )


def _channels(path: str, said: Any) -> tuple[RawChannel, ...]:
    if not isinstance(said, list) or not 1 <= len(said) <= MAX_CHANNELS:
        raise refuse(path, "its head lists no channels", _EXPECT)
    out = []
    for number, channel in enumerate(said, start=1):
        where = f"channel {number}"
        if not isinstance(channel, dict):
            raise refuse(path, f"{where} of its head is no object", _EXPECT)
        _known(path, channel, _CHANNEL_KEYS, where)
        texts = [channel.get(key, "") for key in ("name", "unit")]
        if not all(isinstance(text, str) for text in texts):
            raise refuse(path, f"name or unit of {where} is no text", _EXPECT)
        gain = _number(path, channel, "gain", 1.0, where)
        if gain == 0:
            raise refuse(path, f"the gain of {where} is 0", "expected another; correct the head")
        out.append(RawChannel(texts[0], texts[1], gain, _number(path, channel, "offset", 0.0, where)))
    return tuple(out)


def _known(path: str, said: dict[str, Any], keys: set[str], where: str) -> None:
    odd = next((key for key in said if key not in keys), None)
    if odd is not None:
        raise refuse(path, f'unknown key "{shorten(odd)}" in its {where}', f"expected {' '.join(sorted(keys))}")


def _number(path: str, said: dict[str, Any], key: str, default: float | None, where: str) -> float:
    value = said.get(key, default)
    usable = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        number = float(value) if usable else math.nan  # type: ignore[arg-type]
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise refuse(path, f"{key} of its {where} is {shorten(str(value))}", "expected a number; correct the head")
    return number

"""The RIFF/WAVE container: where the samples are and how they are written.

Source: Multimedia Programming Interface and Data Specifications 1.0 (RIFF, WAVE), WAVE_FORMAT_EXTENSIBLE, and EBU
Tech 3306 (RF64) for files beyond 4 GB; from memory, checked in the tests against an independent library.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass

from witnessmark.recording.trouble import refuse

PCM, FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
_UNKNOWN_SIZE = 0xFFFFFFFF
_EXPECT = "expected PCM 8/16/24/32 bit or float"


@dataclass(frozen=True, slots=True)
class Wave:
    """Layout of the samples: ``declared`` frames in the header (None: not said), ``frames`` whole ones in the file."""

    tag: int
    channels: int
    rate_hz: int
    bits: int
    data_at: int
    frames: int
    declared: int | None


def read_header(path: str) -> Wave:
    """Walk the chunks up to the samples; raises BadRecording where they are not there."""
    size = os.path.getsize(path)
    with open(path, "rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            raise refuse(path, "is not a WAV file", "expected RIFF/WAVE; check that the suffix is right")
        form: tuple[int, int, int, int] | None = None
        long_size: int | None = None
        at = 12
        while at + 8 <= size:
            file.seek(at)
            name, length = struct.unpack("<4sI", file.read(8))
            at += 8
            if name == b"ds64" and length >= 16:
                long_size = struct.unpack("<QQ", file.read(16))[1]
            elif name == b"fmt ":
                form = _format(path, file.read(min(length, 40)))
            elif name == b"data":
                declared = long_size if length == _UNKNOWN_SIZE else length
                return _wave(path, form, at, size, declared)
            at += length + length % 2
    raise refuse(path, "holds no samples (no data chunk)", "expected a whole WAV file; record or export it again")


def _format(path: str, raw: bytes) -> tuple[int, int, int, int]:
    if len(raw) < 16:
        raise refuse(path, "its format chunk is cut short", "expected a whole WAV file; export it again")
    tag, channels, rate, _, block, bits = struct.unpack("<HHIIHH", raw[:16])
    if tag == EXTENSIBLE and len(raw) >= 26:
        tag = struct.unpack("<H", raw[24:26])[0]
    if channels == 0:
        raise refuse(path, "has 0 channels", "expected at least one; record or export it again")
    if rate == 0:
        raise refuse(path, "has a rate of 0 samples per second", "expected a rate above 0; export it again")
    if (tag, bits) not in {(PCM, 8), (PCM, 16), (PCM, 24), (PCM, 32), (FLOAT, 32), (FLOAT, 64)}:
        raise refuse(path, f"coding {tag} with {bits} bits is not read", f"{_EXPECT}; export it so")
    if block != channels * bits // 8:
        raise refuse(
            path, f"its block of {block} bytes does not fit {channels} x {bits} bit", f"{_EXPECT}; export it again"
        )
    return tag, channels, rate, bits


def _wave(path: str, form: tuple[int, int, int, int] | None, at: int, size: int, declared: int | None) -> Wave:
    if form is None:
        raise refuse(path, "has samples before their format", "expected a whole WAV file; export it again")
    tag, channels, rate, bits = form
    block = channels * bits // 8
    there = size - at
    if declared in (None, 0):  # a recorder that never came back to fill in the size: everything to the end is samples
        declared = None
    else:
        there = min(there, declared)
    return Wave(tag, channels, rate, bits, at, there // block, None if declared is None else declared // block)

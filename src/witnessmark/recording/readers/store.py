"""The program's own working store: a folder with recording.json; samples are mapped from disk."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from witnessmark.recording.model import Changes, Recording
from witnessmark.recording.pyramid import Pyramid, levels
from witnessmark.recording.store_format import NAME, SCHEMA, Channel, Contents, native
from witnessmark.recording.trouble import refuse, shorten

FORMAT = "working store"
MOST_BYTES = 256 << 20  # of recording.json
_AGAIN = "expected a whole store; import the recording again"


def read(path: str) -> Recording:
    """Read recording.json now, samples on demand. ``format`` is that of the file the samples came from."""
    contents = read_contents(path)
    names = [c.name for c in contents.channels]
    for name in names:
        if names.count(name) > 1:
            raise refuse(path, f"has two channels named {shorten(name)}", _AGAIN)
    infos = tuple(c.info() for c in contents.channels)
    for info in infos:
        ends = [t for g in info.gaps for t in (g.start_s, g.end_s)]
        if any(b < a for a, b in zip(ends[::2], ends[1::2], strict=True)):
            raise refuse(path, f"channel {shorten(info.name)} has a gap that ends before it begins", _AGAIN)
    source = StoreSource(path, contents)
    return Recording(
        path, infos, source, contents.end_s, contents.cautions, contents.format or FORMAT, contents.left_out,
        contents.simulated,
    )  # fmt: skip


def read_contents(path: str) -> Contents:
    """What recording.json says, checked. Raises BadRecording."""
    file = Path(path, NAME)
    if Path(path).is_file():
        raise refuse(path, "is a recording, not a store", "expected the folder of a working store; import it first")
    if not file.is_file():
        raise refuse(path, f"holds no {NAME}", "expected a working store; an import that did not finish is none")
    if file.stat().st_size > MOST_BYTES:
        raise refuse(path, f"{NAME} is larger than {MOST_BYTES >> 20} MB", _AGAIN)
    try:
        return Contents.model_validate_json(file.read_bytes())
    except ValidationError as exc:
        first = exc.errors(include_url=False, include_input=True)[0]
        key = ".".join(str(part) for part in first["loc"]) or "it"
        if key == "schema":
            raise refuse(path, f"{NAME} is {shorten(str(first['input']))}", f"expected {SCHEMA}") from None
        raise refuse(path, f"{key} in {NAME}: {shorten(first['msg'], 120)}", _AGAIN) from None


class StoreSource:
    """The mapped files of a store."""

    def __init__(self, path: str, contents: Contents):
        """Files are checked against recording.json now and mapped when first read."""
        self._path, self._channels = path, contents.channels
        self._mapped: dict[tuple[int, str], NDArray[Any]] = {}
        for k, channel in enumerate(contents.channels):
            if channel.kind == "changes":
                self.changes(k)
            else:
                self._check_sampled(channel)

    def read(self, index: int, start: int, stop: int) -> NDArray[Any]:
        """Native samples [start, stop): a view of the mapped file that cannot be written to."""
        channel = self._channels[index]
        return self._array(index, channel.file, native(np.dtype(channel.type)), (channel.samples,))[start:stop]

    def changes(self, index: int) -> Changes:
        """The changes of a two-level channel, checked."""
        channel = self._channels[index]
        if channel.kind != "changes" or channel.times is None or channel.rate_hz is not None:
            raise self._damaged(channel, f"is {channel.kind}, which its times and rate contradict")
        shape = (channel.samples,)
        levels = self._array(index, channel.file, np.dtype(np.uint8), shape)
        time_s = self._array(index, channel.times, np.dtype("<f8"), shape)
        if not (np.isfinite(time_s).all() and (np.diff(time_s) > 0).all() and (levels < 2).all()):
            raise self._damaged(channel, "has times that do not rise, or levels other than 0 and 1")
        if len(time_s) and channel.end_s < time_s[-1]:
            raise self._damaged(channel, "ends before its last change")
        return Changes(time_s, levels, channel.end_s)

    def pyramid(self, index: int) -> Pyramid | None:
        """Smallest and largest samples in blocks; None where the channel has none."""
        channel = self._channels[index]
        if channel.pyramid is None or channel.kind == "changes":
            return None
        blocks = sum(count for _, count in levels(channel.samples))
        array = self._array(index, channel.pyramid, native(np.dtype(channel.type)), (blocks, 2))
        return Pyramid(channel.samples, array)

    def _check_sampled(self, channel: Channel) -> None:
        if channel.rate_hz is None or channel.times is not None:
            raise self._damaged(channel, "is sampled but has no rate")
        _check_file(self._path, channel, channel.file, native(np.dtype(channel.type)), (channel.samples,))

    def _array(self, index: int, file: str, dtype: np.dtype[Any], shape: tuple[int, ...]) -> NDArray[Any]:
        key = (index, file)
        if key not in self._mapped:
            at = _check_file(self._path, self._channels[index], file, dtype, shape)
            name = os.path.join(self._path, file)
            mapped = np.memmap(name, dtype, "r", at, shape) if shape[0] else np.empty(shape, dtype)
            self._mapped[key] = np.asarray(mapped)
        return self._mapped[key]

    def _damaged(self, channel: Channel, wrong: str) -> Exception:
        return refuse(self._path, f"channel {shorten(channel.name)} {wrong}", _AGAIN)


def _check_file(path: str, channel: Channel, file: str, dtype: np.dtype[Any], shape: tuple[int, ...]) -> int:
    """First byte of the numbers in an .npy file, which must be there and hold just these."""
    name = os.path.join(path, file)
    what = f"channel {shorten(channel.name)}"
    try:
        with open(name, "rb") as raw:
            version = np.lib.format.read_magic(raw)
            read_header = {(1, 0): np.lib.format.read_array_header_1_0, (2, 0): np.lib.format.read_array_header_2_0}
            said = read_header[version](raw)
            at, size = raw.tell(), os.fstat(raw.fileno()).st_size
    except FileNotFoundError:
        raise refuse(path, f"{file} of {what} is not there", _AGAIN) from None
    except (ValueError, KeyError, TypeError, SyntaxError, RecursionError, MemoryError):
        raise refuse(path, f"{file} of {what} is damaged at its beginning", _AGAIN) from None
    numbers = int(np.prod(shape, dtype=object))
    there = max(0, size - at) // dtype.itemsize
    if there != numbers:
        raise refuse(path, f"{what} claims {numbers} numbers in {file}, {there} are there", _AGAIN)
    if said != (shape, False, dtype):
        raise refuse(path, f"{file} of {what} holds other numbers than {NAME} says", _AGAIN)
    return at

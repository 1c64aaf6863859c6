"""Whether a working store still holds what was written into it: every sample against the hashes in recording.json."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.columns import CHUNK
from witnessmark.recording.pyramid import PyramidBuilder, coarser_levels, levels
from witnessmark.recording.readers.store import StoreSource, read_contents
from witnessmark.recording.trouble import refuse, shorten

Progress = Callable[[float], None]
_AGAIN = "expected what was imported; import the recording again"


def verify(path: str | os.PathLike[str], progress: Progress | None = None) -> int:
    """Read the whole store and compare; gives the number of samples and changes that were checked.

    ``progress`` gets the share done. Raises BadRecording, which names the channel that differs.
    """
    name = os.fspath(path)
    contents = read_contents(name)
    source = StoreSource(name, contents)
    total = max(1, sum(c.samples for c in contents.channels))
    done = 0
    for k, channel in enumerate(contents.channels):
        digest, found = hashlib.sha256(), _Found()
        if channel.kind == "changes":
            changes = source.changes(k)
            digest.update(changes.time_s.tobytes() + changes.level.tobytes())
            done += channel.samples
        else:
            builder = PyramidBuilder(found.append)
            for start in range(0, channel.samples, CHUNK):
                part = source.read(k, start, min(start + CHUNK, channel.samples))
                digest.update(np.ascontiguousarray(part).data)
                builder.append(part)
                done += len(part)
                if progress is not None:
                    progress(done / total)
            builder.finish()
        if digest.hexdigest() != channel.sha256:
            raise refuse(name, f"the samples of channel {shorten(channel.name)} are not those written", _AGAIN)
        pyramid = source.pyramid(k)
        if pyramid is not None and not np.array_equal(pyramid.blocks, found.all(channel.samples), equal_nan=True):
            raise refuse(name, f"the pyramid of channel {shorten(channel.name)} is not that of its samples", _AGAIN)
    return done


class _Found:
    """A pyramid as it must be."""

    def __init__(self) -> None:
        self._rows: list[NDArray[Any]] = []

    def append(self, rows: NDArray[Any]) -> None:
        self._rows.append(rows)

    def all(self, samples: int) -> NDArray[Any]:
        out = np.empty((sum(count for _, count in levels(samples)), 2), self._rows[0].dtype if self._rows else float)
        made = np.concatenate(self._rows) if self._rows else out[:0]
        out[: len(made)] = made
        at = len(made)

        def emit(rows: NDArray[Any]) -> None:
            nonlocal at
            out[at : at + len(rows)] = rows
            at += len(rows)

        coarser_levels(samples, lambda a, b: out[a:b], emit)
        return out

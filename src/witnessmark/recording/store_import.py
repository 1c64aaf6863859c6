"""From any recording to a working store: a chunk at a time, whole at the end or not there at all."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.errors import Cancelled, WitnessmarkError
from witnessmark.recording import store_format as form
from witnessmark.recording.columns import CHUNK, finite
from witnessmark.recording.content import content_hash, files_in
from witnessmark.recording.model import Recording
from witnessmark.recording.open import check_names, open_recording
from witnessmark.recording.setup import load_setup
from witnessmark.recording.spool import SpooledColumn
from witnessmark.recording.store_write import ChannelWriter, StoreWriter
from witnessmark.recording.trouble import refuse

Progress = Callable[[float], None]
_SPOOLED = 0.9  # of the work, where the reader goes through the whole file itself


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import made."""

    store: str
    channels: int
    samples: int  # of all channels together
    source: form.Origin


def import_recording(
    path: str | os.PathLike[str],
    store: str | os.PathLike[str],
    setup_path: str | os.PathLike[str] | None = None,
    progress: Progress | None = None,
) -> Imported:
    """Import a recording of any format into a new working store.

    ``setup_path``: kept with the store and used where none is given. ``progress`` gets the share done, 0 to 1; to
    raise Cancelled there ends the import, as an interrupt does, and leaves nothing. Raises BadRecording, BadSetup,
    BadOutput or Cancelled.
    """
    name, before = os.fspath(path), _state(path)
    setup = None if setup_path is None else load_setup(os.fspath(setup_path))
    told = _Told(progress)
    with StoreWriter(store) as writer, _Hashing(name) as origin:
        spool = _StoreSpool(writer, told)
        recording = open_recording(name, spool=spool)
        if setup is not None and setup_path is not None:
            check_names(recording, setup)
            writer.setup(Path(setup_path).read_text(encoding="utf-8"))
        fill(writer, recording, told, spool.columns)
        source = origin.result()
        if _state(path) != before:
            raise refuse(name, "changed while it was imported", "wait until it is written to its end and import again")
        writer.finish(recording, source)
    told(1.0)
    return Imported(os.fspath(store), len(recording.channels), sum(c.samples for c in recording.channels), source)


def fill(writer: StoreWriter, recording: Recording, told: Progress, spooled: Collection[ChannelWriter] = ()) -> None:
    """Write all channels of a recording, a stretch of each in turn; what is spooled already is taken as it is."""
    todo: list[tuple[int, ChannelWriter]] = []
    taken: list[ChannelWriter] = []
    for k, info in enumerate(recording.channels):
        written = None if info.kind == "changes" else next((c for c in spooled if _holds(c, recording, k)), None)
        if info.kind == "changes":
            writer.changes(k, recording.source.changes(k))
        elif written is not None:
            writer.adopt(k, written)
            taken.append(written)
        else:
            todo.append((k, writer.channel(k, recording.source.read(k, 0, 0).dtype)))
    steps = -(-max((recording.channels[k].samples for k, _ in todo), default=0) // CHUNK)
    done = _SPOOLED if spooled else 0.0
    for step in range(steps):
        for k, channel in todo:
            total = recording.channels[k].samples
            channel.append(finite(recording.source.read(k, total * step // steps, total * (step + 1) // steps)))
        told(done + (1 - done) * (step + 1) / steps)
    for left in spooled:
        if left not in taken:
            left.remove()


def _holds(written: ChannelWriter, recording: Recording, index: int) -> bool:
    """Whether the recording hands out the very bytes that were spooled: then there is nothing to write again."""
    samples = recording.channels[index].samples
    if samples != written.samples or samples == 0:
        return False
    mapped, read = written.mapped(), recording.source.read
    return _same(read(index, 0, 1), mapped[:1]) and _same(read(index, samples - 1, samples), mapped[-1:])


def _same(a: NDArray[Any], b: NDArray[Any]) -> bool:
    return a.dtype == b.dtype and a.__array_interface__["data"][0] == b.__array_interface__["data"][0]


class _Told:
    """Tells how much is done, and never less than before."""

    def __init__(self, progress: Progress | None):
        self._progress, self._most = progress, 0.0

    def __call__(self, share: float) -> None:
        self._most = min(1.0, max(self._most, share))
        if self._progress is None:
            return
        try:
            self._progress(self._most)
        except WitnessmarkError:
            raise
        except Exception as exc:  # it must not be taken for damage of the file
            raise Cancelled(f"stopped ({str(exc) or type(exc).__name__})") from exc


class _StoreSpool:
    """Spools into the store itself: a column that is a channel as it stands need not be written twice."""

    def __init__(self, writer: StoreWriter, told: Progress):
        self.columns: list[ChannelWriter] = []
        self._writer, self._told, self._tries = writer, told, 0

    def begin(self, columns: int, aside: Collection[int]) -> list[SpooledColumn]:
        for column in self.columns:
            column.remove()
        self._tries += 1
        self.columns = []
        out: list[SpooledColumn] = []
        for i in range(columns):
            if i in aside:
                out.append(self._writer.spare(f"{self._tries}-{i}", np.dtype(np.float64)))
            else:
                self.columns.append(self._writer.column(np.dtype(np.float64)))
                out.append(self.columns[-1])
        return out

    def reached(self, share: float) -> None:
        self._told(_SPOOLED * share)


class _Hashing:
    """Hashes the file (or folder) beside the work; ends with it."""

    def __init__(self, path: str):
        self._path, self._stop = path, threading.Event()
        self._pool = ThreadPoolExecutor(1)

    def __enter__(self) -> Future[form.Origin]:
        return self._pool.submit(self._hash)

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._pool.shutdown()

    def _hash(self) -> form.Origin:
        sha256, size = content_hash(self._path, lambda: not self._stop.is_set())
        name = os.path.basename(os.path.abspath(self._path)).encode("utf-8", "replace").decode("utf-8")
        return form.Origin(name=name, bytes=size, sha256=sha256)


def _state(path: str | os.PathLike[str]) -> list[tuple[str, int, int]]:
    """What shows that a file was written to; empty where there is none."""
    root = Path(path)
    try:
        return [(str(p), (s := p.stat()).st_size, s.st_mtime_ns) for p in files_in(root)]
    except (OSError, ValueError):  # opening it will say what is wrong
        return []

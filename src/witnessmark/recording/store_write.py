"""Writes a working store: samples as they come, hash and pyramid on the way; whole at the end or not there at all.

    with StoreWriter("van") as store:
        crank = store.channel(0, np.dtype(np.int16))
        crank.append(samples)                       # as often as there are more
        store.finish(head)                          # a Recording that describes the channels

Also for what still grows: nothing need be known beforehand but the type of the samples.
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from witnessmark import __version__
from witnessmark.errors import BadRecording
from witnessmark.recording import store_format as form
from witnessmark.recording.model import Changes, ChannelInfo, Recording
from witnessmark.recording.pyramid import PyramidBuilder, coarser_levels
from witnessmark.recording.store_place import Building, sync, writing
from witnessmark.recording.trouble import one_line, shorten
from witnessmark.threads import each

HEADER = 128  # bytes before the samples of an .npy file of this kind: the shape can be written into it at the end


class ArrayFile:
    """An .npy file that grows: rows are appended, the header gets its shape at the end."""

    def __init__(self, path: Path, dtype: np.dtype[Any], width: int = 0, place: str = ""):
        """width: numbers in a row; 0 for one without a second dimension. place: named where writing fails."""
        self.path, self.dtype, self.rows = path, form.native(dtype), 0
        self._width, self._place = width, place or os.fspath(path)
        self._mapped: NDArray[Any] | None = None
        with writing(self._place), open(path, "xb") as file:
            self._head(file)

    def _head(self, file: IO[bytes]) -> None:
        shape = (self.rows, self._width) if self._width else (self.rows,)
        said = {"descr": self.dtype.str, "fortran_order": False, "shape": shape}
        text = repr(said).encode("ascii")
        file.write(b"\x93NUMPY\x01\x00" + (HEADER - 10).to_bytes(2, "little") + text.ljust(HEADER - 11) + b"\n")

    def append(self, rows: NDArray[Any]) -> NDArray[Any]:
        """Write rows at the end and give them back as they were written. Opened anew each time: files may be many."""
        tidy = np.ascontiguousarray(rows, self.dtype)
        if len(tidy):
            with writing(self._place), open(self.path, "ab") as file:
                file.write(tidy.data)
        self.rows += len(tidy)
        return tidy

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Rows written before."""
        width = max(1, self._width)
        at = HEADER + start * width * self.dtype.itemsize
        flat = np.fromfile(self.path, self.dtype, (stop - start) * width, offset=at)
        return flat.reshape(-1, width) if self._width else flat

    def mapped(self) -> NDArray[Any]:
        """All rows written so far, one-dimensional, mapped; the same array until there are more."""
        if self._mapped is None or len(self._mapped) != self.rows:
            self._mapped = np.memmap(self.path, self.dtype, "r", HEADER, (self.rows,)) if self.rows else self._empty()
        return self._mapped

    def _empty(self) -> NDArray[Any]:
        return np.empty(0, self.dtype)

    def rename(self, name: str) -> None:
        """Give it another name in its folder."""
        self._mapped = None
        with writing(self._place):
            self.path = self.path.rename(self.path.with_name(name))

    def finish(self) -> None:
        """Write the shape into the header and bring all of it to the disk."""
        with writing(self._place):
            with open(self.path, "r+b") as file:
                self._head(file)
            sync(self.path)


class ChannelWriter:
    """The samples of one channel with their hash and their pyramid."""

    def __init__(self, folder: Path, stem: str, dtype: np.dtype[Any], place: str):
        """``stem``: of its files' names."""
        self._samples = ArrayFile(folder / f"{stem}.npy", dtype, 0, place)
        self._blocks = ArrayFile(folder / f"{stem}.pyramid.npy", dtype, 2, place)
        self._builder = PyramidBuilder(self._blocks.append)
        self._hash = hashlib.sha256()

    @property
    def samples(self) -> int:
        """How many were appended."""
        return self._samples.rows

    @property
    def dtype(self) -> np.dtype[Any]:
        """Their type."""
        return self._samples.dtype

    def append(self, samples: NDArray[Any]) -> None:
        """More samples, converted to the channel's type. Raises BadOutput where there is no room."""
        tidy = self._samples.append(samples)
        self._hash.update(tidy.data)
        self._builder.append(tidy)

    def mapped(self) -> NDArray[Any]:
        """What was appended so far, mapped."""
        return self._samples.mapped()

    def finish(self, stem: str) -> None:
        """Make the coarser levels, give the files their names, and bring them to the disk."""
        self._samples.rename(f"{stem}.npy")
        self._blocks.rename(f"{stem}.pyramid.npy")
        self._builder.finish()
        coarser_levels(self.samples, self._blocks.read, self._blocks.append)
        self._samples.finish()
        self._blocks.finish()

    def entry(self, info: ChannelInfo) -> form.Channel:
        """What recording.json says of it."""
        rate = info.rate_hz or 1.0
        return _entry(
            info,
            info.start_s + self.samples / rate,
            type=self.dtype.name,
            file=self._samples.path.name,
            pyramid=self._blocks.path.name,
            sha256=self._hash.hexdigest(),
        )

    def remove(self) -> None:
        """Take its files away."""
        for file in (self._samples, self._blocks):
            file.path.unlink(missing_ok=True)


class _ChangesWriter:
    """A two-level channel: times and levels of its changes."""

    def __init__(self, folder: Path, stem: str, changes: Changes, place: str):
        self._times = ArrayFile(folder / f"{stem}.times.npy", np.dtype(np.float64), 0, place)
        self._levels = ArrayFile(folder / f"{stem}.npy", np.dtype(np.uint8), 0, place)
        self._end_s = changes.end_s
        self._hash = hashlib.sha256(self._times.append(changes.time_s).data)
        self._hash.update(self._levels.append(changes.level).data)

    @property
    def samples(self) -> int:
        return self._times.rows

    def finish(self, stem: str) -> None:
        self._times.rename(f"{stem}.times.npy")
        self._levels.rename(f"{stem}.npy")
        self._times.finish()
        self._levels.finish()

    def entry(self, info: ChannelInfo) -> form.Channel:
        return _entry(
            info,
            self._end_s,
            type="uint8",
            file=self._levels.path.name,
            times=self._times.path.name,
            sha256=self._hash.hexdigest(),
        )


def _entry(info: ChannelInfo, end_s: float, **more: Any) -> form.Channel:
    gaps = tuple(form.Gap(start_s=g.start_s, end_s=g.end_s, reason=g.reason) for g in info.gaps)
    same = ("name", "position", "kind", "samples", "rate_hz", "start_s", "gain", "offset", "unit")
    said: dict[str, Any] = {key: getattr(info, key) for key in same}
    return form.Channel(**said, **more, end_s=end_s, gaps=gaps)


class StoreWriter:
    """A working store in the making. Leave it without :meth:`finish` and nothing remains."""

    def __init__(self, goal: str | os.PathLike[str]):
        """Raises BadOutput: the goal exists, cannot be written, or is being written by another process."""
        self.place = os.fspath(goal)
        self._building = Building(goal)
        self._channels: dict[int, ChannelWriter | _ChangesWriter] = {}
        self._setup: str | None = None
        self._made = 0

    def __enter__(self) -> StoreWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self._building.discard()

    def column(self, dtype: np.dtype[Any]) -> ChannelWriter:
        """A writer that is no channel yet; :meth:`adopt` makes it one."""
        self._made += 1
        return ChannelWriter(self._building.folder, f"spare-{self._made}", dtype, self.place)

    def adopt(self, index: int, written: ChannelWriter) -> None:
        """Make what was written channel ``index``: its place in Recording.channels."""
        self._channels[index] = written

    def channel(self, index: int, dtype: np.dtype[Any]) -> ChannelWriter:
        """The writer of sampled channel ``index``; truth values and half floats become uint8 and float32."""
        dtype = np.dtype({"?": np.uint8, "e": np.float32}.get(dtype.char, dtype))
        self.adopt(index, made := self.column(dtype))
        return made

    def changes(self, index: int, changes: Changes) -> None:
        """Write two-level channel ``index`` as a whole."""
        self._made += 1
        self._channels[index] = _ChangesWriter(self._building.folder, f"spare-{self._made}", changes, self.place)

    def setup(self, text: str) -> None:
        """Keep a setup file with the store: it is used where none is given."""
        self._setup = text

    def spare(self, name: str, dtype: np.dtype[Any]) -> ArrayFile:
        """A file for the time of writing; removed by :meth:`finish`, as every other that is no channel's."""
        return ArrayFile(self._building.folder / f"spare-of-{name}.npy", dtype, 0, self.place)

    def finish(self, head: Recording, source: form.Origin | None = None) -> None:
        """Describe the channels as ``head`` does (its samples are not read), bring all to the disk, and publish.

        Raises BadRecording where a channel got another number of samples than ``head`` says, BadOutput for the rest.
        """
        for k, info in enumerate(head.channels):
            there = self._channels[k].samples if k in self._channels else -1
            if there != info.samples:
                wrong = f"channel {shorten(info.name)} claims {info.samples} samples, {max(0, there)} are there"
                raise BadRecording(one_line(f"{head.path}: {wrong}; export it again"))
        written = [self._channels[k] for k in range(len(head.channels))]
        each(lambda k: written[k].finish(f"{k + 1:04d}"), range(len(written)))
        contents = self._contents(head, source, written)
        folder = self._building.folder
        with writing(self.place):
            for spare in folder.glob("spare-*"):
                spare.unlink()
            if self._setup is not None:
                _write_whole(folder / form.SETUP, self._setup)
            _write_whole(folder / form.NAME, form.dumped(contents))  # last: without it the folder is no store
        self._building.publish()

    def _contents(
        self, head: Recording, source: form.Origin | None, written: Sequence[ChannelWriter | _ChangesWriter]
    ) -> form.Contents:
        try:
            return form.Contents(
                program=form.Program(name="witnessmark", version=__version__),
                made_utc=time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
                source=source,
                format=head.format,
                end_s=head.end_s,
                cautions=head.cautions,
                left_out=head.left_out,
                setup=None if self._setup is None else form.SETUP,
                simulated=head.simulated,
                channels=tuple(w.entry(i) for w, i in zip(written, head.channels, strict=True)),
            )
        except ValidationError as exc:  # a reader of another package may hand over anything
            first = exc.errors(include_url=False)[0]
            key = ".".join(str(part) for part in first["loc"])
            wrong = f"its reader gives no usable {key} ({first['msg']}); mend the reader"
            raise BadRecording(one_line(f"{head.path}: {wrong}")) from None


def _write_whole(path: Path, text: str) -> None:
    part = path.with_name(f"spare-{path.name}")
    part.write_text(text, encoding="utf-8", newline="\n")
    sync(part)
    os.replace(part, path)

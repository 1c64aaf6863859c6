"""A growing text table: its rows so far, found by time without reading all of it again."""

from __future__ import annotations

import csv
import math
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from witnessmark import output
from witnessmark.errors import BadRecording
from witnessmark.follow.frames import file_bytes
from witnessmark.follow.growth import Growth
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import find_time
from witnessmark.recording.open import open_recording
from witnessmark.recording.readers.csv_layout import Layout, find_layout, is_number
from witnessmark.recording.trouble import refuse

SETTLED = 1 << 17  # bytes from which on the layout no longer changes: its search looks at less
SPARSE = 1 << 20
MAX_PART = 1 << 28  # bytes of rows that are looked at together while the file grows: about as many in memory
LINE = 1 << 16  # a row longer than this is none


class TableFile:
    """Rows are whole lines; times come from the time column, or from counted rows and the rate of a comment."""

    trouble = ""
    says_its_end = False
    ended = False

    def __init__(self, path: str):
        """``path``: an existing file, its header may be still to come."""
        self.name, self.suffix = path, Path(path).suffix
        self._growth = Growth(path)
        self._layout: Layout | None = None
        self._time: tuple[int, float] | None = None
        self._end = 0  # behind the last whole line
        self._rows: list[tuple[int, int]] = []  # (offset of a row, rows before it), one a look at the file
        self._first_s = self._last_s = 0.0

    @property
    def layout(self) -> Layout:
        """The layout; only when ``ready``."""
        assert self._layout is not None
        return self._layout

    @property
    def ready(self) -> bool:
        """Whether two rows are there."""
        return self._layout is not None and self._last_s > self._first_s

    @property
    def first_s(self) -> float:
        """Time of the first row."""
        return self._first_s

    @property
    def length_s(self) -> float:
        """Time of the last whole row."""
        return self._last_s

    def poll(self) -> bool:
        """Whether it has grown."""
        if not self._growth.poll():
            return False
        if self._layout is None or self._layout.data_at + SETTLED > self._end:
            self._settle()
        if self._layout is not None:
            self._take_in()
        return True

    def _settle(self) -> None:
        """The layout as far as it shows itself by now."""
        try:
            layout = find_layout(self.name)
        except BadRecording:
            if self._growth.size > SETTLED:
                raise
            return  # the header is being written
        if layout.encoding.startswith("utf-16"):
            raise refuse(
                self.name, "is a table in UTF-16, which cannot be followed", "save it as UTF-8, or watch its folder"
            )
        self._layout, self._rows, self._end = layout, [(layout.data_at, 0)], layout.data_at
        self._time = find_time(layout.names, layout.units) if layout.has_header else None
        if self._time is None and layout.rate_hz is None:
            self._time = (0, 1.0)

    def _take_in(self) -> None:
        """Counts the new whole rows and takes note of the last one's time."""
        at, rows = self._rows[-1]
        begun = b""  # a row that goes on in the next block, or at the next look
        for block in file_bytes(self.name, at, self._growth.size):
            data = begun + block
            whole = data.rfind(b"\n") + 1
            begun = data[whole:]
            if whole:
                at, rows = at + whole, rows + data.count(b"\n", 0, whole)
                self._rows.append((at, rows))
        while len(self._rows) > 2 and self._rows[-1][0] - self._rows[-3][0] < SPARSE:
            del self._rows[-2]  # a row known every megabyte is near enough to any other
        self._end = self._rows[-1][0]
        first, last = self._time_at(self.layout.data_at), self._last_time()
        self._first_s = self._first_s if first is None else first
        self._last_s = self._last_s if last is None else last

    def _last_time(self) -> float | None:
        if self._time is None:
            return self._rows[-1][1] / (self.layout.rate_hz or 1.0)
        start = max(self.layout.data_at, self._end - LINE)
        lines = self._bytes(start, self._end).split(b"\n")
        times = (self._time_of(line) for line in reversed(lines[1:] if start > self.layout.data_at else lines))
        return next((t for t in times if t is not None), None)

    def _bytes(self, at: int, stop: int) -> bytes:
        return b"".join(file_bytes(self.name, at, stop))

    def _time_of(self, line: bytes) -> float | None:
        """Time in s of a row; None where it has none."""
        assert self._time is not None
        layout = self.layout
        text = line.decode("latin-1").strip()
        try:
            cells = text.split() if layout.delimiter == " " else next(csv.reader([text], delimiter=layout.delimiter))
        except (csv.Error, StopIteration):
            return None
        cell = cells[self._time[0]] if self._time[0] < len(cells) else ""
        if not is_number(cell, layout.decimal):
            return None
        return float(cell.strip().replace(",", ".")) * self._time[1]

    def _time_at(self, offset: int) -> float | None:
        """Time of the first row with one at or behind an offset that begins a row."""
        if self._time is None:
            return self._before(offset)[1] / (self.layout.rate_hz or 1.0)
        lines = self._bytes(offset, min(self._end, offset + LINE)).split(b"\n")
        return next((t for t in map(self._time_of, lines) if t is not None), None)

    def _before(self, offset: int) -> tuple[int, int]:
        """(offset, number) of the row that begins at or before an offset."""
        at, rows = max(r for r in self._rows if r[0] <= max(offset, self.layout.data_at))
        for data in file_bytes(self.name, at, min(offset, self._end)):
            whole = data.rfind(b"\n") + 1
            rows, at = rows + data.count(b"\n", 0, whole), at + whole
        return at, rows

    def _row_from(self, time_s: float) -> int:
        """Offset of the first row at or behind a time, by halving."""
        if self._time is None:
            return self._row_number(math.ceil(time_s * (self.layout.rate_hz or 1.0) - 0.5))
        low, high = self.layout.data_at, self._end
        while high - low > LINE:
            middle = self._line_from((low + high) // 2)
            there = self._time_at(middle) if middle < high else None
            if there is None or there >= time_s:
                high = (low + high) // 2
            else:
                low = middle
        at = low
        for line in self._bytes(low, min(self._end, high + LINE)).split(b"\n"):
            time = self._time_of(line)
            if time is not None and time >= time_s:
                return at
            at += len(line) + 1
        return min(at, self._end)

    def _row_number(self, number: int) -> int:
        """Offset of a row by its number."""
        at, rows = max(r for r in self._rows if r[1] <= max(number, 0))
        for data in file_bytes(self.name, at, self._end):
            ends = np.flatnonzero(np.frombuffer(data, np.uint8) == ord("\n"))
            if number - rows <= len(ends):
                return at if number <= rows else at + int(ends[number - rows - 1]) + 1
            rows += len(ends)
            at += int(ends[-1]) + 1 if len(ends) else 0
        return self._end

    def _line_from(self, offset: int) -> int:
        """Where the next row begins."""
        end = self._bytes(offset, min(self._end, offset + LINE)).find(b"\n")
        return self._end if end < 0 else offset + end + 1

    def _stretch(self, start_s: float, stop_s: float) -> tuple[int, int]:
        start = self.layout.data_at if start_s <= self._first_s else self._row_from(start_s)
        return start, self._end if stop_s >= self._last_s else max(start, self._row_from(stop_s))

    def _looked_at(self, start_s: float, stop_s: float) -> tuple[int, int]:
        """The same, its beginning left out where it would not fit into memory as numbers."""
        start, stop = self._stretch(start_s, stop_s)
        return start if stop - start <= MAX_PART else self._line_from(stop - MAX_PART), stop

    @contextmanager
    def window(self, start_s: float, stop_s: float) -> Iterator[Recording]:
        """A stretch as a recording: its rows behind the file's own header, in a file for the time being."""
        start, stop = self._looked_at(start_s, stop_s)
        with tempfile.TemporaryDirectory(prefix="witnessmark-") as folder:
            place = str(Path(folder) / f"part{self.suffix}")
            with open(place, "wb") as file:
                for at, end in ((0, self.layout.data_at), (start, stop)):
                    for data in file_bytes(self.name, at, end):
                        file.write(data)
            try:
                recording = open_recording(place)
            except BadRecording as error:
                raise BadRecording(str(error).replace(place, self.name)) from None
            shift_s = 0.0 if self._time is not None else self._before(start)[1] / (self.layout.rate_hz or 1.0)
            yield later(replace(recording, path=self.name), shift_s)

    def save(self, start_s: float, stop_s: float, place: str) -> tuple[float, float]:
        """Write a stretch behind the same header."""
        start, stop = self._stretch(start_s, stop_s)
        with output.writing(place) as file:
            for at, end in ((0, self.layout.data_at), (start, stop)):
                for data in file_bytes(self.name, at, end):
                    file.write(data)
        first = self._time_at(start)
        first_s = self._first_s if first is None else first
        return first_s, first_s if self._time is None else 0.0


def later(recording: Recording, shift_s: float) -> Recording:
    """The same recording with all its times that much later (sampled channels only)."""
    if shift_s == 0.0:
        return recording
    channels = tuple(
        replace(
            c,
            start_s=c.start_s + shift_s,
            gaps=tuple(replace(g, start_s=g.start_s + shift_s, end_s=g.end_s + shift_s) for g in c.gaps),
        )
        for c in recording.channels
    )
    return replace(recording, channels=channels, end_s=recording.end_s + shift_s)

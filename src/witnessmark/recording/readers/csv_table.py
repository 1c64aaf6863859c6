"""CSV, TSV, TXT: tables of numbers as text, and change lists."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_rate, from_time
from witnessmark.recording.columns import CHUNK, array_column, finite
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import find_time, is_index, unique_names
from witnessmark.recording.readers.arrow_values import values_of
from witnessmark.recording.readers.csv_layout import Layout, find_layout
from witnessmark.recording.spool import Spool, scale_file
from witnessmark.recording.trouble import count, refuse, shorten

FORMAT = "text table"
BAD_TIME_SHARE = (
    0.01  # rows without a readable time are left out up to this share; beyond it the file is not a recording
)
_BLOCK, _WHOLE_BLOCK = (
    1 << 20,
    4 << 20,
)  # bytes parsed at once, piece by piece (the parser reads many ahead) or as a whole
_NULLS = ["", "NA", "N/A", "n/a", "NaN", "nan", "NAN", "null", "NULL", "-", "--", "---", "inf", "-inf", "Inf", "-Inf"]
_NUMERIC = r"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*$"


@dataclass
class _Body:
    """The parsed rows: a float64 array a column (NaN: no value), and the rows that did not fit."""

    values: list[NDArray[np.float64]]
    texts: list[int] = field(default_factory=list)  # cells of each column that hold text instead of a number
    nulls: list[int] = field(default_factory=list)  # cells of each column without a value
    infinite: set[int] = field(default_factory=set)  # columns with values that are NaN by now and were infinite
    misfits: list[tuple[int, str]] = field(default_factory=list)  # (row number of the parser, text)


def read(path: str, spool: Spool | None = None) -> Recording:
    """Read a text table, with ``spool`` without holding it in memory; see docs/recordings.md for what is understood."""
    layout = find_layout(path)
    body, cut = _drop_cut_row(path, layout, _parse(path, layout, spool))
    rows = len(body.values[0]) if body.values else 0
    if rows < 2:
        raise refuse(path, f"holds {count(rows, 'sample')}", "expected at least two to judge; record for longer")
    timed = _time_column(path, layout, body)
    names = unique_names(_channel_names(layout, None if timed is None else timed[0]))
    keep = [i for i in range(len(layout.names)) if (timed is None or i != timed[0])]
    keep = [i for i in keep if not (layout.rate_hz and layout.has_header and is_index(layout.names[i]))]
    cautions: list[str] = []
    time_s = None
    if timed is not None:
        time_s, used = _usable_time(path, layout, _seconds(body.values[timed[0]], timed[1]))
        if used is not None:
            cautions.append(f"Left out {count(int((~used).sum()), 'row')} without a readable time.")
            body.values = [v[used] for v in body.values]
    if body.misfits:
        cautions.append(f"Left out {count(len(body.misfits), 'row')} with the wrong number of columns.")
    draft = _draft(path, layout, body, keep, names, cut, cautions, timed)
    return from_rate(draft, layout.rate_hz or 0.0) if time_s is None else from_time(draft, time_s)


def _draft(
    path: str,
    layout: Layout,
    body: _Body,
    keep: list[int],
    names: list[str],
    cut: str,
    cautions: list[str],
    timed: tuple[int, float] | None,
) -> Draft:
    columns, left_out = [], []
    for i in keep:
        position = i + 1 - (timed is not None and i > timed[0])
        name = names[position - 1]
        if body.nulls[i] and np.isnan(body.values[i]).all():
            if layout.names[i] or body.texts[i]:  # a nameless empty column is a trailing delimiter
                left_out.append(name)
            continue
        if body.texts[i]:
            cautions.append(
                f"Channel {shorten(name)} has {count(body.texts[i], 'cell')} with text instead of a number (gaps)."
            )
        columns.append(
            array_column(
                name, position, body.values[i], layout.units[i], complete=body.nulls[i] == 0 and i not in body.infinite
            )
        )
    if not columns:
        empty = bool(left_out) and not any(body.texts[i] for i in keep)
        more = ", ..." if left_out[1:] else ""
        raise refuse(
            path,
            f"no cell holds a number beside the time, only gaps ({shorten(left_out[0])}{more})"
            if empty
            else "no numeric column beside the time",
            "expected one column of numbers a channel; export the samples as numbers",
        )
    return Draft(path, FORMAT, tuple(columns), tuple(cautions), tuple(left_out), cut, where=_Where(path, layout))


def _parse(path: str, layout: Layout, spool: Spool | None) -> _Body:
    """Quick and strict first; rows that do not fit and cells that are not numbers cost a second or third pass."""
    body = _Body([], [0] * len(layout.names))

    def misfit(row: Any) -> str:
        text = row.text or ""
        if text.strip() and not text.lstrip().startswith("#"):
            body.misfits.append((row.number or 0, text))
        return "skip"

    try:
        _gather(body, path, layout, pa.float64(), None, spool)
    except (pa.ArrowInvalid, UnicodeDecodeError):
        try:
            _gather(body, path, layout, pa.float64(), misfit, spool)
        except pa.ArrowInvalid:
            body.misfits.clear()
            _gather(body, path, layout, pa.string(), misfit, spool)
    return body


def _gather(
    body: _Body, path: str, layout: Layout, kind: Any, misfit: Callable[[Any], str] | None, spool: Spool | None
) -> None:
    """Fill the body with what the parser makes of the file."""
    width = len(layout.names)
    body.texts, body.nulls = [0] * width, [0] * width
    spooled = None if spool is None else spool.begin(width, _aside(layout))
    parts: list[list[NDArray[np.float64]]] = [[] for _ in range(width)]
    for table, share in _tables(path, layout, kind, misfit, whole=spool is None):
        texts = [0] * width
        if kind == pa.string():
            table, texts = _lenient(table, layout.decimal)
        for i, column in enumerate(table.columns):
            body.texts[i] += texts[i]
            body.nulls[i] += column.null_count
            values = values_of(column)
            if spooled is None:
                parts[i].append(values)
            else:
                tidy = finite(values)
                spooled[i].append(tidy)
                if tidy is not values:
                    body.infinite.add(i)
        if spool is not None:
            spool.reached(share)
    body.values = [p[0] for p in parts] if spooled is None else [column.mapped() for column in spooled]


def _aside(layout: Layout) -> list[int]:
    """The column of times, as far as its name (or its place, without names) tells."""
    named = find_time(layout.names, layout.units) if layout.has_header else (0, 1.0)
    return [] if named is None else [named[0]]


def _tables(
    path: str, layout: Layout, kind: Any, misfit: Callable[[Any], str] | None, whole: bool
) -> Iterator[tuple[pa.Table, float]]:
    """The rows of the file, all in one table or piece by piece, and how much of the file has been read."""
    names = [str(i) for i in range(len(layout.names))]
    # a misfit row is handed over as text: latin-1 decodes any byte, and numbers are the same in it
    options = {
        "read_options": pacsv.ReadOptions(
            column_names=names, encoding="latin-1" if misfit else "utf-8", block_size=_WHOLE_BLOCK if whole else _BLOCK
        ),
        "parse_options": pacsv.ParseOptions(
            delimiter=layout.delimiter, invalid_row_handler=misfit, ignore_empty_lines=len(names) > 1
        ),
        "convert_options": pacsv.ConvertOptions(
            check_utf8=False,
            column_types=dict.fromkeys(names, kind),
            null_values=_NULLS,
            strings_can_be_null=True,
            decimal_point=layout.decimal if kind == pa.float64() else ".",
        ),
    }
    with pa.OSFile(path, "rb") as file:
        file.seek(layout.data_at)
        stream: Any = file
        if layout.encoding.startswith("utf-16") or layout.delimiter == " ":
            text = file.read().decode(layout.encoding, errors="replace")
            if layout.delimiter == " ":
                text = re.sub(r"(?m)^[ \t]+|[ \t]+$", "", re.sub(r"[ \t]+", " ", text))
            stream = pa.BufferReader(text.encode("latin-1" if misfit else "utf-8", errors="replace"))
        if whole:
            yield pacsv.read_csv(stream, **options), 1.0
            return
        for k, batch in enumerate(pacsv.open_csv(stream, **options), start=1):
            yield pa.Table.from_batches([batch]), min(1.0, k * _BLOCK / stream.size())


def _lenient(table: pa.Table, decimal: str) -> tuple[pa.Table, list[int]]:
    """Text cells become gaps; counted per column."""
    import pyarrow.compute as pc  # takes as long to import as most files to read

    columns, texts = [], []
    for column in table.columns:
        if decimal == ",":
            column = pc.replace_substring(column, ",", ".")
        numeric = pc.match_substring_regex(column, _NUMERIC)
        texts.append(int(pc.sum(pc.invert(numeric)).as_py() or 0))
        columns.append(pc.cast(pc.utf8_trim_whitespace(pc.if_else(numeric, column, None)), pa.float64()))
    return pa.table(columns, names=table.column_names), texts


def _drop_cut_row(path: str, layout: Layout, body: _Body) -> tuple[_Body, str]:
    """A last line without its end is whole only if it looks like the lines before it."""
    with open(path, "rb") as file:
        file.seek(max(layout.data_at, file.seek(0, io.SEEK_END) - 65536))
        tail = file.read()
    if tail.endswith((b"\n", b"\r", b"\n\0", b"\r\0")) or not tail:
        return body, ""
    lines = re.split(rb"\r\n|\r|\n", tail)
    cut = "The file was cut short in its last row; it was read up to there."
    last = lines[-1].decode("latin-1").strip("\0 ")
    if body.misfits and body.misfits[-1][1].strip() == last:
        body.misfits.pop()
        return body, cut
    before = {len(line) for line in lines[-21:-1]}
    shorter = len(lines) > 21 and len(before) == 1 and len(lines[-1]) < min(before)
    unread = bool(last) and any(np.isnan(v[-1]) for v in body.values if len(v)) and not last.endswith(layout.delimiter)
    if shorter or unread:
        body.values = [v[:-1] for v in body.values]
        return body, cut
    return body, ""


def _time_column(path: str, layout: Layout, body: _Body) -> tuple[int, float] | None:
    """(column, seconds per unit); None where the file states a rate and has no time column."""
    if layout.has_header:
        named = find_time(layout.names, layout.units)
        if named is not None:
            return named
    first = body.values[0]
    if layout.rate_hz is not None:
        period = np.diff(first[: min(len(first), 1000)]) * layout.rate_hz
        is_time = not layout.has_header and len(layout.names) > 1 and bool(np.allclose(period, 1.0, rtol=0, atol=0.01))
        return (0, 1.0) if is_time else None
    known = first[~np.isnan(first)]
    rises = len(known) >= 2 and bool((np.diff(known) >= 0).mean() > 0.9) and known[-1] > known[0]
    if len(layout.names) < 2 or (layout.has_header and not rises):
        raise refuse(
            path,
            "no time column and no rate",
            'expected a column named "time" or a comment line "# rate_hz: 100000"; add one',
        )
    return 0, 1.0


def _channel_names(layout: Layout, time_column: int | None) -> list[str]:
    return [name for i, name in enumerate(layout.names) if i != time_column]


def _seconds(column: NDArray[np.float64], scale: float) -> NDArray[np.float64]:
    return column if scale == 1.0 else scale_file(column, scale)


def _usable_time(
    path: str, layout: Layout, time_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_] | None]:
    """Times that can be read, and which rows have them; None where all do."""
    parts = range(0, len(time_s), CHUNK)
    bad = np.concatenate([at + np.flatnonzero(~np.isfinite(time_s[at : at + CHUNK])) for at in parts])
    if not len(bad):
        return time_s, None
    if len(bad) > BAD_TIME_SHARE * len(time_s):
        raise refuse(
            path,
            f"the time in {_Where(path, layout)(int(bad[0]))} is not a number ({len(bad)} of {len(time_s)} rows)",
            "expected seconds that rise; correct the time column",
        )
    used = np.ones(len(time_s), np.bool_)
    used[bad] = False
    return time_s[used], used


class _Where:
    """Names the line of a data row; only looked up when something is wrong."""

    def __init__(self, path: str, layout: Layout):
        self._path, self._layout = path, layout

    def __call__(self, row: int) -> str:
        """ "line 17" for data row 15 of a file with two lines before its data."""
        layout, seen = self._layout, -1
        with open(self._path, encoding=layout.encoding, errors="replace", newline=None) as file:
            for number, line in enumerate(file, start=1):
                if number < layout.data_line:
                    continue
                if layout.delimiter == " ":
                    line = " ".join(line.split())
                fits = line.count(layout.delimiter) == len(layout.names) - 1
                seen += fits and (bool(line.strip()) or len(layout.names) == 1)
                if seen == row:
                    return f"line {number}"
        return f"row {row + 1}"

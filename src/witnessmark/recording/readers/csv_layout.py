"""How a text table is laid out: encoding, separator, decimal sign, comments, header, units, where the data begin."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from witnessmark.recording.naming import clean_unit, is_unit, split_unit
from witnessmark.recording.trouble import refuse, shorten

HEAD_LINES = 400  # lines the layout is told by
HEAD_BYTES = 1 << 20  # the layout must show itself in the first MB; a longer first line is no header
MAX_FIELDS = 4096  # more columns than any recorder has
_ODD = bytes(b for b in range(32) if b not in (9, 10, 12, 13, 26, 27))  # no letters of a text
_RATE = re.compile(r"rate_hz\s*[:=]\s*(?P<rate>\S+)", re.IGNORECASE)
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_POINT = re.compile(r"[+-]?\d*\.\d*([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?\d*,\d*([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Layout:
    """names and units: one entry a column. data_at: byte offset of the first data row; data_line: its line number."""

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    has_header: bool
    rate_hz: float | None
    data_at: int
    data_line: int


def find_layout(path: str) -> Layout:
    """Look at the head of the file; raises BadRecording where it is no table of numbers."""
    size = Path(path).stat().st_size
    with open(path, "rb") as file:
        raw = file.read(HEAD_BYTES)
    if not raw.strip():
        raise refuse(path, "the file is empty", "expected a header and rows of numbers; export the recording again")
    encoding, skip = _encoding(path, raw)
    lines = _whole_lines(path, raw, encoding, skip, len(raw) < size)
    comments = [line for _, line in lines if line.lstrip().startswith("#")]
    rows = [(i, line) for i, (_, line) in enumerate(lines) if line.strip() and not line.lstrip().startswith("#")]
    delimiter, decimal = _separators([line for _, line in rows])
    cells = [_split(line, delimiter) for _, line in rows]
    first = _first_data_row(path, cells, decimal)
    width = Counter(len(c) for c in cells[first : first + 50]).most_common(1)[0][0]
    if width > MAX_FIELDS:
        raise refuse(path, f"has {width} columns", f"expected at most {MAX_FIELDS}; check that it is a recording")
    names, units, has_header = _header(cells[:first], width)
    line_no = rows[first][0]
    data_at = skip + len("".join(line for _, line in lines[:line_no]).encode(encoding))
    return Layout(encoding, delimiter, decimal, names, units, has_header, _rate(path, comments), data_at, line_no + 1)


def is_number(cell: str, decimal: str = ".") -> bool:
    """Whether a cell is a finite decimal number with this decimal sign."""
    cell = cell.strip()
    return bool(_NUMBER.fullmatch(cell)) and ("," not in cell or decimal == ",") and ("." not in cell or decimal == ".")


def _encoding(path: str, raw: bytes) -> tuple[str, int]:
    """Encoding and length of the byte order mark."""
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if raw.startswith(mark):
            return encoding, len(mark)
    odd = len(raw) - len(raw.translate(None, _ODD))
    if b"\0" in raw or odd > len(raw) // 100:
        raise refuse(path, "is not text", "expected a table of numbers as text; check that the suffix is right")
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError as exc:
        if exc.start < len(raw) - 4:
            return "latin-1", 0
    return "utf-8", 0


def _whole_lines(path: str, raw: bytes, encoding: str, skip: int, more: bool) -> list[tuple[int, str]]:
    text = raw[skip:].decode(encoding, errors="ignore")
    ends = [m.end() for m in islice(re.finditer(r"\r\n|\r|\n", text), HEAD_LINES)]
    if not more and len(ends) < HEAD_LINES:
        ends.append(len(text))
    lines = [text[a:b] for a, b in zip([0, *ends], ends, strict=False)]
    if not lines or not any(line.strip() for line in lines):
        raise refuse(
            path,
            f"its first line is longer than {HEAD_BYTES >> 20} MB",
            "expected a short header and rows of numbers; check that it is a recording",
        )
    return list(enumerate(lines))


def _separators(lines: list[str]) -> tuple[str, str]:
    """Delimiter and decimal sign, told by the last of the first 200 lines (data, whatever the header looks like)."""
    body = lines[:200][-100:]
    body = body[len(body) // 2 :] or body
    delimiter = max("\t;,", key=lambda d: (_agreement(body, d), {"\t": 3, ";": 2, ",": 1}[d]))
    if _agreement(body, delimiter) == 0:
        delimiter = " " if _agreement(body, " ") > 0.5 else ","
    cells = [c.strip() for line in body for c in _split(line, delimiter)]
    points, commas = sum(bool(_POINT.fullmatch(c)) for c in cells), sum(bool(_COMMA.fullmatch(c)) for c in cells)
    return delimiter, "," if commas > points else "."


def _agreement(body: list[str], delimiter: str) -> float:
    """How well a delimiter explains the lines: share of the commonest width (above 1) times share of numeric cells."""
    rows = [_split(line, delimiter) for line in body]
    counts = Counter(len(row) for row in rows)
    counts.pop(1, None)
    cells = [c.strip() for row in rows for c in row]
    good = sum(not c or bool(_NUMBER.fullmatch(c)) for c in cells) / max(1, len(cells))
    return max(counts.values(), default=0) / max(1, len(body)) * (0.01 + good)


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    try:
        return next(csv.reader([line.rstrip("\r\n")], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.rstrip("\r\n").split(delimiter)


def _first_data_row(path: str, cells: list[list[str]], decimal: str) -> int:
    """A row with numbers whose first cell is one; or is text in the rows below as well, and so no header."""
    for i, row in enumerate(cells):
        if not any(is_number(c, decimal) for c in row):
            continue
        if is_number(row[0], decimal) or not any(r and is_number(r[0], decimal) for r in cells[i + 1 : i + 4]):
            return i
    if len(cells) < 2:
        raise refuse(path, "holds no samples, only a line of text", "expected rows of numbers below the header")
    sample = shorten(cells[-1][0] if cells and cells[-1] else "")
    raise refuse(
        path,
        f'no numeric column: no row of numbers in the first {len(cells)} rows (the last begins "{sample}")',
        "expected a time column and one column a channel; export the samples as numbers",
    )


def _header(rows: list[list[str]], width: int) -> tuple[tuple[str, ...], tuple[str, ...], bool]:
    """Names and units from the rows before the data: title lines of another width are passed over."""
    fitting = [r for r in rows if len(r) == width or (width > 1 and len(r) in (width - 1, width + 1) and len(r) > 1)]
    if not fitting:
        return ("",) * width, ("",) * width, False
    units = [""] * width
    names = fitting[-1]
    if len(fitting) > 1 and _is_unit_row(fitting[-1]):
        names, units = fitting[-2], [clean_unit(u) for u in fitting[-1]]
    names = [n.strip() for n in (names + [""] * width)[:width]]
    units = (units + [""] * width)[:width]
    units = [u or split_unit(n)[1] for n, u in zip(names, units, strict=True)]
    return tuple(names), tuple(units), True


def _is_unit_row(row: list[str]) -> bool:
    """Most of the cells that are filled name a unit."""
    filled = [c for c in row if c.strip()]
    return bool(filled) and 2 * sum(is_unit(c) for c in filled) > len(filled)


def _rate(path: str, comments: list[str]) -> float | None:
    for comment in comments:
        match = _RATE.search(comment)
        if match:
            try:
                return float(match["rate"])
            except ValueError:
                raise refuse(
                    path, f'"{shorten(comment)}" gives no number', "expected # rate_hz: 100000; correct the comment"
                ) from None
    return None

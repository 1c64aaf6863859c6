"""Names and units as files write them: which column is time, and in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence

# seconds in one unit of time as written in headers and unit rows (SI prefixes)
TIME_UNITS = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
    "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "usec": 1e-6, "microsecond": 1e-6, "microseconds": 1e-6,
    "ns": 1e-9, "nsec": 1e-9, "nanosecond": 1e-9, "nanoseconds": 1e-9,
    "min": 60.0, "minutes": 60.0,
}  # fmt: skip
_TIME_NAMES = {
    "time",
    "t",
    "timestamp",
    "timestamps",
    "times",
    "zeit",
    "tiempo",
    "x",
    "x-axis",
    "elapsed",
    "elapsed time",
}
_TIME_WORDS = {"stamp", "base", "axis", "elapsed"}
# units a recorder writes below its column names (lower case)
_UNITS = {
    "v", "mv", "kv", "volt", "volts", "a", "ma", "ka", "amp", "amps", "ohm", "kohm", "w", "kw", "bar", "mbar", "pa",
    "kpa", "mpa", "hpa", "psi", "c", "°c", "degc", "deg c", "k", "f", "°f", "degf", "rpm", "1/min", "hz", "khz",
    "min-1", "mhz", "%", "deg", "°", "counts", "raw", "-", "bool", "0/1", "nm", "mm", "g", "n",
}  # fmt: skip
_BRACKET = re.compile(r"^(?P<name>.*?)\s*[\[(](?P<unit>[^\[\]()]*)[\])]\s*$")
_INDEX_NAMES = {"index", "sample", "samples", "row", "n", "no", "no.", "#", "sample number"}


def split_unit(name: str) -> tuple[str, str]:
    """("crank", "V") from "crank [V]" or "crank (V)"; an empty unit where none is written."""
    match = _BRACKET.match(name)
    return (match["name"].strip(), match["unit"].strip()) if match else (name.strip(), "")


def clean_unit(text: str) -> str:
    """The unit in a cell of a unit row: "(V)" and "[V]" are V."""
    return text.strip().strip("()[]").strip()


def is_unit(text: str) -> bool:
    """Whether a cell names a unit: one in brackets, or a known one."""
    text = text.strip()
    return bool(text) and (text[0] + text[-1] in {"()", "[]"} or text.lower() in _UNITS or text.lower() in TIME_UNITS)


def time_scale(name: str, unit: str = "") -> float | None:
    """Seconds per unit if this column's name (and unit row) say it is time, else None."""
    bare, bracket = split_unit(name)
    bare = bare.lower()
    unit = (unit or bracket).lower()
    words = [w for w in re.split(r"[\s_/,:-]+", bare) if w]
    if bare in TIME_UNITS and bare not in {"min"} and not unit:
        return TIME_UNITS[bare]
    two = len(words) == 2 and words[0] in {"time", "t", "x"} and (words[1] in TIME_UNITS or words[1] in _TIME_WORDS)
    if bare not in _TIME_NAMES and not two:
        return None
    if unit:
        return TIME_UNITS.get(unit)
    return TIME_UNITS.get(words[-1], 1.0) if len(words) > 1 else 1.0


def find_time(names: Sequence[str], units: Sequence[str]) -> tuple[int, float] | None:
    """(column, seconds per unit) of the first column that calls itself time; None where none does."""
    for i, (name, unit) in enumerate(zip(names, units, strict=True)):
        scale = time_scale(name, unit)
        if scale is not None:
            return i, scale
    return None


def is_index(name: str) -> bool:
    """Whether a column only counts rows."""
    return split_unit(name)[0].lower() in _INDEX_NAMES


def unique_names(names: Sequence[str]) -> list[str]:
    """The names, nameless ones called by their 1-based place, repeats numbered: "a", "a (2)"."""
    out: list[str] = []
    for i, name in enumerate(names, start=1):
        wanted = base = name.strip() or str(i)
        n = 2
        while wanted in out:
            wanted, n = f"{base} ({n})", n + 1
        out.append(wanted)
    return out

"""VCD: value change dumps; wires of one bit are two-level channels with exact edge times.

Format: IEEE 1364 (value change dump, four-state); from memory, checked in the tests against pyvcd's writer. Unknown and
high-impedance states (x, z) are gaps. Vectors, reals and events are left out. A file without a whole last line was cut.
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import BinaryIO

import numpy as np

from witnessmark.recording.assemble import CUT_SHORT, ChangeSource
from witnessmark.recording.changelist import build_changes
from witnessmark.recording.columns import array_column
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import unique_names
from witnessmark.recording.trouble import count, refuse, shorten
from witnessmark.spans import Span

FORMAT = "VCD"
_PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9, "ps": 1e12, "fs": 1e15}
_SCALE = re.compile(r"(1|10|100)\s*(s|ms|us|ns|ps|fs)")
_LEVELS = {48: 0.0, 49: 1.0, 120: np.nan, 88: np.nan, 122: np.nan, 90: np.nan}  # 0 1 x X z Z
_HEAD = 16 << 20  # bytes the definitions must end in
_MOST = 4096
_LONGEST = 1 << 20  # bytes of a line
_CUT = "The file was cut short in its last line; it was read up to there."


@dataclass
class _Wire:
    """A one-bit variable: the ticks at which it changed and what to."""

    name: str
    place: int
    ticks: array[int] = field(default_factory=lambda: array("q"))
    levels: array[float] = field(default_factory=lambda: array("f"))


@dataclass
class _Head:
    """Ticks are ``units`` / ``per_s`` seconds: divided, they come out as the decimal number they are."""

    units: int
    per_s: float
    wires: dict[bytes, _Wire]
    others: dict[bytes, str]  # what is no line of one bit, by its code
    data_at: int

    def seconds(self, ticks: int) -> float:
        """The time of a tick."""
        return ticks * self.units / self.per_s


def read(path: str) -> Recording:
    """Read a dump: the whole of it, it is text."""
    with open(path, "rb") as file:
        head = _definitions(path, file)
        if not head.wires:
            raise refuse(path, "no wire of one bit", "expected at least one; record lines, not buses")
        first, last, cut = _changes(path, file, head)
    if first is None or last <= first:
        raise refuse(path, "no two times in it", "expected changes over a time; record for longer")
    return _recording(path, head, first, last, cut)


def _definitions(path: str, file: BinaryIO) -> _Head:
    raw = file.read(_HEAD)
    end = re.search(rb"\$enddefinitions\s+\$end", raw)
    if end is None:
        if b"$var" not in raw and b"$timescale" not in raw:
            raise refuse(path, "is not a value change dump", "expected IEEE 1364; check that the suffix is right")
        raise refuse(path, "its definitions are cut short", "expected $enddefinitions $end; export it again")
    head = _Head(0, 1.0, {}, {}, end.end())
    scope: list[str] = []
    found: list[tuple[bytes, list[str], str, bool]] = []
    for words in _sections(raw[: end.start()].decode("utf-8", errors="replace")):
        if words[0] == "$timescale":
            match = _SCALE.fullmatch(" ".join(words[1:]).strip())
            if match is None:
                raise refuse(
                    path, f'its timescale is "{shorten(" ".join(words[1:]))}"', "expected 1, 10 or 100 and s to fs"
                )
            head.units, head.per_s = int(match[1]), _PER_S[match[2]]
        elif words[0] == "$scope":
            scope.append(words[2] if len(words) > 2 else "")
        elif words[0] == "$upscope" and scope:
            scope.pop()
        elif words[0] == "$var" and len(words) >= 5:
            one_bit = words[2] == "1" and words[1] not in ("real", "realtime", "event", "string")
            found.append((words[3].encode(), [*scope], " ".join(words[4:]), one_bit))
        if len(found) > _MOST:
            raise refuse(path, f"has more than {_MOST} variables", "expected the lines of a recorder; check the file")
    if not head.units:
        raise refuse(path, "no timescale", 'expected a line such as "$timescale 1 us $end"; add it')
    _name(head, found)
    return head


def _sections(text: str) -> Iterator[list[str]]:
    """The words of each $keyword ... $end."""
    words: list[str] = []
    for word in text.split():
        if word == "$end":
            if words:
                yield words
            words = []
        elif words or word.startswith("$"):
            words.append(word)


def _name(head: _Head, found: list[tuple[bytes, list[str], str, bool]]) -> None:
    """Lines by their own names, with the scopes before them where names would be the same."""
    short = [name for _, _, name, _ in found]
    names = [n if short.count(n) == 1 else ".".join([*scope, n]) for _, scope, n, _ in found]
    for code, name, (_, _, _, one_bit) in zip([f[0] for f in found], unique_names(names), found, strict=True):
        if code in head.wires or code in head.others:
            continue  # one line under a second name
        if one_bit:
            head.wires[code] = _Wire(name, len(head.wires) + 1)
        else:
            head.others[code] = name


def _changes(path: str, file: BinaryIO, head: _Head) -> tuple[int | None, int, str]:
    """Fills the wires; (first tick, last tick, caution where cut)."""
    file.seek(head.data_at)
    first: int | None = None
    now, line_no, skipping = 0, _line_number(file, head.data_at), False
    while line := file.readline(_LONGEST):
        whole = line.endswith(b"\n")
        words = line.split()
        if not whole and len(line) < _LONGEST and _is_cut(words, head, now):
            return first, now, _CUT
        k = 0
        while k < len(words):
            word, kind = words[k], words[k][0]
            k += 1
            if skipping:  # within $comment
                skipping = word != b"$end"
            elif kind == 35:  # "#": a time
                if not word[1:].isdigit() or len(word) > 20:
                    raise _trouble(path, line_no, word, "a time as # and a whole number")
                tick = int(word[1:])
                if first is not None and tick < now:
                    raise refuse(
                        path,
                        f"time runs backwards in line {line_no} (from {head.seconds(now):.9g} s "
                        f"to {head.seconds(tick):.9g} s)",
                        "expected a time that rises; export it again",
                    )
                now, first = tick, tick if first is None else first
            elif kind in _LEVELS:
                code = word[1:]
                if not code and k < len(words):
                    code, k = words[k], k + 1
                wire = head.wires.get(code)
                if wire is not None:
                    first = now if first is None else first
                    wire.ticks.append(now)
                    wire.levels.append(_LEVELS[kind])
                elif code not in head.others:
                    raise _trouble(path, line_no, word, "a level and the code of a variable")
            elif kind in b"bBrRsS":
                k += 1
            elif word == b"$comment":
                skipping = True
            elif kind != 36:
                raise _trouble(path, line_no, word, "a time, a level or a $keyword")
        line_no += 1
    return first, now, ""


def _trouble(path: str, line_no: int, word: bytes, expected: str) -> Exception:
    said = shorten(word.decode("utf-8", errors="replace"))
    return refuse(path, f'line {line_no} holds "{said}"', f"expected {expected}; export it again")


def _line_number(file: BinaryIO, at: int) -> int:
    file.seek(0)
    lines = file.read(at).count(b"\n")
    return lines + 1


def _is_cut(words: list[bytes], head: _Head, now: int) -> bool:
    """Whether a last line without its end lost something: it could be a shorter number or code than was written."""
    if not words:
        return False
    last = words[-1]
    if last[:1] == b"#":
        return not last[1:].isdigit() or int(last[1:].decode()[:20]) < now or len(last) <= len(str(now))
    return not (last == b"$end" or (last[0] in _LEVELS and last[1:] in head.wires) or last in head.others)


def _recording(path: str, head: _Head, first: int, last: int, cut: str) -> Recording:
    end_s = head.seconds(last)
    built, cautions = [], []
    for name in head.others.values():
        cautions.append(f"Variable {shorten(name)} is no line of one bit: it is left out.")
    left_out, flat = list(head.others.values()), 0
    for wire in head.wires.values():
        if not wire.ticks or np.isnan(wire.levels).all():
            left_out.append(wire.name)
            cautions.append(f"Wire {shorten(wire.name)} has no level anywhere: it is left out.")
            continue
        ticks, levels = np.array(wire.ticks, dtype=np.float64), np.array(wire.levels)
        known = int(np.argmin(np.isnan(levels)))  # unknown until the first change: the line begins there
        times, levels = ticks[known:] * head.units / head.per_s, levels[known:]
        if times[0] > head.seconds(first):
            cautions.append(f"Wire {shorten(wire.name)} has no level before {times[0]:.6g} s: it begins there.")
        info, changes, lost = build_changes(array_column(wire.name, wire.place, levels), times, end_s)
        flat += lost
        if cut:
            info = replace(info, gaps=(*info.gaps, Span(end_s, end_s, CUT_SHORT)))
        built.append((info, changes))
    if not built:
        raise refuse(path, "no wire has a level anywhere", "expected changes to 0 and 1; check the leads, record again")
    if flat:
        cautions.append(f"{count(flat, 'pulse')} of no width (two changes at one time) left out.")
    gaps = [f"Channel {shorten(i.name)} has {count(len(i.gaps), 'gap')} without values." for i, _ in built if i.gaps]
    return Recording(
        path,
        tuple(info for info, _ in built),
        ChangeSource([changes for _, changes in built]),
        end_s,
        (*cautions, *gaps, *((cut,) if cut else ())),
        FORMAT,
        tuple(left_out),
    )

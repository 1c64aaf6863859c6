"""ASAM MDF 4: the channels of every group, each on its group's own clock; records are read when asked for.

Own code and no library: the files are mapped, and a damaged one must neither hang nor fill the memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from witnessmark.recording.assemble import Draft, from_time
from witnessmark.recording.columns import Column
from witnessmark.recording.join import join_readable
from witnessmark.recording.model import Recording
from witnessmark.recording.naming import unique_names
from witnessmark.recording.readers.mdf_blocks import HEAD_AT, Block, Cut, File, Stream
from witnessmark.recording.readers.mdf_channels import Bytes, Field, fields, group_head, numbers, values
from witnessmark.recording.trouble import count, refuse, shorten

FORMAT = "MDF"
_VLSD = 1
MAX_RECORD = 1 << 20  # bytes of a record
_CUT = "The file was cut short: it was read as far as it is whole."


@dataclass(frozen=True, slots=True)
class _Group:
    """A channel group whose records can be read. ``records(a, b)``: their bytes [record, byte]."""

    name: str
    fields: list[Field]
    count: int
    lost: int
    data_bytes: int
    records: Callable[[int, int], Bytes]


def read(path: str) -> Recording:
    """Read the structure and the clocks now, channels on demand."""
    file = File(path)
    groups, cut = _groups(file)
    left_out: list[str] = []
    chosen: list[tuple[_Group, Field | None, list[Field]]] = []
    for group in groups:
        time = next((f for f in group.fields if f.is_time and f.readable), None)
        channels = [f for f in group.fields if not f.is_master and f.readable]
        left_out += [f.name for f in group.fields if not f.is_master and not f.readable]
        if channels and group.count:
            chosen.append((group, time, channels))
    if not chosen:
        what = "is cut short, nothing whole is left" if cut else "holds no samples"
        raise refuse(path, what, "expected groups of numbers with a time channel; export the recording again")
    names = unique_names([f.name for _, _, channels in chosen for f in channels])
    said = tuple(f"Channel {shorten(n)} holds no numbers that are read: it is left out." for n in left_out)
    makers, order, place = [], [], 0
    for k, (group, time, channels) in enumerate(chosen):
        places = list(range(place, place + len(channels)))
        columns = tuple(_column(names[p], p + 1, group, f) for p, f in zip(places, channels, strict=True))
        draft = Draft(
            path,
            FORMAT,
            columns,
            said if k == 0 else (),
            tuple(left_out) if k == 0 else (),
            _CUT if group.lost or (cut and k == len(chosen) - 1) else "",
            group.lost,
        )
        makers.append((group.name or f"Group {k + 1}", _maker(draft, group, time)))
        order.append(places)
        place += len(channels)
    return join_readable(path, makers, order)


def _maker(draft: Draft, group: _Group, time: Field | None) -> Callable[[], Recording]:
    def make() -> Recording:
        if time is None:
            raise refuse(draft.path, "its group has no time channel", "expected one; export the recording with time")
        return from_time(draft, _seconds(group, time))

    return make


def _seconds(group: _Group, time: Field) -> NDArray[np.float64]:
    conversion = time.conversion
    assert conversion is not None
    out = np.empty(group.count)
    for a in range(0, group.count, 1 << 18):
        b = min(a + (1 << 18), group.count)
        raw = numbers(time, group.records(a, b), a).astype(np.float64)
        raw = raw if conversion.further is None else conversion.further(raw)
        out[a:b] = raw * conversion.gain + conversion.offset
    return out


def _column(name: str, position: int, group: _Group, field: Field) -> Column:
    conversion = field.conversion
    assert conversion is not None
    native = np.dtype(np.float32) if field.dtype == np.float16 else field.dtype
    exact = conversion.further is None and field.invalid_bit is None
    dtype = native if exact or (native.kind == "f" and conversion.further is None) else np.dtype(np.float64)

    def fetch(start: int, stop: int) -> NDArray[Any]:
        return values(field, group.records(start, stop), start, dtype, group.data_bytes)

    return Column(name, position, dtype, group.count, fetch, field.unit, conversion.gain, conversion.offset)


def _groups(file: File) -> tuple[list[_Group], bool]:
    """All groups whose records can be read, and whether the file was cut."""
    found: list[_Group] = []
    cut = False
    try:
        head = file.block(HEAD_AT, "HD")
        for data_group in file.chain(head.links[0] if head.links else 0, "DG"):
            if len(data_group.links) < 3:
                raise Cut
            added, broken = _of_data_group(file, data_group)
            found += added
            cut = cut or broken
            if len(found) > 4096:
                raise Cut
    except Cut:
        cut = True
    return found, cut


def _of_data_group(file: File, data_group: Block) -> tuple[list[_Group], bool]:
    id_bytes = file.unpack("<B", data_group)[0]
    heads: list[tuple[Block, list[Field], str]] = []
    cut = False
    try:
        for group in file.chain(data_group.links[1], "CG"):
            name = file.text(group.links[2]) if len(group.links) > 2 else ""
            heads.append((group, fields(file, group), name))
    except Cut:
        cut = True
    if not heads:
        return [], cut
    stream = Stream(file, data_group.links[2])
    if id_bytes == 0:
        return [_sorted(file, stream, *heads[0])], cut or stream.cut
    if id_bytes not in (1, 2, 4, 8):
        raise Cut
    return _unsorted(file, stream, id_bytes, heads), cut or stream.cut


def _checked(file: File, group: Block, found: list[Field]) -> tuple[int, int, int, int, list[Field]]:
    """(record id, records said, bytes of data, bytes of a record, the channels that fit into it)."""
    ident, said, flags, data_bytes, invalid_bytes = group_head(file, group)
    width = data_bytes + invalid_bytes
    if width > MAX_RECORD:
        raise refuse(file.path, f"a record in it has {width} bytes", f"expected at most {MAX_RECORD}; export it again")
    fit = [f for f in found if f.virtual or f.last_byte <= data_bytes]
    fit = [f for f in fit if f.invalid_bit is None or f.invalid_bit // 8 < invalid_bytes]
    return ident, said, data_bytes, 0 if flags & _VLSD else width, fit


def _sorted(file: File, stream: Stream, group: Block, found: list[Field], name: str) -> _Group:
    _, said, data_bytes, width, fit = _checked(file, group, found)
    there = stream.size // width if width else 0
    records = there if file.unfinished else min(said, there)
    lost = max(0, min(said - there, stream.lost // width + 1)) if width and stream.cut else 0
    if said > there and not stream.cut and width:
        raise refuse(
            file.path,
            f"group {shorten(name) or 1} claims {count(said, 'record')}, {there} are there",
            "expected a whole MDF 4 file; export it again",
        )

    def rows(start: int, stop: int) -> Bytes:
        at = stream.plain()
        if at is not None:
            raw = np.frombuffer(file.raw, np.uint8, max(0, stop - start) * width, at + start * width)
        else:
            raw = np.frombuffer(stream.read(start * width, stop * width), np.uint8)
        return raw.reshape(-1, width)

    return _Group(name, fit, records, lost, data_bytes, rows)


def _unsorted(file: File, stream: Stream, id_bytes: int, heads: list[tuple[Block, list[Field], str]]) -> list[_Group]:
    """Records of several groups mixed, each led by its group's number: found once, one after the other."""
    checked = [_checked(file, group, found) for group, found, _ in heads]
    widths = {c[0]: c[3] for c in checked}
    vlsd = {c[0] for (g, _, _), c in zip(heads, checked, strict=True) if group_head(file, g)[2] & _VLSD}
    starts: dict[int, Any] = {c[0]: [] for c in checked}
    raw = stream.read(0, stream.size)
    at, end = 0, len(raw)
    if len(checked) == 1 and not vlsd and widths[checked[0][0]]:  # one group only: no need to look for its records
        ident, stride = checked[0][0], id_bytes + checked[0][3]
        starts[ident], at = range(id_bytes, end - checked[0][3] + 1, stride), end
    while at + id_bytes <= end:
        ident = int.from_bytes(raw[at : at + id_bytes], "little")
        at += id_bytes
        if ident not in widths:
            break
        if ident in vlsd:
            at += 4 + int.from_bytes(raw[at : at + 4], "little")
            continue
        if at + widths[ident] > end:
            break
        starts[ident].append(at)
        at += widths[ident]
    body = np.frombuffer(raw, np.uint8)
    return [
        _mixed(name, fit, data_bytes, width, np.array(starts[ident], dtype=np.int64), body)
        for (_, _, name), (ident, _, data_bytes, width, fit) in zip(heads, checked, strict=True)
        if ident not in vlsd
    ]


def _mixed(name: str, fit: list[Field], data_bytes: int, width: int, starts: NDArray[np.int64], body: Bytes) -> _Group:
    def rows(start: int, stop: int) -> Bytes:
        return np.asarray(body[starts[start:stop, np.newaxis] + np.arange(width)])

    return _Group(name, fit, len(starts), 0, data_bytes, rows)

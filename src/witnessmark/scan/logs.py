"""Logs of the bus: frames through python-can's readers (candump, ASC, BLF, TRC; MDF where asammdf is installed)."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from witnessmark.errors import BadScan
from witnessmark.scan.assemble import shortened, units_of
from witnessmark.scan.extra import needed
from witnessmark.scan.frames import Frame, Note, is_answer, is_request
from witnessmark.scan.model import Engine, ScanSnapshot, Source
from witnessmark.scan.transport import messages

if TYPE_CHECKING:
    import can

READERS = {
    ".log": "CanutilsLogReader",
    ".candump": "CanutilsLogReader",
    ".txt": "CanutilsLogReader",
    ".asc": "ASCReader",
    ".blf": "BLFReader",
    ".trc": "TRCReader",
    ".mf4": "MF4Reader",
}
SUFFIXES = tuple(READERS)
_PRINTED = re.compile(r"\s*(?:\(\s*(\d+\.\d+)\)\s+)?(\S+)\s+([0-9A-Fa-f]{3,8})\s+\[\d+\]\s*((?:[0-9A-Fa-f]{2}\s*)*)")
_EPOCH_S = 1e8  # later than this is a date, not a time since the log began
_END_S = 253402300800.0  # the year 10000, where dates end; no clock of a log is beyond it


def read_log(path: str, engine: Engine | None = None) -> ScanSnapshot:
    """The snapshot of a log; engine: what it did while the log was written, as the user says.

    Times count from the log's first frame. Raises :class:`~witnessmark.errors.BadScan` with one line where the file
    cannot be read, holds no diagnostic answer, or a frame whose time is no time. A log cut short is read as far as it
    is whole, with a note.
    """
    notes: list[Note] = []
    first: float | None = None
    total = 0
    kept: dict[str, list[Frame]] = {}
    for message in _messages(path, notes):
        total += 1
        _check_time(path, message.timestamp, total)
        first = message.timestamp if first is None else first
        frame = _frame(message, first)
        if frame is not None:
            kept.setdefault(str(message.channel), []).append(frame)
    if not total:
        why = notes[0].text if notes else "it holds no frames"
        raise BadScan(f"{path}: {why}; expected a log of the bus such as candump -l writes")
    frames = _one_bus(kept, notes)
    found, transport_notes = messages(frames)
    notes += transport_notes
    units, answers, duration_s = units_of(found, notes)
    if not answers:
        raise BadScan(f"{path}: {_without(total, frames, notes)}; log the bus while a tester reads the control units")
    taken = datetime.fromtimestamp(first, UTC).isoformat(timespec="seconds") if first and first > _EPOCH_S else None
    source = Source("log", path, "can", taken, engine, duration_s, total, answers)
    return ScanSnapshot(source, units, shortened(notes))


def _check_time(path: str, time_s: float, number: int) -> None:
    """BadScan for a time that is no number, or beyond all dates."""
    if not (math.isfinite(time_s) and abs(time_s) < _END_S):
        raise BadScan(
            f"{path}: frame {number} has the time {time_s:g} s; expected seconds since the log began or since 1970; "
            "correct or remove that line, or write the log again"
        )


def _messages(path: str, notes: list[Note]) -> Iterator[can.Message]:
    """The frames of the file; what stops the reader is an error before the first frame and a note after it."""
    suffix = Path(path).suffix.lower()
    can = needed("can", f"{path}: reading logs of the bus")
    if suffix == ".mf4":
        needed("asammdf", f"{path}: reading MDF logs of the bus")
    if not Path(path).is_file():
        raise BadScan(f"{path}: no such file; check the name")
    count = 0
    try:
        with _reader(can, path, suffix) as reader:
            for message in reader:
                count += 1
                yield message
    except (GeneratorExit, BadScan, MemoryError):
        raise
    except OSError as error:
        raise BadScan(f"{path}: {(error.strerror or str(error)).lower()}; check path and permissions") from None
    except Exception as error:  # each reader fails in its own way on a damaged file
        what = " ".join(str(error).split())[:120] or type(error).__name__
        if not count:
            raise BadScan(
                f"{path}: not readable as {suffix[1:]} ({what}); was it copied whole? copy it again"
            ) from None
        notes.append(Note(None, "", f"the log cannot be read beyond frame {count} ({what}); what follows is left out"))


@contextmanager
def _reader(can: Any, path: str, suffix: str) -> Iterator[Iterable[can.Message]]:
    """python-can's reader; text that candump printed on a terminal, without -l, is read here."""
    if READERS[suffix] == "CanutilsLogReader":
        with open(path, encoding="utf-8", errors="replace") as text:
            lines = (line for line in text if line.strip())
            first = next(lines, "")
            if _PRINTED.match(first):
                yield (_printed(can, line, n) for n, line in enumerate(chain([first], lines)))
                return
    with getattr(can, READERS[suffix])(path) as reader:
        yield reader


def _printed(can: Any, line: str, number: int) -> can.Message:
    """A line such as ``(1.000100)  can0  7E8   [8]  06 41 00 BE 1F A8 13 00``; without times frames take 1 ms each."""
    match = _PRINTED.match(line)
    if match is None:
        raise ValueError(f"no frame in: {line.strip()[:60]}")
    time_s, bus, identifier, data = match.groups()
    return can.Message(  # type: ignore[no-any-return]
        timestamp=float(time_s) if time_s else 0.001 * number, channel=bus, arbitration_id=int(identifier, 16),
        is_extended_id=len(identifier) > 3, data=bytes.fromhex(data),
    )  # fmt: skip


def _frame(message: Any, first_s: float) -> Frame | None:
    """The frame where it is a diagnostic one; error, remote and long frames are none."""
    wide, identifier = bool(message.is_extended_id), int(message.arbitration_id)
    if message.is_error_frame or message.is_remote_frame or len(message.data) > 8:
        return None
    if not (is_answer(identifier, wide) or is_request(identifier, wide)):
        return None
    return Frame(message.timestamp - first_s, identifier, bytes(message.data), wide)


def _one_bus(kept: dict[str, list[Frame]], notes: list[Note]) -> list[Frame]:
    """The frames of the bus with most answers: a gateway repeats them on others, which would break every message."""
    if not kept:
        return []
    answers = {name: sum(is_answer(f.identifier, f.wide) for f in frames) for name, frames in kept.items()}
    best = max(answers, key=lambda name: answers[name])
    for name, count in answers.items():
        if name != best and count:
            notes.append(Note(None, name, f"{count} frames of answers on this bus are left out; {best} has more"))
    return kept[best]


def _without(total: int, frames: list[Frame], notes: list[Note]) -> str:
    asked = Counter("answers" if is_answer(f.identifier, f.wide) else "requests" for f in frames)
    if asked["answers"]:
        trouble = notes[0].text if notes else "none is complete"
        return f"{asked['answers']} frames of answers among {total}, and no answer can be read ({trouble})"
    if asked["requests"]:
        return f"{asked['requests']} requests among {total} frames and no answer: the control units were silent"
    return f"{total} frames and no diagnostic answer among them (7E8 to 7EF, or 18DAF1xx)"

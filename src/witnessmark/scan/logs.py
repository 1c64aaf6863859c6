"""Logs of the bus: frames through python-can's readers (candump, ASC, BLF, TRC; MDF where asammdf is installed)."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
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
    ".asc": "ASCReader",
    ".blf": "BLFReader",
    ".trc": "TRCReader",
    ".mf4": "MF4Reader",
}
SUFFIXES = tuple(READERS)
_EPOCH_S = 1e8  # later than this is a date, not a time since the log began


def read_log(path: str, engine: Engine | None = None) -> ScanSnapshot:
    """The snapshot of a log; engine: what it did while the log was written, as the user says.

    Times count from the log's first frame. Raises :class:`~witnessmark.errors.BadScan` with one line where the file
    cannot be read or holds no diagnostic answer. A log cut short is read as far as it is whole, with a note.
    """
    notes: list[Note] = []
    first: float | None = None
    total = 0
    kept: dict[str, list[Frame]] = {}
    for message in _messages(path, notes):
        total += 1
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
        with getattr(can, READERS[suffix])(path) as reader:
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

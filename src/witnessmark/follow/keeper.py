"""Keep the last minutes when something happens: a recording of its own, and what was the case; whole or not there."""

from __future__ import annotations

import json
import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from witnessmark import output
from witnessmark.errors import BadOutput
from witnessmark.follow import circumstances
from witnessmark.follow.lines import line
from witnessmark.follow.model import DEBUG, Event, Look, Say, Stream
from witnessmark.recording.trouble import one_line
from witnessmark.report.plain import number, seconds
from witnessmark.report.words import KINDS

SCHEMA = "witnessmark.event/1"
AFTER_S = 5.0  # recorded on behind an event before it is written: how it went on belongs to it


@dataclass(frozen=True, slots=True)
class _Noticed:
    event: Event
    when: datetime
    seen_s: float  # how far the record had come


class Keeper:
    """Waits a little behind an event, then writes; what happened in the same minutes goes into the same file.

    A place that cannot be written is said, and following goes on.
    """

    def __init__(self, stream: Stream, look: Look, say: Say, folder: str, keep_s: float, after_s: float = AFTER_S):
        """``folder``: exists; ``keep_s``: how much of the record before the event is kept."""
        self._stream, self._look, self._say = stream, look, say
        self._folder, self._keep_s, self._after_s = Path(folder), keep_s, after_s
        self._waiting: list[_Noticed] = []
        self.kept: list[str] = []

    def happened(self, event: Event) -> None:
        """Something to be kept; it is written once enough has come behind it."""
        come_s = self._stream.length_s if self._stream.ready else event.at_s
        self._waiting.append(_Noticed(event, datetime.now(UTC), come_s))

    def flush(self, is_last: bool = False) -> None:
        """Write what has waited long enough (or, at the end, everything)."""
        while self._waiting and (is_last or self._stream.length_s >= self._waiting[0].event.at_s + self._after_s):
            self._stream.poll()
            stop_s = self._stream.length_s
            if self._waiting[0].event.at_s < self._stream.first_s:
                gone = self._waiting.pop(0).event
                what = KINDS.get(gone.kind, gone.why)
                said = f"no longer held when it was seen ({what}, at {gone.at_s:.2f} s); keep more minutes"
                self._say(line(stop_s, "not kept", said))
                continue
            start_s = max(self._stream.first_s, min(self._waiting[0].event.at_s, stop_s) - self._keep_s)
            together = [n for n in self._waiting if start_s <= n.event.at_s <= stop_s] or self._waiting[:1]
            self._waiting = [n for n in self._waiting if n not in together]
            try:
                self._keep(together, start_s, stop_s)
            except BadOutput as error:
                self._say(line(stop_s, "not kept", str(error)))

    def _keep(self, together: list[_Noticed], start_s: float, stop_s: float) -> None:
        together = sorted(together, key=lambda n: n.event.at_s)
        place = self._place(together)
        first_s, shift_s = self._stream.save(start_s, stop_s, place)
        found, note = self._circumstances([n.event for n in together], stop_s)
        said = {
            "schema": SCHEMA,
            "recording": Path(place).name,
            "source": self._stream.name,
            "kept": {"start_s": seconds(first_s), "end_s": seconds(stop_s), "time_added_s": seconds(shift_s)},
            "events": [_event_json(n, shift_s, f) for n, f in zip(together, found, strict=True)],
            "note": note or None,
        }
        text = json.dumps(said, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        output.write_all({str(Path(place).with_suffix(".event.json")): text})
        self.kept.append(place)
        thens = [note or circumstances.summary(readings) for readings in found]
        for k, n in enumerate(together):
            self._say(line(stop_s, "event", f"at {n.event.at_s:.2f} s, noticed at {n.seen_s:.2f} s: {n.event.why}"))
            if thens[k : k + 1] != thens[k + 1 : k + 2]:  # of events with the same circumstances, after the last one
                self._say(line(None, "then", thens[k]))
        self._say(line(stop_s, "kept", f"{place}, {first_s:.2f} to {stop_s:.2f} s"))

    def _circumstances(self, events: list[Event], stop_s: float) -> tuple[list[tuple[circumstances.Reading, ...]], str]:
        """The lines around each event, or why they cannot be told."""
        start_s = max(self._stream.first_s, events[0].at_s - circumstances.BEFORE_S - 1.0)
        try:
            with self._stream.window(start_s, min(stop_s, events[-1].at_s + self._after_s)) as part:
                analysis = self._look(part)
                stretches = [circumstances.stretch_of(e.at_s, e.end_s) for e in events]
                return [circumstances.readings(analysis, stretch) for stretch in stretches], ""
        except Exception as error:  # the samples are kept already: that is what counts
            if os.environ.get(DEBUG):
                raise
            return [() for _ in events], one_line(f"what was the case cannot be told ({error})", 300)

    def _place(self, together: list[_Noticed]) -> str:
        """A name that is not taken."""
        first = together[0].event
        kind = re.sub(r"[^a-z0-9]+", "-", first.kind.lower()).strip("-") or "event"
        stem, copy = f"event-{first.at_s:010.3f}s-{kind}", 1
        place = self._folder / f"{stem}{self._stream.suffix}"
        while place.exists():
            copy += 1
            place = self._folder / f"{stem}-{copy}{self._stream.suffix}"
        return str(place)


def _event_json(noticed: _Noticed, shift_s: float, found: tuple[circumstances.Reading, ...]) -> dict[str, Any]:
    event = noticed.event
    return {
        "at_s": seconds(event.at_s),
        "end_s": seconds(event.end_s),
        "at_s_in_recording": seconds(event.at_s - shift_s),
        "noticed": noticed.when.isoformat(timespec="seconds"),
        "kind": event.kind,
        "why": event.why,
        "confidence": None if event.finding is None else number(event.finding.confidence, 4),
        "circumstances": circumstances.as_json(found),
    }

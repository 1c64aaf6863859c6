"""The loop: take in what has come, look when a look is due, say what changed, keep what happened."""

from __future__ import annotations

import math
import os
import re
import time
from collections.abc import Callable
from dataclasses import dataclass

from witnessmark.errors import BadRecording, WitnessmarkError
from witnessmark.follow.keeper import Keeper
from witnessmark.follow.lines import line
from witnessmark.follow.marks import Marks
from witnessmark.follow.model import DEBUG, Change, Event, Look, Say, Stream
from witnessmark.follow.schedule import Schedule
from witnessmark.follow.watch import Watch, extent, line_of
from witnessmark.recording.model import Recording
from witnessmark.recording.trouble import one_line
from witnessmark.report.model import Analysis

POLL_S = 0.2
IDLE_S = 10.0
BOUNCE_S = 0.5  # a button that is pressed once may close more than once
RATE_SHARE = 0.01  # a rate that differs by more is another one; a clock's own error is far smaller


@dataclass
class Clock:
    """Time that passes; another one in tests."""

    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


class Follower:
    """Follows one stream to its end."""

    def __init__(
        self,
        stream: Stream,
        look: Look,
        say: Say,
        marks: Marks,
        *,
        keeper: Keeper | None = None,
        keep_on: frozenset[str] = frozenset(),
        idle_s: float = IDLE_S,
        schedule: Schedule | None = None,
        clock: Clock | None = None,
    ):
        """``keep_on``: kinds of findings that are kept, empty for all; ``idle_s``: a file that long still is done."""
        self._stream, self._look, self._say, self._marks = stream, look, say, marks
        self._keeper, self._keep_on, self._idle_s = keeper, keep_on, idle_s
        self._schedule, self._clock = schedule or Schedule(), clock or Clock()
        self._marked_to: dict[str, float] = {}
        self._told: set[str] = set()
        self._rates: dict[str, float] = {}
        self.watch = Watch()

    def follow(self) -> None:
        """Until the stream ends, falls still or the user stops it. Raises what makes going on senseless."""
        grew_at = self._clock.now()
        while True:
            if self._stream.poll():
                grew_at = self._clock.now()
            done = self._stream.ended or self._marks.stop
            if not self._stream.says_its_end and self._clock.now() - grew_at > self._idle_s:
                done = True
            if self._stream.ready:
                self._step(done)
            if done:
                break
            self._clock.sleep(POLL_S)

    def keep_rest(self, hurry: bool = False) -> None:
        """Keep what is still to be kept, also what was marked since the last step, before anything else goes wrong.

        ``hurry``: the samples only, not what was the case.
        """
        if not self._stream.ready:
            return
        self._take_marks()
        if self._keeper is not None:
            self._keeper.flush(is_last=True, hurry=hurry)

    def finish(self, analysis: Analysis) -> None:
        """Hold the final analysis against what was said, and keep what is still to be kept."""
        recording = analysis.recording
        self._after(analysis, recording.start_s, recording.end_s, is_last=True)
        if self._keeper is not None:
            self._keeper.flush(is_last=True)
        bound = self.watch.nothing_seen()
        if bound:
            self._say(line(recording.end_s, "bound", bound))

    def _step(self, done: bool) -> None:
        self._take_marks()
        held = self._stream.first_s, self._stream.length_s
        stretch = self._schedule.due(*held, self._clock.now(), self.watch.in_doubt)
        if stretch is not None and not done:
            self._look_at(stretch)
        if self._keeper is not None:
            self._keeper.flush()

    def _take_marks(self) -> None:
        for ago_s in self._marks.poll():
            at_s = max(self._stream.first_s, self._stream.length_s - ago_s)
            self._happened(Event(at_s, "mark", "marked by the user"))

    def _look_at(self, stretch: tuple[float, float]) -> None:
        began = self._clock.now()
        try:
            with self._stream.window(*stretch) as part:
                self._check_rate(part, stretch[1])
                analysis = self._look(part)
                self._after(analysis, max(stretch[0], part.start_s), stretch[1], is_last=False)
        except BadRecording as error:
            self._tell(line(stretch[1], "not read", str(error)))
        except WitnessmarkError:
            raise
        except Exception as error:  # no room for a look, or one that goes wrong: the record is what counts
            if os.environ.get(DEBUG):
                raise
            said = getattr(error, "strerror", None) or f"{type(error).__name__}: {error}"
            self._tell(line(stretch[1], "no look", f"{one_line(said, 200)}; following goes on"))
        self._schedule.looked(stretch, self._stream.first_s, began, self._clock.now())

    def _check_rate(self, part: Recording, at_s: float) -> None:
        """Say it when the samples come at another rate than before."""
        for channel in part.channels:
            if channel.rate_hz is None:
                continue
            before = self._rates.setdefault(channel.name, channel.rate_hz)
            if abs(channel.rate_hz - before) > RATE_SHARE * before:
                self._rates[channel.name] = channel.rate_hz
                said = (
                    f"the rate of {channel.name} changed from {before:.6g} to {channel.rate_hz:.6g} Hz: expect gaps or "
                    "a refusal at the end; record with one rate"
                )
                self._tell(line(at_s, "caution", said))

    def _tell(self, entry: str) -> None:
        """An entry that is said once, whatever its time and numbers."""
        kind = " ".join(re.sub(r"\d+", "0", entry[9:]).split())
        if kind not in self._told:
            self._told.add(kind)
            self._say(entry)

    def _after(self, analysis: Analysis, start_s: float, stop_s: float, is_last: bool) -> None:
        for change in self.watch.look(analysis, start_s, stop_s, is_last):
            self._say(line_of(change))
            self._keep(change, start_s, stop_s)
        for button in analysis.signals.by_role("marker"):
            for at_s in button.edges.time_s[button.edges.rising].tolist():
                if at_s > self._marked_to.get(button.name, -math.inf) + BOUNCE_S:
                    self._marked_to[button.name] = at_s
                    self._happened(Event(at_s, "marker", f"marked on {button.label}"))

    def _keep(self, change: Change, start_s: float, stop_s: float) -> None:
        finding = change.finding
        if change.what not in ("stated", "again") or (self._keep_on and finding.kind not in self._keep_on):
            return
        begins, ends = extent(finding, start_s, stop_s)
        at_s = begins if finding.start_s is None else finding.start_s
        end_s = ends if finding.end_s is None else finding.end_s
        self._happened(Event(at_s, finding.kind, " ".join(finding.statement.split()), finding, end_s))

    def _happened(self, event: Event) -> None:
        if self._keeper is not None:
            self._keeper.happened(event)
        elif event.kind in ("mark", "marker"):
            said = f"{event.why}; give --keep-last to keep the minutes before"
            self._say(line(event.at_s, "marked", said))

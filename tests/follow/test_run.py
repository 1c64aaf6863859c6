"""The loop: what is said and kept while a file grows, marks, ends, and disks that are full."""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from witnessmark.errors import BadRecording
from witnessmark.follow.frames import RawFile
from witnessmark.follow.keeper import Keeper
from witnessmark.follow.marks import Marks, listening
from witnessmark.follow.run import Follower
from witnessmark.recording.open import open_recording
from witnessmark.recording.write import write_recording

from .scripted import Script, analysis, finding, ramp

RATE_HZ = 1000.0


class Growing:
    """A RAW file of 60 s that grows by some seconds whenever somebody waits, and looks that see a loss at 12 s."""

    def __init__(self, folder, step_s=1.0, marks=None, **options):
        write_recording(folder / "all.raw", ramp(60_000), RATE_HZ)
        self.data = (folder / "all.raw").read_bytes()
        self.path, self.said, self.step_s, self.looked = folder / "van.raw", [], step_s, []
        self.path.write_bytes(self.data[:200])
        self.marks = marks or Marks()
        self.script = Script(*([self.grow] * 70), marks=self.marks)
        self.keeper = None
        self.stream = RawFile(str(self.path))
        if "keep_s" in options:
            self.keeper = Keeper(self.stream, self.look, self.said.append, str(folder), options.pop("keep_s"))
        self.follower = Follower(
            self.stream, self.look, self.said.append, self.marks, keeper=self.keeper, clock=self.script.clock, **options
        )

    def grow(self):
        self.script.now_s += self.step_s
        with open(self.path, "ab") as file:
            at = file.tell()
            file.write(self.data[at : at + int(self.step_s * RATE_HZ) * 4])

    def look(self, recording):
        self.looked.append((recording.start_s, recording.end_s))
        seen = [finding(at=(12.0, 12.2))] if recording.start_s <= 12.0 and recording.end_s > 12.2 else []
        turns = [(recording.start_s, recording.end_s, 4 * recording.duration_s)]
        return analysis(*seen, turns=turns, recording=recording)


def test_findings_appear_while_it_grows(tmp_path):
    made = Growing(tmp_path)
    made.follower.follow()
    (line,) = made.said
    assert "stated     crank: The statement of signal-lost" in line
    assert 12.2 < float(line.split(" s ")[0]) < 15.0  # seen within two steps of its end
    assert all(stop - start <= 60.0 for start, stop in made.looked)
    with made.stream.window(0.0, 60.0) as part:
        made.follower.finish(made.look(part))
    assert len(made.said) == 1  # still there at the end: nothing to add, and no bound
    assert made.follower.watch.turns == pytest.approx(240)


def test_a_file_that_no_longer_grows_is_done(tmp_path):
    made = Growing(tmp_path, idle_s=4.0)
    del made.script.steps[5:]
    made.script.marks = None
    made.follower.follow()
    assert made.stream.length_s == pytest.approx(5.0, abs=0.1)
    assert not made.marks.stop


def test_what_is_stated_is_kept_with_what_lies_before_and_behind_it(tmp_path):
    made = Growing(tmp_path, keep_s=6.0)
    made.follower.follow()
    (place,) = made.keeper.kept
    assert place.endswith("event-000012.000s-signal-lost.raw")
    kept = open_recording(place)
    assert kept.start_s == pytest.approx(6.0)
    assert kept.end_s >= 17.0
    first = round(kept.start_s * RATE_HZ)
    np.testing.assert_array_equal(kept.read("line 1", 0, 10), ramp(60_000)["line 1"][first : first + 10])
    told = json.loads((tmp_path / "event-000012.000s-signal-lost.event.json").read_text())
    assert told["schema"] == "witnessmark.event/1"
    assert (told["events"][0]["at_s"], told["events"][0]["kind"]) == (12.0, "signal-lost")
    assert told["kept"]["start_s"] == pytest.approx(6.0)


def test_only_the_kinds_asked_for_are_kept(tmp_path):
    made = Growing(tmp_path, keep_s=6.0, keep_on=frozenset({"cam-signal-lost"}))
    made.follower.follow()
    assert made.keeper.kept == []
    assert len(made.said) == 1


def test_a_mark_is_kept_and_without_keeping_is_said(tmp_path):
    made = Growing(tmp_path, keep_s=6.0, keep_on=frozenset({"no-start"}))
    made.script.steps[20] = lambda: (made.grow(), os.kill(os.getpid(), signal.SIGUSR1))
    with listening() as marks:
        made.marks = made.follower._marks = made.script.marks = marks
        made.follower.follow()
    (place,) = made.keeper.kept
    assert "-mark" in place
    assert open_recording(place).end_s == pytest.approx(26.0, abs=1.1)
    plain = tmp_path / "plain"
    plain.mkdir()
    other = Growing(plain)
    other.follower._happened(other_event())
    assert "--keep-last" in other.said[0]


def other_event():
    from witnessmark.follow.model import Event

    return Event(1.0, "mark", "marked by the user")


def test_what_waits_is_kept_before_the_end_is_analysed(tmp_path):
    """A mark within the last seconds, and one made while a look that never returns was going on."""
    made = Growing(tmp_path, keep_s=6.0)
    made.script.steps[20] = lambda: (made.grow(), made.marks.mark())
    del made.script.steps[22:]
    made.follower.follow()
    assert made.keeper.kept == [str(tmp_path / "event-000012.000s-signal-lost.raw")]
    made.follower.keep_rest()
    assert "-mark" in made.keeper.kept[1]
    made.marks.mark()
    made.follower.keep_rest()
    assert len(made.keeper.kept) == 3
    with open(made.path, "r+b") as file:
        file.truncate(5000)
    made.marks.mark()
    made.follower.keep_rest()  # the file it lay in is cut back: said, and no second fault on top of the first
    assert "not kept" in made.said[-1]
    assert "was cut back" in " ".join(made.said[-1].split())  # long paths break the line
    assert len(made.keeper.kept) == 3


@pytest.mark.parametrize("at", ["save", "look"])
def test_an_interrupt_while_it_is_kept_keeps_it_first(tmp_path, monkeypatch, at):
    from witnessmark.follow.model import Event

    made = Growing(tmp_path, keep_s=1.0)
    with open(made.path, "ab") as file:
        file.write(made.data[200:])
    made.stream.poll()
    calls, save = [], made.stream.save

    def pressed(*given):
        calls.append(given)
        if len(calls) == 1:
            raise KeyboardInterrupt
        return save(*given)

    if at == "save":
        monkeypatch.setattr(made.stream, "save", pressed)
    else:
        made.keeper._look = pressed
    for at_s in (20.0, 10.0):  # the second lies before the minutes of the first: a file of its own
        made.keeper.happened(Event(at_s, "mark", "marked by the user"))
    with pytest.raises(KeyboardInterrupt):
        made.keeper.flush(is_last=True)
    names = sorted(p.name for p in tmp_path.glob("event-*"))
    assert names == [f"event-0000{s}.000s-mark.{e}" for s in (10, 20) for e in ("event.json", "raw")]
    told = json.loads((tmp_path / "event-000010.000s-mark.event.json").read_text())
    assert "broken off" in told["note"]
    made.keeper.flush(is_last=True)  # nothing is left, and it is not raised again


@pytest.mark.parametrize("end", [MemoryError, KeyboardInterrupt, BadRecording])
@pytest.mark.parametrize("is_early", [True, False])
def test_the_command_keeps_what_was_marked_whatever_ends_it(tmp_path, monkeypatch, end, is_early):
    from witnessmark import cli_follow
    from witnessmark.cli_live import Following
    from witnessmark.recording.setup import Setup

    write_recording(tmp_path / "van.raw", ramp(5000), RATE_HZ)
    marks = Marks()

    def ended(*_):
        raise end("odd")

    def follow(self):
        self._stream.poll()
        marks.mark()
        if is_early:
            ended()

    monkeypatch.setattr("witnessmark.pipeline.analyze", ended)
    monkeypatch.setattr("witnessmark.pipeline.analyze_recording", ended)
    monkeypatch.setattr("witnessmark.follow.run.Follower.follow", follow)
    options = Following(None, None, None, 1.0, (), str(tmp_path), None, 0.5, False)
    with pytest.raises(end):
        cli_follow._stream(str(tmp_path / "van.raw"), options, Setup(), marks)
    (kept,) = tmp_path.glob("event-*-mark.raw")
    assert kept.read_bytes().split(b"\n", 1)[1] == (tmp_path / "van.raw").read_bytes().split(b"\n", 1)[1]


def test_events_of_the_same_minutes_share_a_file(tmp_path):
    from witnessmark.follow.model import Event

    made = Growing(tmp_path, keep_s=30.0)
    for at_s in (12.0, 10.0, 11.0):
        made.keeper.happened(Event(at_s, "marker", "marked on button"))
    with open(made.path, "ab") as file:
        file.write(made.data[200:])
    made.stream.poll()
    made.keeper.flush()
    (place,) = made.keeper.kept
    told = json.loads(Path(place).with_suffix(".event.json").read_text(encoding="utf-8"))
    assert [e["at_s"] for e in told["events"]] == [10.0, 11.0, 12.0]


def test_an_event_that_the_ring_no_longer_holds_is_said(tmp_path):
    import io

    from witnessmark.follow.model import Event
    from witnessmark.follow.pipe import Pipe

    write_recording(tmp_path / "a.raw", ramp(20_000), RATE_HZ)
    pipe, said = Pipe(io.BytesIO((tmp_path / "a.raw").read_bytes()), keep_s=4.0), []
    while not pipe.ended:
        time.sleep(0.005)
    keeper = Keeper(pipe, lambda recording: analysis(recording=recording), said.append, str(tmp_path), 3.0)
    pipe.poll()
    for at_s in (2.0, 19.0):
        keeper.happened(Event(at_s, "signal-lost", "the signal is lost"))
    keeper.flush(is_last=True)
    assert "s  not kept   no longer held" in said[0]
    assert "at 2.00 s" in said[0]
    (place,) = keeper.kept
    assert open_recording(place).end_s == pytest.approx(20.0)


@contextmanager
def full_disk(size):
    """No file grows beyond this size: a real refusal of the system, as on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_full_disk_keeps_nothing_and_following_goes_on(tmp_path):
    made = Growing(tmp_path, keep_s=30.0)
    with open(made.path, "ab") as file:
        file.write(made.data[200:])
    made.stream.poll()
    made.keeper.happened(other_event())
    before = sorted(p.name for p in tmp_path.iterdir())
    with full_disk(1000):
        made.keeper.flush()
    (line,) = made.said
    assert "not kept" in line
    assert "file too large" in " ".join(line.split())
    assert sorted(p.name for p in tmp_path.iterdir()) == before
    made.keeper.flush()
    assert made.keeper.kept == []


def test_a_pipe_that_no_longer_fits_is_read_as_far_as_it_was_kept(tmp_path):
    import io

    from witnessmark.follow.pipe import Pipe

    write_recording(tmp_path / "a.raw", ramp(20_000), RATE_HZ)
    data = (tmp_path / "a.raw").read_bytes()
    with full_disk(40_002):
        pipe = Pipe(io.BytesIO(data))
        for _ in range(400):
            if pipe.ended:
                break
            time.sleep(0.005)
    pipe.poll()
    assert pipe.frames == 10_000
    assert "could not be kept any longer after 10.00 s (file too large)" in pipe.trouble
    recording = pipe.whole()
    np.testing.assert_array_equal(recording.read("line 1", 0, 99_999), ramp(20_000)["line 1"][:10_000])


def test_a_look_that_fails_is_said_once_and_following_goes_on(tmp_path):
    made = Growing(tmp_path)

    def broken(recording):
        raise BadRecording("van.raw: holds nothing; record for longer") if recording.end_s < 20 else ValueError("odd")

    made.follower._look = broken
    made.follower.follow()
    assert [line[12:22].strip() for line in made.said] == ["not read", "no look"]
    assert "ValueError: odd" in made.said[1]


def test_another_rate_is_said(tmp_path):
    path = tmp_path / "van.csv"
    slow = [f"{i / 1000:.4f},{i % 7}" for i in range(3000)]
    fast = [f"{3 + i / 2000:.4f},{i % 7}" for i in range(120_000)]
    path.write_text("time,crank\n" + "\n".join(slow) + "\n")
    from witnessmark.follow.table import TableFile

    said, marks = [], Marks()

    def grow(part):
        with open(path, "a") as file:
            file.write("\n".join(part) + "\n")

    steps = [lambda part=fast[i : i + 20_000]: grow(part) for i in range(0, len(fast), 20_000)]
    script = Script(*steps, marks=marks)
    seen = lambda recording: analysis(recording=recording)  # noqa: E731
    Follower(TableFile(str(path)), seen, said.append, marks, clock=script.clock).follow()
    (line,) = [x for x in said if "caution" in x]
    assert "the rate of crank changed from 1000 to 2000 Hz" in line


def test_buttons_that_bounce_mark_once_each_and_only_when_pressed(tmp_path):
    from types import SimpleNamespace

    def button(name, *pressed):
        times = np.array([t + d for t in pressed for d in (0.0, 0.002, 0.004, 0.3)])
        rising = np.tile([True, False, True, False], len(pressed))
        return SimpleNamespace(role="marker", name=name, label=name, edges=SimpleNamespace(time_s=times, rising=rising))

    made = Growing(tmp_path)
    made.follower._look = lambda part: analysis(lines=(button("left", 3.0, 8.0), button("right", 5.0)), recording=part)
    with open(made.path, "ab") as file:
        file.write(made.data[200:])
    made.follower.follow()
    marked = [line.split(";")[0].split() for line in made.said if "marked" in line]
    assert [(m[0], m[-1]) for m in marked] == [("3.00", "left"), ("8.00", "left"), ("5.00", "right")]


def test_signals_end_in_order_and_twice_at_once():
    before = signal.getsignal(signal.SIGINT)
    with listening() as marks:
        assert not marks.stop
        os.kill(os.getpid(), signal.SIGTERM)
        assert marks.stop
        os.kill(os.getpid(), signal.SIGUSR1)
        time.sleep(0.02)
        (ago_s,) = marks.poll()
        assert 0.02 <= ago_s < 5.0
        assert marks.poll() == []
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_enter_on_a_terminal_marks(monkeypatch):
    master, terminal = os.openpty()
    with os.fdopen(terminal) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with listening(keyboard=True) as marks:
            assert marks.poll() == []
            os.write(master, b"\n\n")
            found = []
            for _ in range(200):
                found += marks.poll()
                if len(found) == 2:
                    break
                time.sleep(0.01)
            assert len(found) == 2
        assert not [t for t in threading.enumerate() if t.name == "keyboard"]
    os.close(master)

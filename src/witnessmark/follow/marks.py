"""When to stop, and what the user marks: Ctrl-C and SIGTERM end the following, SIGUSR1 and Enter mark an event."""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

KEY_S = 0.1  # how often the keyboard is asked, so that its thread ends soon


class Marks:
    """stop: the following should end in order. ``poll`` hands out the marks since the last call."""

    def __init__(self) -> None:
        """Nothing marked yet."""
        self.stop = False
        self.closed = False
        self._pressed_s: list[float] = []

    def mark(self) -> None:
        """The user marks an event now."""
        self._pressed_s.append(time.monotonic())

    def poll(self) -> list[float]:
        """How many seconds ago each mark was made that was not handed out yet: a look may have lasted since."""
        pressed, self._pressed_s = self._pressed_s, []
        return [time.monotonic() - t for t in pressed]

    def read_keys(self) -> None:
        """Each Enter on standard input is a mark, until ``closed``; runs in a thread of its own."""
        try:
            number = sys.stdin.fileno()
            while not self.closed:
                if not select.select([number], [], [], KEY_S)[0]:
                    continue
                data = os.read(number, 1024)
                if not data:
                    return
                for _ in range(data.count(b"\n")):
                    self.mark()
        except (OSError, ValueError):  # a system on which a terminal cannot be asked
            return

    def _ended(self, _number: int, _frame: FrameType | None) -> None:
        if self.stop:
            raise KeyboardInterrupt  # asked twice: at once
        self.stop = True

    def _marked(self, _number: int, _frame: FrameType | None) -> None:
        self.mark()


@contextmanager
def listening(keyboard: bool = False) -> Iterator[Marks]:
    """Signals come here within the block; afterwards they go where they went before.

    ``keyboard``: standard input is a terminal on which Enter marks an event.
    """
    marks = Marks()
    wanted = {"SIGINT": marks._ended, "SIGTERM": marks._ended, "SIGUSR1": marks._marked}
    before: dict[int, Any] = {}
    for name, handler in wanted.items():
        number = getattr(signal, name, None)  # not every system has every one
        if number is not None:
            before[number] = signal.signal(number, handler)
    keys = threading.Thread(target=marks.read_keys, name="keyboard", daemon=True)
    if keyboard:
        keys.start()
    try:
        yield marks
    finally:
        marks.closed = True
        if keyboard:
            keys.join(1.0)
        for number, handler in before.items():
            signal.signal(number, handler)

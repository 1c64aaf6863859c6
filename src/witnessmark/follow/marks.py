"""When to stop, and what the user marks: Ctrl-C and SIGTERM end the following, SIGUSR1 and Enter mark an event."""

from __future__ import annotations

import os
import select
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any


class Marks:
    """stop: the following should end in order. ``poll`` counts the marks since the last call."""

    def __init__(self, keyboard: bool = False):
        """``keyboard``: standard input is a terminal on which Enter marks an event."""
        self.stop = False
        self._signals = 0
        self._keyboard = keyboard

    def poll(self) -> int:
        """How often the user has marked an event since."""
        marks, self._signals = self._signals, 0
        return marks + (self._entered() if self._keyboard else 0)

    def _entered(self) -> int:
        marks = 0
        try:
            while select.select([sys.stdin.fileno()], [], [], 0)[0]:
                data = os.read(sys.stdin.fileno(), 1024)
                if not data:
                    self._keyboard = False
                    break
                marks += data.count(b"\n")
        except (OSError, ValueError):  # a system on which a terminal cannot be asked
            self._keyboard = False
        return marks

    def _ended(self, _number: int, _frame: FrameType | None) -> None:
        if self.stop:
            raise KeyboardInterrupt  # asked twice: at once
        self.stop = True

    def _marked(self, _number: int, _frame: FrameType | None) -> None:
        self._signals += 1


@contextmanager
def listening(keyboard: bool = False) -> Iterator[Marks]:
    """Signals come here within the block; afterwards they go where they went before."""
    marks = Marks(keyboard)
    wanted = {"SIGINT": marks._ended, "SIGTERM": marks._ended, "SIGUSR1": marks._marked}
    before: dict[int, Any] = {}
    for name, handler in wanted.items():
        number = getattr(signal, name, None)  # not every system has every one
        if number is not None:
            before[number] = signal.signal(number, handler)
    try:
        yield marks
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)

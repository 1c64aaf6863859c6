"""Pairing of a device on the network: a one-time code, shown where the bench was started, entered on the device."""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from pathlib import Path

from witnessmark.errors import BadWorkbench
from witnessmark.workbench.security import Keys

DIGITS = 6
CODE_S = 300.0  # a code is good for so long: time to walk to the tablet
MOST_TRIES = 5  # wrong codes before all codes are void: a guess hits once in 200,000 such rounds
FIRST_LOCK_S, LONGEST_LOCK_S = 60.0, 3600.0  # waiting time after that, doubled each time
Clock = Callable[[], float]


class Pairing:
    """The code that holds now, and how often it was missed. One for all devices: who guesses may change addresses."""

    def __init__(self, show: Callable[[str], None], clock: Clock = time.monotonic):
        """``show``: puts a line where the user of this machine sees it."""
        self._show, self._clock = show, clock
        self._code, self._until = "", 0.0
        self._missed, self._locks, self._locked_until = 0, 0, 0.0

    @property
    def waits_s(self) -> float:
        """How long no code is taken."""
        return max(0.0, self._locked_until - self._clock())

    def ask(self) -> None:
        """Show a code, where none holds that was shown before."""
        if self.waits_s > 0.0 or (self._code and self._clock() < self._until):
            return
        self._code = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._until = self._clock() + CODE_S  # what was missed before still counts: codes come by themselves
        self._show(
            f"Code to pair a device: {self._code[:3]} {self._code[3:]} (good for {CODE_S / 60:.0f} minutes, once)"
        )

    def take(self, given: str) -> None:
        """Use the code up. BadWorkbench where it is wrong, too old, or no code is taken for now."""
        if self.waits_s > 0.0:
            raise BadWorkbench(f"too many wrong codes; wait {self.waits_s:.0f} seconds and ask for a new one")
        holds = self._code != "" and self._clock() < self._until
        said = "".join(c for c in given if c.isdecimal() and c.isascii())
        if holds and hmac.compare_digest(self._code, said):
            self._code, self._missed, self._locks = "", 0, 0
            return
        self._missed += 1
        if self._missed < MOST_TRIES:
            left = MOST_TRIES - self._missed
            self.ask()
            raise BadWorkbench(f"this is not the code that the bench's terminal shows last; {left} more tries")
        wait_s = min(FIRST_LOCK_S * 2**self._locks, LONGEST_LOCK_S)
        self._code, self._missed, self._locks = "", 0, self._locks + 1
        self._locked_until = self._clock() + wait_s
        self._show(f"{MOST_TRIES} wrong codes: no device is paired for {wait_s:.0f} seconds")
        raise BadWorkbench(f"too many wrong codes; wait {wait_s:.0f} seconds and ask for a new one")


def forget_devices(root: Path) -> None:
    """Make every paired device a stranger."""
    Keys(root).forget()

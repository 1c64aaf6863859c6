"""When to look again at a growing record, so that all looks together stay cheap.

Three bounds, each enough by itself to end the sum of the looks: no look before ``step_s`` of new record; none before as
much time has passed as the last one took (looks take at most half the time; a second look at what is in doubt comes at
once, so two thirds); the whole record is looked at only at lengths that grow by ``GROWTH`` (together at most three
times the record) and up to ``WHOLE_S``, else its last part.
"""

from __future__ import annotations

import math

FIRST_S = 1.0  # a shorter record holds hardly two turns of cranking
STEP_S = 1.0  # a start attempt lasts some 2 to 5 s: something should be said within it
SECOND_S = 0.5  # two turns of cranking: enough for a second look at what a first one said
WINDOW_S = 20.0  # holds a whole attempt and the quiet before it
GROWTH = 1.5
WHOLE_S = 120.0  # beyond it the whole is left to the end
CATCH_UP_S = 60.0  # a part that was not looked at yet is taken along up to this length


class Schedule:
    """The next stretch to look at; times of the record and of the clock are both in s."""

    def __init__(self, step_s: float = STEP_S, window_s: float = WINDOW_S):
        """``window_s``: length of the part looked at once the record is longer."""
        self._step_s, self._window_s = step_s, window_s
        self._looked_to: float | None = None
        self._next_whole = 0.0
        self._rest_until = -math.inf

    def due(self, first_s: float, length_s: float, now_s: float, in_doubt: bool = False) -> tuple[float, float] | None:
        """The stretch (start, stop) to look at now, or None.

        ``first_s``: where the record (or what is held) begins; ``in_doubt``: something waits for a second look.
        """
        since = first_s if self._looked_to is None else self._looked_to
        enough = FIRST_S if self._looked_to is None else min(self._step_s, SECOND_S) if in_doubt else self._step_s
        if length_s - since < enough or (now_s < self._rest_until and not in_doubt):
            return None
        long = length_s - first_s
        if long <= self._window_s or self._next_whole <= long <= WHOLE_S:
            return first_s, length_s
        start = max(length_s - CATCH_UP_S, min(length_s - self._window_s, since))
        return max(first_s, start), length_s

    def looked(self, stretch: tuple[float, float], first_s: float, began_s: float, now_s: float) -> None:
        """Take note of a look at ``stretch`` that lasted from ``began_s`` to ``now_s`` on the clock."""
        self._looked_to = stretch[1]
        self._rest_until = now_s + (now_s - began_s)
        if stretch[0] <= first_s:
            self._next_whole = (stretch[1] - first_s) * GROWTH

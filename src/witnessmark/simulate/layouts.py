"""Wheels by name for the simulator, apart from the decoder's catalogue so that one does not vouch for the other."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Wheel:
    """A wheel as drawn: marking edge of every tooth in degrees from slot 1's (rising), its width and its slot.

    slots and missing as in the setup file; on unequal wheels slots is the number of teeth and missing is empty.
    """

    name: str
    slots: int
    missing: tuple[int, ...]
    teeth_deg: NDArray[np.float64]
    widths_deg: NDArray[np.float64]
    tooth_slots: tuple[int, ...]
    regular: bool

    @property
    def pitch_deg(self) -> float:
        """Slot angle in degrees; on unequal wheels the median tooth distance."""
        if self.regular:
            return 360.0 / self.slots
        return float(np.median(np.diff(np.append(self.teeth_deg, self.teeth_deg[0] + 360.0))))


def number_slots(slots: int, missing: tuple[int, ...]) -> tuple[int, ...]:
    """Renumber so that slot 1 is the first tooth after the longest gap (a tie: the gap before the longest run)."""
    if not missing:
        return ()
    gone = {m - 1 for m in missing}
    if len(gone) >= slots:
        raise ValueError("a wheel needs at least one tooth")
    best: tuple[int, int, int] | None = None
    for first in range(slots):
        if first in gone or (first - 1) % slots not in gone:
            continue
        gap = 1
        while (first - 1 - gap) % slots in gone:
            gap += 1
        run = 1
        while (first + run) % slots not in gone:
            run += 1
        if best is None or (gap, run) > best[:2]:
            best = (gap, run, first)
    assert best is not None
    return tuple(sorted((g - best[2]) % slots + 1 for g in gone))


def regular(slots: int, missing: tuple[int, ...], duty: float, name: str = "") -> Wheel:
    """Equal slots with some teeth left out; ``duty`` is the tooth width in pitches."""
    gone = number_slots(slots, tuple(missing))
    present = tuple(s for s in range(1, slots + 1) if s not in gone)
    pitch = 360.0 / slots
    label = name or (f"{slots}-{len(gone)}" if gone else f"{slots} even")
    teeth = np.array([(s - 1) * pitch for s in present])
    return Wheel(label, slots, gone, teeth, np.full(len(teeth), duty * pitch), present, True)


def unequal(teeth_deg: tuple[float, ...], widths_deg: tuple[float, ...] | None, duty: float, name: str = "") -> Wheel:
    """Marking edges of one turn, numbered in order from the first."""
    teeth = np.asarray(teeth_deg, dtype=np.float64) - teeth_deg[0]
    gaps = np.diff(np.append(teeth, 360.0))
    behind = np.roll(gaps, 1)  # the space before each tooth, in which its width must fit
    widths = (
        np.asarray(widths_deg, dtype=np.float64) if widths_deg else np.minimum(behind * duty, 0.5 * np.median(gaps))
    )
    return Wheel(name or f"{len(teeth)} unequal", len(teeth), (), teeth, widths, tuple(range(1, len(teeth) + 1)), False)


def named(name: str, duty: float = 0.5) -> Wheel:
    """A wheel from a name as the trade writes it.

    "60-2", "36-1": teeth missing in one gap. "60-2-2": two gaps half a turn apart. "36-2-2-2": three gaps, two of them
    with one tooth between (runs 16, 1, 13). "12+1": an added tooth a third of a pitch after a regular one.
    "8 even": no gap. "4 vane": four windows 70 and 110 degrees apart by turns. "24 coded": equal teeth of two widths.
    ValueError for any other name.
    """
    if name == "36-2-2-2":
        # teeth 1..16, two gone, 19, two gone, 22..34 and the last two gone: runs 16, 1, 13
        return regular(36, (17, 18, 20, 21, 35, 36), duty, name)
    if name == "4 vane":
        return unequal((0.0, 70.0, 180.0, 250.0), (35.0, 35.0, 35.0, 35.0), duty, name)
    if name == "24 coded":
        code = (0, 0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 1, 0, 0, 0, 1, 1)
        return unequal(tuple(15.0 * i for i in range(24)), tuple(10.0 if c else 5.0 for c in code), duty, name)
    if m := re.fullmatch(r"(\d+) even", name):
        return regular(int(m[1]), (), duty, name)
    if m := re.fullmatch(r"(\d+)\+1", name):
        n = int(m[1])
        pitch = 360.0 / n
        # numbered from the added tooth's predecessor's successor: slot 1 follows the (first) longest space
        teeth = tuple(sorted([*(pitch * i for i in range(n)), pitch * (n - 1) + pitch / 3]))
        return unequal(teeth, tuple([min(duty / 2.2, 0.3) * pitch] * (n + 1)), duty, name)
    if m := re.fullmatch(r"(\d+)-(\d+)-(\d+)", name):
        n, a, b = int(m[1]), int(m[2]), int(m[3])
        half = n // 2
        return regular(n, (*range(half - a + 1, half + 1), *range(n - b + 1, n + 1)), duty, name)
    if m := re.fullmatch(r"(\d+)-(\d+)", name):
        n, a = int(m[1]), int(m[2])
        if 0 < a < n:
            return regular(n, tuple(range(n - a + 1, n + 1)), duty, name)
    raise ValueError(f"unknown wheel name {name!r}: use e.g. '60-2', '36-2-2-2', '12+1', '8 even', '4 vane'")

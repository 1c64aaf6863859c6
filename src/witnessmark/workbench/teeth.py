"""Time and crank angle of every decoded tooth, for the crank-degree scale and the measuring marks."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from witnessmark.engine.model import Phase
from witnessmark.engine.unroll import Unrolled, cycle_deg, unroll
from witnessmark.spans import Span
from witnessmark.wheel.model import CrankAngle, Segment

if TYPE_CHECKING:
    from witnessmark.report.model import Analysis

FLOATS = NDArray[np.float64]
OPEN_AT_ONCE = 8  # recordings whose teeth stay in memory


@dataclass(frozen=True)
class Teeth:
    """The decoded crank angle of a recording and its phase.

    runs: which segments go on from each other over a short loss, so that degrees between them can be told.
    """

    angle: CrankAngle
    phase: Phase
    runs: Unrolled

    def turning_deg(self, time_s: FLOATS) -> FLOATS:
        """Cumulative crank degrees, slot 1 at whole multiples of 360; NaN where nothing was decoded."""
        return self.angle.at(time_s)

    def cycle_deg(self, time_s: FLOATS) -> FLOATS:
        """Crank degrees 0..720 after cylinder 1's firing TDC, or 0..360 from slot 1 where the phase is not known."""
        if not self.phase.known:
            return np.mod(self.angle.at(time_s), 360.0)
        return np.asarray(cycle_deg(self.angle, self.phase, time_s))

    def rpm(self, time_s: FLOATS) -> FLOATS:
        """Engine speed; NaN where nothing was decoded."""
        return self.angle.rpm(time_s)


def save_teeth(place: Path, analysis: Analysis) -> None:
    """Write what is decoded of a recording, whole or not at all."""
    angle, phase = analysis.wheel.angle, analysis.engine.phase
    runs = unroll(angle, analysis.wheel.motions)
    segments = np.array([(s.start, s.stop, s.start_s, s.end_s, s.turns) for s in angle.segments], dtype=np.float64)
    beside = place.with_name(f"{place.stem}.part.npz")
    np.savez(
        beside, time_s=angle.time_s, angle_deg=angle.angle_deg, segments=segments.reshape(-1, 5),
        runs=np.array([runs.chain, runs.shift_turns], dtype=np.int64), phase=np.array(json.dumps(asdict(phase))),
        undecoded=np.array(json.dumps([asdict(s) for s in angle.undecoded])),
    )  # fmt: skip
    os.replace(beside, place)


def load_teeth(place: Path) -> Teeth:
    """What :func:`save_teeth` wrote; FileNotFoundError where it did not yet."""
    return _loaded(str(place), place.stat().st_mtime_ns)


@lru_cache(maxsize=OPEN_AT_ONCE)
def _loaded(place: str, _: int) -> Teeth:
    with np.load(place, allow_pickle=False) as kept:
        segments = tuple(
            Segment(int(a), int(b), start_s, end_s, turns) for a, b, start_s, end_s, turns in kept["segments"].tolist()
        )
        fields = json.loads(str(kept["phase"]))
        fields["per_segment_turn"] = tuple(fields["per_segment_turn"])
        undecoded = tuple(Span(**s) for s in json.loads(str(kept["undecoded"])))
        angle = CrankAngle(kept["time_s"], kept["angle_deg"], segments, undecoded)
        chain, shift = kept["runs"].tolist()
        return Teeth(angle, Phase(**fields), Unrolled(angle, tuple(chain), tuple(shift)))

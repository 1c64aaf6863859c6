"""Which of two teeth is gone where the crank line alone leaves both possible: cams tell, if described, or the piston.

The two readings of the line number the slots a pitch apart, so by them every cam edge stands a pitch earlier or later
after cylinder 1's TDC, and so does the TDC that a cylinder's pressure shows. With TDC slot and cam edges in the setup,
or the slot and such a pressure, one reading puts them where they belong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from witnessmark.engine.cams import offset_deg
from witnessmark.engine.facts import facts_from
from witnessmark.engine.model import Cam, EngineResult, Side
from witnessmark.recording.setup import CamWheel, Setup
from witnessmark.signals.model import Signals
from witnessmark.wheel.model import WheelResult
from witnessmark.wheel.rings import Reading, other_reading

# A tooth counts as gone when it gives an edge in less than this share of its passages. While a record starts up some
# passages may be read the other way (2 of 9 measured on simulated starts); a tooth that is there more often than this
# shows its place itself.
GONE = 0.4
LEAST_PASSAGES = 2
# The tolerance of a cam's edges taken as three standard deviations (derived); 6 degrees where the setup gives none
# (from memory: the whole chain of wheel, sensor and drive holds 2 to 3 degrees, beyond 5 to 8 it is suspect).
TOLERANCE_DEG, DEVIATIONS = 6.0, 3.0
# A cam may be out of time itself, by anything up to a tooth or two of its drive: then it says little about a pitch.
OUT_OF_TIME, OUT_OF_TIME_SD_DEG = 0.1, 15.0
# Odds of 9 to 1 before the question counts as decided (common practice: stated findings stand on no less).
DECIDED = 0.9


def find_side(signals: Signals, wheel: WheelResult, engine: EngineResult, setup: Setup) -> Side | None:
    """Which of two teeth is gone; None where no tooth is, or where the pattern itself leaves no doubt."""
    reading = doubtful(wheel)
    layout = wheel.layout
    if reading is None or layout is None:
        return None
    slot, other = layout.tooth_slots[reading.gone], layout.tooth_slots[reading.instead]
    pairs = _described(signals, engine, setup)
    phase = engine.phase
    by_pressure = _by_pressure(engine, slot, other, reading.turned_deg)
    if not (pairs or by_pressure) or phase.tdc_source != "setup" or not phase.turn_known:
        why = "nothing in the setup says where the cams stand by the crank wheel"
        if pairs and phase.tdc_source != "setup":
            why = "the setup does not say which slot passes the sensor at cylinder 1's TDC"
        return Side(slot, other, None, 0.5, reading.turned_deg, why)
    return _judged(slot, other, reading.turned_deg, pairs, by_pressure)


def doubtful(wheel: WheelResult) -> Reading | None:
    """The other reading of a wheel with a tooth gone for good; None where there is none."""
    layout = wheel.layout
    if layout is None:
        return None
    by_slot = {t.slot: t for t in wheel.teeth}
    for i, slot in enumerate(layout.tooth_slots):
        tooth = by_slot.get(slot)
        if tooth is None or tooth.passages < LEAST_PASSAGES or (tooth.present or 0.0) > GONE:
            continue
        reading = other_reading(layout, i)
        if reading is not None:
            return reading
    return None


def _described(signals: Signals, engine: EngineResult, setup: Setup) -> list[tuple[Cam, CamWheel]]:
    facts = facts_from(setup)
    out = []
    for cam in engine.cams:
        said = facts.cam_for(signals.line(cam.channel))
        if cam.edges and said is not None and said.edges_deg:
            out.append((cam, said))
    return out


def _by_pressure(engine: EngineResult, slot: int, other: int, turned_deg: float) -> tuple[float, str] | None:
    """(log odds of ``slot``, in words) by the TDC that the pressure in a cylinder shows, by either reading."""
    by = engine.tdc_by_pressure
    if by is None or by.late_deg is None or by.other_cylinder is not None:
        return None
    here, there = by.late_deg, by.late_deg + turned_deg
    words = (
        f"with slot {slot} gone TDC by the pressure in cylinder {by.cylinder} stands {_signed(here)} degrees off the "
        f"setup's, with slot {other} {_signed(there)}"
    )
    return _log_fit(here, by.sd_deg) - _log_fit(there, by.sd_deg), words


def _judged(
    slot: int,
    other: int,
    turned_deg: float,
    pairs: Sequence[tuple[Cam, CamWheel]],
    by_pressure: tuple[float, str] | None = None,
) -> Side:
    """Mean over the cams, not their sum: one drive moves them together. The piston's word comes on top."""
    logs, words = [], []
    for cam, said in pairs:
        turned = tuple(replace(e, angle_deg=float((e.angle_deg + turned_deg) % 720.0)) for e in cam.edges)
        here, there = offset_deg(cam.edges, said), offset_deg(turned, said)
        if here is None or there is None:
            continue
        sd = (said.tolerance_deg or TOLERANCE_DEG) / DEVIATIONS
        logs.append(_log_fit(here, sd) - _log_fit(there, sd))
        words.append(
            f"with slot {slot} gone {cam.channel} stands {_signed(here)} degrees off its place, "
            f"with slot {other} {_signed(there)}"
        )
    total = float(np.mean(logs)) if logs else 0.0
    if by_pressure is not None:
        total += by_pressure[0]
        words.append(by_pressure[1])
    if not words:
        return Side(slot, other, None, 0.5, turned_deg, "the cams do not show the edges that the setup describes")
    p = float(1.0 / (1.0 + np.exp(-np.clip(total, -30.0, 30.0))))
    gone = slot if p >= DECIDED else other if p <= 1.0 - DECIDED else None
    return Side(slot, other, gone, p, turned_deg, "; ".join(words))


def _signed(deg: float) -> str:
    return f"{round(deg, 1) + 0.0:+.1f}"  # no minus before a zero


def _log_fit(off_deg: float, sd_deg: float) -> float:
    """Log density of a cam standing this far off: in time within its tolerance, seldom out of time."""

    def normal(sd: float) -> float:
        return float(np.exp(-0.5 * (off_deg / sd) ** 2) / sd)

    return float(np.log((1.0 - OUT_OF_TIME) * normal(sd_deg) + OUT_OF_TIME * normal(OUT_OF_TIME_SD_DEG)))

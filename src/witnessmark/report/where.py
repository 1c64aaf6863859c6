"""Where to look: from a slot number to degrees on the engine's front pulley.

Slots are numbered in the order in which their marking edges pass the sensor, so barring the engine in its normal
direction by the angle from slot 1 to the suspect brings the suspect to the place where slot 1 stood. All angles are
crank degrees, 0 <= angle < 360.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from witnessmark.engine.model import EngineResult
from witnessmark.recording.setup import Setup
from witnessmark.report.model import Whereabouts
from witnessmark.wheel.model import Layout, WheelResult

FROM_GAP = "slot 1's tooth (the first after the gap) under the sensor"
FROM_FIRST = "slot 1's tooth under the sensor"
FROM_STANDING = "slot {slot}'s tooth (the first standing after the gap) under the sensor"
FROM_TDC = "cylinder 1 at TDC"
SURE_TDC_DEG = 2.0  # a TDC known less well than this is a rough guide (a third of the finest pitch in use)
STANDS = 0.5  # a tooth that gives its edge in more of its passages than this can be seen through the hole

# Trade rules for barring an engine by hand and for a finger or a probe in the sensor hole (common practice, no source).
CAUTIONS = (
    "Bar by hand at the crank bolt, in the normal direction of rotation, never by a cam bolt: key out and away from "
    "the switch, starter disabled, gear in neutral or park, brake set, spark plugs out.",
    "Battery negative off before a finger, mirror or borescope goes into the sensor hole; hands, hair and leads clear "
    "of belts and fans.",
    "Do not bar against resistance: with jumped timing or liquid in a cylinder the engine can lock or bend a valve.",
)

CAUTION = (
    "Bar by hand at the crank bolt, never by a cam bolt: key out, starter disabled, plugs out; battery negative off "
    "before reaching into the hole."
)


def slot_angle_deg(layout: Layout, slot: float) -> float:
    """Crank angle in degrees from slot 1's marking edge to that of ``slot`` (may be fractional).

    Regular wheels: (slot - 1) pitches. Unequal wheels: between the drawn teeth, on a fractional slot by proportion.
    """
    if layout.regular:
        return float((slot - 1.0) * layout.pitch_deg % 360.0)
    teeth = np.append(np.asarray(layout.teeth_deg, dtype=np.float64), layout.teeth_deg[0] + 360.0)
    place = (slot - 1.0) % layout.slots
    return float(np.interp(place, np.arange(len(teeth)), teeth) % 360.0)


def tdc_angle_deg(wheel: WheelResult, engine: EngineResult, setup: Setup | None) -> tuple[float, str] | None:
    """Angle from slot 1 at which cylinder 1 is at TDC, with the reference in words; None where unknown.

    The setup's ``tdc_slot`` first; else the phase found in the record, named as inferred.
    """
    said = setup.crank_wheel if setup is not None else None
    if wheel.layout is not None and said is not None and said.tdc_slot is not None:
        loose = said.tdc_tolerance_deg is not None and said.tdc_tolerance_deg > SURE_TDC_DEG
        words = f"{FROM_TDC} (learnt, good to {said.tdc_tolerance_deg:g} degrees only)" if loose else FROM_TDC
        return slot_angle_deg(wheel.layout, float(said.tdc_slot)), words
    phase = engine.phase
    if phase.known and phase.tdc_deg is not None:
        if phase.source == "setup":
            return float(phase.tdc_deg) % 360.0, FROM_TDC
        source = f"inferred from the {phase.source}, a rough guide" if phase.source else "inferred, a rough guide"
        if phase.source == "pressure" and phase.tdc_doubt_deg is not None:
            source = f"by the pressure in a cylinder, good to {phase.tdc_doubt_deg:.1f} degrees"
        return float(phase.tdc_deg) % 360.0, f"{FROM_TDC} ({source})"
    return None


def whereabouts(
    wheel: WheelResult, engine: EngineResult, setup: Setup | None, slots: Iterable[int]
) -> tuple[Whereabouts, ...]:
    """Where each suspect slot stands and how far to bar to it; empty when the wheel could not be decoded.

    guides: (reference, degrees to bar in the normal direction) until the suspect's marking edge stands at the sensor.
    """
    layout = wheel.layout
    if layout is None:
        return ()
    tdc = tdc_angle_deg(wheel, engine, setup)
    first, words = _first_standing(wheel, layout)
    side = engine.side
    out: list[Whereabouts] = []
    for slot in dict.fromkeys(slots):
        angle = slot_angle_deg(layout, slot)
        out.append(_spot(int(slot), angle, (words, angle - first), tdc, angle))
        if side is not None and side.gone is None and side.slot == slot:
            # by the other reading all slots are counted a little further: its slot stands elsewhere on the metal
            other = slot_angle_deg(layout, side.other)
            here = (other - side.turned_deg) % 360.0
            out.append(replace(_spot(side.other, here, (words, here - first), tdc, other), instead_of=int(slot)))
    return tuple(out)


def _spot(
    slot: int, angle_deg: float, first: tuple[str, float], tdc: tuple[float, str] | None, counted_deg: float
) -> Whereabouts:
    """One slot's place. counted_deg: its angle by the numbering under which it is the suspect (for the TDC)."""
    guides = [(first[0], first[1] % 360.0)]
    after_tdc: float | None = None
    if tdc is not None:
        after_tdc = (counted_deg - tdc[0]) % 360.0
        guides.append((tdc[1], after_tdc))
    return Whereabouts(slot, angle_deg, tuple(guides), after_tdc)


def _first_standing(wheel: WheelResult, layout: Layout) -> tuple[float, str]:
    """(angle after slot 1, words) of the tooth to bar from: slot 1's, or where that is gone the first that stands."""
    by_slot = {t.slot: t for t in wheel.teeth}
    for slot, angle in zip(layout.tooth_slots, layout.teeth_deg, strict=True):
        tooth = by_slot.get(slot)
        if tooth is None or tooth.present is None or tooth.present > STANDS:
            if slot == layout.tooth_slots[0]:
                return 0.0, FROM_GAP if layout.missing else FROM_FIRST
            return float(angle), FROM_STANDING.format(slot=slot)
    return 0.0, FROM_FIRST


def tooth_number(layout: Layout, slot: int) -> int | None:
    """The suspect's place when teeth (not slots) are counted from slot 1 as number 1; None where no tooth is drawn."""
    return layout.tooth_slots.index(slot) + 1 if slot in layout.tooth_slots else None

"""What the setup says about the engine, in the form the rest of this folder asks for it."""

from __future__ import annotations

from dataclasses import dataclass

from witnessmark.recording.setup import CamWheel, Setup
from witnessmark.signals.model import Line

# Firing intervals are even where nothing else is said (common practice, no source): 720/cylinders on a four-stroke.


@dataclass(frozen=True, slots=True)
class Facts:
    """Said facts only; None where the setup does not say."""

    cylinders: int | None
    strokes: int
    ignition: str | None
    cranked_by_motor: bool
    firing_deg: dict[int, float]  # cylinder -> its firing TDC after cylinder 1's; empty where unknown
    tdc_slot: float | None
    cams: tuple[CamWheel, ...]

    @property
    def cycle_deg(self) -> float:
        """Crank degrees of one working cycle."""
        return 360.0 if self.strokes == 2 else 720.0

    def cam_for(self, line: Line) -> CamWheel | None:
        """The camshaft the setup describes for this line, by name, label or position."""
        for cam in self.cams:
            if cam.channel is not None and cam.channel in (line.name, line.label, str(line.info.position)):
                return cam
        return None


def facts_from(setup: Setup) -> Facts:
    """Gather the facts; four strokes where nothing is said (the JSON says so through the phase's reference)."""
    engine = setup.engine
    strokes = engine.strokes or 4
    cycle = 360.0 if strokes == 2 else 720.0
    count = engine.cylinder_count
    firing: dict[int, float] = {}
    if engine.firing_order is not None:
        n = len(engine.firing_order)
        angles = engine.firing_angles_deg or tuple(cycle * i / n for i in range(n))
        first = angles[engine.firing_order.index(1)]
        firing = {cyl: (angle - first) % cycle for cyl, angle in zip(engine.firing_order, angles, strict=True)}
    elif count == 1:
        firing = {1: 0.0}
    firing.setdefault(1, 0.0)
    return Facts(
        cylinders=count,
        strokes=strokes,
        ignition=engine.ignition,
        cranked_by_motor=engine.cranked_by == "motor",
        firing_deg=firing,
        tdc_slot=None if setup.crank_wheel is None else setup.crank_wheel.tdc_slot,
        cams=setup.cam_wheel,
    )

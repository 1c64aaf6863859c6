"""Two causes in one engine: a first fault, and a part fitted on suspicion that brought its own, or a second weakness.

A case is right when the first entry names one of the two, and the other stands with it or next.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from accuracy.draw import Draft
from accuracy.hooks import base, hook
from accuracy.whole import Maker
from witnessmark.simulate.layouts import named

KIND = "pair"


def _tooth(rng: np.random.Generator, made: Draft) -> int:
    """A tooth away from the gap: which of two it is beside a gap is asked elsewhere."""
    wheel = named(made.wheel)
    away = [
        s for s in wheel.tooth_slots if all((s + k - 1) % wheel.slots + 1 in wheel.tooth_slots for k in (-2, -1, 1, 2))
    ]
    return int(rng.choice(away or wheel.tooth_slots))


def _weak(rng: np.random.Generator, made: Draft, severity: float) -> dict[str, Any]:
    return {"kind": "tooth-weak", "slots": [_tooth(rng, made)], "amplitude": 0.5 - 0.35 * severity}


def _absent(rng: np.random.Generator, made: Draft) -> dict[str, Any]:
    return {"kind": "tooth-absent", "slots": [_tooth(rng, made)]}


def _reversed(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """A weak tooth, and the new sensor's leads exchanged."""
    made = base(rng, ("cranking", "start"), sensor="vr")
    made.tables["fault"] = [{"kind": "polarity-reversed"}, _weak(rng, made, severity)]
    return made, severity


def _slow(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """A tooth gone, and a battery that a day of cranking has emptied."""
    made = base(rng, ("cranking",), vee=0.0)
    hook(made, {"role": "battery"}, {"role": "starter-current"})
    made.tables["duration_s"] += 2.0
    made.tables["fault"] = [
        {"kind": "cranking-slow", "cause": "battery", "rpm": 110.0 - 30.0 * severity}, _absent(rng, made),
    ]  # fmt: skip
    return made, severity


def _gap(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """A tooth displaced, and the new sensor seated too far away."""
    made = base(rng, ("cranking",), sensor="vr")
    sensor = made.tables["sensor"]
    pitch = named(made.wheel).pitch_deg
    left = 0.08 / sensor["peak_v"]
    sensor["noise_v"] = min(sensor["noise_v"], 0.008)
    made.tables["fault"] = [
        {"kind": "signal-low", "amplitude": left},
        {"kind": "tooth-displaced", "slots": [_tooth(rng, made)], "deg": (0.15 + 0.2 * severity) * pitch},
    ]
    return made, severity


def _cylinder(rng: np.random.Generator, severity: float) -> tuple[Draft, float]:
    """A cylinder short of compression, and a tooth gone."""
    made = base(rng, ("cranking",), vee=0.0)
    hook(made, {"role": "starter-current"})
    made.tables["duration_s"] += 3.0
    n = made.tables["engine"]["cylinders"]
    made.tables["fault"] = [
        {"kind": "compression-low", "cylinder": int(rng.integers(1, n + 1)), "share": 0.65 - 0.3 * severity},
        _absent(rng, made),
    ]
    return made, severity


MAKERS: dict[str, Maker] = {"reversed": _reversed, "slow": _slow, "gap": _gap, "cylinder": _cylinder}

__all__ = ["KIND", "MAKERS"]

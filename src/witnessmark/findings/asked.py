"""What is asked for where something could not be judged, in words that fit the engine: nothing it does not have."""

from __future__ import annotations

from witnessmark.recording.setup import Setup


def _sparks(setup: Setup) -> bool:
    return setup.engine.ignition != "compression"


def cranking(setup: Setup) -> str:
    """The record in which the cylinders' compressions can be compared."""
    without = "spark and fuel, throttle open" if _sparks(setup) else "injection"
    if setup.engine.cranked_by == "motor":
        return f"five seconds of cranking by the motor without {without}, crank signal recorded"
    return f"five seconds of cranking without {without}, crank signal and starter current recorded"


def idle(setup: Setup) -> str:
    """The record in which the cylinders' work can be compared."""
    if setup.engine.strokes == 2:
        return "ten seconds at steady idle with the crank recorded, and a setup with firing order and TDC"
    other = "cam or coil" if _sparks(setup) else "cam or injector"
    return f"ten seconds at steady idle with crank and {other} recorded, and a setup with firing order and TDC"


def outputs(setup: Setup) -> str:
    """Lines that show whether the control unit wants the engine to run."""
    return "one coil and one injector in the same record" if _sparks(setup) else "one injector in the same record"


def compressions(setup: Setup) -> str:
    """Compressions of a cylinder that does not fire."""
    off = "spark and fuel" if _sparks(setup) else "injection"
    return f"three compressions and more while cranking, that cylinder's {off} disabled, crank recorded"

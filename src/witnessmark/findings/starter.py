"""Battery, cable or starter: what volts and amperes of one attempt say about a slow crank.

The battery's own resistance shows at its terminals (volts lost per ampere from rest), that of leads, ground and starter
in the inrush, while the rotor stands (volts at the terminals over the largest current).
"""

from __future__ import annotations

from witnessmark.engine.model import Attempt
from witnessmark.findings.measured import Measured


def source_mohm(a: Attempt) -> float | None:
    """Resistance inside the battery (to where its voltage is measured) in milliohm; None without both lines."""
    if (
        a.battery_rest_v is None
        or a.battery_cranking_v is None
        or not a.starter_current_a
        or a.starter_current_a < 30.0
    ):
        return None
    return 1e3 * (a.battery_rest_v - a.battery_cranking_v) / a.starter_current_a


def path_mohm(a: Attempt) -> float | None:
    """Resistance of leads, ground and standing starter in milliohm, from the inrush; None without both lines."""
    if a.battery_min_v is None or not a.inrush_a or a.inrush_a < 50.0:
        return None
    return 1e3 * a.battery_min_v / a.inrush_a


def points_to(m: Measured, a: Attempt) -> str:
    """Which part of the starting system the lines point to, in words; empty where they do not tell."""
    source, path, amps, volts = source_mohm(a), path_mohm(a), a.starter_current_a, a.battery_cranking_v
    rest_low = a.battery_rest_v is not None and a.battery_rest_v < m.limits["battery.rest_v"]
    if rest_low or (source is not None and source > m.limits["battery.source_mohm"]):
        return "battery"
    holds = volts is not None and volts >= m.limits["battery.cranking_v"]
    if path is not None and path > m.limits["starter.path_mohm"]:
        return "cable or ground"
    if amps is None or not holds:
        return ""
    return "starter or engine drags" if amps > m.limits["starter.high_a"] else "cable, ground or starter"


_WORDS = {
    "battery": "the battery itself gives way",
    "cable or ground": "the path from battery to starter and back has too much resistance: cables, ground or contacts",
    "starter or engine drags": "the battery holds and the current is high: the starter or the engine is hard to turn",
    "cable, ground or starter": "the battery holds, the current is not high: cables, ground, contacts or the starter",
}


def told(m: Measured, a: Attempt) -> tuple[str, dict[str, object]]:
    """(words to add to a statement, evidence) of an attempt."""
    where = points_to(m, a)
    source, path = source_mohm(a), path_mohm(a)
    numbers = [
        f"{source:.0f} milliohm inside the battery" if source is not None else "",
        f"{path:.0f} milliohm from there through the standing starter" if path is not None else "",
    ]
    shown = ", ".join(n for n in numbers if n)
    words = f": {_WORDS[where]}" if where else ""
    return f"{words}{f' ({shown})' if shown else ''}", {
        "points_to": where or None, "source_mohm": source, "path_mohm": path, "inrush_a": a.inrush_a,
    }  # fmt: skip

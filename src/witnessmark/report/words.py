"""The closed word lists of the analysis, and the trade words a report uses for them."""

from __future__ import annotations

import re
from collections.abc import Sequence

ROLES: dict[str, str] = {
    "crank": "crank sensor",
    "cam": "cam sensor",
    "coil": "ignition coil",
    "injector": "injector",
    "battery": "battery voltage",
    "starter-current": "starter current",
    "cylinder-pressure": "cylinder pressure",
    "intake-pressure": "intake pressure",
    "exhaust-pressure": "exhaust pressure",
    "sensor-supply": "sensor supply",
    "sensor-ground": "sensor ground",
    "second-tap": "second tap of a line",
    "temperature": "temperature",
    "marker": "marker",
    "other": "not used",
}

SENSORS: dict[str, str] = {"hall": "two-level", "vr": "variable reluctance", "analog": "analog"}

# kind -> what is wrong, as it follows "The crank signal is wrong:" or stands alone
KINDS: dict[str, str] = {
    "tooth-absent": "one tooth gives no edge",
    "tooth-weak": "one tooth gives an edge only part of the time",
    "tooth-displaced": "one tooth's edge stands at the wrong angle",
    "tooth-extra": "an edge comes where the wheel has no tooth",
    "wheel-runout": "the wheel runs out of true",
    "wheel-shifted": "the wheel's pattern is right but its phase is not",
    "wheel-unexpected": "the wheel is not the one the setup names",
    "edges-dropped": "edges go missing at no fixed place on the wheel",
    "signal-lost": "the signal is lost for a stretch while the engine turns",
    "edges-spurious": "extra edges come at no fixed place on the wheel",
    "polarity-reversed": "the signal is the wrong way round",
    "signal-low": "the signal is too small",
    "supply-faulty": "the sensor's supply or ground moves",
    "line-faulty": "the two ends of one line differ",
    "cam-offset": "the cam edges stand off as a whole",
    "cam-wander": "the cam edges wander",
    "cam-edge-absent": "a cam edge is missing",
    "cam-signal-lost": "the cam signal is lost",
    "spark-absent": "no spark is commanded",
    "fuel-absent": "no fuel is commanded",
    "fuel-without-spark": "fuel is commanded without spark",
    "spark-misplaced": "spark comes at the wrong angle",
    "late-sync": "the first correctly timed spark comes late",
    "no-start": "the engine does not start",
    "cranking-slow": "the starter turns the engine too slowly",
    "battery-low": "the battery voltage is low",
    "compression-uneven": "the compression is uneven",
    "contribution-uneven": "the cylinders pull unevenly",
    "record-clipped": "the record is clipped",
    "record-ac-coupled": "the record is AC coupled",
    "record-thinned": "the record was thinned",
    "record-blocks-lost": "the record has lost blocks",
    "record-rate-low": "the sampling rate is low for this line",
    "record-scale-doubtful": "the scale of the record is doubtful",
    "code-stored": "a trouble code is stored",
    "codes-erased": "the codes were erased lately",
    "readiness-incomplete": "readiness is incomplete",
    "speed-not-seen": "the control unit sees no speed",
    "trims-off": "the fuel trims are off",
    "charging-low": "the charging voltage is low",
    "temperature-odd": "a temperature is odd",
}

TOOTH_KINDS = ("tooth-absent", "tooth-weak", "tooth-displaced", "tooth-extra")
CRANK_KINDS = (
    *TOOTH_KINDS,
    "wheel-runout",
    "wheel-shifted",
    "wheel-unexpected",
    "edges-dropped",
    "signal-lost",
    "edges-spurious",
    "polarity-reversed",
    "signal-low",
    "supply-faulty",
    "line-faulty",
)
# what the start shows because of something else: never the place where a signal is wrong
SYMPTOM_KINDS = ("spark-absent", "fuel-absent", "fuel-without-spark", "spark-misplaced", "late-sync", "no-start")

LOCKS: dict[str, str] = {
    "wheel": "repeats with the wheel",
    "cam": "repeats with the cam",
    "cycle": "repeats with the engine cycle",
    "speed": "goes with speed",
    "time": "goes with time",
    "event": "follows another channel's events",
    "none": "follows nothing seen here",
}

CAUSES: dict[str, str] = {
    "trigger-wheel-tooth": "the trigger wheel's tooth",
    "trigger-wheel-runout": "the trigger wheel running out of true",
    "trigger-wheel-shifted": "the trigger wheel moved on its seat",
    "trigger-wheel-loose": "a loose trigger wheel",
    "trigger-wheel-wrong": "a wrong trigger wheel",
    "crank-sensor": "the crank sensor",
    "crank-circuit": "the crank sensor's circuit",
    "electrical-interference": "electrical interference",
    "sensor-air-gap": "the sensor's air gap",
    "sensor-polarity": "the sensor's polarity",
    "sensor-wrong": "a wrong sensor",
    "cam-timing": "the cam timing",
    "cam-phaser": "the cam phaser",
    "cam-target": "the cam target wheel",
    "cam-sensor": "the cam sensor",
    "cam-circuit": "the cam sensor's circuit",
    "cranking-system": "battery, starter or their cables",
    "cylinder-compression": "a cylinder's compression",
    "cylinder-misfire": "a cylinder's misfire",
    "ignition-output": "the ignition output",
    "fuel-output": "the injector output",
    "fuel-supply": "the fuel supply",
    "security-lockout": "a security lock-out",
    "control-unit": "the control unit",
    "measurement-fault": "the measurement itself",
    "none-of-these": "none of these",
    "none-found": "nothing wrong",
}


def uncapitalised(text: str) -> str:
    """Text to stand within a sentence."""
    return text[:1].lower() + text[1:]


def plural(count: int, one: str, many: str = "") -> str:
    """The count with its noun: ``3 turns``, ``1 tooth``."""
    return f"{count:,} {one if count == 1 else many or one + 's'}".replace(",", " ")


def listed(items: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def wheel_words(name: str) -> str:
    """A design in a sentence: ``60-2 wheel``, or ``wheel (24 width-coded)`` where the name is in words."""
    return f"{name} wheel" if re.fullmatch(r"[\d+\-]+", name) else f"wheel ({name})"


def degrees(angle_deg: float, digits: int = 1) -> str:
    """An angle in text, without a trailing ``.0``."""
    text = f"{angle_deg:.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text == '-0' else text}°"


def percent(share: float) -> str:
    """A probability in per cent; never 0 % or 100 %: no record makes that sure."""
    if share < 0.005:
        return "under 1 %"
    if share >= 0.995:
        return "over 99 %"
    return f"{100.0 * share:.0f} %"


def output_words(kind: str, cylinder: int | None, channel: str, evidence: dict[str, object]) -> str:
    """A finding on an output in a few words: one cylinder, a weak current, all for a while; else the kind's words."""
    which = f"of cylinder {cylinder}" if cylinder is not None else f"on {channel}"
    if "current_rel" in evidence:
        return f"the coil current {which} stays low"
    if "skipped" in evidence:
        return f"the {'spark command' if kind == 'spark-absent' else 'injection'} {which} stays away"
    if "silences" in evidence:
        return "sparks and injections stop together for a while"
    if "cut_after_s" in evidence:
        return "fuel is cut soon after the start"
    if "apart_deg" in evidence:
        return f"the spark {which} comes at another angle than the others"
    return KINDS[kind]


LOCAL = "Local rules and licensed practice come first."


def local_once(cautions: Sequence[str]) -> list[str]:
    """Cautions that stand under one another: what each of them ends with is said once, at the end."""
    if sum(c.endswith(LOCAL) for c in cautions) < 2:
        return list(cautions)
    return [*(c.removesuffix(LOCAL).rstrip() for c in cautions), LOCAL]


def opening(caution: str) -> str:
    """A caution's first sentence; where it is shortened, the report and the JSON carry the whole of it elsewhere."""
    return caution.split(". ")[0].rstrip(".") + "."

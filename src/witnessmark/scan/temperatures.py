"""What the temperatures say: ends of the scale, coolant against air, an engine that stays cold or gets too hot."""

from __future__ import annotations

from witnessmark.findings.model import Finding, NotAssessed
from witnessmark.scan.measured import Family, Heard, Outcome, finding, source_of
from witnessmark.scan.model import ControlUnit

# Confidences: estimate, no source. The end of the scale with another sensor as witness and without; cold; hot.
ENDS_SEEN, ENDS_ALONE, COLD, HOT = 0.85, 0.6, 0.45, 0.7
_CIRCUITS = ("coolant-temperature", "intake-temperature", "ambient-temperature")
_AIR = ("ambient-temperature", "intake-temperature")


def find(heard: Heard) -> Outcome:
    """temperature-odd over all control units; one finding a sensor, the plainest cause first."""
    found: list[Finding] = []
    for unit in heard.snapshot.units:
        ends = [f for key in _CIRCUITS if (f := _end_of_scale(heard, unit, key)) is not None]
        found += ends
        if not ends:
            found += [f for f in (_against_air(heard, unit) or _cold(heard, unit), _hot(heard, unit)) if f is not None]
    if not any(u.one("coolant-temperature") for u in heard.snapshot.units):
        return Outcome(tuple(found), (NotAssessed("Are the temperatures plausible?", "no coolant temperature was read",
                                                  "parameters 05, 0F and 46 of the engine control unit"),))  # fmt: skip
    return Outcome(tuple(found))


def _end_of_scale(heard: Heard, unit: ControlUnit, key: str) -> Finding | None:
    series = unit.one(key)
    if series is None or series.last is None:
        return None
    value = series.last
    others = [s.last for k in _CIRCUITS if k != key and (s := unit.one(k)) is not None and s.last is not None]
    frost = any(v <= heard.limits["temperature.frost_c"] for v in others)
    is_open = value <= heard.limits["temperature.open_c"] and not frost
    if not is_open and value < heard.limits["temperature.short_c"]:
        return None
    what = "as with an open circuit" if is_open else "as with a shorted circuit, or the engine is in danger"
    return finding(
        unit, "temperature-odd",
        f"{unit.called}: {series.name} reads {value:.0f} °C, {what}; fuel and timing follow it.",
        ENDS_SEEN if others else ENDS_ALONE, value, "degC", sensor=key, **source_of(unit, *_CIRCUITS),
    )  # fmt: skip


def _against_air(heard: Heard, unit: ControlUnit) -> Finding | None:
    coolant = unit.one("coolant-temperature")
    air = [(k, s) for k in _AIR if (s := unit.one(k)) is not None]
    if coolant is None or coolant.last is None or not air:
        return None
    values = [s.last for _, s in air if s.last is not None]
    if not values:
        return None
    below = min(values) - coolant.last  # below all of them: one air sensor may be heated by the engine
    if below < heard.limits["temperature.below_air_c"]:
        return None
    agree = len(values) > 1 and max(values) - min(values) < heard.limits["temperature.below_air_c"]
    confidence = heard.limits["temperature.two_agree" if agree else "temperature.one_against_one"]
    said = " and ".join(f"{s.name} {s.last:.0f} °C" for _, s in air if s.last is not None)
    return finding(
        unit, "temperature-odd",
        f"{unit.called}: the coolant reads {coolant.last:.0f} °C, {below:.0f} °C below the air ({said}): one of these "
        "sensors is wrong, and a coolant that reads too cold floods the engine.",
        confidence, coolant.last, "degC", below_air_c=below, **source_of(unit, *_CIRCUITS),
    )  # fmt: skip


def _cold(heard: Heard, unit: ControlUnit) -> Finding | None:
    coolant, since = unit.one("coolant-temperature"), unit.one("run-time")
    if coolant is None or since is None or coolant.last is None or since.last is None:
        return None
    long = since.last >= heard.limits["temperature.warm_after_s"]
    if not long or coolant.last >= heard.limits["temperature.cold_running_c"]:
        return None
    return finding(
        unit, "temperature-odd",
        f"{unit.called}: the coolant reads {coolant.last:.0f} °C after {since.last / 60:.0f} minutes of running: the "
        "thermostat stays open or the sensor reads too cold.",
        COLD, coolant.last, "degC", **source_of(unit, "coolant-temperature", "run-time"),
    )  # fmt: skip


def _hot(heard: Heard, unit: ControlUnit) -> Finding | None:
    coolant = unit.one("coolant-temperature")
    if coolant is None or coolant.last is None or coolant.last < heard.limits["temperature.hot_c"]:
        return None
    return finding(
        unit, "temperature-odd",
        f"{unit.called}: the coolant reads {coolant.last:.0f} °C, more than thermostat and fan allow: stop the engine, "
        "or the sensor reads too hot.",
        HOT, coolant.last, "degC", **source_of(unit, "coolant-temperature"),
    )  # fmt: skip


FAMILY = Family(
    "temperatures",
    ("temperature-odd",),
    (*_CIRCUITS, "run-time"),
    (
        "temperature.open_c",
        "temperature.short_c",
        "temperature.hot_c",
        "temperature.below_air_c",
        "temperature.two_agree",
        "temperature.one_against_one",
        "temperature.frost_c",
        "temperature.cold_running_c",
        "temperature.warm_after_s",
    ),
    "SAE J1979 scaling for the ends; the rest is trade experience, no publication",
    find,
)
